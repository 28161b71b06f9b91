"""What every feed is turned into: intervals of rain, probability and reference ET; and the bounds of belief."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any

# Above these a feed is not believed. Common practice, no source: such cloudbursts are rarer than faults.
MOST_RAIN_MM_HOUR = 100.0
MOST_RAIN_MM_DAY = 300.0
# Reference ET of one hour, in mm. Common practice, no source: hot, dry and windy noons reach some 1.3 mm.
LEAST_ET0_MM_HOUR = -0.2
MOST_ET0_MM_HOUR = 2.0
# How far an interval may lie from the present before it counts as somebody else's or last year's answer.
OLDEST = timedelta(days=93)
FURTHEST = timedelta(days=17)

# A grid cell's centre is nearer; an answer for a place further away is somebody else's. [km]
FURTHEST_KM = 60.0
KM_PER_DEGREE = 111.2  # of latitude

# No amount, probability or time in seconds of a weather answer is as large. [-]
MOST_NUMBER = 1e11

MM_PER_UNIT = {"mm": 1.0, "millimeter": 1.0, "kg/m2": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4, "inches": 25.4}


LatLon = tuple[float, float]


class AnswerError(ValueError):
    """Raised when a weather answer cannot be read at all; the text says what, where, limit and remedy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Amounts over [start, end), both UTC. None is a value the feed does not know, never a dry hour."""

    start: datetime
    end: datetime
    rain_mm: float | None = None
    probability_pct: float | None = None
    et0_mm: float | None = None

    @property
    def hours(self) -> float:
        return (self.end - self.start).total_seconds() / 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A value that was not believed; it counts as unknown."""

    start: datetime
    end: datetime
    value: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedAnswer:
    """One answer of a feed. ``zone`` is the local time of the place where the answer states it."""

    feed: str
    semantics: str
    intervals: tuple[Interval, ...]
    zone: tzinfo | None = None
    has_et0: bool = False
    has_probability: bool = False
    rejected: tuple[Rejected, ...] = ()
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySum:
    """Sums over one local date; an hour belongs to the date in which it starts."""

    date: date
    rain_mm: float
    rain_missing_hours: int
    et0_mm: float
    et0_missing_hours: int
    hours: float


def mm_factor(unit: Any, where: str) -> float:
    """Factor from a unit of depth to mm. Raises AnswerError for an unknown unit; no unit at all means mm."""
    if unit is None:
        return 1.0
    factor = MM_PER_UNIT.get(unit.strip().lower()) if isinstance(unit, str) else None
    if factor is None:
        raise AnswerError(f"{where}: unit {unit!r} is not a depth; ask the feed for mm or inch")
    return factor


