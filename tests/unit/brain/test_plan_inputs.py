"""Every fact a decision rests on has its source and its age."""

from __future__ import annotations

from datetime import date

from sites import site, zone
from small_world import SmallWorld

TODAY = date(2026, 6, 1)


def told(world):
    return world.state.reasons["lawn"].inputs


def test_on_the_first_evening_what_is_assumed_is_as_old_as_the_decision():
    world = SmallWorld(site(zone()))
    world.until(20.8)
    world.plan()
    assert told(world)
    assert all(item.source for item in told(world))
    assert {item.known_at for item in told(world)} == {world.now.wall}


def test_after_a_measured_day_its_facts_are_known_from_its_end_and_nothing_from_the_future():
    world = SmallWorld(site(zone()))
    world.until(24.1)
    world.weather(TODAY, eto_mm=5.0, rain_mm=1.0)
    world.until(44.8)
    world.plan(date(2026, 6, 2))
    ages = {item.name: (world.now.wall - item.known_at).total_seconds() / 3600.0 for item in told(world)}
    assert {"rain of 2026-06-01", "reference ET of 2026-06-01", "weather ahead", "expected reference ET"} <= set(ages)
    assert all(abs(hours - 20.8) < 0.01 for hours in ages.values())
    assert all(item.source for item in told(world))
