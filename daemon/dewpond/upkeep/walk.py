"""A walk-round inspection: what is to be looked at next, what was found, and how that differs from the last walk.

A walk is entries in the store and nothing else, so it goes on where it was interrupted, on any phone. Its looks are one
entry each: two people on one walk disturb each other only where both report on the same step of the same place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from dewpond.model.site import Site, Supply, Zone
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.upkeep.cautions import tick_fault
from dewpond.upkeep.fault_table import FAULTS
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.walk_steps import ORDER, SITE, STEPS, Step, cautions_of

KIND, LOOK, TICKS = "walk", "look", "ticks"
RIGHT, FOUND, LEFT_OUT = "right", "found", "left out"
LONGEST_TEXT = 500
_BY_ZONE = ("run", "ground", "heads")  # done together at each zone, so that nobody goes round three times
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """One walk as it stands: its own entry, its looks by (step, place), and the cautions ticked by step."""

    entry: UpkeepEntry
    looks: Mapping[tuple[str, str], UpkeepEntry]
    ticked: Mapping[str, UpkeepEntry]

    @property
    def id(self) -> str:
        """Its name: the date it began, with a number where there were several."""
        return self.entry.subject

    @property
    def zones(self) -> tuple[str, ...]:
        """Zone ids it goes round."""
        return tuple(self.entry.body["zones"])

    @property
    def ended(self) -> bool:
        """Whether somebody has closed it."""
        return bool(self.entry.body["ended"])

    def findings(self, place: str | None = None) -> list[tuple[str, Mapping[str, Any]]]:
        """(place, finding) of every look, or of one place."""
        return [
            (where, finding)
            for (_, where), look in self.looks.items()
            if place in (None, where)
            for finding in look.body["findings"]
        ]


def walk_from(entry: UpkeepEntry, looks: Sequence[UpkeepEntry], ticks: Sequence[UpkeepEntry]) -> Walk:
    """A walk from its entries."""
    return Walk(
        entry=entry,
        looks={(look.body["step"], look.body["place"]): look for look in looks},
        ticked={tick.body["step"]: tick for tick in ticks},
    )


def begun(site: Site, before: Sequence[str], zones: Sequence[str], *, day: str, who: str, at: datetime) -> UpkeepEntry:
    """A new walk over ``zones``, all where none is named. ``before`` are the names of earlier walks."""
    known = [zone.id for zone in site.zones]
    unknown = [zone for zone in zones if zone not in known]
    if unknown:
        raise Refused(f"walk: no zone {', '.join(unknown)} here; zones are {', '.join(known)}")
    name, number = day, 1
    while name in before:
        number += 1
        name = f"{day}-{number}"
    chosen = [zone for zone in known if not zones or zone in zones]
    body = {
        "zones": chosen,
        "began": at.astimezone(UTC).isoformat(timespec="microseconds"),
        "by": who,
        "ended": "",
        "note": "",
    }
    return next_entry(KIND, name, body, who=who, at=at, made_from=None)


def ended(site: Site, walk: Walk, note: str, *, who: str, at: datetime) -> UpkeepEntry:
    """The walk closed by a person; what was not looked at stays so. Raises Refused for one that is over."""
    _on(walk)
    if len(note) > LONGEST_TEXT:
        raise Refused(f"walk {walk.id}: a note of {len(note)} letters, at most {LONGEST_TEXT}; shorten it")
    open_yet = len(outstanding(site, walk))
    body = {**walk.entry.body, "ended": at.isoformat(), "note": note, "not_looked_at": open_yet}
    return next_entry(KIND, walk.id, body, who=who, at=at, made_from=walk.entry)


def order(site: Site, walk: Walk) -> Iterator[tuple[Step, str]]:
    """Everything the walk has to look at, in the right order."""
    zones = [zone for zone in site.zones if zone.id in walk.zones]
    used = {zone.supply for zone in zones}
    yield from ((STEPS["leak-test"], supply.id) for supply in site.supplies if supply.id in used)
    yield from ((STEPS["valves-dry"], zone.id) for zone in zones)
    yield from ((STEPS["by-hand"], zone.id) for zone in zones)
    yield from ((STEPS["repair"], zone.id) for zone in zones if to_repair(walk, zone.id))
    yield from ((STEPS[step], zone.id) for zone in zones for step in _BY_ZONE)
    yield STEPS["program"], SITE


def to_repair(walk: Walk, zone: str) -> list[str]:
    """The faults found at a valve that step (c) may mend on the spot."""
    return [finding["fault"] for _, finding in walk.findings(zone) if FAULTS[finding["fault"]].repair]


def outstanding(site: Site, walk: Walk) -> list[tuple[Step, str]]:
    """What has not been looked at yet, nor left out with a reason; the first is next."""
    return [(step, place) for step, place in order(site, walk) if (step.key, place) not in walk.looks]


def ticks(site: Site, walk: Walk, step: Step, keys: Sequence[str], *, who: str, at: datetime) -> UpkeepEntry:
    """The cautions of a step, read and ticked by a person."""
    _on(walk)
    shown = all_cautions(site, walk, step)
    unknown = [key for key in keys if key not in shown]
    if unknown or not keys:
        known = ", ".join(shown) or "none"
        raise Refused(f"step {step.key}: {', '.join(unknown) or 'nothing'} is no caution of it; they are {known}")
    before = walk.ticked.get(step.key)
    have = list(before.body["ticked"]) if before else []
    body = {"step": step.key, "ticked": list(dict.fromkeys([*have, *keys]))}
    return next_entry(TICKS, f"{walk.id}/{step.key}", body, who=who, at=at, made_from=before)


def all_cautions(site: Site, walk: Walk, step: Step) -> tuple[str, ...]:
    """What a step shows on this walk, for all places together."""
    used = {zone.supply for zone in site.zones if zone.id in walk.zones}
    supplies = [supply for supply in site.supplies if supply.id in used]
    keys = [key for supply in supplies for key in cautions_of(step, supply)]
    return tuple(dict.fromkeys([*step.cautions, *keys]))


def report_fault(site: Site, walk: Walk, step: Step, place: str) -> str:
    """Why a step of a place cannot be reported yet, with the remedy, or "". Raises Refused for a walk that is over."""
    _on(walk)
    due = [(one.key, where) for one, where in order(site, walk)]
    if (step.key, place) not in due:
        places = [where for key, where in due if key == step.key]
        return (
            f"walk {walk.id}, step {step.key}: it is not done at {place!r} here; it is at {', '.join(places) or 'none'}"
        )
    ticked = walk.ticked.get(step.key)
    fault = tick_fault(all_cautions(site, walk, step), ticked.body["ticked"] if ticked else ())
    if fault:
        return f"step {step.key}, {fault}"
    zone, _ = zone_and_supply(site, place)
    before = [(key, where) for key, where in due if where == place or (zone is not None and where == zone.supply)]
    missing = [key for key, where in before if _earlier(key, step) and (key, where) not in walk.looks]
    if missing:
        first = STEPS[missing[0]]
        return (
            f"walk {walk.id}, {place}: step ({first.letter}) {first.key} comes first; report it, or leave it out "
            "with a reason"
        )
    return ""


def _earlier(key: str, step: Step) -> bool:
    return ORDER.index(key) < ORDER.index(step.key)


def look(
    walk: Walk, step: Step, place: str, result: Mapping[str, Any], *, who: str, at: datetime, made_from: int | None
) -> UpkeepEntry:
    """What was seen at one step of one place. A second report names the version it was made from."""
    _on(walk)
    body = {"step": step.key, "place": place, "findings": [], "sentences": [], **result}
    return next_entry(LOOK, f"{walk.id}/{step.key}/{place}", body, who=who, at=at, made_from=made_from)


def zone_and_supply(site: Site, place: str) -> tuple[Zone | None, Supply | None]:
    """The zone and the supply that a place is, where it is one."""
    zone = next((zone for zone in site.zones if zone.id == place), None)
    supply_id = zone.supply if zone is not None else place
    return zone, next((supply for supply in site.supplies if supply.id == supply_id), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Findings of a walk beside those of the last one: each (place, fault, spot)."""

    new: tuple[tuple[str, str, str], ...]
    still: tuple[tuple[str, str, str], ...]
    gone: tuple[tuple[str, str, str], ...]
    not_looked_at: tuple[tuple[str, str, str], ...]
    flows: tuple[tuple[str, float, float], ...]  # zone, then and now [L/min]


