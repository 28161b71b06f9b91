"""Wind of a recorded season, read by the simulated site's own sensors, keeps overhead zones shut.

Season: newark-nj-2013, daily wind; its source and licence stand in its station.json.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.weather.season_files import read_season
from dewpond.model.site import Sensor
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import replay

SEASON = Path(__file__).parents[1] / "data" / "seasons" / "newark-nj-2013"
SITE = Path(__file__).parents[2] / "deploy" / "sites" / "withy-hollow.toml"
FIRST, LAST = date(2013, 6, 1), date(2013, 6, 30)
LIMIT_M_S = 2.2  # low, since nights of this month are calm
VANE = Sensor(id="vane", kind="wind", topic="yard/vane", mapping={"max_age_s": 3700})


@pytest.fixture(scope="module")
def windy():
    site = require_site(SITE)
    others = tuple(sensor for sensor in site.sensors if sensor.kind != "wind")
    watering = replace(site.watering, wind_limit_m_s=LIMIT_M_S)
    return replay(
        replace(site, sensors=(*others, VANE), watering=watering), read_season(SEASON), first=FIRST, last=LAST
    )


@pytest.fixture(scope="module")
def wind_at():
    """The simulated wind of an hour: the station's mean of the day, weaker at night, in station time (UTC-5)."""
    with (SEASON / "daily.csv").open() as file:
        means = {date.fromisoformat(row["date"]): float(row["wind_m_s"] or "nan") for row in csv.DictReader(file)}

    def at(instant):
        local = instant - timedelta(hours=5)
        return means[local.date()] * (1.0 - 0.5 * math.cos(2.0 * math.pi * (local.hour - 3.0) / 24.0))

    return at


def test_no_overhead_zone_opens_in_wind_above_the_limit_while_drip_does(windy, wind_at):
    overhead = {zone.id for zone in require_site(SITE).zones if zone.overhead}
    opened = [wind_at(run.start) for run in windy.records.runs if run.zone in overhead]
    assert len(opened) > 10
    assert max(opened) <= LIMIT_M_S + 0.05
    assert max(wind_at(run.start) for run in windy.records.runs if run.zone not in overhead) > LIMIT_M_S + 0.05


def test_the_reasons_of_some_nights_name_the_wind(windy):
    held = [row.reason for row in windy.records.days if "Held for wind" in row.reason]
    assert held
    assert all("limit 2.2 m/s" in reason for reason in held)
