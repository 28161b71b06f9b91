"""Signs of lost water where no meter counts: probes that get wet by themselves, pressure that sags, and plain words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import CloseValve, RaiseAlarm
from dewpond.model.events import RainKnown, ReadingsArrived
from dewpond.model.site import Sensor
from dewpond.runner.look import Look

PROBE = Sensor(id="probe", kind="soil_moisture", topic="yard/probe", zone="lawn")
GAUGE = Sensor(id="rain", kind="rain", topic="yard/rain")
AIR = Sensor(id="air", kind="temperature", topic="yard/air")
PRESSURE = Sensor(id="gauge", kind="pressure", topic="yard/pressure")
METER = Sensor(id="meter", kind="flow", topic="yard/meter", mapping={"accumulation": "increment"})
SUPPLY = Supply(id="main", source="potable", capacity_l_min=60.0)
TODAY = date(2026, 6, 1)


def world(*sensors: Sensor, supply: Supply = SUPPLY) -> SmallWorld:
    """Two zones without a meter, of which the lawn has a probe; it is midnight."""
    zones = (zone("lawn"), zone("beds", output=2))
    return SmallWorld(site(*zones, supplies=(supply,), sensors=sensors), depletion_share=0.2)


def hear(small: SmallWorld, sensor: str, value: float) -> None:
    time_s = np.array([small.now.wall.timestamp()])
    small.tell(ReadingsArrived(at=small.now.wall, sensor=sensor, time_s=time_s, value=np.array([value])))


def every(small: SmallWorld, minutes: float, sensor: str, *values: float) -> None:
    """One reading after another, so many minutes apart."""
    for value in values:
        small.until((small.now.elapsed_s + minutes * 60.0) / 3600.0)
        hear(small, sensor, value)


def dry(small: SmallWorld, minutes: float = 65.0) -> None:
    """The gauge tells, well after what the probe showed, that it has not rained."""
    every(small, minutes, "rain", 0.0)


def alarms(small: SmallWorld) -> list[tuple[str, str | None]]:
    return [(item.kind, item.zone) for item in small.store.recorded(RaiseAlarm)]


WETTER = (0.20, 0.20, 0.20, 0.24, 0.27, 0.27)


def test_a_probe_that_gets_wet_by_itself_is_told_once_the_gauge_shows_that_it_was_dry_and_stops_nothing() -> None:
    small = world(PROBE, GAUGE)
    every(small, 15.0, "probe", *WETTER)
    dry(small, 20.0)
    assert alarms(small) == []
    dry(small)
    assert alarms(small) == [("idle_flow", "lawn")]
    (alarm,) = small.state.alarms.values()
    assert "got wetter by 0.04 m3/m3 although the zone was not watered" in alarm.sentence
    assert "rain that was not measured" in alarm.sentence and "Nothing was stopped" in alarm.sentence
    told = [command for _, commands in small.store.commands for command in commands]
    assert not [item for item in told if isinstance(item, CloseValve)] and small.state.blocked == {}
    every(small, 15.0, "probe", 0.27, 0.30, 0.33, 0.33)  # one alarm an incident
    assert alarms(small) == [("idle_flow", "lawn")]
    every(small, 15.0, "probe", 0.20)
    assert small.state.alarms == {}


def test_without_a_gauge_it_waits_until_the_day_is_known_to_have_been_dry() -> None:
    small = world(PROBE)
    every(small, 15.0, "probe", *WETTER)
    assert alarms(small) == []
    assert from_plain(State, to_plain(small.state)).hints == small.state.hints
    small.tell(RainKnown(at=small.now.wall, date=TODAY, rain_mm=0.0, source="feed"))
    assert alarms(small) == [("idle_flow", "lawn")]


@pytest.mark.parametrize("rain_mm", [4.0, None])
def test_rain_or_a_day_nobody_measured_is_no_hint(rain_mm: float | None) -> None:
    small = world(PROBE)
    every(small, 15.0, "probe", *WETTER)
    small.tell(RainKnown(at=small.now.wall, date=TODAY, rain_mm=rain_mm, source="feed"))
    assert alarms(small) == []


def test_rain_that_a_gauge_has_told_explains_what_follows() -> None:
    small = world(PROBE, GAUGE)
    hear(small, "rain", 2.0)
    every(small, 15.0, "probe", *WETTER)
    dry(small)
    assert alarms(small) == []


def test_a_watering_explains_it_its_own_for_half_a_day_another_one_for_hours() -> None:
    for watered, pause_h, hinted in (
        ("lawn", 6.0, False),
        ("lawn", 13.0, True),
        ("beds", 1.0, False),
        ("beds", 4.0, True),
    ):
        small = world(PROBE, GAUGE)
        assert small.ask("water", zone=watered, seconds=300.0)[0]
        small.until(pause_h)
        every(small, 15.0, "probe", *WETTER)
        dry(small)
        assert bool(alarms(small)) is hinted, (watered, pause_h)


def test_thawing_ground_one_stray_reading_and_a_slow_change_are_no_hints() -> None:
    cold = world(PROBE, GAUGE, AIR)
    hear(cold, "air", 1.0)
    every(cold, 5.0, "probe", *WETTER)
    dry(cold)
    stray = world(PROBE, GAUGE)
    every(stray, 15.0, "probe", 0.20, 0.20, 0.20, 0.30, 0.20, 0.20)
    dry(stray)
    slow = world(PROBE, GAUGE)
    every(slow, 60.0, "probe", *(0.20 + 0.01 * n for n in range(8)))
    dry(slow)
    assert alarms(cold) == alarms(stray) == alarms(slow) == []


def test_where_a_meter_counts_nothing_hints() -> None:
    small = world(PROBE, GAUGE, METER, supply=replace(SUPPLY, meter="meter"))
    every(small, 15.0, "probe", *WETTER)
    dry(small)
    assert alarms(small) == []


def test_a_gauge_that_tells_of_the_rain_late_still_explains_it() -> None:
    small = world(PROBE, GAUGE)
    every(small, 15.0, "probe", *WETTER)
    every(small, 50.0, "rain", 3.0)
    dry(small)
    assert alarms(small) == []


def pressed() -> SmallWorld:
    """Four days of a town's pressure, with its daily wave and some noise."""
    small = world(PRESSURE, supply=replace(SUPPLY, pressure="gauge"))
    rng = np.random.default_rng(3)
    for n in range(4 * 24 * 6):
        wave_kpa = 20.0 * np.sin(2.0 * np.pi * n / 144.0)
        every(small, 10.0, "gauge", float(400.0 + wave_kpa + rng.normal(0.0, 3.0)))
    assert small.state.hints.pressures["main"].usual.idle_kpa_s > 100_000.0
    return small


