"""Handing over: everything that stands open in one place, and a record of who took it over with which numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dewpond.model.site import Site, Zone
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep import cups
from dewpond.upkeep.commissioning.record import BEGUN, SIGNED, Book
from dewpond.upkeep.handover import emergency
from dewpond.upkeep.numbers import changes, numbers_of
from dewpond.upkeep.refusal import Refused

KIND, SITE = "handover", "site"
NO_DAEMON = "No daemon answers: holds, locks, exemptions, percents and alarms of the moment are not known here."
RATE_SHARE = 0.10  # cups and site file may differ by so much without a word. Common practice, no source.
Plain = dict[str, Any]
Status = Callable[[], Mapping[str, Any] | None]


@dataclass(frozen=True, slots=True)
class HandoverDesk:
    """Handing over one site. ``status`` is the daemon's picture (None without one); the rest tells what is open."""

    site: Site
    book: UpkeepBook
    status: Status
    tasks: Callable[[], Sequence[Plain]]
    cards: Callable[[], Sequence[Plain]]
    faults: Callable[[], Sequence[str]]

    def show(self, _form: Plain, _who: str, _at: datetime) -> Plain:
        """What the one who takes over has to know."""
        last = self.book.newest(KIND, SITE)
        status = self.status()
        return {
            "site": self.site.name,
            "last": None if last is None else _record_shown(last),
            "tasks": list(self.tasks()),
            "unproved": self._unproved(),
            "technician": list(self.faults()),
            "changed": [*self._numbers(last), *self._audited(), *self._cards(), *_percents(status)],
            "emergency": list(
                emergency.blanks(emergency.card_shown(self.site, self.book.newest(emergency.KIND, SITE)))
            ),
            **_now(status),
        }

    def keep(self, form: Plain, who: str, at: datetime) -> Plain:
        """The site is handed over: to whom, and with which numbers."""
        if form["to"].strip().casefold() == who.casefold():
            raise Refused(f"handover: {who} hands over to {form['to']}; name the other person in --to")
        last = self.book.newest(KIND, SITE)
        open_now = self.show({}, who, at)
        counts = {
            name: len(open_now[name]) for name in ("tasks", "holds", "locks", "exemptions", "unproved", "changed")
        }
        body = {
            "to": form["to"].strip(),
            "note": form.get("note", ""),
            "open": counts,
            "numbers": {zone.id: numbers_of(zone) for zone in self.site.zones},
        }
        made_from = form.get("version", last.version if last is not None else None)
        self.book.keep(next_entry(KIND, SITE, body, who=who, at=at, made_from=made_from))
        return self.show({}, who, at)

    def _unproved(self) -> list[str]:
        """Zones whose commissioning is not signed off, as clauses."""
        records, told = Book(self.site, self.book), []
        for zone in self.site.zones:
            newest = records.newest(zone.id)
            if newest is not None and newest.body["state"] == BEGUN:
                missing = ", ".join(one.step.key for one in records.progress(zone) if not one.settled) or "the sign-off"
                told.append(f"{zone.name}: commissioning begun by {newest.who}, missing: {missing}")
            elif newest is None and self.site.prove_zones:
                told.append(f"{zone.name}: never commissioned, and the site file says prove_zones")
        return told

    def _numbers(self, last: UpkeepEntry | None) -> list[str]:
        """Numbers of the site file that are not those of the last handover, or of the zone's sign-off."""
        told = []
        for zone in self.site.zones:
            then, when = self._then(last, zone)
            found = changes(then, zone)
            told += [f"{zone.name}: {'; '.join(found)}, since {when}"] if found else []
        gone = sorted(set(last.body["numbers"]) - {zone.id for zone in self.site.zones}) if last else []
        return [*told, *(f"{name}: no longer in the site file, since the last handover" for name in gone)]

    def _then(self, last: UpkeepEntry | None, zone: Zone) -> tuple[Mapping[str, Any], str]:
        if last is not None and zone.id in last.body["numbers"]:
            return last.body["numbers"][zone.id], "the last handover"
        newest = Book(self.site, self.book).newest(zone.id)
        if newest is not None and newest.body["state"] == SIGNED:
            return newest.body["numbers"], "its sign-off"
        return {}, ""

    def _audited(self) -> list[str]:
        """Zones whose cups gave another rate than the site file has."""
        told = []
        for zone in self.site.zones:
            audit = self.book.newest(cups.KIND, zone.id)
            rate = None if audit is None else audit.body["rate_mm_h"]
            if rate is not None and abs(rate - zone.application_rate_mm_h) > RATE_SHARE * zone.application_rate_mm_h:
                figures = f"{rate:.1f} mm/h, the site file says {zone.application_rate_mm_h:.1f} mm/h"
                told.append(f"{zone.name}: its cups gave {figures}; nobody has accepted it")
        return told

    def _cards(self) -> list[str]:
        return [f"{card['name']}: {text}" for card in self.cards() for text in card["differences"]]


def _record_shown(entry: UpkeepEntry) -> Plain:
    named = {name: entry.body[name] for name in ("to", "note", "open")}
    return {"by": entry.who, "at": entry.at.isoformat(), "version": entry.version, **named}


def _percents(status: Mapping[str, Any] | None) -> list[str]:
    """Programs that run at a person's percent in place of the site file's."""
    programs = status.get("programs", ()) if status is not None else ()
    return [
        f"Program {one['name']}: {one['percent']:.0f} %, set by {one['changed_by']}"
        for one in programs
        if one.get("changed_by")
    ]


def _now(status: Mapping[str, Any] | None) -> Plain:
    """Holds, locks, exemptions and alarms as the daemon has them, as sentences."""
    if status is None:
        return {"holds": [], "locks": [], "exemptions": [], "alarms": [], "not_known": [NO_DAEMON]}
    holds = []
    if status.get("hold_until"):
        why = f": {status['hold_reason']}" if status.get("hold_reason") else ""
        holds.append(f"The whole site is held until {status['hold_until']}{why}")
    for zone in status["zones"]:
        words = [word for word in str(zone.get("held") or "").split("; ") if word and not word.startswith("not proved")]
        holds += [f"{zone['name']}: {'; '.join(words)}"] if words else []
    leaves = [
        f"{one['target']}: exempt from {one['rule'] or 'its restrictions'} until {one['until']} by {one['who']}: "
        f"{one['reason']}"
        for one in status.get("exemptions", ())
    ]
    leaves += [f"Stage of restriction in force: {status['stage']}"] if status.get("stage") else []
    return {
        "holds": holds,
        "locks": [f"{lock['target']}: {lock['sentence']}" for lock in status.get("locks", ())],
        "exemptions": leaves,
        "alarms": [alarm["sentence"] for alarm in status.get("alarms", ())],
        "not_known": [],
    }