def compared(before: Walk, now: Walk) -> Compared:
    """How two walks differ. A fault counts as gone only where its step was looked at again."""
    old, new = _found(before), _found(now)
    missing = [one for one in old if one not in new]
    again = [one for one in missing if looked_for(now.looks.get((FAULTS[one[1]].step, one[0])), one[1])]
    flows = [
        (zone, then, flow)
        for zone in now.zones
        if (then := _flow(before, zone)) is not None and (flow := _flow(now, zone)) is not None
    ]
    return Compared(
        new=tuple(one for one in new if one not in old),
        still=tuple(one for one in new if one in old),
        gone=tuple(again),
        not_looked_at=tuple(one for one in missing if one not in again),
        flows=tuple(flows),
    )


# Faults that only a figure shows: without it, nobody has looked for them.
_FIGURE_OF = {
    "flow-high": "flow_l_min",
    "flow-low": "flow_l_min",
    "pressure-high": "pressure_kpa",
    "pressure-low": "pressure_kpa",
    "leak-while-shut": "litres",
}


def looked_for(look: UpkeepEntry | None, fault: str) -> bool:
    """Whether a look could have shown a fault: it was not left out, and has the figure that the fault is seen by."""
    if look is None or look.body["result"] == LEFT_OUT:
        return False
    figure = _FIGURE_OF.get(fault)
    return figure is None or (look.body.get("seen") or {}).get(figure) is not None


def _found(walk: Walk) -> list[tuple[str, str, str]]:
    return [(place, finding["fault"], finding["spot"]) for place, finding in walk.findings()]


def _flow(walk: Walk, zone: str) -> float | None:
    entry = walk.looks.get(("run", zone))
    return None if entry is None else (entry.body.get("seen") or {}).get("flow_l_min")


def _on(walk: Walk) -> None:
    if walk.ended:
        raise Refused(f"walk {walk.id}: it ended at {walk.entry.body['ended']}; begin a new one")
