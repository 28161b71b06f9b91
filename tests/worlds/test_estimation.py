"""Ground that differs from the file: what probes and meter are worth, and what they cost when they lie."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from dewpond.adapters.weather.season_files import read_season
from dewpond.model.commands import RaiseAlarm
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import replay
from dewpond_sim.sensor_faults import SensorFault
from dewpond_sim.world.world import Truth, drawn_truth

DATA = Path(__file__).parents[1] / "data"
FIRST, LAST = date(2013, 4, 1), date(2013, 8, 31)
FAULTY_S = datetime(2013, 5, 20, tzinfo=UTC).timestamp()


@pytest.fixture(scope="module")
def newark():
    return read_season(DATA / "seasons" / "newark-nj-2013")


@pytest.fixture(scope="module")
def ground():
    """Four of the trial ground's zones, to be quick."""
    site = require_site(DATA / "sites" / "proving-ground.toml")
    kept = ("lawn-loam", "lawn-sand", "hedge", "border")
    sensors = tuple(sensor for sensor in site.sensors if sensor.zone is None or sensor.zone in kept)
    return replace(site, zones=tuple(zone for zone in site.zones if zone.id in kept), sensors=sensors)


def net_mm(site, done) -> float:
    return sum(done.summary["zones"][zone.id]["world_net_mm"] for zone in site.zones)


def doubted(done) -> set[str]:
    return {alarm.zone for alarm in done.store.recorded(RaiseAlarm) if alarm.kind == "sensor_doubt"}


def rms_mm(site, done, column: str) -> float:
    index = {zone.id: number for number, zone in enumerate(site.zones)}
    gaps = [
        getattr(row, column) - done.true_depletion_mm[row.date][index[row.zone]]
        for row in done.records.days
        if row.date >= FIRST + timedelta(days=45)
    ]
    return float(np.sqrt(np.mean(np.square(gaps))))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_after_45_days_the_belief_errs_at_most_half_as_much_as_the_ledger(newark, ground, seed):
    """Plants, field capacity and application off by up to 30 %, noisy probes, one meter."""
    done = replay(ground, newark, first=FIRST, last=LAST, seed=seed, truth=drawn_truth(ground, seed))
    assert rms_mm(ground, done, "belief_mm") <= 0.5 * rms_mm(ground, done, "depletion_mm")
    assert doubted(done) == set()


def test_without_probes_and_with_an_exact_meter_the_belief_is_the_ledger(newark, ground):
    plain = replace(ground, sensors=tuple(item for item in ground.sensors if item.kind != "soil_moisture"))
    done = replay(plain, newark, first=FIRST, last=date(2013, 7, 31))
    assert all(row.belief_mm == row.depletion_mm and row.correction_mm == 0.0 for row in done.records.days)
    assert all(row.belief_sd_mm > 0.0 for row in done.records.days)


@pytest.fixture(scope="module")
def bare_mm(newark, ground):
    plain = replace(ground, sensors=tuple(item for item in ground.sensors if item.kind != "soil_moisture"))
    return net_mm(ground, replay(plain, newark, first=FIRST, last=LAST, seed=1, truth=Truth(probe_noise_m3_m3=0.01)))


@pytest.mark.parametrize(
    ("kind", "value"), [("stuck", 0.0), ("silent", 0.0), ("rail", 0.0), ("dry gap", 0.0), ("drifts", -0.002)]
)
def test_probes_that_fail_are_named_and_cost_no_water(newark, ground, bare_mm, kind, value):
    """The balance is the second source: water within 5 % of the same site without the probes."""
    faults = [
        SensorFault(sensor=item.id, kind=kind, since_s=FAULTY_S, value=value)
        for item in ground.sensors
        if item.kind == "soil_moisture"
    ]
    truth = Truth(probe_noise_m3_m3=0.01)
    done = replay(ground, newark, first=FIRST, last=LAST, seed=1, truth=truth, sensor_faults=faults)
    assert net_mm(ground, done) == pytest.approx(bare_mm, rel=0.05)
    assert doubted(done) == {zone.id for zone in ground.zones}


@pytest.mark.parametrize(("kind", "value"), [("never tips", 0.0), ("always wet", 5.0)])
def test_a_stuck_gauge_beside_a_feed_is_named_and_costs_no_water(newark, ground, kind, value):
    """The feed is the second source of rain: water within 5 % of the same site without the gauge."""
    dry = replace(ground, sensors=tuple(item for item in ground.sensors if item.kind not in ("soil_moisture", "rain")))
    gauged = replace(ground, sensors=tuple(item for item in ground.sensors if item.kind != "soil_moisture"))
    without = net_mm(dry, replay(dry, newark, first=FIRST, last=LAST, seed=1))
    fault = SensorFault(sensor="gauge", kind=kind, since_s=FAULTY_S, value=value)
    done = replay(gauged, newark, first=FIRST, last=LAST, seed=1, sensor_faults=[fault])
    assert net_mm(gauged, done) == pytest.approx(without, rel=0.05)
    assert [alarm.key for alarm in done.store.recorded(RaiseAlarm)] == ["sensor/rain gauge gauge"]
