"""What a season folder holds: one weather station's recorded weather as frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dewpond.ports import DayWeather

Floats = NDArray[np.float64]

DAY_COLUMNS = tuple(entry.name for entry in fields(DayWeather))[1:]
HOUR_COLUMNS = (
    "air_temperature_c",
    "relative_humidity_pct",
    "wind_speed_m_s",
    "solar_radiation_w_m2",
    "rain_mm",
)
FORECAST_COLUMNS = ("issued_utc", "valid_from_utc", "valid_to_utc", "rain_mm", "probability", "eto_mm")
READING_COLUMNS = ("time_utc", "sensor", "value", "unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """Where and how the weather was measured. ``facts`` is station.json as it stands, licence included.

    ``hour_stamp`` says whether a time in hourly.csv is the ``start`` or the ``end`` of its hour; ``assumed`` tells
    what the file left open. ``wind_height_m`` None means that the height of the wind gauge is not known.
    """

    name: str
    latitude_deg: float
    longitude_deg: float | None
    elevation_m: float
    tz: str
    wind_height_m: float | None
    hour_stamp: str = "start"
    licence: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Hourly:
    """Hourly columns, all of one length, oldest first; NaN where there is no measurement.

    ``time_s`` are seconds since 1970-01-01 UTC as stamped in the file.
    """

    time_s: Floats
    air_temperature_c: Floats
    relative_humidity_pct: Floats
    wind_speed_m_s: Floats
    solar_radiation_w_m2: Floats
    rain_mm: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastRow:
    """One forecast interval as it was issued. ``probability_pct`` of rain in percent."""

    issued: datetime
    valid_from: datetime
    valid_to: datetime
    rain_mm: float | None
    probability_pct: float | None
    eto_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorReadings:
    """One sensor's recorded readings, oldest first; ``time_s`` in seconds since 1970-01-01 UTC."""

    unit: str
    time_s: Floats
    value: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """The rows of a daily.csv in order of date, and what had to be said about the file."""

    days: tuple[DayWeather, ...]
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A whole season folder."""

    station: Station
    days: tuple[DayWeather, ...]
    hourly: Hourly | None = None
    forecast: tuple[ForecastRow, ...] = ()
    readings: Mapping[str, SensorReadings] = field(default_factory=dict)
    notices: tuple[str, ...] = ()


def station_day_bounds_utc(tz: str, day: date) -> tuple[datetime, datetime]:
    """First instant of the calendar day and of the next one in this zone, in UTC: 23, 24 or 25 hours apart."""
    zone = ZoneInfo(tz)
    start, end = (datetime.combine(d, time(), zone).astimezone(UTC) for d in (day, day + timedelta(days=1)))
    return start, end


def station_day_end_utc(station: Station, day: date) -> datetime:
    """When the row of ``day`` becomes known: the end of that day by the station's own zone, in UTC.

    In ``Etc/GMT+3`` the sign is reversed (UTC-3); the zone database knows.
    """
    return station_day_bounds_utc(station.tz, day)[1]
