"""Drip that wets a share of the ground: what the balance books stays mm over the whole area."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.beliefs import advance_day
from dewpond.brain.zone_table import zone_table

FIRST = date(2026, 6, 1)
# Storage of the wetted ground, as the settings scale it: 0.4 of 60 mm and of 30 mm.
DRIP = {
    "wetted_share": 0.4,
    "taw_mm": 24.0,
    "raw_mm": 12.0,
    "method": "drip",
    "overhead": False,
    "application_rate_mm_h": 4.0,
    "flow_l_min": 4.0,
    "efficiency": 0.9,
}


def test_rain_counts_only_where_there_is_storage():
    table = zone_table(site(zone(**DRIP), zone("open", output=2)))
    amounts = advance_day(table, FIRST, table.raw_mm.copy(), (), 0.0, 10.0)
    assert amounts.effective_rain_mm == pytest.approx([0.8 * 0.4 * 10.0, 0.8 * 10.0])


def test_stress_follows_the_plants_own_demand_where_they_cover_a_part():
    full = zone(raw_is_given=False)
    part = zone("part", output=2, raw_is_given=False, canopy_share=0.4, crop_coefficient=(0.8 * 0.4,) * 12)
    table = zone_table(site(full, part))
    raw_mm = table.readily_available_mm(8.0 * table.coefficients(FIRST))
    # FAO-56 Table 22, footnote 2: p = 0.5 + 0.04 (5 - 6.4) for both.
    assert raw_mm == pytest.approx([0.444 * 22.5] * 2)


def test_litres_are_depth_times_the_whole_area_and_the_ledger_closes():
    world = SmallWorld(site(zone(**DRIP), zone("open", output=2)))
    start_mm = world.state.soil.depletion_mm.copy()
    for n in range(4):
        world.until(24.0 * n + 20.8)
        world.plan(FIRST + timedelta(days=n))
        world.until(24.0 * n + 24.1)
        world.weather(FIRST + timedelta(days=n), eto_mm=6.0, rain_mm=2.0 if n == 1 else 0.0)
    runs = [run for run in world.runs() if run.zone == "lawn"]
    assert runs
    for run in runs:
        assert run.gross_mm == pytest.approx(4.0 * run.seconds / 3600.0)
        assert run.litres == pytest.approx(run.gross_mm * 60.0)
    for z, name in enumerate(("lawn", "open")):
        before_mm = float(start_mm[z])
        for row in (row for row in world.days() if row.zone == name):
            end_mm = before_mm + row.etc_mm - row.effective_rain_mm - row.net_irrigation_mm + row.drainage_mm
            assert end_mm == pytest.approx(row.depletion_mm, abs=0.05)
            before_mm = row.depletion_mm