def test_a_pressure_that_sags_with_every_valve_shut_is_told_once_it_lasts_and_is_over_when_it_is_back() -> None:
    small = pressed()
    assert alarms(small) == []
    every(small, 10.0, "gauge", 300.0)
    assert alarms(small) == []
    every(small, 10.0, "gauge", 300.0, 298.0, 299.0)
    assert alarms(small) == [("low_pressure", None)]
    (alarm,) = small.state.alarms.values()
    assert "is 300 kPa, usual at this hour are 39" in alarm.sentence
    every(small, 10.0, "gauge", 400.0, 400.0, 400.0)
    assert small.state.alarms == {}


def test_a_pressure_drawn_down_by_an_open_zone_says_nothing() -> None:
    small = pressed()
    assert small.ask("water", zone="lawn", seconds=1800.0)[0]
    every(small, 5.0, "gauge", 250.0, 250.0, 250.0, 250.0)
    assert alarms(small) == []


def test_words_say_what_is_not_seen_and_never_that_nothing_leaks() -> None:
    blind = world()
    (supply,) = Look(blind.brain)(blind.state, blind.now).supplies
    assert supply.watching == (
        "not watching: this supply has no flow meter; every opening ends in time, after 60 min at the most; "
        "a broken pipe, a valve that does not close and a clogged head are not seen: look by eye"
    )
    hinted = world(PROBE, PRESSURE, supply=replace(SUPPLY, pressure="gauge"))
    (supply,) = Look(hinted.brain)(hinted.state, hinted.now).supplies
    assert "a probe may hint at water in Lawn; the pressure may hint at water that leaves" in supply.watching
    assert "no leak" not in supply.watching
