"""The whole simulated site: relays in, readings out, and the same again from the same seed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pytest

from dewpond.model.site import Sensor, Site, Supply, Zone
from dewpond.ports import DayWeather
from dewpond_sim.world.pipes import RowTimes
from dewpond_sim.world.sky import Sky
from dewpond_sim.world.world import Pace, Readings, Truth, World

START_S = datetime(2031, 6, 1, 23, 0, tzinfo=UTC).timestamp()
HOUR_S = 3600.0
COUNTER = {"accumulation": "cumulative", "scale": 0.5, "unit_in": "L"}
SENSORS = (
    Sensor(id="meter", kind="flow", topic="a/meter", mapping=COUNTER),
    Sensor(id="gauge", kind="rain", topic="a/rain", mapping={"accumulation": "cumulative"}),
    Sensor(id="probe", kind="soil_moisture", topic="a/soil", zone="lawn"),
    Sensor(id="air", kind="temperature", topic="a/air"),
    Sensor(id="door", kind="switch", topic="a/door"),
)
MAIN = Supply(
    id="main",
    source="potable",
    capacity_l_min=60.0,
    static_pressure_kpa=400.0,
    meter="meter",
    pressure="gauge-kpa",
    master_output=8,
)


@pytest.fixture
def site(make_site: Callable[..., Site], make_zone: Callable[..., Zone]) -> Site:
    return make_site(make_zone("lawn", 1), make_zone("bank", 2, flow_l_min=18.0), supply=MAIN, sensors=SENSORS)


@pytest.fixture
def make_world(site: Site, make_day: Callable[..., DayWeather]) -> Callable[..., World]:
    def make(**options: object) -> World:
        days = [make_day(k, rain_mm=9.0 if k == 1 else 0.0) for k in range(4)]
        values: dict[str, object] = {"start_s": START_S, "seed": 7}
        return World(site, Sky(days, site.timezone, 7), **{**values, **options})  # type: ignore[arg-type]

    return make


def by_sensor(*batches: tuple[Readings, ...]) -> dict[str, Readings]:
    found: dict[str, list[Readings]] = {}
    for reading in (reading for batch in batches for reading in batch):
        found.setdefault(reading.sensor, []).append(reading)
    return {
        sensor: Readings(sensor, np.concatenate([r.time_s for r in many]), np.concatenate([r.value for r in many]))
        for sensor, many in found.items()
    }


def test_water_flows_only_while_master_and_zone_are_on(make_world: Callable[..., World]):
    world = make_world()
    world.switch(1, True)
    world.advance(START_S + 600.0)
    assert world.litres[0] == 0.0
    world.switch(8, True)
    assert world.open_zones() == ("lawn",)
    world.advance(START_S + 1200.0)
    assert world.litres[0] == pytest.approx(36.0 * 10.0)
    world.switch(8, False)
    world.advance(START_S + 1800.0)
    assert world.litres[0] == pytest.approx(360.0)


def test_an_undisturbed_world_gives_the_site_files_depth_and_flow(make_world: Callable[..., World]):
    """36 mm/h for 10 min is 6 mm gross; at 9 mm/h intake nothing runs off and 75 % reaches the roots."""
    world = make_world(truth=Truth(depletion_share=1.0))
    world.switch(8, True)
    world.switch(1, True)
    readings = by_sensor(world.advance(START_S + 600.0))
    world.switch(1, False)
    world.advance(START_S + 5.0 * HOUR_S)
    assert readings["meter"].value.sum() == pytest.approx(360.0, abs=0.5)
    assert world.soil.totals.applied_mm == pytest.approx([6.0, 0.0])
    assert world.soil.zone_depletion_mm == pytest.approx([12.0 - 4.5, 12.0])


def test_a_true_rate_below_the_files_gives_less_of_both(make_world: Callable[..., World]):
    world = make_world(truth=Truth(rate_factor={"lawn": 0.92}))
    world.switch(8, True)
    world.switch(1, True)
    world.advance(START_S + 600.0)
    assert 0.92 * 360.0 <= world.litres[0] < 0.935 * 360.0, "a little more pressure is left for fewer heads"
    assert world.soil.totals.applied_mm[0] == pytest.approx(world.litres[0] / 60.0)


def test_sensors_report_on_their_grid(make_world: Callable[..., World]):
    world = make_world()
    readings = by_sensor(world.advance(START_S + HOUR_S))
    assert readings["meter"].time_s.tolist() == [START_S + 300.0 * k for k in range(1, 13)]
    assert readings["gauge-kpa"].value == pytest.approx(400.0)
    assert readings["air"].time_s.tolist() == [START_S + 900.0 * k for k in range(1, 5)]
    assert readings["probe"].value == pytest.approx(0.25)
    assert set(readings) == {"meter", "gauge-kpa", "gauge", "probe", "air"}


def test_a_days_rain_is_in_the_gauge_and_in_the_soil(make_world: Callable[..., World]):
    world = make_world(truth=Truth(depletion_share=0.9))
    readings = by_sensor(world.advance(START_S + 48.0 * HOUR_S))
    assert readings["gauge"].value.sum() == pytest.approx(9.0, abs=0.2)
    assert world.soil.totals.effective_rain_mm == pytest.approx([7.2, 7.2])


def test_an_undisturbed_season_day_costs_the_days_etc(make_world: Callable[..., World]):
    world = make_world()
    world.advance(START_S + 24.0 * HOUR_S)
    eto_mm = world.sky.eto_mm(START_S, START_S + 24.0 * HOUR_S)
    assert world.soil.zone_depletion_mm == pytest.approx([0.8 * eto_mm] * 2)


def test_next_report_is_when_the_next_reading_comes(make_world: Callable[..., World]):
    world = make_world(pace=Pace(rows=RowTimes(open_s=30.0), sample_s=1800.0))
    world.switch(8, True)
    for k in range(200):
        if k == 70:
            world.switch(1, True)
        if k == 90:
            world.switch(1, False)
        due_s = world.next_report_s()
        readings = world.advance(due_s)
        assert readings
        assert all(reading.time_s[-1] == due_s for reading in readings)


def test_many_small_steps_report_what_one_large_step_does(make_world: Callable[..., World]):
    whole, cut = (make_world(truth=Truth(probe_noise_m3_m3=0.004, pressure_noise_kpa=1.5)) for _ in range(2))
    one = by_sensor(whole.advance(START_S + 30.0 * HOUR_S))
    many = by_sensor(*(cut.advance(START_S + k * 777.0) for k in range(1, 139)), cut.advance(START_S + 30.0 * HOUR_S))
    for sensor, reading in one.items():
        assert np.array_equal(reading.time_s, many[sensor].time_s)
        assert reading.value == pytest.approx(many[sensor].value, abs=1e-9)


def test_the_same_seed_gives_the_same_noise(make_world: Callable[..., World]):
    truth = Truth(probe_noise_m3_m3=0.005)
    runs = [by_sensor(make_world(truth=truth, seed=seed).advance(START_S + 6 * HOUR_S)) for seed in (1, 1, 2)]
    assert np.array_equal(runs[0]["probe"].value, runs[1]["probe"].value)
    assert not np.array_equal(runs[0]["probe"].value, runs[2]["probe"].value)


def test_a_meter_without_counter_reports_its_mean_flow(make_site: Callable[..., Site], make_zone: Callable[..., Zone]):
    meter = Sensor(id="meter", kind="flow", topic="a/meter", mapping={"unit_in": "L/min"})
    supply = Supply(id="main", source="well", capacity_l_min=60.0, meter="meter")
    site = make_site(make_zone("lawn", 1, flow_l_min=30.0), supply=supply, sensors=(meter,))
    sky = Sky([DayWeather(date=datetime(2031, 6, 2, tzinfo=UTC).date())], site.timezone, 1)
    world = World(site, sky, start_s=START_S, seed=1)
    world.switch(1, True)
    readings = by_sensor(world.advance(START_S + 600.0))
    assert readings["meter"].value.mean() == pytest.approx(30.0)
