"""Sources of one fact that lie slowly, or with a plan: what they can do to a season, and whether they are named."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from click.testing import CliRunner

from dewpond.adapters.weather.season_files import read_season
from dewpond.brain.caps import day_cap_s, week_cap_s
from dewpond.model.commands import RaiseAlarm
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.command import replay as replay_command
from dewpond_sim.replay.run import replay
from dewpond_sim.sensor_faults import SensorFault
from dewpond_sim.world.world import Truth

DATA = Path(__file__).parents[1] / "data"
FIRST, LAST = date(2013, 4, 1), date(2013, 8, 31)
SINCE_S = datetime(2013, 5, 20, tzinfo=UTC).timestamp()
ZONES = ("lawn-loam", "hedge", "border")
MEASURED = Truth(probe_noise_m3_m3=0.01)


@pytest.fixture(scope="module")
def newark():
    return read_season(DATA / "seasons" / "newark-nj-2013")


@pytest.fixture(scope="module")
def ground():
    """Three of the trial ground's zones, to be quick."""
    site = require_site(DATA / "sites" / "proving-ground.toml")
    sensors = tuple(sensor for sensor in site.sensors if sensor.zone is None or sensor.zone in ZONES)
    return replace(site, zones=tuple(zone for zone in site.zones if zone.id in ZONES), sensors=sensors)


def without(site, kind):
    return replace(site, sensors=tuple(sensor for sensor in site.sensors if sensor.kind != kind))


def net_mm(site, done) -> float:
    return sum(done.summary["zones"][zone.id]["world_net_mm"] for zone in site.zones)


def days_past_stress(site, done):
    """Days by zone on which the simulated ground lacks a tenth more than RAW, which is where plants begin to suffer."""
    limit_mm = 1.1 * np.array([zone.raw_mm for zone in site.zones])
    return sum((true_mm > limit_mm).astype(int) for true_mm in done.true_depletion_mm.values())


def doubted(done) -> set[str]:
    return {alarm.key for alarm in done.store.recorded(RaiseAlarm) if alarm.kind == "sensor_doubt"}


@pytest.fixture(scope="module")
def bare(newark, ground):
    """The same season with nothing in the soil."""
    return replay(without(ground, "soil_moisture"), newark, first=FIRST, last=LAST, seed=1, truth=MEASURED)


@pytest.mark.parametrize("value", [-0.0007, 0.0007])
def test_all_probes_drifting_slowly_the_same_way_are_named_and_cost_neither_water_nor_plants(
    newark, ground, bare, value
):
    """Climatology is the second source: water within 5 %, no zone past its stress limit for more than 3 days more."""
    faults = [
        SensorFault(sensor=f"probe-{zone.id}", kind="drifts", since_s=SINCE_S, value=value) for zone in ground.zones
    ]
    done = replay(ground, newark, first=FIRST, last=LAST, seed=1, truth=MEASURED, sensor_faults=faults)
    assert net_mm(ground, done) == pytest.approx(net_mm(ground, bare), rel=0.05)
    assert doubted(done) == {f"sensor/probe-{zone.id}" for zone in ground.zones}
    assert (days_past_stress(ground, done) - days_past_stress(ground, bare)).max() <= 3


def test_honest_probes_cost_neither_water_nor_plants(newark, ground, bare):
    """A site with noisy, sound probes is not worse off than one without."""
    done = replay(ground, newark, first=FIRST, last=LAST, seed=1, truth=MEASURED)
    assert net_mm(ground, done) == pytest.approx(net_mm(ground, bare), rel=0.03)
    assert doubted(done) == set()
    assert (days_past_stress(ground, done) - days_past_stress(ground, bare)).max() <= 1


def test_a_probe_that_shows_half_of_what_happens_is_named_and_costs_no_water(newark, ground, bare):
    faults = [SensorFault(sensor="probe-border", kind="exaggerates", since_s=SINCE_S, value=0.5)]
    done = replay(ground, newark, first=FIRST, last=LAST, seed=1, truth=MEASURED, sensor_faults=faults)
    assert doubted(done) == {"sensor/probe-border"}
    assert net_mm(ground, done) == pytest.approx(net_mm(ground, bare), rel=0.05)


