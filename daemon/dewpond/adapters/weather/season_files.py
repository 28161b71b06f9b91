"""Season folders: recorded weather of one weather station, read into frozen values and written back.

A folder holds ``daily.csv`` and ``station.json``, and may hold ``hourly.csv``, ``forecast.csv`` and ``readings.csv``.
A missing cell stays missing; what the program did instead stands in ``notices``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from dewpond.adapters.weather.season import (
    DAY_COLUMNS,
    FORECAST_COLUMNS,
    HOUR_COLUMNS,
    READING_COLUMNS,
    Daily,
    Floats,
    ForecastRow,
    Hourly,
    Season,
    SensorReadings,
    Station,
    station_day_bounds_utc,
    station_day_end_utc,
)
from dewpond.adapters.weather.season_doubts import missing_words, refused_values
from dewpond.adapters.weather.season_export import write_season
from dewpond.adapters.weather.season_hours import fill_from_hours, hourly_to_days
from dewpond.adapters.weather.tables import Row, SeasonFileError, read_table
from dewpond.ports import DayWeather

__all__ = [
    "DAY_COLUMNS",
    "Daily",
    "ForecastRow",
    "Hourly",
    "Season",
    "SeasonFileError",
    "SensorReadings",
    "Station",
    "fill_from_hours",
    "hourly_to_days",
    "read_daily",
    "read_forecast",
    "read_hourly",
    "read_readings",
    "read_season",
    "read_station",
    "station_day_bounds_utc",
    "station_day_end_utc",
    "write_season",
]

# The largest rain of one day on record, La Reunion 1966 (from memory), in mm. More is a fault of the file.
MOST_RAIN_MM_DAY = 1825.0


def read_season(folder: Path) -> Season:
    """Read a season folder; empty daily cells are filled from hourly.csv where it covers the day.

    Raises SeasonFileError for anything that cannot be used.
    """
    station = read_station(folder / "station.json")
    daily = read_daily(folder / "daily.csv")
    days, notices = daily.days, (*station.assumed, *daily.notices)
    hourly = read_hourly(folder / "hourly.csv") if (folder / "hourly.csv").exists() else None
    if hourly is not None:
        days, filled = fill_from_hours(days, hourly_to_days(hourly, station))
        notices = (*notices, *filled)
    notices = (*notices, *refused_values(folder / "daily.csv", days, station.latitude_deg))
    return Season(
        station=station,
        days=days,
        hourly=hourly,
        forecast=read_forecast(folder / "forecast.csv") if (folder / "forecast.csv").exists() else (),
        readings=read_readings(folder / "readings.csv") if (folder / "readings.csv").exists() else {},
        notices=notices,
    )


def read_station(path: Path) -> Station:
    """Read station.json. Latitude and elevation are needed, the rest has defaults that ``assumed`` tells."""
    facts = _json_object(path)
    assumed = []
    tz = facts.get("tz")
    if tz is None:
        tz = "UTC"
        assumed.append(f"{path}: no tz; its days are taken as UTC days")
    height = _fact(path, facts, "wind_height_m", 0.2, 200.0, needed=False)
    if height is None:
        assumed.append(f"{path}: wind_height_m is not known; any wind is taken as measured at 2 m")
    return Station(
        name=str(facts.get("name", path.parent.name)),
        latitude_deg=_needed(path, facts, "latitude", -90.0, 90.0),
        longitude_deg=_fact(path, facts, "longitude", -180.0, 180.0, needed=False),
        elevation_m=_needed(path, facts, "elevation_m", -430.0, 8850.0),
        tz=_zone(path, tz),
        wind_height_m=height,
        hour_stamp=_hour_stamp(path, facts),
        licence=str(facts.get("licence", "")),
        facts=facts,
        assumed=tuple(assumed),
    )


def read_daily(path: Path) -> Daily:
    """Read daily.csv: ``date`` and the temperatures are needed columns, the others may be absent."""
    table = read_table(path, ("date", "t_min_c", "t_max_c"))
    notices = [f"{path}: column {name} is not known here and was ignored" for name in table.unknown(_known_days())]
    notices += [f"{path}: no column {name}; taken as missing on every day" for name in _absent(table.columns)]
    notices += missing_words(path, table.rows, DAY_COLUMNS)
    by_date: dict[date, DayWeather] = {}
    order: list[date] = []
    for row in table.rows:
        day = _day(row, notices)
        if day.date in by_date and by_date[day.date] != day:
            raise SeasonFileError(
                f"{row.where('date')}: {day.date} stands there twice with different values; keep one row a date"
            )
        if day.date in by_date:
            notices.append(f"{row.where('date')}: {day.date} is repeated with the same values; one was used")
        by_date[day.date] = day
        order.append(day.date)
    notices += _order_notices(path, order)
    return Daily(days=tuple(by_date[day] for day in sorted(by_date)), notices=tuple(notices))


def read_hourly(path: Path) -> Hourly:
    """Read hourly.csv into arrays, oldest first."""
    rows, times = _by_time(read_table(path, ("time_utc",)).rows)
    columns = {name: _column(rows, name) for name in HOUR_COLUMNS}
    return Hourly(time_s=np.array([at.timestamp() for at in times]), **columns)


def read_forecast(path: Path) -> tuple[ForecastRow, ...]:
    """Read forecast.csv, ordered by issue and start."""
    rows = [_forecast_row(row) for row in read_table(path, FORECAST_COLUMNS[:3]).rows]
    return tuple(sorted(rows, key=lambda row: (row.issued, row.valid_from)))


def read_readings(path: Path) -> dict[str, SensorReadings]:
    """Read readings.csv into one block per sensor, oldest first; rows without a value are left out."""
    gathered: dict[str, tuple[str, list[float], list[float]]] = {}
    for row in read_table(path, READING_COLUMNS).rows:
        value = row.number_or_none("value")
        sensor, unit = row.cells["sensor"].strip(), row.cells["unit"].strip()
        known_unit, times, values = gathered.setdefault(sensor, (unit, [], []))
        if unit != known_unit:
            raise SeasonFileError(
                f"{row.where('unit')}: {sensor} changes its unit from {known_unit} to {unit}; keep one unit a sensor"
            )
        if value is not None:
            times.append(row.instant("time_utc").timestamp())
            values.append(value)
    return {sensor: _ordered(unit, times, values) for sensor, (unit, times, values) in gathered.items()}


def _json_object(path: Path) -> dict[str, Any]:
    try:
        facts = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise SeasonFileError(f"{path}: cannot be read ({error.strerror}); check the path and its rights") from None
    except ValueError as error:
        raise SeasonFileError(f"{path}: not JSON ({error}); write one object with latitude and elevation_m") from None
    if not isinstance(facts, dict):
        raise SeasonFileError(f"{path}: holds no JSON object; write one object with latitude and elevation_m")
    return facts


def _needed(path: Path, facts: Mapping[str, Any], key: str, least: float, most: float) -> float:
    value = _fact(path, facts, key, least, most, needed=True)
    assert value is not None  # noqa: S101 - _fact raises for a needed key
    return value


def _fact(path: Path, facts: Mapping[str, Any], key: str, least: float, most: float, *, needed: bool) -> float | None:
    value = facts.get(key)
    if value is None and not needed:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise SeasonFileError(f"{path}, key {key}: {value!r} is not a number from {least:g} to {most:g}; write one")
    return float(value)


def _zone(path: Path, tz: Any) -> str:
    try:
        ZoneInfo(tz)
    except (KeyError, ValueError, TypeError, OSError):
        raise SeasonFileError(
            f"{path}, key tz: {tz!r} is not a time zone; write a name such as Europe/Berlin or Etc/GMT+5"
        ) from None
    return str(tz)


def _hour_stamp(path: Path, facts: Mapping[str, Any]) -> str:
    """``hour_stamp`` where given, else read out of the free text ``time_label``.

    Where neither says "end" the stamp is taken as the start of its hour: then nothing is known too early.
    """
    given = facts.get("hour_stamp")
    if given in ("start", "end"):
        return str(given)
    if given is not None:
        raise SeasonFileError(f'{path}, key hour_stamp: {given!r} is not known; write "start" or "end"')
    return "end" if "end of the hour" in str(facts.get("time_label", "")).lower() else "start"


def _known_days() -> tuple[str, ...]:
    return ("date", *DAY_COLUMNS)


def _absent(columns: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in DAY_COLUMNS if name not in columns)


def _day(row: Row, notices: list[str]) -> DayWeather:
    values = {name: row.number_or_none(name) for name in DAY_COLUMNS}
    rain_mm = values["rain_mm"]
    if rain_mm is not None and not 0.0 <= rain_mm <= MOST_RAIN_MM_DAY:
        notices.append(
            f"{row.where('rain_mm')}: {rain_mm:g} mm is outside 0 to {MOST_RAIN_MM_DAY:g} mm; taken as missing"
        )
        values["rain_mm"] = None
    return DayWeather(date=row.date("date"), **values)


def _order_notices(path: Path, order: Sequence[date]) -> list[str]:
    notices = []
    if list(order) != sorted(order):
        notices.append(f"{path}: the dates are not in order; they were sorted")
    absent = (max(order) - min(order)).days + 1 - len(set(order))
    if absent:
        notices.append(f"{path}: {absent} dates between {min(order)} and {max(order)} have no row")
    return notices


def _by_time(rows: Sequence[Row]) -> tuple[list[Row], list[datetime]]:
    """The rows in order of time, and their times. An hour that stands there twice is refused."""
    timed = sorted(((row.instant("time_utc"), row) for row in rows), key=lambda pair: pair[0])
    for (before, earlier), (at, later) in pairwise(timed):
        if before == at:
            raise SeasonFileError(
                f"{later.where('time_utc')}: the hour of row {earlier.number} again; keep one row an hour"
            )
    return [row for _, row in timed], [at for at, _ in timed]


def _column(rows: Sequence[Row], name: str) -> Floats:
    cells = (row.number_or_none(name) for row in rows)
    return np.array([np.nan if value is None else value for value in cells])


def _forecast_row(row: Row) -> ForecastRow:
    made = ForecastRow(
        issued=row.instant("issued_utc"),
        valid_from=row.instant("valid_from_utc"),
        valid_to=row.instant("valid_to_utc"),
        rain_mm=row.number_or_none("rain_mm"),
        probability_pct=row.number_or_none("probability"),
        eto_mm=row.number_or_none("eto_mm"),
    )
    if made.valid_to <= made.valid_from:
        raise SeasonFileError(f"{row.where('valid_to_utc')}: not after valid_from_utc; an interval must have a length")
    if made.probability_pct is not None and not 0.0 <= made.probability_pct <= 100.0:
        raise SeasonFileError(f"{row.where('probability')}: {made.probability_pct:g} is outside 0 to 100 percent")
    return made


def _ordered(unit: str, times: list[float], values: list[float]) -> SensorReadings:
    time_s, value = np.array(times, dtype=np.float64), np.array(values, dtype=np.float64)
    order = np.argsort(time_s, kind="stable")
    return SensorReadings(unit=unit, time_s=time_s[order], value=value[order])
