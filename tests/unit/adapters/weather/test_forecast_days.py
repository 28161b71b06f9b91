"""Intervals of a forecast to whole site days, and what is refused of them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from dewpond.adapters.weather.feeds.intervals import Interval
from dewpond.adapters.weather.forecast_days import read_forecast_days, season_forecasts
from dewpond.adapters.weather.season import ForecastRow
from dewpond.model.events import FaultSeen, ForecastKnown

NOON = datetime(2026, 7, 3, 12, tzinfo=UTC)
MIDNIGHT = datetime(2026, 7, 4, tzinfo=UTC)


def _hours(start: datetime, count: int, step_h: int = 1, **values: float | None) -> list[Interval]:
    steps = [start + timedelta(hours=step_h * n) for n in range(count)]
    return [Interval(start=at, end=at + timedelta(hours=step_h), **values) for at in steps]  # type: ignore[arg-type]


def _read(intervals: list[Interval], zone: str = "UTC", issued: datetime = NOON, at: datetime = NOON):
    return read_forecast_days(intervals, source="test", timezone=zone, issued_at=issued, at=at)


def _days(intervals: list[Interval], zone: str = "UTC"):
    read = _read(intervals, zone)
    return {} if read.known is None else {day.date: day for day in read.known.days}


def test_hours_are_summed_by_the_sites_own_day() -> None:
    wet = Interval(start=MIDNIGHT - timedelta(hours=1), end=MIDNIGHT, rain_mm=5.0, probability_pct=70.0)
    days = _days([*_hours(NOON, 11, rain_mm=0.0), wet, *_hours(MIDNIGHT, 48, rain_mm=0.0)], "Europe/Berlin")
    assert days[date(2026, 7, 3)].rain_mm == 0.0
    assert (days[date(2026, 7, 4)].rain_mm, days[date(2026, 7, 4)].rain_probability) == (5.0, 0.7)


def test_an_interval_across_midnight_is_cut_in_proportion_to_time() -> None:
    across = Interval(start=MIDNIGHT - timedelta(hours=3), end=MIDNIGHT + timedelta(hours=1), rain_mm=4.0)
    days = _days([*_hours(NOON, 9, rain_mm=0.0), across, *_hours(MIDNIGHT + timedelta(hours=1), 23, rain_mm=0.0)])
    assert [days[date(2026, 7, day)].rain_mm for day in (3, 4)] == [3.0, 1.0]


def test_overlapping_periods_count_once() -> None:
    hourly = _hours(MIDNIGHT, 24, rain_mm=1.0)
    six = [Interval(start=at.start, end=at.start + timedelta(hours=6), rain_mm=6.0) for at in hourly[::6]]
    assert _days(hourly + six)[date(2026, 7, 4)].rain_mm == 24.0


def test_six_hour_periods_make_a_day() -> None:
    assert _days(_hours(MIDNIGHT, 4, step_h=6, rain_mm=2.5))[date(2026, 7, 4)].rain_mm == 10.0


def test_a_day_that_is_not_covered_is_missing_and_never_dry() -> None:
    days = _days([*_hours(MIDNIGHT, 12, rain_mm=0.0), *_hours(MIDNIGHT, 24, et0_mm=0.2)])
    assert days[date(2026, 7, 4)].rain_mm is None
    assert days[date(2026, 7, 4)].eto_mm == 4.8
    assert date(2026, 7, 5) not in days


def test_unknown_hours_leave_the_day_unknown() -> None:
    gap = _hours(MIDNIGHT, 24, rain_mm=1.0)
    gap[5:9] = _hours(MIDNIGHT + timedelta(hours=5), 4, rain_mm=None)
    assert _read(gap).known is None


def test_the_rest_of_today_counts_for_rain_but_not_for_eto() -> None:
    today = _days(_hours(NOON, 12, rain_mm=0.5, et0_mm=0.2))[date(2026, 7, 3)]
    assert (today.rain_mm, today.eto_mm) == (6.0, None)


def test_days_that_are_over_are_left_out() -> None:
    start = MIDNIGHT - timedelta(days=3)
    assert sorted(_days(_hours(start, 96, rain_mm=0.1))) == [date(2026, 7, 3), date(2026, 7, 4)]


def test_a_day_of_a_clock_change_is_whole_with_its_own_hours() -> None:
    start = datetime(2026, 3, 28, 23, tzinfo=UTC)
    issued = datetime(2026, 3, 28, 12, tzinfo=UTC)
    read = read_forecast_days(
        _hours(start, 23, rain_mm=1.0), source="test", timezone="Europe/Berlin", issued_at=issued, at=issued
    )
    assert read.known is not None
    assert [(day.date, day.rain_mm) for day in read.known.days] == [(date(2026, 3, 29), 23.0)]


def test_absurd_amounts_are_refused_by_day_with_limit_and_remedy() -> None:
    absurd = _hours(MIDNIGHT, 24, rain_mm=500 / 24, et0_mm=1.0)
    read = _read([*absurd, *_hours(MIDNIGHT + timedelta(days=1), 24, rain_mm=1.0)])
    assert read.known is not None
    assert [(day.date.day, day.rain_mm, day.eto_mm) for day in read.known.days] == [(5, 24.0, None)]
    rain, eto = read.refused
    assert "test, forecast of 2026-07-03 12:00 UTC: 500 mm of rain on 2026-07-04 is outside 0 to 300 mm a day" in rain
    assert "24 mm on 2026-07-04 is outside 0 to 20 mm a day; not used, check" in eto


def test_last_years_dates_and_dates_too_far_ahead_are_refused() -> None:
    last_year = _read(_hours(MIDNIGHT - timedelta(days=365), 48, rain_mm=1.0))
    assert last_year.known is None
    assert "nothing of it lies ahead, its last hour is 2025-07-06" in last_year.refused[0]
    far = _read(_hours(MIDNIGHT + timedelta(days=17), 24, rain_mm=1.0))
    assert far.known is None
    assert "2026-07-21 is more than 16 days ahead" in far.refused[0]


def test_an_interval_too_long_to_say_something_of_a_day_is_refused() -> None:
    for days in (3, 365_000):
        long = Interval(start=MIDNIGHT, end=MIDNIGHT + timedelta(days=days), rain_mm=30.0)
        read = _read([long])
        assert read.known is None
        assert len(read.refused) == 1


def test_an_issue_from_the_future_is_refused() -> None:
    read = _read(_hours(MIDNIGHT, 24, rain_mm=1.0), issued=NOON + timedelta(hours=3))
    assert read.known is None
    assert "issued in the future" in read.refused[0]


def test_issues_of_a_forecast_file_become_events_at_their_own_time() -> None:
    def row(issued: datetime, day: int, rain_mm: float | None, eto_mm: float | None = None) -> ForecastRow:
        start = datetime(2026, 7, day, tzinfo=UTC)
        return ForecastRow(
            issued=issued,
            valid_from=start,
            valid_to=start + timedelta(days=1),
            rain_mm=rain_mm,
            probability_pct=None,
            eto_mm=eto_mm,
        )

    later = NOON + timedelta(days=1)
    rows = [row(later, 5, 900.0), row(NOON, 4, 3.0), row(NOON, 4, None, 5.5), row(NOON, 5, 1.0)]
    first, fault = season_forecasts(rows, "UTC")
    assert isinstance(first, ForecastKnown)
    assert (first.at, first.issued_at, first.source) == (NOON, NOON, "forecast.csv")
    assert [(day.date.day, day.rain_mm, day.eto_mm) for day in first.days] == [(4, 3.0, 5.5), (5, 1.0, None)]
    assert isinstance(fault, FaultSeen)
    assert fault.at == later
