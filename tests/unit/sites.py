"""Small invented sites, built in code, for tests of the brain alone."""

from __future__ import annotations

from datetime import time

from dewpond.model.hours import DayRule, Hours, Restriction, Watering
from dewpond.model.site import Program, Relays, Site, Supply, Zone


def zone(zone_id: str = "lawn", **changes) -> Zone:
    """A loam lawn: 11.25 mm readily available, sprays at 36 mm/h, 8.9 mm/h intake."""
    values = {
        "id": zone_id,
        "name": zone_id.replace("-", " ").capitalize(),
        "supply": "main",
        "output": 1,
        "area_m2": 60.0,
        "overhead": True,
        "method": "spray",
        "crop_coefficient": (0.8,) * 12,
        "exposure": 1.0,
        "taw_mm": 22.5,
        "raw_mm": 11.25,
        "raw_is_given": True,
        "allowed_depletion": 0.5,
        "application_rate_mm_h": 36.0,
        "efficiency": 0.75,
        "intake_mm_h": 8.9,
        "surface_storage_mm": 6.0,
        "flow_l_min": 36.0,
    }
    return Zone(**{**values, **changes})


def site(*zones: Zone, **changes) -> Site:
    """An invented site near 40 N with one supply of 60 L/min and a window from 21:00 to 06:00."""
    zones = zones or (zone(),)
    values = {
        "name": "Quillbrook Yard",
        "slug": "quillbrook-yard",
        "latitude_deg": 40.0,
        "longitude_deg": -100.0,
        "elevation_m": 300.0,
        "timezone": "America/Chicago",
        "units": "metric",
        "watering": Watering(window=Hours(start=time(21), end=time(6)), days=DayRule()),
        "restrictions": (),
        "supplies": (Supply(id="main", source="potable", capacity_l_min=60.0),),
        "relays": Relays(driver="simulated", outputs=8),
        "zones": tuple(zones),
        "programs": (),
        "sensors": (),
        "feeds": (),
        "digest": "test",
    }
    return Site(**{**values, **changes})


__all__ = ["DayRule", "Hours", "Program", "Restriction", "Supply", "Watering", "site", "time", "zone"]
