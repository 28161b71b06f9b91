"""The hours of a season's rain, for sites that split rain into runoff and what the ground takes in."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np

from dewpond.adapters.weather.season import Season

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
    sums: dict[date, list[float]] = {}
    counts: dict[date, int] = {}
    for at_s, rain_mm in zip(middle_s, hourly.rain_mm, strict=True):
        local = datetime.fromtimestamp(float(at_s), zone)
        row = sums.setdefault(local.date(), [0.0] * HOURS)
        row[local.hour] += float(rain_mm)  # NaN stays, and drops the date
        counts[local.date()] = counts.get(local.date(), 0) + 1
    whole = (day for day in sums if counts[day] >= HOURS - 1 and np.isfinite(sums[day]).all())
    return {day: tuple(sums[day]) for day in whole if sum(sums[day]) > 0.0}
