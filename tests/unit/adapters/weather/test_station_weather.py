"""The site's own weather station: a day is told five minutes after it ends, with enough coverage or as missing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from dewpond.adapters.weather.station_weather import StationWeather
from dewpond.model.events import RainKnown, ReadingsArrived
from dewpond.model.site import Site

AIR = (("thermometer", "temperature"), ("hygrometer", "humidity"), ("vane", "wind"), ("pyranometer", "solar"))
# London is one hour ahead of UTC on this date.
MIDNIGHT = datetime(2027, 5, 13, 23, tzinfo=UTC)
NEXT = MIDNIGHT + timedelta(days=1)
MAY_14 = date(2027, 5, 14)


def _rain(events: list[Any]) -> list[RainKnown]:
    return [event for event in events if isinstance(event, RainKnown)]


def test_a_full_day_becomes_rain_and_a_question_for_reference_et(
    make_site: Callable[..., Site], clock: Any, et: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(*AIR, ("gauge", "rain")), et)
    clock.move_to(MIDNIGHT)
    feed.drain(clock.now())
    feed.observe(
        [
            readings("thermometer", MIDNIGHT, NEXT, lambda h: 10.0 + h),
            readings("hygrometer", MIDNIGHT, NEXT, lambda h: 90.0 - h),
            readings("vane", MIDNIGHT, NEXT, 3.0),
            readings("pyranometer", MIDNIGHT, NEXT, 200.0),
            readings("gauge", MIDNIGHT + timedelta(minutes=10), NEXT + timedelta(minutes=10), 0.1, window_s=600.0),
        ]
    )
    assert feed.drain(clock.move_to(NEXT + timedelta(seconds=299))) == []
    told = feed.drain(clock.move_to(NEXT + timedelta(seconds=300)))
    assert [(e.date, round(e.rain_mm or 0.0, 6), e.source) for e in _rain(told)] == [(MAY_14, 14.4, "rain gauge gauge")]
    (asked,) = et.asked
    assert asked.date == MAY_14
    assert asked.t_min_c == 10.0
    assert asked.t_max_c == pytest.approx(10.0 + 24.0 - 1.0 / 6.0)
    assert asked.rh_min_pct == pytest.approx(66.0 + 1.0 / 6.0)
    assert asked.wind_m_s == pytest.approx(3.0)
    assert asked.solar_mj_m2 == pytest.approx(200.0 * 86400 / 1e6)
    assert feed.drain(clock.move(3600)) == []  # once


@pytest.mark.parametrize(
    ("hours", "temperature_known", "solar_known"), [(23, True, True), (22, True, False), (21, False, False)]
)
def test_too_few_hours_are_missing_not_guessed(
    make_site: Callable[..., Site],
    clock: Any,
    et: Any,
    readings: Callable[..., Any],
    hours: int,
    temperature_known: bool,
    solar_known: bool,
) -> None:
    feed = StationWeather(make_site(*AIR), et)
    feed.drain(clock.move_to(MIDNIGHT))
    end = MIDNIGHT + timedelta(hours=hours)
    feed.observe([readings(sensor, MIDNIGHT, end, 10.0) for sensor, _ in AIR])
    feed.drain(clock.move_to(NEXT + timedelta(minutes=5)))
    (asked,) = et.asked
    assert (asked.t_min_c is not None) == temperature_known
    assert (asked.solar_mj_m2 is not None) == solar_known
    assert asked.rain_mm is None


def test_a_silent_gauge_is_a_missing_measurement_not_a_dry_day(make_site: Callable[..., Site], clock: Any) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None)
    feed.drain(clock.move_to(MIDNIGHT))
    (told,) = feed.drain(clock.move_to(NEXT + timedelta(minutes=5)))
    assert (told.date, told.rain_mm) == (MAY_14, None)


def test_rain_over_midnight_is_split_in_proportion_to_time(make_site: Callable[..., Site], clock: Any) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None)
    feed.drain(clock.move_to(MIDNIGHT))
    time_s = np.array([NEXT.timestamp() + 6 * 3600.0, NEXT.timestamp() + 24 * 3600.0])
    feed.observe(
        [
            ReadingsArrived(
                at=NEXT,
                sensor="gauge",
                time_s=time_s,
                value=np.array([30.0, 0.0]),
                window_s=np.array([30 * 3600.0, 18 * 3600.0]),
            )
        ]
    )
    told = _rain(feed.drain(clock.move_to(NEXT + timedelta(days=1, minutes=5))))
    assert [round(e.rain_mm or -1.0, 9) for e in told] == [24.0, 6.0]


def test_an_increment_without_its_window_covers_the_time_since_the_one_before(
    make_site: Callable[..., Site], clock: Any, readings: Callable[..., Any]
) -> None:
    site = make_site(("gauge", "rain"))
    for step_s, known in ((1800.0, True), (4 * 3600.0, False)):
        feed = StationWeather(site, None)
        clock.move_to(MIDNIGHT)
        feed.drain(clock.now())
        feed.observe([readings("gauge", MIDNIGHT, NEXT, 0.0, step_s=step_s)])
        (told,) = feed.drain(clock.move_to(NEXT + timedelta(minutes=5)))
        assert (told.rain_mm is not None) == known


def test_the_second_sensor_stands_in_where_the_first_has_gaps(
    make_site: Callable[..., Site], clock: Any, et: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(("north", "temperature"), ("south", "temperature")), et)
    feed.drain(clock.move_to(MIDNIGHT))
    feed.observe(
        [readings("north", MIDNIGHT, MIDNIGHT + timedelta(hours=2), 50.0), readings("south", MIDNIGHT, NEXT, 11.0)]
    )
    feed.drain(clock.move_to(NEXT + timedelta(minutes=5)))
    assert (et.asked[0].t_min_c, et.asked[0].t_max_c) == (11.0, 11.0)


def test_a_thermometer_of_a_zone_is_not_the_air(
    make_site: Callable[..., Site], clock: Any, et: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(("in-soil", "temperature", "north-lawn"), ("vane", "wind")), et)
    feed.drain(clock.move_to(MIDNIGHT))
    feed.observe([readings("in-soil", MIDNIGHT, NEXT, 11.0)])
    feed.drain(clock.move_to(NEXT + timedelta(minutes=5)))
    assert et.asked[0].t_min_c is None


def test_the_25_hours_of_an_autumn_day_are_one_day(
    make_site: Callable[..., Site], clock: Any, et: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(*AIR), et)
    start, end = datetime(2027, 10, 30, 23, tzinfo=UTC), datetime(2027, 11, 1, tzinfo=UTC)
    feed.drain(clock.move_to(start))
    feed.observe([readings("pyranometer", start, end, 100.0)])
    feed.drain(clock.move_to(end + timedelta(minutes=5)))
    assert et.asked[0].solar_mj_m2 == pytest.approx(100.0 * 25 * 3600 / 1e6)


def test_known_dates_are_not_told_again_and_the_days_between_are(
    make_site: Callable[..., Site], clock: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None, known_dates=[date(2027, 5, 11)])
    stored = readings("gauge", MIDNIGHT - timedelta(days=2), MIDNIGHT, 0.05, step_s=600.0, window_s=600.0)
    feed.observe([stored])
    told = _rain(feed.drain(clock.move_to(MIDNIGHT + timedelta(hours=9))))
    assert [(e.date.day, e.rain_mm and round(e.rain_mm, 6)) for e in told] == [(12, 7.2), (13, pytest.approx(7.15))]


def test_late_readings_correct_a_told_day_once_an_hour(
    make_site: Callable[..., Site], clock: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None)
    feed.drain(clock.move_to(MIDNIGHT))
    feed.observe([readings("gauge", MIDNIGHT, NEXT, 0.0, window_s=600.0)])
    assert feed.drain(clock.move_to(NEXT + timedelta(minutes=5)))[0].rain_mm == 0.0  # type: ignore[attr-defined]
    feed.observe(
        [
            readings(
                "gauge", MIDNIGHT + timedelta(hours=3), MIDNIGHT + timedelta(hours=3, minutes=10), 5.0, window_s=600.0
            )
        ]
    )
    assert feed.drain(clock.move(60)) == []
    due_s = feed.next_due_s(clock.now())
    assert due_s == pytest.approx(clock.elapsed_s + 3540.0)
    (told,) = feed.drain(clock.move(3540))
    assert told.rain_mm == 5.0  # type: ignore[attr-defined]


def test_next_due_is_five_minutes_after_the_days_end(make_site: Callable[..., Site], clock: Any) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None)
    now = clock.move_to(MIDNIGHT + timedelta(hours=20))
    assert feed.next_due_s(now) == pytest.approx(now.elapsed_s + 4 * 3600 + 300)
    now = clock.move_to(NEXT + timedelta(seconds=100))
    assert feed.next_due_s(now) == pytest.approx(now.elapsed_s + 200)


def test_nothing_is_told_by_an_untrusted_clock(make_site: Callable[..., Site], clock: Any) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None, known_dates=[date(2027, 5, 1)])
    clock.trusted = False
    assert feed.drain(clock.now()) == []
    assert feed.next_due_s(clock.now()) == clock.elapsed_s + 60.0


def test_a_site_without_weather_sensors_is_never_due(make_site: Callable[..., Site], clock: Any, et: Any) -> None:
    feed = StationWeather(make_site(("meter", "flow")), et)
    assert feed.next_due_s(clock.now()) == float("inf")
    assert feed.drain(clock.now()) == []


def test_readings_of_next_year_are_forgotten(
    make_site: Callable[..., Site], clock: Any, readings: Callable[..., Any]
) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None)
    feed.drain(clock.move_to(MIDNIGHT))
    ahead = MIDNIGHT + timedelta(days=365)
    feed.observe([readings("gauge", ahead, ahead + timedelta(days=1), 9.0, window_s=600.0)])
    feed.drain(clock.move(60))
    assert [e.rain_mm for e in _rain(feed.drain(clock.move_to(ahead + timedelta(days=1, minutes=5))))][-1] is None


def test_rain_is_told_by_the_hour_too(make_site: Callable[..., Site], clock: Any, readings: Callable[..., Any]) -> None:
    feed = StationWeather(make_site(("gauge", "rain")), None)
    feed.drain(clock.move_to(MIDNIGHT))
    # An increment every half hour, the first from a quarter past midnight; 1 mm each until noon, none after it.
    amounts = readings(
        "gauge",
        MIDNIGHT + timedelta(minutes=45),
        NEXT + timedelta(minutes=15),
        lambda h: 1.0 if h < 12.0 else 0.0,
        step_s=1800.0,
        window_s=1800.0,
    )
    feed.observe([amounts])
    (told,) = _rain(feed.drain(clock.move_to(NEXT + timedelta(minutes=5))))
    assert told.hourly_mm is not None
    assert len(told.hourly_mm) == 24
    assert sum(told.hourly_mm) == pytest.approx(told.rain_mm)
    assert told.hourly_mm[3] == pytest.approx(2.0)
    assert told.hourly_mm[15] == 0.0
