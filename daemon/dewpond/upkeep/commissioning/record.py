"""Commissioning in the store: begun zone by zone, each step an entry of its own, and a person's word at the end.

A step counts for a zone if it was reported since the zone's commissioning was begun, so that a zone commissioned again
after a repair is proved again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dewpond.model.site import Site, Zone
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep import cups
from dewpond.upkeep.audit_desk import DRIP
from dewpond.upkeep.commissioning.steps import CUPS, MAY_BE_LEFT_OUT, due
from dewpond.upkeep.numbers import numbers_of
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.steps import Step, Ticks

KIND, STEP_KIND, TICKS = "commission", "commission-step", "commission-ticks"
BEGUN, SIGNED = "begun", "signed"
OK, WRONG, LEFT_OUT = "done", "not right", "left out"
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Progress:
    """One step of a zone: its entry, None while nobody has reported it."""

    step: Step
    place: str
    entry: UpkeepEntry | None

    @property
    def settled(self) -> bool:
        """Whether the zone may be signed off as far as this step goes."""
        return self.entry is not None and self.entry.body.get("result", OK) != WRONG


@dataclass(frozen=True, slots=True)
class Book:
    """The commissioning of one site's zones in its store."""

    site: Site
    store: UpkeepBook

    def newest(self, zone: str) -> UpkeepEntry | None:
        """The last word on a zone: begun or signed; None where it never was commissioned."""
        return self.store.newest(KIND, zone)

    def begun(self, zone: str) -> UpkeepEntry | None:
        """The entry that began what is on or was signed last."""
        found = [entry for entry in self.store.history(KIND, zone) if entry.body["state"] == BEGUN]
        return found[-1] if found else None

    def begin(self, zone: Zone, runs: int, *, who: str, at: datetime, note: str) -> UpkeepEntry:
        """Begin, or begin anew after a sign-off; one that is begun already stays as it is.

        ``runs`` are those that the meter had counted until then.
        """
        before = self.newest(zone.id)
        if before is not None and before.body["state"] == BEGUN:
            return before
        body = {"state": BEGUN, "note": note, "numbers": numbers_of(zone), "runs": runs}
        entry = next_entry(KIND, zone.id, body, who=who, at=at, made_from=before)
        self.store.keep(entry)
        return entry

    def since(self, place: str) -> datetime:
        """From when on what is reported at a zone or supply counts. Raises Refused where nothing is begun."""
        zones = [zone.id for zone in self.site.zones if place in (zone.id, zone.supply)]
        open_now = [e for e in map(self.newest, zones) if e is not None and e.body["state"] == BEGUN]
        if not open_now:
            raise Refused(f"{place}: no commissioning is begun there; begin it with `dewpond commission begin`")
        return max(entry.at for entry in open_now)

    def ticks(self, place: str) -> Ticks:
        """The cautions ticked at a place in this round. Raises Refused."""
        return Ticks(self.store, TICKS, f"{place}/{self.since(place):%Y%m%dT%H%M%S}")

    def report(
        self, step: Step, place: str, seen: Mapping[str, Any], *, who: str, at: datetime, version: int | None
    ) -> UpkeepEntry:
        """Keep what was seen. A second report of one round names the version it was made from."""
        since, subject = self.since(place), f"{place}/{step.key}"
        before = self.store.newest(STEP_KIND, subject)
        of_old = before.version if before is not None and before.at < since else None
        body = {"step": step.key, "place": place, **seen}
        made_from = of_old if version is None else version
        entry = next_entry(STEP_KIND, subject, body, who=who, at=at, made_from=made_from)
        self.store.keep(entry)
        return entry

    def leave_out(self, step: Step, place: str, why: str, *, who: str, at: datetime, version: int | None) -> None:
        """A step that is not done, with the reason. Raises Refused for one that a zone cannot be proved without."""
        if step.key not in MAY_BE_LEFT_OUT:
            may = " and ".join(MAY_BE_LEFT_OUT)
            raise Refused(f"{place}, {step.key}: a zone is not proved without it; only {may} may be left out")
        self.report(step, place, {"result": LEFT_OUT, "note": why}, who=who, at=at, version=version)

    def progress(self, zone: Zone) -> list[Progress]:
        """Every step of a zone since it was begun, in order."""
        begun = self.begun(zone.id)
        return [Progress(step, place, self._reported(step, place, begun)) for step, place in due(self.site, zone)]

    def sign(self, zone: Zone, *, who: str, at: datetime, note: str) -> UpkeepEntry:
        """Sign a zone off; one that is signed already stays so. Raises Refused, naming what is missing."""
        newest = self.newest(zone.id)
        if newest is None:
            raise Refused(f"{zone.id}: its commissioning was never begun; begin it with `dewpond commission begin`")
        if newest.body["state"] == SIGNED:
            return newest
        missing = [one for one in self.progress(zone) if not one.settled]
        if missing:
            words = ", ".join(f"{one.step.key} at {one.place}{_wrong(one)}" for one in missing)
            raise Refused(f"{zone.id} cannot be signed off: {words}; do it and report it, then sign")
        body = {"state": SIGNED, "note": note, "numbers": numbers_of(zone)}
        entry = next_entry(KIND, zone.id, body, who=who, at=at, made_from=newest)
        self.store.keep(entry)
        return entry

    def _reported(self, step: Step, place: str, begun: UpkeepEntry | None) -> UpkeepEntry | None:
        if begun is None:
            return None
        found = [self.store.newest(STEP_KIND, f"{place}/{step.key}")]
        if step.key == CUPS:
            found += [self.store.newest(kind, place) for kind in (cups.KIND, DRIP)]
        counting = [entry for entry in found if entry is not None and entry.at >= begun.at]
        return max(counting, key=lambda entry: entry.at, default=None)


def _wrong(one: Progress) -> str:
    return "" if one.entry is None else f" ({one.entry.body.get('why', '')})"
