"""The site's zones as arrays, in the order of the site file, so that science functions take all zones at once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Site
from dewpond.science.soil_water import adjusted_depletion_fraction, readily_available_water

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ZoneTable:
    """Constants of every zone; one entry a zone."""

    ids: tuple[str, ...]
    index: dict[str, int]
    coefficient_by_month: FloatArray  # months x zones, exposure included
    taw_mm: FloatArray
    raw_mm: FloatArray
    raw_is_given: NDArray[np.bool_]
    allowed_depletion: FloatArray
    rate_mm_h: FloatArray
    efficiency: FloatArray
    intake_mm_h: FloatArray
    surface_storage_mm: FloatArray
    area_m2: FloatArray
    flow_l_min: FloatArray

    def coefficients(self, day: date) -> FloatArray:
        """Crop coefficient times exposure for that calendar month, stepwise (no interpolation)."""
        row: FloatArray = self.coefficient_by_month[day.month - 1]
        return row

    def readily_available_mm(self, etc_mm: FloatArray) -> FloatArray:
        """RAW for a day with this unstressed ETc: adjusted only where RAW comes from soil and roots. [mm]"""
        if self.raw_is_given.all():
            return self.raw_mm
        adjusted_mm = readily_available_water(self.taw_mm, adjusted_depletion_fraction(self.allowed_depletion, etc_mm))
        return np.where(self.raw_is_given, self.raw_mm, adjusted_mm)


def zone_table(site: Site) -> ZoneTable:
    """Arrays of the site's zones."""
    zones = site.zones
    months = np.array([[value * zone.exposure for value in zone.crop_coefficient] for zone in zones], dtype=float)

    def column(name: str) -> FloatArray:
        return np.array([getattr(zone, name) for zone in zones], dtype=float)

    return ZoneTable(
        ids=tuple(zone.id for zone in zones),
        index={zone.id: number for number, zone in enumerate(zones)},
        coefficient_by_month=months.T.copy() if len(zones) else np.zeros((12, 0)),
        taw_mm=column("taw_mm"),
        raw_mm=column("raw_mm"),
        raw_is_given=np.array([zone.raw_is_given for zone in zones], dtype=bool),
        allowed_depletion=column("allowed_depletion"),
        rate_mm_h=column("application_rate_mm_h"),
        efficiency=column("efficiency"),
        intake_mm_h=column("intake_mm_h"),
        surface_storage_mm=column("surface_storage_mm"),
        area_m2=column("area_m2"),
        flow_l_min=column("flow_l_min"),
    )
