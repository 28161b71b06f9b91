"""What the brain knows before anything happens: the site, its arrays, its calendar and its rules, built once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np

from dewpond.brain.local_time import EPOCH, LocalDays
from dewpond.brain.pipes import WatchSettings, watch_settings
from dewpond.brain.rules_of_place import PlaceRules
from dewpond.brain.state import EtoFact, SoilState
from dewpond.brain.supply_bounds import flow_bound_l_min
from dewpond.brain.timetable import Limits
from dewpond.brain.zone_table import ZoneTable, zone_table
from dewpond.model.site import Sensor, Site, Zone
from dewpond.science.radiation import extraterrestrial_radiation_daily
from dewpond.science.reference_et import hargreaves

# A loam's, FAO-56 Table 19, p. 144; what a probe reads at field capacity is learned.
USUAL_AVAILABLE_MM_M, USUAL_FIELD_CAPACITY_M3_M3 = 150.0, 0.25
RECENT_DAYS = 10  # so old the last known days may be to stand for a day nobody measured
SEASON_DAYS, SEASON_LEAST, YEAR_DAYS = 15, 8, 365.2425
MILD_MIN_C, MILD_MAX_C = 10.0, 25.0  # the stated default day where nothing was ever measured


@dataclass(frozen=True, slots=True)
class Ground:
    """The fixed part of every decision."""

    site: Site
    table: ZoneTable
    zones: Mapping[str, Zone]
    days: LocalDays
    rules: PlaceRules
    limits: Mapping[str, Limits]
    probes: Mapping[str, ProbePlace]  # by sensor id; one a zone, further ones are shown only
    watch: Mapping[str, WatchSettings]  # by supply id, of those that have a meter
    open_air: Mapping[str, tuple[Sensor, ...]]  # by kind; a sensor that stands in a zone measures soil or canopy

    def assumed_eto(self, soil: SoilState, day: date) -> EtoFact:
        """Reference ET of a day nobody measured.

        The mean of the last known days while they are recent, else the site's own mean around this date in earlier
        years, else what is known however old it is, carried over by season, else a stated mild day: Hargreaves (FAO-56
        eq. 52) for 10 to 25 degC at the site's latitude and date.
        """
        number = (day - EPOCH).days
        age_days = number - float(soil.record_day[-1]) if len(soil.record_day) else 0.0
        recent_mm = math.fsum(soil.recent_eto_mm) / len(soil.recent_eto_mm) if soil.recent_eto_mm else None
        if recent_mm is not None and age_days <= RECENT_DAYS:
            text = f"assumed: mean of the last {len(soil.recent_eto_mm)} known days"
            return EtoFact(eto_mm=recent_mm, method=text, sd_mm=1.2)
        from_date = np.abs(np.mod(number - soil.record_day + YEAR_DAYS / 2.0, YEAR_DAYS) - YEAR_DAYS / 2.0)
        same_season = soil.record_eto_mm[from_date <= SEASON_DAYS]
        if len(same_season) >= SEASON_LEAST:
            text = f"assumed: this site's own mean around this date ({len(same_season)} days of earlier years)"
            return EtoFact(eto_mm=float(same_season.mean()), method=text, sd_mm=max(1.0, float(same_season.std())))
        if recent_mm is not None:
            then_mm = self.mild_eto_mm(day - timedelta(days=int(age_days)))
            text = f"assumed: the last known days, {age_days:.0f} days ago, carried over by season"
            return EtoFact(eto_mm=recent_mm * self.mild_eto_mm(day) / max(then_mm, 0.1), method=text, sd_mm=1.8)
        mild_mm = self.mild_eto_mm(day)
        text = f"assumed: a mild day ({MILD_MIN_C:g} to {MILD_MAX_C:g} degC, Hargreaves), nothing was measured yet"
        return EtoFact(eto_mm=mild_mm, method=text, sd_mm=2.0)

    def mild_eto_mm(self, day: date) -> float:
        """Reference ET of a mild day at the site's latitude and this date. [mm] Source: FAO-56 eq. 52."""
        return _mild_eto_mm(self.site.latitude_deg, day.timetuple().tm_yday)


@lru_cache(maxsize=1024)
def _mild_eto_mm(latitude_deg: float, day_of_year: int) -> float:
    ra_mj = extraterrestrial_radiation_daily(math.radians(latitude_deg), day_of_year)
    return float(hargreaves(MILD_MIN_C, MILD_MAX_C, ra_mj))


@dataclass(frozen=True, slots=True)
class ProbePlace:
    """Where a soil probe stands, and what its zone's soil should hold."""

    zone: int
    root_depth_mm: float
    field_capacity_m3_m3: float


def probe_places(site: Site) -> dict[str, ProbePlace]:
    """The first soil probe of each zone. Without roots and soil in the file, roots in a loam hold the zone's water."""
    index = {zone.id: number for number, zone in enumerate(site.zones)}
    found: dict[str, ProbePlace] = {}
    for sensor in site.sensors:
        if sensor.kind != "soil_moisture" or sensor.zone not in index:
            continue
        z = index[sensor.zone]
        if any(place.zone == z for place in found.values()):
            continue
        zone = site.zones[z]
        available_mm_m = zone.available_water_mm_m or USUAL_AVAILABLE_MM_M
        final_mm = (zone.root_depth_mm or 0.0) * zone.wetted_share
        root_depth_mm = final_mm or zone.taw_mm / available_mm_m * 1000.0
        found[sensor.id] = ProbePlace(z, root_depth_mm, USUAL_FIELD_CAPACITY_M3_M3)
    return found


def ground_of(site: Site) -> Ground:
    """Everything fixed about a site."""
    days = LocalDays(site.timezone)
    return Ground(
        site=site,
        table=zone_table(site),
        zones={zone.id: zone for zone in site.zones},
        days=days,
        rules=PlaceRules(site, days),
        probes=probe_places(site),
        watch=watch_settings(site),
        open_air={
            kind: tuple(sensor for sensor in site.sensors if sensor.kind == kind and sensor.zone is None)
            for kind in {sensor.kind for sensor in site.sensors}
        },
        limits={supply.id: Limits(site.watering.max_open, flow_bound_l_min(supply)) for supply in site.supplies},
    )
