"""A technician's check in the store: begun, read figure by figure by as many people as come, ended, compared.

A check is an entry of kind "technician"; each figure is an entry of its own beside it, so that two people who measure
at once never write over one another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.steps import Step, Ticks, places
from dewpond.upkeep.technician.steps import COIL, STATIC, STEPS

KIND, NOTE, TICKS = "technician", "technician-note", "technician-ticks"
YEAR, HALF_A_YEAR = timedelta(days=365), timedelta(days=182)
# A change beyond these since the last check is told. Common practice, no source; copper alone changes its resistance
# by 0.39 % a kelvin (from memory), so 20 K between two checks are 8 %.
CHANGE_SHARE = 0.10
COIL_CHANGE_SHARE = 0.15
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Check:
    """One check with its figures, by step, place and hour (of static pressure, else "")."""

    entry: UpkeepEntry
    notes: Mapping[tuple[str, str, str], UpkeepEntry]

    @property
    def id(self) -> str:
        return self.entry.subject

    @property
    def day(self) -> date:
        return date.fromisoformat(self.entry.body["day"])

    def of(self, step: str, place: str) -> dict[str, UpkeepEntry]:
        """The figures of one step and place, by hour."""
        return {hour: entry for (key, where, hour), entry in self.notes.items() if (key, where) == (step, place)}

    def coils(self) -> dict[str, int]:
        """Coils on each zone's output, as they were counted."""
        return {place: entry.body["coils"] for (step, place, _), entry in self.notes.items() if step == COIL}


def checks(book: UpkeepBook) -> list[Check]:
    """Every check, oldest first."""
    found = [_whole(book, entry) for entry in book.all_newest(KIND)]
    return sorted(found, key=lambda check: check.entry.body["began"])


def current(book: UpkeepBook, name: str | None) -> Check:
    """The check of this name, else the one that is on. Raises Refused."""
    if name:
        entry = book.newest(KIND, name)
        if entry is None:
            raise Refused(f"no technician's check {name!r} here; `dewpond technician list` names them")
        return _whole(book, entry)
    on = [check for check in checks(book) if not check.entry.body["ended"]]
    if not on:
        raise Refused("no technician's check is on; begin one with `dewpond technician begin`")
    return on[-1]


def _whole(book: UpkeepBook, entry: UpkeepEntry) -> Check:
    notes = book.all_newest(NOTE, f"{entry.subject}/")
    return Check(entry, {(n.body["step"], n.body["place"], n.body["hour"]): n for n in notes})


def begin(book: UpkeepBook, site: Site, *, who: str, at: datetime) -> Check:
    """A new check; one at a time. Raises Refused."""
    before = checks(book)
    on = [check.id for check in before if not check.entry.body["ended"]]
    if on:
        raise Refused(f"the technician's check {on[-1]} is still on; go on with it, or end it first")
    day = at.astimezone(ZoneInfo(site.timezone)).date().isoformat()
    name, number, known = day, 1, {check.id for check in before}
    while name in known:
        number += 1
        name = f"{day}-{number}"
    body = {"day": day, "began": at.isoformat(timespec="microseconds"), "by": who, "ended": "", "note": ""}
    entry = next_entry(KIND, name, body, who=who, at=at, made_from=None)
    book.keep(entry)
    return _whole(book, entry)


def end(book: UpkeepBook, check: Check, note: str, *, who: str, at: datetime) -> Check:
    """The check closed; what was not measured stays so. Raises Refused for one that is over."""
    on(check)
    body = {**check.entry.body, "ended": at.isoformat(), "note": note}
    book.keep(next_entry(KIND, check.id, body, who=who, at=at, made_from=check.entry))
    return current(book, check.id)


def on(check: Check) -> None:
    """Raises Refused for a check that is over."""
    if check.entry.body["ended"]:
        raise Refused(f"technician's check {check.id}: it ended at {check.entry.body['ended']}; begin a new one")


def ticks(book: UpkeepBook, check: Check) -> Ticks:
    """The cautions ticked in a check."""
    return Ticks(book, TICKS, check.id)


def keep(
    book: UpkeepBook, check: Check, step: Step, place: str, seen: Plain, *, who: str, at: datetime,
    version: int | None,
) -> UpkeepEntry:  # fmt: skip
    """Keep what was measured; a second report of the same thing names the version it was made from."""
    hour = seen.get("clock", "") if step.key == STATIC else ""
    subject = "/".join(part for part in (check.id, step.key, place, hour) if part)
    body = {"step": step.key, "place": place, "hour": hour, "coils": 1, **seen}
    entry = next_entry(NOTE, subject, body, who=who, at=at, made_from=version)
    book.keep(entry)
    return entry


def outstanding(site: Site, check: Check) -> list[tuple[Step, str]]:
    """What has not been measured yet, in order; the first is next."""
    every = [(step, place) for step in STEPS.values() for place in places(site, step)]
    return [(step, place) for step, place in every if not check.of(step.key, place)]


def before(found: Sequence[Check], check: Check) -> Check | None:
    """The check to compare with: the one nearest to a year ago, else the last one before; None for the first."""
    earlier = [one for one in found if one.entry.body["began"] < check.entry.body["began"]]
    if not earlier:
        return None
    old = [one for one in earlier if check.day - one.day >= HALF_A_YEAR]
    return min(old, key=lambda one: abs((check.day - one.day) - YEAR)) if old else earlier[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One figure then and now. ``told`` where it is more than such a figure changes by itself."""

    step: str
    place: str
    what: str
    unit: str
    then: float
    now: float
    told: bool

    @property
    def share(self) -> float | None:
        """The change as a share of the earlier figure; None from nothing."""
        return (self.now - self.then) / self.then if self.then else None


def compared(then: Check, now: Check) -> list[Change]:
    """Every figure that both checks have."""
    found = []
    for step, place in dict.fromkeys((step, place) for step, place, _ in now.notes):
        old, new = figures(then, step, place), figures(now, step, place)
        limit = COIL_CHANGE_SHARE if step == COIL else CHANGE_SHARE
        for (what, unit), value in new.items():
            was = old.get((what, unit))
            if was is not None:
                told = abs(value - was) > limit * abs(was)
                found.append(Change(step=step, place=place, what=what, unit=unit, then=was, now=value, told=told))
    return found


def figures(check: Check, step: str, place: str) -> dict[tuple[str, str], float]:
    """The figures of a step and place that another check can be held against, by name and unit."""
    notes = [entry.body for entry in check.of(step, place).values()]
    if not notes:
        return {}
    if step == STATIC:
        read = [note["pressure"] for note in notes]
        return {("lowest static pressure", "kPa"): min(read), ("highest static pressure", "kPa"): max(read)}
    names = {
        "first": ("pressure at the first head", "kPa"),
        "last": ("pressure at the last head", "kPa"),
        "flow": ("flow", "L/min"),
        "ohm": ("coil and wire", "ohm"),
        "va": ("transformer", "VA"),
    }
    return {title: notes[0][name] for name, title in names.items() if notes[0].get(name) is not None}


def change_shown(change: Change) -> Plain:
    """A change for screens."""
    return {**asdict(change), "share": change.share}
