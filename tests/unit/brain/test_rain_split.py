"""Rain that runs off: leaves, runoff, roots and drainage under ``rain_method = "infiltration"``.

Checks against sources: TR-55 eq. 2-1 to 2-4, P = 100 mm on CN 75 gives 41.14 mm of runoff (the metric worked example of
tests/data/reference/landscape_practice.json, CN-03).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.beliefs import advance_day
from dewpond.brain.rain_split import split
from dewpond.brain.rules.outlook import ask
from dewpond.brain.zone_table import zone_table
from dewpond.model.events import DayEnded, RainKnown, ReferenceEtKnown
from dewpond.model.hours import Watering

FIRST = date(2026, 6, 1)
PLAIN = zone(curve_number=75.0, interception_mm=1.0)


def by_infiltration(*zones):
    here = site(*zones)
    watering: Watering = replace(here.watering, rain_method="infiltration")
    return replace(here, watering=watering)


def test_a_days_rain_runs_off_by_the_curve_number():
    parts = split(zone_table(by_infiltration(PLAIN)), 100.0, None, np.array([20.0]))
    assert parts.runoff_mm == pytest.approx([41.14], abs=0.01)
    assert parts.held_mm == pytest.approx([1.0])
    assert parts.kept_mm == pytest.approx([20.0])
    assert parts.drained_mm == pytest.approx([100.0 - 41.14 - 1.0 - 20.0], abs=0.01)


def test_hours_decide_where_they_are_known():
    """20 mm in one hour on 8.9 mm/h and 6 mm of storage: 19 reach the ground, 14.9 find room; slow rain all does."""
    table = zone_table(by_infiltration(PLAIN))
    storm = [0.0] * 14 + [20.0] + [0.0] * 9
    fast = split(table, 20.0, storm, np.array([15.0]))
    slow = split(table, 20.0, [20.0 / 24.0] * 24, np.array([15.0]))
    assert fast.runoff_mm == pytest.approx([19.0 - 8.9 - 6.0])
    assert slow.runoff_mm == pytest.approx([0.0])
    assert slow.kept_mm == pytest.approx([15.0])
    assert slow.drained_mm == pytest.approx([4.0])


def test_hours_of_another_gauge_are_scaled_to_the_days_rain():
    table = zone_table(by_infiltration(PLAIN))
    hours = [0.0] * 23 + [10.0]
    assert split(table, 20.0, hours, np.array([15.0])).runoff_mm == pytest.approx([19.0 - 8.9 - 6.0])


def test_light_rain_stays_on_the_leaves():
    parts = split(zone_table(by_infiltration(PLAIN)), 0.8, None, np.array([20.0]))
    assert (float(parts.held_mm[0]), float(parts.kept_mm[0])) == (pytest.approx(0.8), pytest.approx(0.0))


def test_the_default_stays_eighty_percent():
    table = zone_table(site(PLAIN))
    amounts = advance_day(table, FIRST, np.array([20.0]), (), 0.0, 10.0, hourly_mm=[10.0] + [0.0] * 23)
    assert amounts.effective_rain_mm == pytest.approx([8.0])
    assert amounts.rain is None


def test_the_days_reason_says_how_much_ran_off_and_the_ledger_closes():
    world = SmallWorld(by_infiltration(PLAIN))
    before_mm = float(world.state.soil.depletion_mm[0])
    world.until(24.1)
    at = world.now.wall
    storm = (0.0,) * 14 + (40.0,) + (0.0,) * 9
    world.tell(
        DayEnded(at=at, date=FIRST),
        RainKnown(at=at, date=FIRST, rain_mm=40.0, source="test", hourly_mm=storm),
        ReferenceEtKnown(at=at, date=FIRST, eto_mm=5.0, method="test", sd_mm=0.3),
    )
    (row,) = world.days()
    assert "24.1 mm ran off (by the hour)" in row.reason
    assert row.runoff_mm == 0.0  # of irrigation alone
    assert row.rain_mm == 40.0
    end_mm = before_mm + row.etc_mm - row.effective_rain_mm - row.net_irrigation_mm + row.drainage_mm
    assert end_mm == pytest.approx(row.depletion_mm, abs=0.05)


def test_rain_to_expect_is_split_by_the_day():
    world = SmallWorld(by_infiltration(PLAIN, zone("clay", output=2, curve_number=95.0)))
    closes_s = world.brain.ground.rules.window(FIRST).closes_s
    asked = ask(world.brain.ground, world.state.soil, FIRST, closes_s, world.state.soil.depletion_mm)
    assert asked.rain_mm.shape == asked.etc_mm.shape
    assert asked.rain_mm[:, 1].sum() < asked.rain_mm[:, 0].sum() <= asked.futures.rain_mm.sum()


@given(
    rain_mm=st.floats(0.0, 200.0),
    hours=st.lists(st.floats(0.0, 60.0), min_size=24, max_size=24),
    wetted=st.floats(0.05, 1.0),
    missing_mm=st.floats(0.0, 60.0),
    curve_number=st.floats(30.0, 99.0),
)
def test_the_parts_are_never_negative_and_sum_to_the_rain(rain_mm, hours, wetted, missing_mm, curve_number):
    table = zone_table(by_infiltration(zone(wetted_share=wetted, curve_number=curve_number)))
    for hourly_mm in (None, hours):
        parts = split(table, rain_mm, hourly_mm, np.array([missing_mm]))
        each = (parts.held_mm[0], parts.runoff_mm[0], parts.kept_mm[0], parts.drained_mm[0])
        assert min(each) >= -1e-9
        assert sum(each) == pytest.approx(rain_mm * wetted, abs=1e-6)
        assert parts.kept_mm[0] <= missing_mm + 1e-9
