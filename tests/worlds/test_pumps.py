"""A recorded summer on an invented well: pump and master keep their order, their limits and the plants."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dewpond.adapters.weather.season_files import read_season
from dewpond.model.commands import RecordReason
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import replay

DATA = Path(__file__).parents[1] / "data"
SUMMER = {"first": date(2013, 6, 15), "last": date(2013, 7, 20)}


@pytest.fixture(scope="module")
def newark():
    return read_season(DATA / "seasons" / "newark-nj-2013")


@pytest.fixture(scope="module")
def well():
    return require_site(DATA / "sites" / "well-house.toml")


@pytest.fixture(scope="module")
def summer(well, newark):
    return replay(well, newark, **SUMMER)


def test_no_water_is_booked_that_the_pump_did_not_bring(well, summer):
    for zone in well.zones:
        totals = summer.summary["zones"][zone.id]
        assert totals["world_litres"] == pytest.approx(totals["litres"], rel=0.015)
        assert totals["litres"] > 0.0


def test_the_pump_never_runs_against_shut_valves_and_nothing_is_alarmed(summer):
    assert summer.summary["world_pump_shut_in_s"] == {"well": 0.0}
    assert summer.records.alarms == ()


def test_together_the_zones_always_take_what_the_pump_needs_and_no_more_than_the_main_carries(well, summer):
    flow = {zone.id: zone.flow_l_min for zone in well.zones}
    edges = sorted({edge for run in summer.records.runs for edge in (run.start, run.end)})
    thin_s = 0.0
    for begin, stop in itertools.pairwise(edges):
        taken = sum(flow[run.zone] for run in summer.records.runs if run.start <= begin < run.end)
        assert taken <= 70.0
        thin_s += (stop - begin).total_seconds() if 0.0 < taken < 25.0 else 0.0
    assert thin_s <= 60.0  # moments between two openings


def test_starts_and_litres_keep_to_what_the_site_file_says(well, summer):
    runs = sorted(summer.records.runs, key=lambda run: run.start)
    blocks = [runs[0].start]
    stop = runs[0].end
    for run in runs[1:]:
        if run.start > stop + timedelta(seconds=1):
            assert run.start - stop >= timedelta(minutes=5) - timedelta(seconds=6)
            blocks.append(run.start)
        stop = max(stop, run.end)
    for first, seventh in zip(blocks, blocks[6:], strict=False):
        assert seventh - first >= timedelta(hours=1)
    zone = ZoneInfo(well.timezone)
    litres: dict[date, float] = defaultdict(float)
    for run in runs:
        litres[run.start.astimezone(zone).date()] += run.litres
    assert max(litres.values()) <= 6000.0


def test_the_pump_costs_the_plants_nothing_but_a_day(well, summer, newark):
    plain = replace(well, supplies=tuple(replace(supply, pump=None) for supply in well.supplies))
    without = replay(plain, newark, **SUMMER).summary["zones"]
    for zone in well.zones:
        assert summer.summary["zones"][zone.id]["stress_days"] <= without[zone.id]["stress_days"] + 1


def test_a_well_too_small_for_its_garden_shares_by_the_rule_and_keeps_each_day(well, newark):
    pump = replace(well.supplies[0].pump, daily_l=1500.0)
    small = replace(well, supplies=(replace(well.supplies[0], pump=pump),))
    done = replay(small, newark, first=date(2013, 7, 1), last=date(2013, 7, 14))
    zone = ZoneInfo(well.timezone)
    litres: dict[date, float] = defaultdict(float)
    for run in done.records.runs:
        litres[run.start.astimezone(zone).date()] += run.litres
    assert max(litres.values()) <= 1500.0
    assert Counter(run.zone for run in done.records.runs).keys() >= {"lawn", "bank"}
    limits = [limit for told in done.store.recorded(RecordReason) for limit in told.reason.limits]
    assert any("gives 1500 L a day" in limit and "carried to the next night" in limit for limit in limits)
