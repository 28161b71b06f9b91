"""A forecast's intervals to site calendar days: each hour counted once, each day whole or not at all, nothing absurd.

Every forecast passes here, whether it came from a service or from a season folder's forecast.csv.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from dewpond.adapters.weather.feeds.intervals import MOST_RAIN_MM_DAY, Interval
from dewpond.adapters.weather.season import ForecastRow, station_day_bounds_utc
from dewpond.model.events import Event, FaultSeen, ForecastDay, ForecastKnown

MOST_ETO_MM_DAY = 20.0  # common practice, no source: the driest, windiest deserts stay under it
FURTHEST_DAYS = 16  # no service that is read here goes further
LONGEST = timedelta(hours=48)  # an interval that says something of a day
LATEST_ISSUE = timedelta(hours=1)  # an issue further in the future is a wrong clock's, theirs or ours
WHOLE_SHARE = 22.0 / 24.0  # of a day's hours must be covered
PART = "weather forecast"
CSV_SOURCE = "forecast.csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastRead:
    """A forecast as the brain takes it, None where nothing of it can be used, and what was refused of it and why."""

    known: ForecastKnown | None
    refused: tuple[str, ...] = ()


def read_forecast_days(
    intervals: Sequence[Interval], *, source: str, timezone: str, issued_at: datetime, at: datetime, raw_ref: str = ""
) -> ForecastRead:
    """The site days of a forecast that are not over at ``at``."""
    what = f"{source}, forecast of {issued_at:%Y-%m-%d %H:%M} UTC"
    if issued_at > at + LATEST_ISSUE:
        late = f"{what}: issued in the future (now is {at:%Y-%m-%d %H:%M} UTC, one hour ahead is the limit)"
        return ForecastRead(known=None, refused=(f"{late}; not used, check both clocks",))
    ahead = [interval for interval in intervals if interval.end > at - LONGEST]
    if not any(interval.end > at for interval in ahead):
        last = max((interval.end for interval in intervals), default=None)
        told = f"its last hour is {last:%Y-%m-%d %H:%M} UTC" if last else "it has no hours"
        return ForecastRead(
            known=None, refused=(f"{what}: nothing of it lies ahead, {told}; not used, check the feed",)
        )
    refused: list[str] = []
    today = at.astimezone(ZoneInfo(timezone)).date()
    days = [day for day in _days(_usable(ahead, at, what, refused), timezone, at) if day.date >= today]
    kept = tuple(_believable(day, what, refused) for day in days)
    kept = tuple(day for day in kept if day.rain_mm is not None or day.eto_mm is not None)
    known = ForecastKnown(at=at, issued_at=issued_at, source=source, days=kept, raw_ref=raw_ref) if kept else None
    return ForecastRead(known=known, refused=tuple(refused))


def season_forecasts(rows: Sequence[ForecastRow], timezone: str) -> list[Event]:
    """Every issue of a forecast.csv as the event it is at ``issued_utc``, oldest first, faults among them."""
    events: list[Event] = []
    for issued, issue in groupby(sorted(rows, key=lambda row: row.issued), key=lambda row: row.issued):
        intervals = [
            Interval(
                start=row.valid_from,
                end=row.valid_to,
                rain_mm=row.rain_mm,
                probability_pct=row.probability_pct,
                et0_mm=row.eto_mm,
            )
            for row in issue
        ]
        read = read_forecast_days(intervals, source=CSV_SOURCE, timezone=timezone, issued_at=issued, at=issued)
        events += [FaultSeen(at=issued, part=PART, text=text) for text in read.refused]
        events += [read.known] if read.known is not None else []
    return events


def _usable(intervals: Sequence[Interval], at: datetime, what: str, refused: list[str]) -> list[Interval]:
    """The intervals short and near enough to say something of a day."""
    limit = at + timedelta(days=FURTHEST_DAYS + 1)
    far = [interval for interval in intervals if interval.end > limit]
    long = [interval for interval in intervals if interval.end <= limit and interval.end - interval.start > LONGEST]
    if far:
        first = min(interval.start for interval in far)
        late = f"{first:%Y-%m-%d} is more than {FURTHEST_DAYS} days ahead"
        refused.append(f"{what}: {late}; that part is not used, check the feed's dates")
    if long:
        told = f"an interval of {long[0].hours:.0f} h from {long[0].start:%Y-%m-%d %H:%M} UTC"
        refused.append(f"{what}: {told} says nothing of a day (48 h is the limit); not used, ask for days or hours")
    return [interval for interval in intervals if interval.end <= limit and interval.end - interval.start <= LONGEST]


def _days(intervals: Sequence[Interval], timezone: str, at: datetime) -> list[ForecastDay]:
    rain = _sums(intervals, timezone, lambda interval: interval.rain_mm)
    eto = _sums(intervals, timezone, lambda interval: interval.et0_mm)
    chance = _chances(intervals, timezone)
    days = []
    for day in sorted(rain.keys() | eto.keys()):
        start, end = station_day_bounds_utc(timezone, day)
        to_come_h = (end - min(max(start, at), end)).total_seconds() / 3600.0
        whole_h = (end - start).total_seconds() / 3600.0
        rain_mm, rain_h = rain.get(day, (0.0, 0.0))
        eto_mm, eto_h = eto.get(day, (0.0, 0.0))
        rain_told = rain_h > 0.0 and rain_h >= WHOLE_SHARE * to_come_h
        days.append(
            ForecastDay(
                date=day,
                rain_mm=round(rain_mm, 2) if rain_told else None,
                rain_probability=chance.get(day) if rain_told else None,
                eto_mm=round(eto_mm, 2) if eto_h >= WHOLE_SHARE * whole_h else None,
            )
        )
    return days


def _sums(
    intervals: Sequence[Interval], timezone: str, value: Callable[[Interval], float | None]
) -> dict[date, tuple[float, float]]:
    """Amount and hours covered of each site day. Of overlapping intervals the earlier, then the shorter counts."""
    found: dict[date, tuple[float, float]] = defaultdict(lambda: (0.0, 0.0))
    covered_to: datetime | None = None
    for interval in sorted(intervals, key=lambda item: (item.start, item.end)):
        amount = value(interval)
        if amount is None or (covered_to is not None and interval.end <= covered_to):
            continue
        start = interval.start if covered_to is None else max(interval.start, covered_to)
        covered_to = interval.end
        for day, hours in _by_date(start, interval.end, timezone):
            total, covered_h = found[day]
            found[day] = (total + amount * hours / interval.hours, covered_h + hours)
    return dict(found)


def _by_date(start: datetime, end: datetime, timezone: str) -> Iterator[tuple[date, float]]:
    """A span cut at the site's midnights: date and hours of each part."""
    zone = ZoneInfo(timezone)
    while start < end:
        day = start.astimezone(zone).date()
        cut = min(end, station_day_bounds_utc(timezone, day)[1])
        yield day, (cut - start).total_seconds() / 3600.0
        start = cut


