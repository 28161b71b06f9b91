"""Bounds that a lying feed breaks, and sums by local date."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dewpond.adapters.weather.feeds.intervals import FeedAnswer, Interval, day_sums, within_bounds

START = datetime(2027, 5, 14, tzinfo=UTC)


def _answer(*rain_mm: float | None, hours: float = 1.0, **more: float) -> FeedAnswer:
    step = timedelta(hours=hours)
    intervals = (
        Interval(start=START + n * step, end=START + (n + 1) * step, rain_mm=mm, **more) for n, mm in enumerate(rain_mm)
    )
    return FeedAnswer(feed="test", semantics="", intervals=tuple(intervals))


@pytest.mark.parametrize(
    ("mm", "believed"), [(0.0, True), (100.0, True), (100.1, False), (500.0, False), (-0.1, False)]
)
def test_an_hour_above_100_mm_or_below_0_is_not_believed(mm: float, believed: bool) -> None:
    found = within_bounds(_answer(mm, 1.0))
    assert found.intervals[0].rain_mm == (mm if believed else None)
    assert found.intervals[1].rain_mm == 1.0
    assert [r.value for r in found.rejected] == ([] if believed else [mm])


def test_a_day_above_300_mm_is_not_believed_though_each_hour_is() -> None:
    found = within_bounds(_answer(90.0, 90.0, 90.0, 90.0))
    assert [i.rain_mm for i in found.intervals] == [None] * 4
    assert "sums to 360 mm" in found.rejected[0].why


def test_a_daily_amount_above_300_mm_is_not_believed() -> None:
    assert within_bounds(_answer(301.0, hours=24.0)).intervals[0].rain_mm is None
    assert within_bounds(_answer(299.0, hours=24.0)).intervals[0].rain_mm == 299.0


def test_impossible_et0_and_probability_are_unknown_but_the_rain_stays() -> None:
    found = within_bounds(_answer(1.0, et0_mm=25.0, probability_pct=300.0))
    assert (found.intervals[0].rain_mm, found.intervals[0].et0_mm, found.intervals[0].probability_pct) == (
        1.0,
        None,
        None,
    )
    assert len(found.rejected) == 2


@pytest.mark.parametrize(
    ("now", "kept"), [(START, 2), (START + timedelta(days=365), 0), (START - timedelta(days=20), 0)]
)
def test_dates_far_from_now_are_rejected(now: datetime, kept: int) -> None:
    found = within_bounds(_answer(1.0, 2.0), now)
    assert len(found.intervals) == kept
    assert len(found.rejected) == 2 - kept
    assert all("far from" in r.why for r in found.rejected)


def test_an_hour_belongs_to_the_local_date_in_which_it_starts() -> None:
    sums = day_sums(_answer(*[1.0] * 20, None, 1.0, 1.0, 1.0), ZoneInfo("Etc/GMT-2"))
    assert [(d.date.day, d.rain_mm, d.rain_missing_hours, d.hours) for d in sums] == [
        (14, 21.0, 1, 22.0),
        (15, 2.0, 0, 2.0),
    ]