GAUGE_LAST = date(2013, 7, 31)


@pytest.fixture(scope="module")
def gauge_and_probes(newark, ground):
    """No feed: an honest gauge is the only teller of rain, beside sound probes."""
    return replay(ground, newark, first=FIRST, last=GAUGE_LAST, seed=1, truth=MEASURED, rain_feed=False)


@pytest.mark.parametrize(("kind", "value"), [("never tips", 0.0), ("always wet", 5.0)])
def test_a_lying_gauge_beside_probes_is_named_by_them_and_costs_neither_water_nor_plants(
    newark, ground, gauge_and_probes, kind, value
):
    """Gauge and probes are two sources: several probes that contradict the gauge at once are believed."""
    fault = SensorFault(sensor="gauge", kind=kind, since_s=SINCE_S, value=value)
    done = replay(
        ground,
        newark,
        first=FIRST,
        last=GAUGE_LAST,
        seed=1,
        truth=MEASURED,
        sensor_faults=[fault],
        rain_feed=False,
    )
    assert doubted(done) == {"sensor/rain gauge gauge"}
    assert net_mm(ground, done) == pytest.approx(net_mm(ground, gauge_and_probes), rel=0.06)  # of three probes
    assert (days_past_stress(ground, done) - days_past_stress(ground, gauge_and_probes)).max() <= 3


@pytest.mark.parametrize(("kind", "value"), [("never tips", 0.0), ("always wet", 5.0)])
def test_a_gauge_that_is_the_only_source_of_rain_is_doubted_by_name_and_the_caps_hold(newark, ground, kind, value):
    """No feed, no probe: nothing can say what is true, so no zone gets more than its caps, and people are told."""
    site = without(ground, "soil_moisture")
    fault = SensorFault(sensor="gauge", kind=kind, since_s=SINCE_S, value=value)
    done = replay(
        site,
        newark,
        first=FIRST,
        last=date(2013, 7, 10),
        seed=1,
        truth=MEASURED,
        sensor_faults=[fault],
        rain_feed=False,
    )
    assert doubted(done) == {"sensor/rain gauge gauge"}
    for zone in site.zones:
        assert watered_s(site, done, zone.id, days=1) <= day_cap_s(zone) + 1.0
        assert watered_s(site, done, zone.id, days=7) <= week_cap_s(zone) + 1.0


def watered_s(site, done, zone_id, days) -> float:
    """The most watering of a zone on so many dates in a row."""
    local, by_date = ZoneInfo(site.timezone), defaultdict(float)
    for run in done.records.runs:
        if run.zone == zone_id:
            by_date[run.start.astimezone(local).date()] += run.seconds
    spans = [sum(s for day, s in by_date.items() if 0 <= (last - day).days < days) for last in by_date]
    return max(spans, default=0.0)


def asked(folder, faults):
    words = [str(DATA / "seasons" / "newark-nj-2013"), "--site", str(DATA / "sites" / "proving-ground.toml")]
    words += ["--from", "2013-05-15", "--to", "2013-05-25", "--faults", faults, "--out", str(folder)]
    return CliRunner().invoke(replay_command, words)


def test_the_replay_command_names_sensors_that_lie_in_its_summary_and_raises_no_alarm_of_the_pipes(tmp_path):
    done = asked(tmp_path, "probe-hedge rail 0.9 from 2013-05-18")
    told = json.loads((tmp_path / "summary.json").read_text())["sensor_doubts"]
    assert done.exit_code == 0 and "fault: probe-hedge rail 0.9" in done.output
    assert [doubt["zone"] for doubt in told] == ["hedge"] and "no soil holds" in told[0]["detail"]
    assert len((tmp_path / "alarms.csv").read_text().splitlines()) == 1


def test_faults_that_do_not_fit_the_site_are_bad_input(tmp_path):
    done = asked(tmp_path / "out", "probe-moor stuck")
    assert done.exit_code == 2 and "no sensor of the site" in done.output and not (tmp_path / "out").exists()
