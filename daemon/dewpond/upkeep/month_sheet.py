"""Minutes and interval of every zone, month by month, for a plain timer: the refill rule with average weather.

A zone is watered when its readily available water is used up, and then filled: days = AWC x root depth x allowed
depletion / ETc, minutes = 60 x net depth / efficiency / application rate (Irrigation Association audit guidelines).
A plain timer knows neither rain nor heat, so the sheet is a start, not a promise.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.ground import MILD_MAX_C, MILD_MIN_C, Ground, ground_of
from dewpond.brain.top_soil import usual_coefficient
from dewpond.brain.water_need import ceiling_s
from dewpond.model.site import Site, Zone
from dewpond.science.application import longest_opening_s, run_time_for_net_s, soaking_rest_s
from dewpond.science.rainfall import DEFAULT_SHARE

LONGEST_INTERVAL_DAYS = 31  # what a plain timer can count (common practice, no source)
LEAST_DEPTH_MM = 1.0  # a month that asks for less than this in its longest interval needs no watering
KNOWN_DAYS = 20  # measured days of a month from which its mean is the site's own
COMMON_YEAR = 2001

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthWeather:
    """Mean weather of one calendar month (1 is January); ``rain_mm_d`` is None where rain was not measured."""

    month: int
    eto_mm_d: float
    rain_mm_d: float | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerSetting:
    """What to set: so many openings of so many whole minutes, with rests to soak in, once in so many days.

    ``interval_days`` is 0 where nothing is needed; all other numbers are then 0 too. Totals are of one month.
    """

    interval_days: int = 0
    openings: int = 0
    minutes: int = 0
    rest_min: int = 0
    total_min: float = 0.0
    total_l: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthRow:
    """One zone and month. ``with_rain`` is None where the month's rain is not known."""

    month: int
    eto_mm_d: float
    etc_mm_d: float
    before_rain: TimerSetting
    with_rain: TimerSetting | None
    peak: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSheet:
    """One zone's year. ``notes`` are what the person at the timer should know."""

    zone: str
    name: str
    rows: tuple[MonthRow, ...]
    notes: tuple[str, ...]


def month_means(day: FloatArray, eto_mm: FloatArray, rain_mm: FloatArray, site: Site, told: str) -> list[MonthWeather]:
    """Means of twelve months from daily records; months with too few days are assumed, and say so.

    ``day`` counts from 1970-01-01; NaN is not measured. ``told`` names the record.
    """
    ground = ground_of(site)
    months = np.array([date.fromordinal(int(n) + date(1970, 1, 1).toordinal()).month for n in day], dtype=int)
    return [_mean(month, eto_mm[months == month], rain_mm[months == month], ground, told) for month in range(1, 13)]


def _mean(month: int, eto_mm: FloatArray, rain_mm: FloatArray, ground: Ground, told: str) -> MonthWeather:
    known_mm, rained_mm = eto_mm[np.isfinite(eto_mm)], rain_mm[np.isfinite(rain_mm)]
    rain_mm_d = float(rained_mm.mean()) if len(rained_mm) >= KNOWN_DAYS else None
    if len(known_mm) >= KNOWN_DAYS:
        source = f"mean of {len(known_mm)} days of {told}"
        return MonthWeather(month=month, eto_mm_d=float(known_mm.mean()), rain_mm_d=rain_mm_d, source=source)
    mild_mm = ground.mild_eto_mm(date(COMMON_YEAR, month, 15))
    source = f"assumed: days of {MILD_MIN_C:g} to {MILD_MAX_C:g} degC at this latitude (Hargreaves, FAO-56 eq. 52)"
    return MonthWeather(month=month, eto_mm_d=mild_mm, rain_mm_d=rain_mm_d, source=source)


def month_sheet(site: Site, months: Sequence[MonthWeather]) -> list[ZoneSheet]:
    """The sheet of every zone for twelve months."""
    ground = ground_of(site)
    return [_zone_sheet(ground, zone, months) for zone in site.zones]


