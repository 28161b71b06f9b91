"""No input makes the schedule pass a zone's caps."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.caps import day_cap_s, week_cap_s
from dewpond.model.events import ReadingsArrived, ValveClosed
from dewpond.model.site import Sensor

FIRST = date(2026, 6, 1)
WEEK = timedelta(days=7)


def nights(world, count, eto_mm=9.0, rain_mm=0.0):
    for n in range(count):
        day = FIRST + timedelta(days=n)
        world.until(24.0 * n + 20.8)
        world.plan(day)
        world.until(24.0 * n + 24.1)
        world.weather(day, eto_mm=eto_mm, rain_mm=rain_mm)
    world.until(24.0 * count + 6.5)


def most_in_a_day_s(world):
    zone_of_site = world.brain.ground.days.zone
    days = {}
    for run in world.runs():
        day = run.start.astimezone(zone_of_site).date()
        days[day] = days.get(day, 0.0) + run.seconds
    return max(days.values(), default=0.0)


def most_in_a_week_s(world):
    runs = world.runs()
    return max(
        (sum(run.seconds for run in runs if end.end - WEEK < run.end <= end.end) for end in runs),
        default=0.0,
    )


def test_the_default_day_cap_is_one_and_a_half_times_the_time_to_refill():
    assert day_cap_s(zone()) == pytest.approx(1.5 * 11.25 / 0.75 / 36.0 * 3600.0, abs=1.0)


def test_the_default_week_cap_covers_seven_hot_days():
    assert week_cap_s(zone()) == pytest.approx(1.5 * 7 * 10.0 * 0.8 / 0.75 / 36.0 * 3600.0, abs=1.0)
    assert week_cap_s(zone(crop_coefficient=(0.01,) * 12)) == day_cap_s(zone())


def test_a_stated_day_cap_carries_the_rest_over_several_nights_and_says_so():
    world = SmallWorld(site(zone(day_cap_s=600.0)))
    world.until(20.8)
    world.plan(FIRST)
    world.until(30.0)
    assert most_in_a_day_s(world) <= 600.0
    assert world.runs()
    assert "are carried to the next nights" in " ".join(world.state.reasons["lawn"].limits)
    world.until(44.8)
    world.plan(FIRST + timedelta(days=1))
    world.until(54.0)
    assert len({run.start.date() for run in world.runs()}) == 2


def test_a_stated_week_cap_ends_watering_until_the_week_is_past():
    world = SmallWorld(site(zone(week_cap_s=1500.0)))
    nights(world, 6)
    assert 0.0 < sum(run.seconds for run in world.runs()) <= 1500.0
    assert any("a week is reached" in limit for limit in world.state.reasons["lawn"].limits)


def test_water_by_hand_counts_towards_the_caps():
    world = SmallWorld(site(zone(day_cap_s=900.0)))
    world.until(1.0)
    assert world.ask("water", zone="lawn", seconds=800.0)[0]
    world.until(2.0)
    accepted, text = world.ask("water", zone="lawn", seconds=200.0)
    assert not accepted
    assert "2 min left under the day's cap of 15 min" in text


def test_default_caps_do_not_refuse_a_person():
    world = SmallWorld(site(), depletion_share=0.0)
    for hour in (1.0, 2.0, 3.0):
        world.until(hour)
        assert world.ask("water", zone="lawn", seconds=1800.0)[0]


adversary = st.lists(
    st.tuples(
        st.sampled_from([0.0, 3.0, 12.0, 40.0]),
        st.sampled_from([None, 0.0, 50.0]),
        st.sampled_from([-50.0, 0.0, 0.02, 0.9, 1e9]),
        st.booleans(),
    ),
    min_size=3,
    max_size=9,
)


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(days=adversary)
def test_no_weather_or_sensor_whatever_passes_the_caps(days):
    probe = Sensor(id="probe", kind="soil_moisture", topic="yard/soil", zone="lawn")
    world = SmallWorld(site(sensors=(probe,)))
    for n, (eto_mm, rain_mm, moisture, cut) in enumerate(days):
        day = FIRST + timedelta(days=n)
        world.until(24.0 * n + 20.8)
        at = np.array([world.now.wall.timestamp()])
        world.tell(ReadingsArrived(at=world.now.wall, sensor="probe", time_s=at, value=np.array([moisture])))
        world.plan(day)
        world.until(24.0 * n + 24.1)
        world.weather(day, eto_mm=eto_mm, rain_mm=rain_mm)
        world.until(24.0 * n + 29.0)
        if cut and 1 in world.keeper.open_now:
            held, since_s = world.keeper.open_now.pop(1)
            open_s = world.now.elapsed_s - since_s
            world.tell(ValveClosed(at=world.now.wall, run_id=held, output=1, open_s=open_s, why="its lease ran out"))
    world.until(24.0 * len(days) + 6.5)
    lawn = world.site.zones[0]
    assert most_in_a_day_s(world) <= day_cap_s(lawn) + 1.0
    assert most_in_a_week_s(world) <= week_cap_s(lawn) + 1.0
    assert all(run.seconds <= 3600.0 + 5.0 for run in world.runs())
