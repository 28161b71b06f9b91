"""An invented site of four zones on one supply, small enough to work out by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, time, timedelta
from typing import Any

import pytest

from dewpond.model.hours import DayRule, Hours, Watering
from dewpond.model.site import Relays, Sensor, Site, Supply, Zone
from dewpond.ports import DayWeather

FIRST = date(2031, 6, 2)


def a_zone(name: str, output: int, **changes: Any) -> Zone:
    values: dict[str, Any] = {
        "id": name,
        "name": name,
        "supply": "main",
        "output": output,
        "area_m2": 60.0,
        "overhead": True,
        "method": "spray",
        "crop_coefficient": (0.8,) * 12,
        "exposure": 1.0,
        "taw_mm": 24.0,
        "raw_mm": 12.0,
        "raw_is_given": True,
        "allowed_depletion": 0.5,
        "application_rate_mm_h": 36.0,
        "efficiency": 0.75,
        "intake_mm_h": 9.0,
        "surface_storage_mm": 6.0,
        "flow_l_min": 36.0,
        "soil": "loam",
        "root_depth_mm": 160.0,
    }
    return Zone(**{**values, **changes})


def a_site(*zones: Zone, supply: Supply | None = None, sensors: tuple[Sensor, ...] = ()) -> Site:
    anytime = Hours(start=time(0), end=time(0))
    return Site(
        name="Far Paddock",
        slug="far-paddock",
        latitude_deg=47.0,
        longitude_deg=8.0,
        elevation_m=400.0,
        timezone="Etc/GMT-1",
        units="metric",
        watering=Watering(window=anytime, days=DayRule()),
        restrictions=(),
        supplies=(supply or Supply(id="main", source="potable", capacity_l_min=60.0, static_pressure_kpa=400.0),),
        relays=Relays(driver="simulated", outputs=8),
        zones=zones or (a_zone("lawn", 1), a_zone("bank", 2)),
        programs=(),
        sensors=sensors,
        feeds=(),
    )


def a_day(k: int, **changes: Any) -> DayWeather:
    values: dict[str, Any] = {
        "date": FIRST + timedelta(days=k),
        "t_min_c": 12.0,
        "t_max_c": 28.0,
        "rh_min_pct": 35.0,
        "rh_max_pct": 85.0,
        "wind_m_s": 2.0,
        "solar_mj_m2": 24.0,
        "rain_mm": 0.0,
    }
    return DayWeather(**{**values, **changes})


@pytest.fixture
def make_zone() -> Callable[..., Zone]:
    return a_zone


@pytest.fixture
def make_site() -> Callable[..., Site]:
    return a_site


@pytest.fixture
def make_day() -> Callable[..., DayWeather]:
    return a_day
