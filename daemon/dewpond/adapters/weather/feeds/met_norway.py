"""Saved answers of MET Norway's locationforecast 2.0 (compact or complete) to intervals.

Amounts look FORWARD from their time stamp. Of the overlapping periods the shortest that reaches the next time stamp is
used, so nothing counts twice. Source: the service's public documentation, "Locationforecast" and "ForecastJSON"; the
data are CC BY 4.0 and their use must be acknowledged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

from dewpond.adapters.weather.feeds.intervals import (
    AnswerError,
    FeedAnswer,
    Interval,
    LatLon,
    in_our_times,
    mm_factor,
    number_or_null,
)

FEED = "MET Norway locationforecast/2.0"
SEMANTICS = (
    "amounts look FORWARD from the time stamp; the shortest period that reaches the next time stamp is used, "
    "next_6_hours is never added on top of next_1_hours; the last step has no period"
)
PERIODS_H = (1, 6, 12)
AIR_UNITS = {"air_temperature": "celsius", "relative_humidity": "%", "wind_speed": "m/s"}
# Height of the wind in the answer: the usual 10 m of weather services (from memory). [m]
WIND_HEIGHT_M = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HourOfAir:
    """The air at the start of one hour, and the rain of that hour. None where the answer does not say."""

    start: datetime
    air_temperature_c: float | None
    relative_humidity_pct: float | None
    wind_speed_m_s: float | None
    rain_mm: float | None


def parse(answer: Any) -> FeedAnswer:
    """Intervals of one answer. Raises AnswerError when it has no time series."""
    steps = _steps(answer)
    factor = mm_factor(_units(answer).get("precipitation_amount"), "answer, properties.meta.units.precipitation_amount")
    starts = [_instant(step, i) for i, step in enumerate(steps)]
    if any(later <= earlier for earlier, later in pairwise(starts)):
        raise AnswerError("answer, properties.timeseries: is not in rising order; ask the service again")
    following = [*starts[1:], None]
    found = [_interval(step, start, after, factor) for step, start, after in zip(steps, starts, following, strict=True)]
    intervals = tuple(interval for interval in found if interval is not None)
    return FeedAnswer(
        feed=FEED,
        semantics=SEMANTICS,
        intervals=intervals,
        has_probability=any(interval.probability_pct is not None for interval in intervals),
    )


def place(answer: Any) -> LatLon | None:
    """Latitude and longitude the answer is for; None where it does not say. [degrees]"""
    geometry = answer.get("geometry") if isinstance(answer, Mapping) else None
    coordinates = geometry.get("coordinates") if isinstance(geometry, Mapping) else None
    if not isinstance(coordinates, list) or len(coordinates) < 2:
        return None
    east, north = (number_or_null(value, "answer, geometry.coordinates") for value in coordinates[:2])
    return None if east is None or north is None else (north, east)


def updated_at(answer: Any) -> datetime | None:
    """When the service made this forecast; None where it does not say."""
    _steps(answer)
    meta = answer["properties"].get("meta")
    stamp = meta.get("updated_at") if isinstance(meta, Mapping) else None
    if not isinstance(stamp, str):
        return None
    return _instant({"time": stamp}, 0)


def hours(answer: Any) -> tuple[HourOfAir, ...]:
    """The hourly steps of one answer. Raises AnswerError for other units than degC, % and m/s."""
    steps = _steps(answer)
    units = _units(answer)
    for name, expected in AIR_UNITS.items():
        if units.get(name, expected) != expected:
            raise AnswerError(f"answer, properties.meta.units.{name}: {units[name]!r} is not {expected}")
    factor = mm_factor(units.get("precipitation_amount"), "answer, properties.meta.units.precipitation_amount")
    return tuple(_hour(step, _instant(step, i), factor) for i, step in enumerate(steps) if _details(step, 1))


def _hour(step: Mapping[str, Any], start: datetime, factor: float) -> HourOfAir:
    instant = step["data"].get("instant")
    details = instant.get("details") if isinstance(instant, Mapping) else None
    air = details if isinstance(details, Mapping) else {}
    rain = _details(step, 1)
    return HourOfAir(
        start=start,
        air_temperature_c=number_or_null(air.get("air_temperature"), "air_temperature"),
        relative_humidity_pct=number_or_null(air.get("relative_humidity"), "relative_humidity"),
        wind_speed_m_s=number_or_null(air.get("wind_speed"), "wind_speed"),
        rain_mm=None if rain is None else rain["precipitation_amount"] * factor,
    )


def _steps(answer: Any) -> Sequence[Mapping[str, Any]]:
    properties = answer.get("properties") if isinstance(answer, Mapping) else None
    steps = properties.get("timeseries") if isinstance(properties, Mapping) else None
    if not isinstance(steps, list) or not steps:
        raise AnswerError("answer, properties.timeseries: is not a list of steps; this is no locationforecast answer")
    return steps


def _units(answer: Mapping[str, Any]) -> Mapping[str, Any]:
    meta = answer["properties"].get("meta")
    units = meta.get("units") if isinstance(meta, Mapping) else None
    return units if isinstance(units, Mapping) else {}


def _instant(step: Any, index: int) -> datetime:
    try:
        read = datetime.fromisoformat(step["time"])
    except (TypeError, KeyError, ValueError):
        raise AnswerError(f"answer, properties.timeseries[{index}].time: is not a time") from None
    where = f"answer, properties.timeseries[{index}].time"
    return in_our_times(read.replace(tzinfo=UTC) if read.tzinfo is None else read, where)


def _interval(step: Mapping[str, Any], start: datetime, after: datetime | None, factor: float) -> Interval | None:
    """The step's own interval, or None where no period tells its amount.

    A period that is longer than the way to the next stamp is cut there, its amount in proportion.
    """
    periods = [(hours, details) for hours in PERIODS_H if (details := _details(step, hours)) is not None]
    if not periods:
        return None
    reaching = [period for period in periods if after is None or start + timedelta(hours=period[0]) >= after]
    hours, details = reaching[0] if reaching else periods[-1]
    end = start + timedelta(hours=hours)
    share = 1.0
    if after is not None and end > after:
        share = (after - start) / (end - start)
        end = after
    amount = details["precipitation_amount"]
    chance = number_or_null(details.get("probability_of_precipitation"), "answer, probability_of_precipitation")
    return Interval(start=start, end=end, rain_mm=amount * factor * share, probability_pct=chance)


def _details(step: Mapping[str, Any], hours: int) -> Mapping[str, Any] | None:
    """The details of a period that has an amount; None where the period or its amount is absent."""
    data = step.get("data")
    period = data.get(f"next_{hours}_hours") if isinstance(data, Mapping) else None
    details = period.get("details") if isinstance(period, Mapping) else None
    if not isinstance(details, Mapping):
        return None
    amount = number_or_null(details.get("precipitation_amount"), "answer, precipitation_amount")
    return None if amount is None else details
