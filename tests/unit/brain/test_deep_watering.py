"""Trees watered deep and seldom: their own depth and interval, sooner only where stress threatens."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.model.site import DeepWatering

FIRST = date(2026, 6, 1)


def trees(**changes):
    values = {
        "method": "drip",
        "overhead": False,
        "taw_mm": 90.0,
        "raw_mm": 45.0,
        "application_rate_mm_h": 8.0,
        "intake_mm_h": 9.0,
        "efficiency": 0.8,
        "crop_coefficient": (0.5,) * 12,
        "deep_watering": DeepWatering(depth_mm=20.0, every_days=5.0),
        "flow_l_min": 8.0,
        "rule": "lookahead",
    }
    return zone("trees", **{**values, **changes})


def nights(world, count, eto_mm=6.0):
    for n in range(count):
        day = FIRST + timedelta(days=n)
        world.until(24.0 * n + 20.8)
        world.plan(day)
        world.until(24.0 * n + 24.1)
        world.weather(day, eto_mm=eto_mm)
    world.until(24.0 * count + 7.0)


def net_by_night(world):
    found = {}
    for row in world.days():
        if row.net_irrigation_mm > 0.0:
            found[row.date] = row.net_irrigation_mm
    return found


def test_waits_until_half_of_the_depth_is_missing():
    world = SmallWorld(site(trees()), depletion_share=0.0)
    nights(world, 3)
    assert world.runs() == []
    assert "Deep watering waits" in " ".join(world.state.reasons["trees"].sentences())


def test_comes_at_the_first_night_after_the_interval():
    world = SmallWorld(site(trees()), depletion_share=12.0 / 45.0)
    nights(world, 14)
    watered = sorted(net_by_night(world))
    gaps = [(b - a).days for a, b in pairwise(watered)]
    assert watered
    assert gaps
    assert all(gap == 5 for gap in gaps)
    # 6 mm x 0.5 a day are 15 mm in five days, more than half of 20 mm and less than all of it.
    later = [net_by_night(world)[day] for day in watered[1:]]
    assert later == pytest.approx([15.0] * len(later), abs=1.5)
    assert any("Gets its deep watering" in row.reason for row in world.days())


def test_comes_before_its_time_where_stress_threatens():
    dry = trees(deep_watering=DeepWatering(depth_mm=20.0, every_days=60.0))
    world = SmallWorld(site(dry), depletion_share=0.9)
    nights(world, 14)
    assert len(net_by_night(world)) >= 2
    assert max(row.depletion_mm - row.raw_mm for row in world.days()) <= 0.05
    assert any("before its time, since stress threatens" in row.reason for row in world.days())


def test_gives_no_more_than_is_missing():
    world = SmallWorld(site(trees()), depletion_share=11.0 / 45.0)
    nights(world, 8)
    assert sum(row.drainage_mm for row in world.days()) == pytest.approx(0.0, abs=0.05)
