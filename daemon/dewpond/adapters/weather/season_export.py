"""A season folder written from values, so that a live site's weather can be replayed."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from dewpond.adapters.weather.season import (
    DAY_COLUMNS,
    FORECAST_COLUMNS,
    HOUR_COLUMNS,
    READING_COLUMNS,
    ForecastRow,
    Hourly,
    Season,
    SensorReadings,
    Station,
)
from dewpond.ports import DayWeather


def write_season(folder: Path, season: Season) -> None:
    """Write a season folder that ``read_season`` reads back to equal values. The folder is made when absent."""
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps(_facts(season.station), indent=1, ensure_ascii=False)
    (folder / "station.json").write_text(text + "\n", encoding="utf-8")
    _write(folder / "daily.csv", ("date", *DAY_COLUMNS), (_day_cells(day) for day in season.days))
    if season.hourly is not None:
        _write(folder / "hourly.csv", ("time_utc", *HOUR_COLUMNS), _hour_cells(season.hourly))
    if season.forecast:
        _write(folder / "forecast.csv", FORECAST_COLUMNS, (_forecast_cells(row) for row in season.forecast))
    if season.readings:
        _write(folder / "readings.csv", READING_COLUMNS, _reading_cells(season.readings))


def _facts(station: Station) -> dict[str, Any]:
    """station.json with the named values last in charge, so that an edited Station is written as it is."""
    return {
        **station.facts,
        "name": station.name,
        "latitude": station.latitude_deg,
        "longitude": station.longitude_deg,
        "elevation_m": station.elevation_m,
        "tz": station.tz,
        "wind_height_m": station.wind_height_m,
        "hour_stamp": station.hour_stamp,
        "licence": station.licence,
    }


def _write(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def _cell(value: float | None) -> str:
    return "" if value is None or np.isnan(value) else repr(float(value))


def _stamp(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _day_cells(day: DayWeather) -> list[str]:
    return [day.date.isoformat(), *(_cell(getattr(day, name)) for name in DAY_COLUMNS)]


def _hour_cells(hourly: Hourly) -> Iterable[list[str]]:
    columns = [getattr(hourly, name) for name in HOUR_COLUMNS]
    for i, t in enumerate(hourly.time_s):
        yield [_stamp(datetime.fromtimestamp(t, UTC)), *(_cell(column[i]) for column in columns)]


def _forecast_cells(row: ForecastRow) -> list[str]:
    stamps = [_stamp(instant) for instant in (row.issued, row.valid_from, row.valid_to)]
    return stamps + [_cell(value) for value in (row.rain_mm, row.probability_pct, row.eto_mm)]


def _reading_cells(readings: Mapping[str, SensorReadings]) -> Iterable[list[str]]:
    for sensor, block in readings.items():
        for t, value in zip(block.time_s, block.value, strict=True):
            yield [_stamp(datetime.fromtimestamp(t, UTC)), sensor, _cell(value), block.unit]
