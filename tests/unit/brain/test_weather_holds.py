"""Rain switch, wind, frost and heavy rain hold what the schedule would do, and nothing bursts afterwards."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from sites import DayRule, Hours, Supply, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import ReadingsArrived
from dewpond.model.hours import RainHold
from dewpond.model.site import Dormancy, Sensor

TONIGHT = date(2026, 6, 1)
MORNING = 30.0
NIGHT = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule())
SENSORS = (
    Sensor(id="vane", kind="wind", topic="yard/wind"),
    Sensor(id="air", kind="temperature", topic="yard/air"),
    Sensor(id="switch", kind="switch", topic="yard/switch"),
)


def lawn_and_drip(**watering):
    lawn, beds = zone("lawn", output=1), zone("beds", output=2, overhead=False, method="drip")
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, rain_switch="switch")
    return site(lawn, beds, watering=replace(NIGHT, **watering), sensors=SENSORS, supplies=(supply,))


def hear(world, sensor, value):
    at = np.array([world.now.wall.timestamp()])
    world.tell(ReadingsArrived(at=world.now.wall, sensor=sensor, time_s=at, value=np.array([value])))


def evening(site_of, **share):
    world = SmallWorld(site_of, **share)
    world.until(20.8)
    world.plan()
    return world


def blow(world, sensor, value, until_h, every_h=0.25):
    """The same reading again and again, as a weather station sends it."""
    at_h = world.now.elapsed_s / 3600.0
    while at_h < until_h:
        hear(world, sensor, value)
        at_h = min(at_h + every_h, until_h)
        world.until(at_h)


def test_a_windy_night_holds_overhead_zones_only_and_says_so():
    world = evening(lawn_and_drip(wind_limit_m_s=5.0))
    blow(world, "vane", 7.2, MORNING + 0.1)
    assert {run.zone for run in world.runs()} == {"beds"}
    reason = world.state.reasons["lawn"]
    assert reason.decision == "held"
    assert reason.summary.startswith("Held for wind: 7.2 m/s at ")
    assert "limit 5 m/s" in reason.summary
    assert not [item for item in world.state.openings if item.zone == "lawn"]


def test_an_opening_waits_while_the_wind_blows_and_runs_when_it_drops():
    world = evening(site(watering=replace(NIGHT, wind_limit_m_s=5.0), sensors=SENSORS))
    blow(world, "vane", 9.0, 28.5)
    assert world.runs() == []
    blow(world, "vane", 2.0, MORNING + 0.1)
    assert world.runs()
    assert all(run.seconds <= 800.0 for run in world.runs())


def test_wind_without_a_fresh_reading_holds_nothing():
    world = evening(site(watering=replace(NIGHT, wind_limit_m_s=5.0), sensors=SENSORS))
    hear(world, "vane", 30.0)
    world.until(MORNING)
    assert len(world.runs()) == 3


def test_a_running_zone_is_not_chopped_by_a_gust_at_the_limit_but_ends_in_a_storm():
    world = evening(site(watering=replace(NIGHT, wind_limit_m_s=5.0), sensors=SENSORS))
    while not world.keeper.open_now:
        world.until(world.now.elapsed_s / 3600.0 + 0.05)
    hear(world, "vane", 6.0)
    assert world.keeper.open_now
    hear(world, "vane", 8.0)
    assert not world.keeper.open_now
    assert "stopped: held for wind" in world.runs()[-1].note


def test_frost_ends_a_running_spray_zone_at_once_and_leaves_drip_alone():
    world = evening(lawn_and_drip())
    hear(world, "air", 4.0)
    while 1 not in world.keeper.open_now:
        world.until(world.now.elapsed_s / 3600.0 + 0.05)
        hear(world, "air", 4.0)
    hear(world, "air", 0.8)
    assert 1 not in world.keeper.open_now
    assert "held for frost: 0.8 degC" in world.runs()[-1].note
    before = len([run for run in world.runs() if run.zone == "lawn"])
    blow(world, "air", -2.0, MORNING + 0.1)
    assert len([run for run in world.runs() if run.zone == "lawn"]) == before
    assert "beds" in {run.zone for run in world.runs()}


def test_the_freeze_limit_can_be_set():
    world = evening(site(watering=replace(NIGHT, freeze_limit_c=-40.0), sensors=SENSORS))
    blow(world, "air", -3.0, MORNING + 0.1)
    assert len(world.runs()) == 3


def test_a_wet_rain_switch_keeps_all_zones_of_its_supply_shut():
    world = evening(lawn_and_drip())
    hear(world, "switch", 1.0)
    world.until(MORNING + 0.1)
    assert world.runs() == []
    assert "Held by the rain switch: wet since Mon 20:48" in world.state.reasons["beds"].summary
    assert "rain switch" in world.state.day_reasons[date(2026, 6, 2)][0]


def test_a_rain_switch_that_gets_wet_ends_what_runs_and_nothing_resumes():
    world = evening(lawn_and_drip())
    while not world.keeper.open_now:
        world.until(world.now.elapsed_s / 3600.0 + 0.05)
    hear(world, "switch", 1.0)
    assert not world.keeper.open_now
    ran = len(world.runs())
    world.until(MORNING + 0.1)
    assert len(world.runs()) == ran


def test_a_dry_rain_switch_lets_the_next_planning_decide_without_a_burst():
    zones = [zone(name, output=n) for n, name in enumerate("abcd", start=1)]
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, rain_switch="switch")
    world = SmallWorld(site(*zones, sensors=SENSORS, supplies=(supply,)))
    world.until(20.8)
    world.plan()
    hear(world, "switch", 1.0)
    world.until(MORNING)
    hear(world, "switch", 0.0)
    world.until(36.0)
    assert world.runs() == []
    world.until(44.8)
    world.plan(date(2026, 6, 2))
    world.until(24.0 + MORNING)
    assert {run.zone for run in world.runs()} == set("abcd")
    assert world.keeper.most_open == 1
    for each in zones:
        given_s = sum(run.seconds for run in world.runs() if run.zone == each.id)
        assert given_s <= 1.5 * 11.25 / 0.75 / 36.0 * 3600.0 + 1.0


def test_a_rain_switch_silent_for_more_than_three_days_holds_nothing():
    world = SmallWorld(lawn_and_drip())
    hear(world, "switch", 1.0)
    world.until(24.0 * 4 + 20.8)
    world.plan(date(2026, 6, 5))
    world.until(24.0 * 4 + MORNING)
    assert world.runs()


def test_heavy_rain_holds_for_its_days_and_releases_itself():
    rule = RainHold(after_mm=10.0, days=2)
    world = SmallWorld(site(zone(taw_mm=22.5), watering=replace(NIGHT, rain_hold=rule)))
    world.until(24.1)
    world.weather(TONIGHT, eto_mm=5.0, rain_mm=12.0)
    (hold,) = world.state.holds.values()
    assert hold.kind == "rain"
    assert hold.until.astimezone(world.brain.ground.days.zone).date() == date(2026, 6, 4)
    world.until(24.0 * 4)
    assert not world.state.holds
    assert world.runs() == []


def test_less_rain_holds_nothing_and_a_person_may_release_early():
    rule = RainHold(after_mm=10.0, days=2)
    world = SmallWorld(site(watering=replace(NIGHT, rain_hold=rule)))
    world.until(24.1)
    world.weather(TONIGHT, eto_mm=5.0, rain_mm=9.9)
    assert not world.state.holds
    world.until(48.1)
    world.weather(date(2026, 6, 2), eto_mm=5.0, rain_mm=30.0)
    assert world.state.holds
    assert world.ask("release", kind="rain")[0]
    assert not world.state.holds


def test_water_by_hand_goes_on_in_wind_and_the_answer_says_so():
    world = SmallWorld(site(watering=replace(NIGHT, wind_limit_m_s=5.0), sensors=SENSORS), depletion_share=0.0)
    world.until(10.0)
    hear(world, "vane", 7.0)
    accepted, text = world.ask("water", zone="lawn", seconds=120.0)
    assert accepted
    assert "held for wind: 7.0 m/s" in text
    assert world.keeper.open_now


def test_a_state_with_holds_comes_back_from_a_snapshot_equal():
    world = evening(lawn_and_drip())
    hear(world, "switch", 1.0)
    world.ask("hold", zone="lawn", until=world.in_hours(24.0), kind="treatment")
    world.ask("water-in", zone="beds", depth_mm=5.0)
    back = from_plain(State, to_plain(world.state))
    for name in ("holds", "wet_since_s", "ran", "water_ins"):
        assert getattr(back, name) == getattr(world.state, name)
        assert name == "ran" or getattr(back, name)


def test_several_kinds_of_hold_stand_on_one_zone_and_are_released_by_kind():
    world = SmallWorld(site())
    world.ask("hold", zone="lawn", until=world.in_hours(24.0), kind="treatment", reason="label says 24 h dry")
    world.ask("hold", zone="lawn", until=world.in_hours(5.0), kind="mowing")
    assert len(world.state.holds_on("lawn")) == 2
    assert world.ask("release", zone="lawn", kind="treatment")[0]
    assert [hold.kind for hold in world.state.holds_on("lawn")] == ["mowing"]
    assert world.ask("release", zone="lawn", kind="event") == (True, "Nothing was held for event.")


def test_the_reason_names_what_a_hold_is_for():
    world = evening(site())
    world.ask("hold", zone="lawn", until=world.in_hours(30.0), kind="treatment", reason="label says 24 h dry")
    world.until(MORNING)
    assert world.runs() == []
    assert "by Ana (treatment): label says 24 h dry" in world.state.reasons["lawn"].summary


@pytest.mark.parametrize(("first", "last"), [((5, 1), (7, 1)), ((11, 1), (6, 15))])
def test_a_dormant_zone_is_left_dry_and_its_ledger_goes_on(first, last):
    world = evening(site(zone(dormant=Dormancy(first=first, last=last))))
    world.until(24.1)
    world.weather(TONIGHT, eto_mm=5.0)
    world.until(MORNING)
    assert world.runs() == []
    assert "dormant" in world.state.reasons["lawn"].summary
    assert world.days()[0].depletion_mm > 11.25


def test_dormancy_over_new_year_ends_on_its_last_day():
    winter = Dormancy(first=(11, 1), last=(3, 15))
    assert winter.includes(date(2026, 1, 10))
    assert winter.includes(date(2026, 3, 15))
    assert not winter.includes(date(2026, 3, 15) + timedelta(days=1))
