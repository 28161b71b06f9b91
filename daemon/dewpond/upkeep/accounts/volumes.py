"""Litres of every zone, supply, month and day: by the meter where it can tell, computed where it cannot.

A run's litres are the meter's where its supply has one that serves nothing else. What a meter shared with a house
counts is no zone's water, so there the computed litres stand.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dewpond.model.commands import RecordRun
from dewpond.model.site import Site
from dewpond.upkeep.accounts.records import Records, month_of

METER_CLASS = 0.02  # ISO 4064 accuracy class 2, above its transitional flow (from memory)
NOTHING_BOOKED = "nothing is booked as applied"  # how the record of an unfed opening ends
COMPUTED_DOUBT = 0.15  # of area x rate x minutes where no meter counts (our assumption, no source)


@dataclass(frozen=True, slots=True)
class Litres:
    """A volume and its parts. ``metered_l`` came from a meter, ``computed_l`` from area, rate and minutes. [L]"""

    metered_l: float = 0.0
    computed_l: float = 0.0

    @property
    def total_l(self) -> float:
        return self.metered_l + self.computed_l

    @property
    def doubt_l(self) -> float:
        """One standard uncertainty. Within each part the errors are the same from run to run, so they add up. [L]"""
        return math.hypot(METER_CLASS * self.metered_l, COMPUTED_DOUBT * self.computed_l)

    @property
    def source(self) -> str:
        """In words: metered, computed, or both."""
        if self.metered_l > 0.0 and self.computed_l > 0.0:
            return f"{100.0 * self.metered_l / self.total_l:.0f} % metered, the rest computed"
        return "metered" if self.metered_l > 0.0 else "computed" if self.computed_l > 0.0 else "nothing ran"

    def __add__(self, other: Litres) -> Litres:
        return Litres(self.metered_l + other.metered_l, self.computed_l + other.computed_l)


@dataclass(frozen=True, slots=True, kw_only=True)
class Volumes:
    """All runs of a span, added up. Keys of ``by_zone_month`` and ``by_supply_month`` are (id, "2027-06")."""

    by_zone: dict[str, Litres]
    by_supply: dict[str, Litres]
    by_zone_month: dict[tuple[str, str], Litres]
    by_supply_month: dict[tuple[str, str], Litres]
    by_day: dict[str, Litres]
    total: Litres
    runs: int


def metered_supplies(site: Site) -> frozenset[str]:
    """Supplies whose meter counts the irrigation and nothing else."""
    return frozenset(supply.id for supply in site.supplies if supply.meter and not supply.shared_with_house)


def litres_of(run: RecordRun, *, metered: bool) -> Litres:
    """One run's litres. An unfed opening booked nothing: the meter saw none, and its computed litres never were."""
    if run.note.endswith(NOTHING_BOOKED):
        return Litres()
    if metered and run.metered_litres is not None and math.isfinite(run.metered_litres):
        return Litres(metered_l=max(0.0, run.metered_litres))
    return Litres(computed_l=run.litres if math.isfinite(run.litres) else 0.0)


def volumes(site: Site, records: Records) -> Volumes:
    """The runs of the records, added up by zone, supply, month and site date."""
    metered, supply_of = metered_supplies(site), {zone.id: zone.supply for zone in site.zones}
    parts = []
    for run in records.runs:
        day = run.start.astimezone(records.span.zone).date()
        supply = supply_of.get(run.zone, "")
        parts.append((run.zone, supply, month_of(day), day.isoformat(), litres_of(run, metered=supply in metered)))
    return Volumes(
        by_zone=_sums((zone, amount) for zone, _, _, _, amount in parts),
        by_supply=_sums((supply, amount) for _, supply, _, _, amount in parts),
        by_zone_month=_sums(((zone, month), amount) for zone, _, month, _, amount in parts),
        by_supply_month=_sums(((supply, month), amount) for _, supply, month, _, amount in parts),
        by_day=_sums((day, amount) for _, _, _, day, amount in parts),
        total=sum((amount for *_, amount in parts), Litres()),
        runs=len(parts),
    )


def _sums(parts: Iterable[tuple[object, Litres]]) -> dict:  # type: ignore[type-arg]  # keys differ by caller
    found: dict[object, Litres] = defaultdict(Litres)
    for key, amount in parts:
        found[key] = found[key] + amount
    return dict(found)


def silent_runs(site: Site, runs: Sequence[RecordRun]) -> list[RecordRun]:
    """Runs through which a working meter should have seen water and saw none: no water, or a dead meter."""
    metered, supply_of = metered_supplies(site), {zone.id: zone.supply for zone in site.zones}
    return [
        run for run in runs if run.litres > 0.0 and run.metered_litres == 0.0 and supply_of.get(run.zone) in metered
    ]
