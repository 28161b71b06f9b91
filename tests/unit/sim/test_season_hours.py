"""Hours of a season's rain: by the station's own clock, and only of dates whose hours are all measured."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest

from dewpond.adapters.weather.season import Hourly, Season, Station
from dewpond_sim.replay.season_hours import rain_by_hour


def season(rain_mm, stamp="start", tz="Etc/GMT+5", first=datetime(2026, 6, 1, 5, tzinfo=UTC)):
    """A station at UTC-5 whose first hour is the first of 1 June by its clock."""
    station = Station(
        name="Invented field", latitude_deg=40.0, longitude_deg=None, elevation_m=1.0, tz=tz, wind_height_m=2.0,
        hour_stamp=stamp,
    )  # fmt: skip
    shift_s = 0.0 if stamp == "start" else 3600.0
    time_s = first.timestamp() + shift_s + 3600.0 * np.arange(len(rain_mm))
    none = np.full(len(rain_mm), np.nan)
    hourly = Hourly(
        time_s=time_s,
        air_temperature_c=none,
        relative_humidity_pct=none,
        wind_speed_m_s=none,
        solar_radiation_w_m2=none,
        rain_mm=np.array(rain_mm, dtype=float),
    )
    return Season(station=station, days=(), hourly=hourly)


@pytest.mark.parametrize("stamp", ["start", "end"])
def test_hours_are_those_of_the_stations_clock(stamp):
    rain = [0.0] * 48
    rain[14], rain[24] = 7.0, 2.0
    found = rain_by_hour(season(rain, stamp))
    assert found[date(2026, 6, 1)][14] == 7.0
    assert found[date(2026, 6, 2)][0] == 2.0
    assert sum(found[date(2026, 6, 1)]) == 7.0


def test_dry_dates_and_dates_with_a_gap_are_left_out():
    rain = [0.0] * 72
    rain[30], rain[31], rain[60] = 4.0, float("nan"), 5.0
    assert list(rain_by_hour(season(rain))) == [date(2026, 6, 3)]
    assert rain_by_hour(season([1.0] * 20)) == {}


def test_a_season_without_hours_has_none():
    assert rain_by_hour(Season(station=season([0.0]).station, days=())) == {}