def _zone_sheet(ground: Ground, zone: Zone, months: Sequence[MonthWeather]) -> ZoneSheet:
    uses_mm_d = [month.eto_mm_d * _coefficient(ground, zone, month.month) for month in months]
    highest_mm_d = max(uses_mm_d)
    rows = []
    for month, etc_mm_d in zip(months, uses_mm_d, strict=True):
        raw_mm = _raw_mm(ground, zone, etc_mm_d)
        rain_mm_d = None if month.rain_mm_d is None else DEFAULT_SHARE * month.rain_mm_d * zone.wetted_share
        with_rain = None
        if rain_mm_d is not None:
            with_rain = timer_setting(zone, raw_mm, max(0.0, etc_mm_d - rain_mm_d), month.month)
        rows.append(
            MonthRow(
                month=month.month,
                eto_mm_d=month.eto_mm_d,
                etc_mm_d=etc_mm_d,
                before_rain=timer_setting(zone, raw_mm, etc_mm_d, month.month),
                with_rain=with_rain,
                peak=etc_mm_d == highest_mm_d > 0.0,
            )
        )
    return ZoneSheet(zone=zone.id, name=zone.name, rows=tuple(rows), notes=_notes(ground, zone, rows))


def _coefficient(ground: Ground, zone: Zone, month: int) -> float:
    """Crop coefficient of a month, with the evaporation to expect where soil lies bare. [-]"""
    bare = usual_coefficient(ground.table, date(COMMON_YEAR, month, 15))[ground.table.index[zone.id]]
    return zone.crop_coefficient[month - 1] * zone.exposure + float(bare)


def timer_setting(zone: Zone, raw_mm: float, use_mm_d: float, month: int) -> TimerSetting:
    """Interval and minutes of a zone that uses so much a day and may lose ``raw_mm`` between waterings."""
    if use_mm_d * LONGEST_INTERVAL_DAYS < LEAST_DEPTH_MM:
        return TimerSetting()
    interval_days = max(1, min(LONGEST_INTERVAL_DAYS, math.floor(raw_mm / use_mm_d + 1e-9)))
    wanted_min = float(run_time_for_net_s(interval_days * use_mm_d, zone.application_rate_mm_h, zone.efficiency)) / 60.0
    storage_s = float(longest_opening_s(zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm))
    longest_min = max(1, math.floor(min(storage_s, ceiling_s(zone)) / 60.0))
    openings = max(1, math.ceil(wanted_min / longest_min - 1e-9))
    minutes = min(longest_min, max(1, round(wanted_min / openings)))
    waterings = calendar.monthrange(COMMON_YEAR, month)[1] / interval_days
    total_min = waterings * openings * minutes
    rest_s = float(soaking_rest_s(zone.application_rate_mm_h, zone.intake_mm_h, minutes * 60.0))
    return TimerSetting(
        interval_days=interval_days,
        openings=openings,
        minutes=minutes,
        rest_min=math.ceil(rest_s / 60.0) if openings > 1 and math.isfinite(rest_s) else 0,
        total_min=total_min,
        total_l=total_min * zone.application_rate_mm_h * zone.area_m2 / 60.0,
    )


def _raw_mm(ground: Ground, zone: Zone, etc_mm_d: float) -> float:
    """Readily available water at this use, smaller on hot days where it comes from soil and roots. [mm]"""
    place = ground.table.index[zone.id]
    return float(ground.table.readily_available_mm(np.full(len(ground.table.ids), etc_mm_d))[place])


def _notes(ground: Ground, zone: Zone, rows: Sequence[MonthRow]) -> tuple[str, ...]:
    notes = []
    if any(row.before_rain.interval_days and row.etc_mm_d > _raw_mm(ground, zone, row.etc_mm_d) for row in rows):
        notes.append("In some months a day uses more than the roots take easily; daily watering will not spare it all.")
    if any(row.before_rain.openings > 1 for row in rows):
        notes.append(
            "Several openings: let the stated rest pass between two starts of one watering, or water runs off."
        )
    ids = {"all", zone.id, zone.supply, "overhead" if zone.overhead else "drip"}
    if any(rule.applies_to & ids for rule in ground.site.restrictions) or ground.site.watering.days.kind != "any":
        notes.append("Watering rules of the place apply here: take the next allowed day before the interval is over.")
    return tuple(notes)
