"""How far a source of forecasts is believed here: its past words set beside what the gauge and the ETo of the day said.

Each lead day keeps two fading sums: the squared error of what decisions took from the forecast, and that of the record
alone. Rain is judged by the ranked probability score over three amounts (D. S. Wilks, Statistical Methods in the
Atmospheric Sciences, from memory), ETo by its squared error. A new source begins with the usual skill and
``PRIOR_DAYS`` to back it. Promises of good rain broken one after the other end the belief sooner than the sums would.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.model.copying import replace
from dewpond.science import forecast_blend as fb
from dewpond.science.forecast_blend import LEADS, WET_MM

FloatArray = NDArray[np.float64]

AMOUNTS_MM = np.array([WET_MM, 5.0, 15.0])  # a day's rain reaches these or not
# Chance of it where nothing was measured: land between 20 and 60 degrees (from memory). [-]
USUAL_CHANCE = np.array([0.28, 0.15, 0.05])
USUAL_CHANCE_DAYS = 10.0  # that weigh as much as the measured ones
RECORD_DAYS = 60  # of the record that the forecast must beat
# Rain score by lead day that a usual forecast reaches against the record (from memory, rounded). [-]
RAIN_SKILL = np.array([0.50, 0.45, 0.40, 0.33, 0.27, 0.20, 0.14, 0.09, 0.05, 0.03])
ETO_SKILL = 1.0 - fb.ETO_SD_MM**2 / 1.2**2  # against the mean of the last days, which misses by 1.2 mm/d
PRIOR_DAYS = 20.0  # a new source counts as having shown its skill on so many days
RAIN_REFERENCE = 0.35  # rain score of the record on a usual day [-]
FADE = 0.98  # of the sums from day to day: half is forgotten in five weeks
ENOUGH_SKILL = 0.5  # share of the usual skill from which on a source is fully believed
UNCHECKED_DAYS, UNCHECKED_SHARE = 5, 0.8  # until so many days were checked less is believed; without a gauge, always
GOOD_RAIN_MM = 5.0  # a promise of so much that stays under WET_MM is broken
BELIEF_AFTER_BROKEN = (1.0, 0.7, 0.2, 0.0)  # by how many promises were broken one after the other
DOUBT_SHARE = 0.25  # of the usual belief: with less people are told
RECENT_CHECKS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What a source said of one day on the day before, and what fell. [mm]"""

    date: date
    said_mm: float
    fell_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """What one source has earned here. Arrays by lead day from 1; sums of fading squares."""

    rain_error: FloatArray = field(default_factory=lambda: PRIOR_DAYS * RAIN_REFERENCE * (1.0 - RAIN_SKILL))
    rain_reference: FloatArray = field(default_factory=lambda: np.full(LEADS, PRIOR_DAYS * RAIN_REFERENCE))
    eto_error: FloatArray = field(default_factory=lambda: PRIOR_DAYS * fb.ETO_SD_MM**2)
    eto_reference: FloatArray = field(default_factory=lambda: np.full(LEADS, PRIOR_DAYS * 1.2**2))
    checked_days: int = 0  # whose rain was said the day before
    eto_checked_days: int = 0
    broken: int = 0
    recent: tuple[Check, ...] = ()

    def rain_belief(self) -> FloatArray:
        """Share of the usual weight that rain gets, by lead day; never more for a later day. [-]"""
        earned = _belief(self.rain_error, self.rain_reference, RAIN_SKILL)
        care = 1.0 if self.checked_days >= UNCHECKED_DAYS else UNCHECKED_SHARE
        return earned * care * BELIEF_AFTER_BROKEN[min(self.broken, len(BELIEF_AFTER_BROKEN) - 1)]

    def eto_belief(self) -> FloatArray:
        """The same for ETo. [-]"""
        return _belief(self.eto_error, self.eto_reference, ETO_SKILL)


def _belief(error: FloatArray, reference: FloatArray, usual: FloatArray) -> FloatArray:
    skill = 1.0 - error / reference
    share = np.clip(skill / (ENOUGH_SKILL * usual), 0.0, 1.0)
    belief: FloatArray = np.minimum.accumulate(share)
    return belief


def usual_chance(record_rain_mm: FloatArray) -> FloatArray:
    """Chance by the record that a day's rain reaches each of ``AMOUNTS_MM``. [-]"""
    recent = record_rain_mm[-RECORD_DAYS:]
    reached = (recent[:, None] >= AMOUNTS_MM).sum(axis=0)
    chance: FloatArray = (reached + USUAL_CHANCE_DAYS * USUAL_CHANCE) / (len(recent) + USUAL_CHANCE_DAYS)
    return chance


def check_rain(
    trust: Trust, day: date, said: list[tuple[int, float, float | None]], fell_mm: float, chance: FloatArray
) -> Trust:
    """Take up a measured day. ``said`` are (lead day, rain [mm], probability or None) of the source for it."""
    error, reference = FADE * trust.rain_error, FADE * trust.rain_reference
    fell = fell_mm >= AMOUNTS_MM
    for lead, rain_mm, probability in said:
        alone = fb.exceedance(rain_mm, np.nan if probability is None else probability, lead, AMOUNTS_MM)
        weight = fb.RAIN_WEIGHT[lead - 1]
        error[lead - 1] += ((weight * alone + (1.0 - weight) * chance - fell) ** 2).sum()
        reference[lead - 1] += ((chance - fell) ** 2).sum()
    trust = replace(trust, rain_error=error, rain_reference=reference)
    day_before = next(((rain, p) for lead, rain, p in said if lead == 1), None)
    return trust if day_before is None else _promise(trust, day, *day_before, fell_mm)


def _promise(trust: Trust, day: date, said_mm: float, probability: float | None, fell_mm: float) -> Trust:
    promised = said_mm >= GOOD_RAIN_MM and (probability is None or probability >= 0.5)
    broken = trust.broken if not promised else trust.broken + 1 if fell_mm < WET_MM else 0
    recent = (*trust.recent, Check(date=day, said_mm=said_mm, fell_mm=fell_mm))[-RECENT_CHECKS:]
    return replace(trust, checked_days=trust.checked_days + 1, broken=broken, recent=recent)


def check_eto(trust: Trust, said: list[tuple[int, float]], eto_mm: float, usual_mm: float) -> Trust:
    """Take up a day's reference ET; ``usual_mm`` is what the record alone would have said."""
    error, reference = FADE * trust.eto_error, FADE * trust.eto_reference
    for lead, said_mm in said:
        error[lead - 1] += (said_mm - eto_mm) ** 2
        reference[lead - 1] += (usual_mm - eto_mm) ** 2
    checked_days = trust.eto_checked_days + any(lead == 1 for lead, _ in said)
    return replace(trust, eto_error=error, eto_reference=reference, eto_checked_days=checked_days)


def evidence(trust: Trust) -> str:
    """What the last checked days came to, as a clause."""
    if not trust.recent:
        return "not checked against a gauge here yet"
    said_mm = sum(check.said_mm for check in trust.recent)
    fell_mm = sum(check.fell_mm for check in trust.recent)
    return f"on the last {len(trust.recent)} days checked it said {said_mm:.0f} mm and {fell_mm:.0f} mm fell"
