"""Beds with bare soil: the dual crop coefficient with an evaporating layer of its own.

Checks against sources: FAO-56 ch. 7, eq. 71-79, eq. 80 for ETc, and Example 31 (bare loam, ten days after rain).
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.beliefs import advance_day
from dewpond.brain.rules.outlook import ask
from dewpond.brain.state import Booking
from dewpond.brain.zone_table import zone_table
from dewpond.model.codec import from_plain, to_plain

DATA = Path(__file__).parents[2] / "data" / "reference"
FIRST = date(2026, 6, 1)
BED = {"bare_soil": 0.4, "crop_coefficient": (0.3,) * 12, "taw_mm": 60.0, "raw_mm": 30.0}


def dry_down(table, days, eto_mm=4.5):
    """ETc of days without water, from a wet surface and a full root zone."""
    depletion, layer, found = np.zeros(1), np.zeros(1), []
    for n in range(days):
        amounts = advance_day(table, FIRST + timedelta(days=n), depletion, (), eto_mm, 0.0, layer_mm=layer)
        depletion, layer = amounts.depletion_mm, amounts.layer_mm
        found.append(float(amounts.etc_mm[0]))
    return found


def test_bare_ground_dries_as_in_the_published_example():
    """FAO-56 Example 31, p. 146: Kcb 0.15, Kcmax 1.2, few 1; case fao56-ex31-bare-soil of tests/data/reference."""
    cases = json.loads((DATA / "et_and_water_balance.json").read_text(encoding="utf-8"))
    expected = next(case for case in cases if case["id"] == "fao56-ex31-bare-soil")["expected"]["etc"]
    bare = zone(bare_soil=1.0, crop_coefficient=(0.15,) * 12, tew_mm=20.0, rew_mm=9.0, taw_mm=200.0, raw_mm=190.0)
    found = dry_down(zone_table(site(bare)), 10)
    assert found == pytest.approx(expected["value"], abs=expected["tolerance"])


def test_a_wet_bed_uses_more_and_less_from_day_to_day():
    found = dry_down(zone_table(site(zone(**BED))), 12)
    covered = 4.5 * 0.3
    assert found[0] == pytest.approx(covered + 0.4 * 1.2 * 4.5)  # Ke = few Kcmax
    assert found == sorted(found, reverse=True)
    assert found[-1] == pytest.approx(covered, abs=0.5)


def test_irrigation_wets_the_layer_before_the_days_evaporation_and_rain_after_it():
    table = zone_table(site(zone(**BED)))
    dry = np.array([19.0])
    water = Booking(zone=0, date=FIRST, et_share=0.0, net_mm=10.0, runoff_mm=0.0)
    full = np.array([20.0])
    plain = advance_day(table, FIRST, full, (), 5.0, 0.0, layer_mm=dry)
    watered = advance_day(table, FIRST, full, (water,), 5.0, 0.0, layer_mm=dry)
    rained = advance_day(table, FIRST, full, (), 5.0, 10.0, layer_mm=dry)
    assert plain.etc_mm[0] == pytest.approx(rained.etc_mm[0]) == pytest.approx(1.5)
    assert watered.etc_mm[0] > plain.etc_mm[0] + 0.5
    assert rained.layer_mm[0] == pytest.approx(9.0)


def test_zones_without_bare_soil_stay_as_they_were():
    table = zone_table(site(zone(), zone("bed", output=2, **BED)))
    both = advance_day(table, FIRST, np.array([5.0, 5.0]), (), 5.0, 0.0)
    alone = advance_day(zone_table(site(zone())), FIRST, np.array([5.0]), (), 5.0, 0.0)
    assert both.etc_mm[0] == alone.etc_mm[0]
    assert both.layer_mm[0] == 0.0


def test_the_days_ahead_expect_evaporation_too():
    world = SmallWorld(site(zone(**BED), zone("covered", output=2, **{**BED, "bare_soil": None})))
    closes_s = world.brain.ground.rules.window(FIRST).closes_s
    asked = ask(world.brain.ground, world.state.soil, FIRST, closes_s, world.state.soil.depletion_mm)
    assert asked.etc_mm[1:, 0].mean() > asked.etc_mm[1:, 1].mean() * 1.3


def test_the_layer_goes_through_a_snapshot():
    world = SmallWorld(site(zone(**BED)))
    world.until(24.1)
    world.weather(FIRST, eto_mm=5.0)
    soil = world.state.soil
    assert soil.layer_mm[0] > 0.0
    back = from_plain(type(soil), to_plain(soil))
    np.testing.assert_array_equal(back.layer_mm, soil.layer_mm)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    bare=st.floats(0.01, 1.0),
    wetted=st.floats(0.1, 1.0),
    eto_mm=st.floats(0.0, 12.0),
    rain_mm=st.floats(0.0, 30.0),
    dry=st.floats(0.0, 1.9),
)
def test_nothing_is_negative_and_the_ledger_closes(bare, wetted, eto_mm, rain_mm, dry):
    bed = {**BED, "bare_soil": bare, "wetted_share": wetted, "method": "drip", "overhead": False}
    world = SmallWorld(site(zone(**bed)), depletion_share=dry)
    before_mm = float(world.state.soil.depletion_mm[0])
    for n in range(4):
        world.until(24.0 * n + 20.8)
        world.plan(FIRST + timedelta(days=n))
        world.until(24.0 * n + 24.1)
        world.weather(FIRST + timedelta(days=n), eto_mm=eto_mm, rain_mm=rain_mm if n % 2 else 0.0)
    assert len(world.days()) == 4
    for row in world.days():
        amounts = (row.etc_mm, row.effective_rain_mm, row.net_irrigation_mm, row.runoff_mm, row.drainage_mm)
        assert min(*amounts, row.depletion_mm) >= 0.0
        end_mm = before_mm + row.etc_mm - row.effective_rain_mm - row.net_irrigation_mm + row.drainage_mm
        assert end_mm == pytest.approx(row.depletion_mm, abs=0.05)
        before_mm = row.depletion_mm
    assert 0.0 <= float(world.state.soil.layer_mm[0]) <= 19.0 + 1e-9
