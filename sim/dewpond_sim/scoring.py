"""How well a replay watered, judged from its records alone and by the published controller test's own balance.

Nothing here is shared with the decisions: the protocol's moisture balance is worked out again from the weather and the
net irrigation of each day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dewpond.model.commands import RecordDay, RecordRun
from dewpond.model.site import Site, Zone
from dewpond.science.accounts import irrigation_adequacy, scheduling_efficiency
from dewpond_sim.replay.results import ReplayRecords

FloatArray = NDArray[np.float64]
RAIN_SHARE = 0.8  # of measured rain, no more than the storage left: the protocol's rule (from memory)
ROUNDING_MM = 1e-6
SAME_WATERING_S = 8 * 3600.0  # openings of a zone closer than this are one watering: soaking rests, waits for others


@dataclass(frozen=True, slots=True)
class Series:
    """One zone's days: unstressed water use, rain, and what reached the roots or ran off. [mm]"""

    dates: tuple[date, ...]
    etc_mm: FloatArray
    rain_mm: FloatArray
    net_mm: FloatArray
    runoff_mm: FloatArray
    depletion_mm: FloatArray
    raw_mm: FloatArray


@dataclass(frozen=True, slots=True)
class Score:
    """One zone's season. Shares are fractions; ``adequacy`` and ``excess`` are NaN where there was nothing to judge."""

    adequacy: float
    excess: float
    stress_days: int
    runoff_share: float  # of the net water and the runoff
    net_mm: float
    waterings: int
    mean_depth_of_raw: float  # mean net depth of a watering, as share of RAW; NaN without any


def series(zone: Zone, days: Sequence[RecordDay]) -> Series:
    """One zone's days out of all records of a replay."""
    rows = sorted((row for row in days if row.zone == zone.id), key=lambda row: row.date)
    use = [zone.crop_coefficient[row.date.month - 1] * zone.exposure * row.eto_mm for row in rows]

    def column(name: str) -> FloatArray:
        return np.array([getattr(row, name) for row in rows], dtype=float)

    return Series(
        dates=tuple(row.date for row in rows),
        etc_mm=np.array(use, dtype=float),
        rain_mm=column("rain_mm"),
        net_mm=column("net_irrigation_mm"),
        runoff_mm=column("runoff_mm"),
        depletion_mm=column("depletion_mm"),
        raw_mm=column("raw_mm"),
    )


def score(found: Series, storage_mm: float, waterings: int) -> Score:
    """A zone's marks by the published test; ``storage_mm`` is its root-zone working water storage.

    Source: test protocol for climatologically based controllers, 8th draft, 2008 (from memory).
    """
    deficit_mm, surplus_mm = protocol_balance(found, storage_mm)
    net_mm, runoff_mm = float(found.net_mm.sum()), float(found.runoff_mm.sum())
    return Score(
        adequacy=float(irrigation_adequacy(found.etc_mm.sum(), deficit_mm)),
        excess=float(1.0 - scheduling_efficiency(net_mm, surplus_mm + runoff_mm)),
        stress_days=int((found.depletion_mm > found.raw_mm + ROUNDING_MM).sum()),
        runoff_share=runoff_mm / max(net_mm + runoff_mm, ROUNDING_MM),
        net_mm=net_mm,
        waterings=waterings,
        mean_depth_of_raw=net_mm / waterings / storage_mm if waterings else np.nan,
    )


def protocol_balance(found: Series, storage_mm: float) -> tuple[float, float]:
    """The test's moisture balance from a full start: sums of deficit and of surplus. [mm]

    Each day irrigation less water use, then 80 % of the rain as far as the storage holds it. Below empty counts as
    deficit, above full as surplus, and the balance is held at that limit.
    """
    balance_mm, deficit_mm, surplus_mm = storage_mm, 0.0, 0.0
    for etc_mm, rain_mm, net_mm in zip(found.etc_mm, found.rain_mm, found.net_mm, strict=True):
        balance_mm += net_mm - etc_mm
        surplus_mm += max(0.0, balance_mm - storage_mm)
        balance_mm = min(balance_mm, storage_mm)
        balance_mm += min(RAIN_SHARE * rain_mm, storage_mm - balance_mm)
        deficit_mm += max(0.0, -balance_mm)
        balance_mm = max(balance_mm, 0.0)
    return float(deficit_mm), float(surplus_mm)


def scores(site: Site, records: ReplayRecords) -> dict[str, Score]:
    """Marks of every zone of a replay, by zone id."""
    return {
        zone.id: score(series(zone, records.days), zone.raw_mm, waterings(zone, records.runs)) for zone in site.zones
    }


def waterings(zone: Zone, runs: Sequence[RecordRun]) -> int:
    """How many times a zone was watered; openings of one night with soaking rests between them are one."""
    here = sorted((run for run in runs if run.zone == zone.id), key=lambda run: run.start)
    gaps_s = [(after.start - run.end).total_seconds() for run, after in pairwise(here)]
    return bool(here) + sum(gap_s >= SAME_WATERING_S for gap_s in gaps_s)
