"""The hours of a season's rain, for sites that split rain into runoff and what the ground takes in."""

from __future__ import annotations

import math
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dewpond.adapters.weather.season import Season

FloatArray = NDArray[np.float64]

HALF_HOUR_S = 1800.0
HOURS = 24


def rain_by_hour(season: Season) -> dict[date, tuple[float, ...]]:
    """Rain of 24 local hours, of every rainy date whose hours are all measured. [mm]

    Local is the station's own zone. An hour that a clock change repeats is summed, one that it leaves out stays dry.
    """
    hourly = season.hourly
    if hourly is None:
        return {}
    zone = ZoneInfo(season.station.tz)
    middle_s = hourly.time_s + (HALF_HOUR_S if season.station.hour_stamp == "start" else -HALF_HOUR_S)
    wet_s = middle_s[hourly.rain_mm > 0.0].tolist()
    days = dict.fromkeys(datetime.fromtimestamp(at_s, zone).date() for at_s in wet_s)
    found = {day: _hours_of(day, zone, middle_s, hourly.rain_mm) for day in days}
    return {day: hours for day, hours in found.items() if hours is not None}


def _hours_of(day: date, zone: ZoneInfo, middle_s: FloatArray, rain_mm: FloatArray) -> tuple[float, ...] | None:
    """Rain by local hour of one date; None where an hour is not measured."""
    ends = (datetime.combine(day + timedelta(days=ahead), time(0), zone).timestamp() for ahead in (0, 1))
    here = slice(*middle_s.searchsorted(list(ends)).tolist())
    times_s, hours_mm = middle_s[here].tolist(), rain_mm[here].tolist()
    if len(times_s) < HOURS - 1 or not all(map(math.isfinite, hours_mm)):
        return None
    sums = [0.0] * HOURS
    for at_s, mm in zip(times_s, hours_mm, strict=True):
        sums[datetime.fromtimestamp(at_s, zone).hour] += mm
    return tuple(sums)
