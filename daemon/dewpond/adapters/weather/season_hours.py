"""Daily rows from hourly ones, for days whose daily cells are empty."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dewpond.adapters.weather.season import DAY_COLUMNS, Floats, Hourly, Station
from dewpond.ports import DayWeather


def hourly_to_days(hourly: Hourly, station: Station) -> tuple[DayWeather, ...]:
    """Daily rows from hourly ones by the station's calendar day.

    A value needs 22 of 24 hours, solar radiation 23. Wind is the mean, rain the sum, radiation the sum of the hours
    [W/m2 x 3600 s]. An hour stamped at its end belongs to the day in which it ends.
    """
    shift_s = 3600.0 if station.hour_stamp == "end" else 0.0
    zone = ZoneInfo(station.tz)
    day_no = np.array([datetime.fromtimestamp(t, zone).toordinal() for t in hourly.time_s - shift_s])
    cuts = np.flatnonzero(np.diff(day_no)) + 1
    return tuple(_day_of_hours(hourly, part, day_no) for part in np.split(np.arange(day_no.size), cuts) if part.size)


def fill_from_hours(
    days: Sequence[DayWeather], from_hours: Iterable[DayWeather]
) -> tuple[tuple[DayWeather, ...], tuple[str, ...]]:
    """Daily rows whose empty cells are taken from the hourly ones, and one notice per column."""
    by_date = {day.date: day for day in from_hours}
    counts = dict.fromkeys(DAY_COLUMNS, 0)
    filled = []
    for day in days:
        found = by_date.get(day.date)
        news = {
            name: getattr(found, name)
            for name in DAY_COLUMNS
            if found is not None and getattr(day, name) is None and getattr(found, name) is not None
        }
        for name in news:
            counts[name] += 1
        filled.append(replace(day, **news))
    notices = tuple(f"daily.csv: {n} empty {name} filled from hourly.csv" for name, n in counts.items() if n)
    return tuple(filled), notices


def _day_of_hours(hourly: Hourly, part: NDArray[np.intp], day_no: NDArray[np.int64]) -> DayWeather:
    def hours(column: Floats, least: int) -> Floats | None:
        found = column[part][~np.isnan(column[part])]
        return found if found.size >= least else None

    warmth, damp = hours(hourly.air_temperature_c, 22), hours(hourly.relative_humidity_pct, 22)
    wind, sun, rain = (
        hours(hourly.wind_speed_m_s, 22),
        hours(hourly.solar_radiation_w_m2, 23),
        hours(hourly.rain_mm, 22),
    )
    return DayWeather(
        date=date.fromordinal(int(day_no[part[0]])),
        t_min_c=None if warmth is None else float(warmth.min()),
        t_max_c=None if warmth is None else float(warmth.max()),
        rh_min_pct=None if damp is None else float(damp.min()),
        rh_max_pct=None if damp is None else float(damp.max()),
        wind_m_s=None if wind is None else float(wind.mean()),
        solar_mj_m2=None if sun is None else float(sun.sum() * 0.0036),
        rain_mm=None if rain is None else float(rain.sum()),
    )