def number_or_null(value: Any, where: str) -> float | None:
    """A JSON number, or None for null. Raises AnswerError for anything else, NaN and numbers beyond any measure too."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < MOST_NUMBER:
        raise AnswerError(f"{where}: {value!r} is neither a number nor null")
    return value


def in_our_times(instant: datetime, where: str) -> datetime:
    """The instant in UTC. Raises AnswerError for a year that no weather service speaks of."""
    if not 1900 <= instant.year <= 2200:
        raise AnswerError(f"{where}: the year {instant.year} is outside 1900 to 2200")
    return instant.astimezone(UTC)


def require_place(answered: LatLon | None, asked: LatLon | None, what: str) -> None:
    """Raises AnswerError when an answer says that it is for another place than was asked for. [degrees]"""
    if answered is None or asked is None:
        return
    east = (answered[1] - asked[1] + 180.0) % 360.0 - 180.0
    north_km = (answered[0] - asked[0]) * KM_PER_DEGREE
    away_km = math.hypot(north_km, east * KM_PER_DEGREE * math.cos(math.radians(asked[0])))
    if away_km > FURTHEST_KM:
        raise AnswerError(
            f"{what}: the answer is for {answered[0]:.3f}, {answered[1]:.3f}, {away_km:.0f} km from the site "
            f"({FURTHEST_KM:.0f} km is the limit); nothing of it is used, check latitude, longitude and the feed's url"
        )


def within_bounds(answer: FeedAnswer, now: datetime | None = None) -> FeedAnswer:
    """The answer with values beyond physical bounds made unknown and listed in ``rejected``.

    With ``now`` intervals further away than a feed's span are dropped and listed as well.
    """
    rejected: list[Rejected] = list(answer.rejected)
    kept = []
    for interval in answer.intervals:
        if now is not None and not now - OLDEST <= interval.start <= now + FURTHEST:
            amount = interval.rain_mm if interval.rain_mm is not None else interval.et0_mm or 0.0
            rejected.append(_reject(interval, amount, f"its date is far from {now.date()}"))
            continue
        kept.append(_believable(interval, rejected))
    kept = _believable_days(kept, answer.zone or UTC, rejected)
    return replace(answer, intervals=tuple(kept), rejected=tuple(rejected))


def day_sums(answer: FeedAnswer, zone: tzinfo) -> tuple[DaySum, ...]:
    """Sums by local date of the start of each interval, in order."""
    by_date: dict[date, list[Interval]] = defaultdict(list)
    for interval in answer.intervals:
        by_date[_local_date(interval, zone)].append(interval)
    return tuple(_day_sum(day, by_date[day]) for day in sorted(by_date))


def summary(answer: FeedAnswer, source: str) -> dict[str, Any]:
    """The answer as one JSON-ready object: intervals with rain in UTC, totals, what is missing, what was rejected."""
    wet = [interval for interval in answer.intervals if interval.rain_mm]
    plain: dict[str, Any] = {
        "feed": answer.feed,
        "source": source,
        "semantics": answer.semantics,
        "rain_intervals_utc": [_plain_interval(interval) for interval in wet],
        "rain_total_mm": _total(interval.rain_mm for interval in wet),
        "rain_missing_hours": sum(interval.rain_mm is None for interval in answer.intervals),
        "covered_from": _stamp(answer.intervals[0].start) if answer.intervals else None,
        "covered_to": _stamp(answer.intervals[-1].end) if answer.intervals else None,
        "has_et0": answer.has_et0,
        "has_probability": answer.has_probability,
        "rejected": [
            {"start": _stamp(r.start), "end": _stamp(r.end), "value": r.value, "why": r.why} for r in answer.rejected
        ],
        "notices": list(answer.notices),
    }
    if answer.zone is not None:
        plain |= _local_summary(answer, answer.zone)
    return plain


def _local_summary(answer: FeedAnswer, zone: tzinfo) -> dict[str, Any]:
    first = answer.intervals[0] if answer.intervals else None
    return {
        "et0_total_mm_of_known_hours": _total(interval.et0_mm for interval in answer.intervals),
        "et0_missing_hours": sum(interval.et0_mm is None for interval in answer.intervals),
        "first_interval_belongs_to": None if first is None else _local_date(first, zone).isoformat(),
        "local_day_sums_by_interval": {
            day.date.isoformat(): {
                "rain_mm": day.rain_mm,
                "et0_mm": day.et0_mm,
                "et0_missing_hours": day.et0_missing_hours,
                "rain_missing_hours": day.rain_missing_hours,
            }
            for day in day_sums(answer, zone)
        },
    }


def _believable(interval: Interval, rejected: list[Rejected]) -> Interval:
    rain, et0, chance = interval.rain_mm, interval.et0_mm, interval.probability_pct
    most = min(MOST_RAIN_MM_HOUR * max(interval.hours, 1.0), MOST_RAIN_MM_DAY)
    if rain is not None and not 0.0 <= rain <= most:
        rejected.append(_reject(interval, rain, f"rain is outside 0 to {most:g} mm in {interval.hours:g} h"))
        interval = replace(interval, rain_mm=None)
    least_et0, most_et0 = (limit * max(interval.hours, 1.0) for limit in (LEAST_ET0_MM_HOUR, MOST_ET0_MM_HOUR))
    if et0 is not None and not least_et0 <= et0 <= most_et0:
        why = f"reference ET is outside {least_et0:g} to {most_et0:g} mm in {interval.hours:g} h"
        rejected.append(_reject(interval, et0, why))
        interval = replace(interval, et0_mm=None)
    if chance is not None and not 0.0 <= chance <= 100.0:
        rejected.append(_reject(interval, chance, "probability is outside 0 to 100 percent"))
        interval = replace(interval, probability_pct=None)
    return interval


def _believable_days(intervals: Sequence[Interval], zone: tzinfo, rejected: list[Rejected]) -> list[Interval]:
    rain_mm: dict[date, float] = defaultdict(float)
    for interval in intervals:
        rain_mm[_local_date(interval, zone)] += interval.rain_mm or 0.0
    kept = []
    for interval in intervals:
        day = _local_date(interval, zone)
        if rain_mm[day] > MOST_RAIN_MM_DAY and interval.rain_mm is not None:
            why = f"the rain of {day} sums to {rain_mm[day]:.0f} mm, more than {MOST_RAIN_MM_DAY:g} mm"
            rejected.append(_reject(interval, interval.rain_mm, why))
            interval = replace(interval, rain_mm=None)  # noqa: PLW2901 - the same interval, less a value
        kept.append(interval)
    return kept


def _reject(interval: Interval, value: float, why: str) -> Rejected:
    return Rejected(start=interval.start, end=interval.end, value=value, why=why)


def _day_sum(day: date, intervals: Sequence[Interval]) -> DaySum:
    return DaySum(
        date=day,
        rain_mm=_total(interval.rain_mm for interval in intervals),
        rain_missing_hours=sum(interval.rain_mm is None for interval in intervals),
        et0_mm=_total(interval.et0_mm for interval in intervals),
        et0_missing_hours=sum(interval.et0_mm is None for interval in intervals),
        hours=sum(interval.hours for interval in intervals),
    )


def _plain_interval(interval: Interval) -> dict[str, Any]:
    return {
        "start": _stamp(interval.start),
        "end": _stamp(interval.end),
        "rain_mm": None if interval.rain_mm is None else round(interval.rain_mm, 4),
        "probability": interval.probability_pct,
    }


def _total(values: Iterable[float | None]) -> float:
    return round(sum(value for value in values if value is not None), 4)


def _local_date(interval: Interval, zone: tzinfo) -> date:
    return interval.start.astimezone(zone).date()


def _stamp(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")
