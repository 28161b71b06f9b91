"""Short overhead runs in the heat: asked for by a zone alone, few, allowed, and never the night's watering."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from sites import DayRule, Hours, Restriction, Supply, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import ReadingsArrived
from dewpond.model.site import Cooling, Dormancy, Sensor

TODAY = date(2026, 6, 1)
ASKED = Cooling(above_c=32.0, seconds=180.0, most=2, hours=Hours(start=time(12), end=time(16)))
SENSORS = (
    Sensor(id="air", kind="temperature", topic="yard/air"),
    Sensor(id="vane", kind="wind", topic="yard/wind"),
)


def warm(*zones, **changes):
    return SmallWorld(site(*(zones or (zone(cooling=ASKED),)), sensors=SENSORS, **changes), depletion_share=0.3)


def hear(world, value, sensor="air"):
    at = np.array([world.now.wall.timestamp()])
    world.tell(ReadingsArrived(at=world.now.wall, sensor=sensor, time_s=at, value=np.array([value])))


def day(world, value, until_h=24.0, every_h=0.25):
    """The same temperature again and again, as a weather station sends it."""
    while (at_h := world.now.elapsed_s / 3600.0) < until_h:
        hear(world, value)
        world.until(min(at_h + every_h, until_h))


def test_a_hot_day_gets_its_two_runs_within_the_hours_spread_over_them():
    world = warm()
    day(world, 35.0)
    runs = world.runs()
    assert [(run.start - timedelta(hours=5)).strftime("%H:%M") for run in runs] == ["12:00", "14:00"]
    assert [run.seconds for run in runs] == [180.0, 180.0]
    assert runs[0].cause == "cooling: 35.0 degC at 12:00, limit 32 degC"


@pytest.mark.parametrize("value", [32.0, 20.0])
def test_at_or_below_the_limit_nothing_runs(value):
    world = warm()
    day(world, value)
    assert world.runs() == []


def test_a_zone_that_does_not_ask_is_never_cooled():
    world = warm(zone())
    day(world, 40.0)
    assert world.runs() == []


def test_an_old_reading_cools_nothing():
    world = warm()
    world.until(11.0)
    hear(world, 38.0)
    world.until(12.5)
    hear(world, 2.0, "vane")
    world.until(20.0)
    assert world.runs() == []


def test_a_restriction_of_that_hour_and_date_is_obeyed():
    closed = Restriction(
        applies_to=frozenset({"overhead"}),
        days=DayRule(),
        hours=Hours(start=time(18), end=time(10)),
        from_date=None,
        until_date=None,
    )
    for rule in (closed, replace(closed, hours=None, days=DayRule(kind="even"))):
        world = warm(restrictions=(rule,))
        day(world, 38.0)
        assert world.runs() == []


def test_the_water_is_booked_and_the_night_is_still_decided_by_itself():
    cooled, same = warm(), warm(zone())
    day(cooled, 38.0, 20.0)
    day(same, 38.0, 20.0)
    for world in (cooled, same):
        world.plan()
        world.until(24.1)
        world.weather(TODAY, eto_mm=5.0)
    booked_mm = 2 * 180.0 * 36.0 / 3600.0 * 0.75
    assert cooled.days()[0].net_irrigation_mm == pytest.approx(booked_mm)
    assert cooled.days()[0].depletion_mm == pytest.approx(same.days()[0].depletion_mm - booked_mm)
    seen = [item for item in cooled.state.reasons["lawn"].inputs if item.name == "cooling of 2026-06-01"]
    assert [(item.value, item.source) for item in seen] == [(2, "air above 32 degC")]
    assert seen[0].known_at is not None


def test_a_cooled_zone_that_is_dry_is_watered_in_the_night_as_well():
    world = SmallWorld(site(zone(cooling=ASKED), sensors=SENSORS), depletion_share=1.0)
    world.plan()
    day(world, 38.0, 20.8)
    world.plan()
    world.until(30.5)
    sources = [run.cause.partition(":")[0] for run in world.runs()]
    assert sources.count("cooling") == 2
    assert "lookahead" in sources or "refill" in sources


def test_a_planning_during_the_day_moves_no_cooling_run():
    world = warm(zone(cooling=ASKED), zone("beds", output=2, flow_l_min=36.0))
    world.until(12.0)
    assert world.ask("water", zone="beds", seconds=600.0)[0]
    hear(world, 38.0)
    assert not [run for run in world.keeper.open_now.values() if "cooling" in run[0]]
    world.plan()
    world.until(12.4)
    assert "cooling" in world.runs()[-1].cause
    assert world.keeper.most_open == 1


def test_holds_a_stop_dormancy_and_wind_keep_it_off():
    held = warm()
    assert held.ask("hold", until=held.in_hours(24))[0]
    day(held, 38.0)
    assert held.runs() == []
    resting = warm(zone(cooling=ASKED, dormant=Dormancy(first=(5, 1), last=(7, 1))))
    day(resting, 38.0)
    assert resting.runs() == []
    windy = warm(watering=Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), wind_limit_m_s=5.0))
    windy.until(12.0)
    hear(windy, 9.0, "vane")
    hear(windy, 38.0)
    assert windy.runs() == [] and not windy.keeper.open_now


def test_a_hold_drops_a_run_that_waits_for_room():
    world = warm(zone(cooling=ASKED), zone("beds", output=2, flow_l_min=36.0))
    world.until(12.0)
    assert world.ask("water", zone="beds", seconds=600.0)[0]
    hear(world, 38.0)
    assert world.ask("hold", until=world.in_hours(24))[0]
    world.until(20.0)
    assert [run.zone for run in world.runs()] == ["beds"]


def test_the_day_cap_counts_cooling():
    world = warm(zone(cooling=ASKED, day_cap_s=240.0))
    day(world, 38.0)
    assert sum(run.seconds for run in world.runs()) == 180.0


def test_it_runs_only_as_room_on_the_supply_allows():
    small = (Supply(id="main", source="potable", capacity_l_min=40.0),)
    world = warm(zone(cooling=ASKED), zone("beds", output=2, cooling=ASKED), supplies=small)
    day(world, 38.0)
    assert world.keeper.most_open == 1
    assert sorted(run.zone for run in world.runs()) == ["beds", "beds", "lawn", "lawn"]


def test_a_state_with_cooling_comes_back_from_a_snapshot_equal():
    world = warm()
    day(world, 38.0, 12.3)
    kept = from_plain(State, to_plain(world.state))
    assert kept.cooled == world.state.cooled
    assert kept.cooled["lawn"].runs == 1
