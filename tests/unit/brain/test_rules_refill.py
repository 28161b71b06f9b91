"""Refill: when a zone cannot wait and how much it gets, worked by hand, and night after night in the real brain."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from one_night import question, some_nights
from sites import DayRule, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.brain.local_time import EPOCH
from dewpond.brain.rules.refill import decide, least_tonight, safe_tonight
from dewpond.model.hours import Hours

FIRST = date(2026, 6, 1)  # a Monday
ALL = np.array([0])


def dry_world(site_, depletion_share=0.0):
    """A world after 40 dry days of 5 mm: ETc of the lawn is 4 mm, and the days ahead are known to be like it."""
    world = SmallWorld(site_, depletion_share=depletion_share)
    day = np.arange(40.0) + (FIRST - EPOCH).days - 40
    soil = replace(
        world.state.soil,
        record_day=day,
        record_eto_mm=np.full(40, 5.0),
        record_rain_mm=np.zeros(40),
        recent_eto_mm=(5.0,) * 7,
        rain_days=40,
    )
    world.runner.state = replace(world.state, soil=soil)
    return world


def nights(world, count, rain_mm=0.0):
    for n in range(count):
        day = FIRST + timedelta(days=n)
        world.until(24.0 * n + 20.8)
        world.plan(day)
        world.until(24.0 * n + 24.1)
        world.weather(day, eto_mm=5.0, rain_mm=rain_mm)
    world.until(24.0 * count + 30.0)
    return {row.date: row.net_irrigation_mm for row in world.days()}


def test_a_zone_waits_while_tomorrow_fits_below_raw_and_is_filled_up_when_it_does_not():
    """15 + 5 mm reach RAW and may; 15.1 + 5 mm would pass it."""
    assert [depth.net_mm for depth in decide(question([15.0, 15.1]), np.array([0, 1]))] == [0.0, 15.1]


def test_it_must_last_until_the_next_chance():
    """Three days of 5 mm to the night after next but one: no more than 5 mm may be missing."""
    asked = question([5.0, 5.1], chance=some_nights(6, 2, 0, 3))
    assert safe_tonight(asked, np.array([0, 1])) == pytest.approx([5.0, 5.0])
    assert [depth.net_mm for depth in decide(asked, np.array([0, 1]))] == [0.0, 5.1]


def test_what_is_not_known_of_today_counts_against_waiting():
    asked = question(14.5, doubt_mm=np.array([1.0]))
    assert decide(asked, ALL)[0].net_mm == 14.5
    assert decide(asked, ALL)[0].until_next_mm == pytest.approx(6.0)  # 5 mm and 1 mm of doubt


def test_few_futures_may_miss_and_no_more():
    etc_mm = np.full((6, 1, 20), 4.0)
    etc_mm[:, :, :2] = 8.0  # two of twenty are hot
    for misses, safe_mm in ((0, 12.0), (1, 12.0), (2, 16.0)):
        asked = question(10.0, etc_mm=etc_mm, futures=20, misses=np.array([misses]))
        assert safe_tonight(asked, ALL)[0] == pytest.approx(safe_mm)


def test_the_least_is_what_carries_it_to_the_next_chance():
    """17 mm missing, 15 are safe: 2 mm and 0.1 to spare, never below what is worth opening for, never past full."""
    asked = question([17.0, 15.2, 0.4], least_mm=np.array([1.0, 1.0, 1.0]))
    zones = np.array([0, 1, 2])
    assert least_tonight(asked, zones, safe_tonight(asked, zones)) == pytest.approx([2.1, 1.0, 0.4])


def test_a_wet_zone_is_never_asked_for_water():
    asked = question([-3.0, 0.0], etc_mm=30.0)  # a day that nothing can carry
    assert [depth.net_mm for depth in decide(asked, np.array([0, 1]))] == [0.0, 0.0]


def test_every_second_night_in_steady_weather():
    """11.25 mm of RAW at 4 mm a day: 4 and 8 mm are missing when windows close; 8 + 4 would pass, so 8 mm go in."""
    given = nights(dry_world(site(zone(rule="refill"))), 7)
    watered = {day: net for day, net in given.items() if net > 0.0}
    assert len(watered) == 3
    assert list(watered.values()) == pytest.approx([8.0] * 3, abs=0.1)
    gaps = {(after - before).days for before, after in pairwise(watered)}
    assert gaps == {2}


def test_with_two_nights_a_week_it_fills_up_on_each():
    """Mondays and Thursdays: three and four days of 4 mm to the next chance never fit what is left."""
    rule = DayRule(kind="weekdays", weekdays=frozenset({0, 3}))
    here = site(zone(rule="refill"), watering=Watering(window=Hours(start=time(21), end=time(6)), days=rule))
    given = nights(dry_world(here, depletion_share=0.0), 8)
    watered = [day for day, net in given.items() if net > 0.0]
    assert {(day - FIRST).days for day in watered} <= {0, 1, 3, 4, 7, 8}
    assert len(watered) >= 2


def test_a_drizzle_that_covers_the_use_keeps_it_shut():
    assert not any(nights(dry_world(site(zone(rule="refill"))), 6, rain_mm=6.0).values())
