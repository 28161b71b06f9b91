"""Steps that a technician or a crew reports one by one: what each is done at, what is read there, what is ticked first.

A caution is ticked by the very person who reports the step: what one has read, the other has not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dewpond.model.site import Site, Supply
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep.cautions import LAST_WORD, cautions, tick_fault
from dewpond.upkeep.refusal import Refused

SITE = "site"
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. ``at`` is "zone", "supply" or "site"; ``needs`` are the fields without which nothing is reported."""

    key: str
    title: str
    at: str
    how: tuple[str, ...]
    source: str
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def by_key(steps: Iterable[Step]) -> Mapping[str, Step]:
    """Steps by their key, in their order."""
    return {step.key: step for step in steps}


def named(steps: Mapping[str, Step], key: str) -> Step:
    """The step of this key. Raises Refused."""
    if key not in steps:
        raise Refused(f"no step {key!r}; steps are {', '.join(steps)}")
    return steps[key]


def places(site: Site, step: Step) -> list[str]:
    """Where a step may be done."""
    if step.at == SITE:
        return [SITE]
    return [one.id for one in (site.zones if step.at == "zone" else site.supplies)]


def checked_place(site: Site, step: Step, place: str) -> str:
    """The place, if the step is done there. Raises Refused."""
    known = places(site, step)
    if place not in known:
        raise Refused(f"step {step.key}: it is not done at {place!r}; it is done at {', '.join(known)}")
    return place


def supply_of(site: Site, place: str) -> Supply | None:
    """The supply a place belongs to; None for the site as a whole."""
    zone = next((zone for zone in site.zones if zone.id == place), None)
    wanted = zone.supply if zone is not None else place
    return next((supply for supply in site.supplies if supply.id == wanted), None)


def cautions_of(site: Site, step: Step, place: str) -> tuple[str, ...]:
    """What is to be ticked at a step of a place, more where the water is reclaimed or pumped."""
    keys, supply = list(step.cautions), supply_of(site, place)
    if supply is not None and supply.source == "reclaimed":
        keys += ["reclaimed-apart", "reclaimed-hands"]
    if supply is not None and supply.pump is not None:
        keys += ["pump-dry", "pump-wiring"]
    return tuple(dict.fromkeys(keys))


@dataclass(frozen=True, slots=True)
class Ticks:
    """The cautions that people have ticked in one check or commissioning (``scope``), person by person."""

    book: UpkeepBook
    kind: str
    scope: str

    def of(self, step: Step, who: str) -> UpkeepEntry | None:
        """What this person has ticked at a step, or None."""
        return self.book.newest(self.kind, self._subject(step, who))

    def add(self, step: Step, shown: Sequence[str], keys: Sequence[str], *, who: str, at: datetime) -> None:
        """Keep what a person has read and ticked. Raises Refused for a caution that the step does not show."""
        unknown = [key for key in keys if key not in shown]
        if unknown or not keys:
            told = ", ".join(unknown) or "nothing"
            raise Refused(f"step {step.key}: {told} is no caution of it; they are {', '.join(shown) or 'none'}")
        before = self.of(step, who)
        have = list(before.body["ticked"]) if before else []
        body = {"step": step.key, "ticked": list(dict.fromkeys([*have, *keys]))}
        self.book.keep(next_entry(self.kind, self._subject(step, who), body, who=who, at=at, made_from=before))

    def require(self, step: Step, shown: Sequence[str], who: str) -> None:
        """Raises Refused where a caution of the step is not ticked by this person."""
        before = self.of(step, who)
        fault = tick_fault(shown, before.body["ticked"] if before else ())
        if fault:
            raise Refused(f"step {step.key}, {fault}")

    def shown(self, step: Step, keys: Sequence[str], who: str) -> list[Plain]:
        """The cautions of a step for screens, each with whether this person has ticked it."""
        before = self.of(step, who)
        have = set(before.body["ticked"]) if before else set()
        return [
            {"key": one.key, "text": one.text, "source": one.source, "ticked": one.key in have}
            for one in cautions(keys)
        ]

    def _subject(self, step: Step, who: str) -> str:
        return f"{self.scope}/{step.key}/{who}"


def step_shown(site: Site, step: Step, place: str, ticks: Ticks, who: str) -> Plain:
    """A step as a screen shows it before it is reported."""
    keys = cautions_of(site, step, place)
    return {
        "step": step.key,
        "title": step.title,
        "place": place,
        "how": list(step.how),
        "source": step.source,
        "needs": list(step.needs),
        "cautions": ticks.shown(step, keys, who),
        "last_word": LAST_WORD,
    }
