"""Saved answers of the Open-Meteo forecast service to intervals.

Each hourly amount is the sum of the hour BEFORE its time stamp. Times are local wall time with one offset for the whole
answer (``utc_offset_seconds``), or seconds since 1970 in GMT. Source: the service's public documentation, "Weather
Forecast API"; the data are CC BY 4.0 and their use must be acknowledged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, time, timedelta, timezone
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

FEED = "open-meteo forecast"
SEMANTICS = (
    "each hourly rain/ET0 value is the sum of the hour BEFORE its time stamp; "
    "times are local wall time, offset in utc_offset_seconds"
)
DAILY_SEMANTICS = "each daily value is the sum over the local day, offset in utc_offset_seconds"


def parse(answer: Any) -> FeedAnswer:
    """Intervals of one answer, from its hourly columns or, where there are none, its daily ones.

    Raises AnswerError when the answer is an error message or has neither.
    """
    body = _body(answer)
    zone = timezone(timedelta(seconds=_offset_s(body)))
    if "precipitation" in body.get("hourly", {}) or "et0_fao_evapotranspiration" in body.get("hourly", {}):
        return _hourly(body, zone)
    if "daily" in body:
        return _daily(body, zone)
    raise AnswerError("answer: has neither hourly nor daily precipitation or et0_fao_evapotranspiration; ask for them")


def place(answer: Any) -> LatLon | None:
    """Latitude and longitude the answer is for; None where it does not say. [degrees]"""
    body = _body(answer)
    latitude = number_or_null(body.get("latitude"), "answer, latitude")
    longitude = number_or_null(body.get("longitude"), "answer, longitude")
    return None if latitude is None or longitude is None else (latitude, longitude)


def _body(answer: Any) -> Mapping[str, Any]:
    if isinstance(answer, list) and len(answer) == 1:
        answer = answer[0]
    if not isinstance(answer, Mapping):
        raise AnswerError("answer: is not one JSON object; ask for a single place")
    if answer.get("error"):
        raise AnswerError(f"answer: the service reports an error: {answer.get('reason', 'no reason given')}")
    for block in ("hourly", "daily", "hourly_units", "daily_units"):
        if not isinstance(answer.get(block, {}), Mapping):
            raise AnswerError(f"answer, {block}: is not an object of columns")
    return answer


def _offset_s(body: Mapping[str, Any]) -> float:
    offset = number_or_null(body.get("utc_offset_seconds", 0), "answer, utc_offset_seconds")
    if offset is None or abs(offset) > 18 * 3600:
        raise AnswerError(f"answer, utc_offset_seconds: {offset!r} is not a number of seconds within 18 h")
    return float(offset)


def _hourly(body: Mapping[str, Any], zone: timezone) -> FeedAnswer:
    block, units = body["hourly"], body.get("hourly_units", {})
    ends = [_instant(value, zone, "hourly") for value in _times(block, "hourly")]
    step = min((later - earlier for earlier, later in pairwise(ends)), default=timedelta(hours=1))
    if step <= timedelta(0):
        raise AnswerError("answer, hourly.time: is not in rising order; ask the service again")
    rain = _depths(block, units, "precipitation", len(ends), "hourly")
    et0 = _depths(block, units, "et0_fao_evapotranspiration", len(ends), "hourly")
    chance = _numbers(block, "precipitation_probability", len(ends), "hourly")
    intervals = tuple(
        Interval(start=end - step, end=end, rain_mm=r, probability_pct=p, et0_mm=e)
        for end, r, p, e in zip(ends, rain, chance, et0, strict=True)
    )
    return _answer(block, intervals, zone, SEMANTICS, "precipitation_probability")


def _daily(body: Mapping[str, Any], zone: timezone) -> FeedAnswer:
    block, units = body["daily"], body.get("daily_units", {})
    starts = [_midnight(value, zone) for value in _times(block, "daily")]
    rain = _depths(block, units, "precipitation_sum", len(starts), "daily")
    et0 = _depths(block, units, "et0_fao_evapotranspiration", len(starts), "daily")
    chance = _numbers(block, "precipitation_probability_max", len(starts), "daily")
    intervals = tuple(
        Interval(start=start, end=start + timedelta(days=1), rain_mm=r, probability_pct=p, et0_mm=e)
        for start, r, p, e in zip(starts, rain, chance, et0, strict=True)
    )
    return _answer(block, intervals, zone, DAILY_SEMANTICS, "precipitation_probability_max")


def _answer(
    block: Mapping[str, Any], intervals: tuple[Interval, ...], zone: timezone, semantics: str, probability: str
) -> FeedAnswer:
    return FeedAnswer(
        feed=FEED,
        semantics=semantics,
        intervals=intervals,
        zone=zone,
        has_et0="et0_fao_evapotranspiration" in block,
        has_probability=probability in block,
    )


def _times(block: Mapping[str, Any], name: str) -> Sequence[Any]:
    times = block.get("time")
    if not isinstance(times, list) or not times:
        raise AnswerError(f"answer, {name}.time: is not a list of times")
    return times


def _instant(value: Any, zone: timezone, name: str) -> datetime:
    """Numbers are seconds in GMT whatever the offset; text without an offset is local wall time."""
    try:
        read = datetime.fromtimestamp(value, UTC) if isinstance(value, int | float) else datetime.fromisoformat(value)
    except (OverflowError, OSError, TypeError, ValueError):
        raise AnswerError(f"answer, {name}.time: {value!r} is not a time") from None
    return in_our_times(read if read.tzinfo is not None else read.replace(tzinfo=zone), f"answer, {name}.time")


def _midnight(value: Any, zone: timezone) -> datetime:
    local = _instant(value, zone, "daily").astimezone(zone)
    return datetime.combine(local.date(), time(), zone).astimezone(UTC)


def _numbers(block: Mapping[str, Any], column: str, length: int, name: str) -> list[float | None]:
    values = block.get(column)
    if values is None:
        return [None] * length
    if not isinstance(values, list) or len(values) != length:
        raise AnswerError(f"answer, {name}.{column}: does not have the {length} values of {name}.time")
    return [number_or_null(value, f"answer, {name}.{column}[{i}]") for i, value in enumerate(values)]


def _depths(
    block: Mapping[str, Any], units: Mapping[str, Any], column: str, length: int, name: str
) -> list[float | None]:
    factor = mm_factor(units.get(column), f"answer, {name}_units.{column}")
    return [None if v is None else v * factor for v in _numbers(block, column, length, name)]