def _chances(intervals: Sequence[Interval], timezone: str) -> dict[date, float]:
    """The highest probability of each site day, as the services give it for a day. [-]"""
    found: dict[date, float] = {}
    for interval in intervals:
        if interval.probability_pct is not None:
            share = min(max(interval.probability_pct / 100.0, 0.0), 1.0)
            for day, _ in _by_date(interval.start, interval.end, timezone):
                found[day] = max(found.get(day, 0.0), share)
    return found


def _believable(day: ForecastDay, what: str, refused: list[str]) -> ForecastDay:
    """The day with values beyond belief made unknown, and told."""
    rain_mm, eto_mm = day.rain_mm, day.eto_mm
    if rain_mm is not None and not 0.0 <= rain_mm <= MOST_RAIN_MM_DAY:
        refused.append(_beyond(what, f"{rain_mm:g} mm of rain on {day.date}", f"0 to {MOST_RAIN_MM_DAY:g} mm a day"))
        rain_mm = None
    if eto_mm is not None and not -0.5 <= eto_mm <= MOST_ETO_MM_DAY:
        refused.append(
            _beyond(what, f"reference ET of {eto_mm:g} mm on {day.date}", f"0 to {MOST_ETO_MM_DAY:g} mm a day")
        )
        eto_mm = None
    chance = day.rain_probability if rain_mm is not None else None
    eto_mm = None if eto_mm is None else max(0.0, eto_mm)
    return ForecastDay(date=day.date, rain_mm=rain_mm, rain_probability=chance, eto_mm=eto_mm)


def _beyond(what: str, value: str, limit: str) -> str:
    return f"{what}: {value} is outside {limit}; not used, check the feed's unit and address"
