"""The site's zones as arrays, in the order of the site file, so that science functions take all zones at once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Establishment, Site, Zone
from dewpond.science.dual_coefficient import exposed_wetted_fraction, exposed_wetted_fraction_drip
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
    raw_given: NDArray[np.int64]  # places of the zones whose RAW the site file states
    allowed_depletion: FloatArray
    rate_mm_h: FloatArray
    efficiency: FloatArray
    intake_mm_h: FloatArray
    surface_storage_mm: FloatArray
    area_m2: FloatArray
    flow_l_min: FloatArray
    rain_share: FloatArray  # of the rain over the area, what falls on ground with storage (the wetted share)
    canopy_share: FloatArray  # coefficients over the area are those of the plants times this
    exposed: NDArray[np.int64]  # places of the beds with bare soil, which are under the dual coefficient
    rew_mm: FloatArray
    tew_mm: FloatArray
    few: FloatArray  # share of the ground that most water evaporates from, of ``exposed`` zones
    interception_mm: FloatArray
    curve_number: FloatArray
    splits_rain: bool = False  # rain_method = "infiltration"
    rooting: tuple[tuple[int, Establishment], ...] = ()  # by place, zones whose new plants root for a time
    by_rule: tuple[tuple[str, NDArray[np.int64]], ...] = ()  # each rule's name and the places of its zones

    def coefficients(self, day: date) -> FloatArray:
        """Crop coefficient times exposure for that calendar month, stepwise (no interpolation)."""
        row: FloatArray = self.coefficient_by_month[day.month - 1]
        return row

    def root_share(self, day: date) -> FloatArray:
        """Share of the final root depth on a date, 1 but for zones whose new plants still root."""
        share = np.ones(len(self.ids))
        for place, establishment in self.rooting:
            share[place] = establishment.share_of_depth(day)
        return share

    def taw_on(self, day: date) -> FloatArray:
        """TAW on a date: in proportion to the depth of the roots (FAO-56 eq. 82). [mm]"""
        return self.taw_mm * self.root_share(day) if self.rooting else self.taw_mm

    def raw_on(self, day: date) -> FloatArray:
        """RAW by the tables on a date, in proportion to TAW (FAO-56 eq. 83). [mm]"""
        return self.raw_mm * self.root_share(day) if self.rooting else self.raw_mm

    def readily_available_mm(self, etc_mm: FloatArray, day: date | None = None) -> FloatArray:
        """RAW for a day with this unstressed ETc: adjusted only where RAW comes from soil and roots. [mm]

        p goes by the demand of the plants themselves (FAO-56 ch. 8, Table 22, footnote 2), which is spread over more
        or less ground than they cover; without ``day`` roots have their final depth.
        """
        taw_mm, raw_mm = (self.taw_mm, self.raw_mm) if day is None else (self.taw_on(day), self.raw_on(day))
        if len(self.raw_given) == len(self.ids):
            return raw_mm
        p = adjusted_depletion_fraction(self.allowed_depletion, etc_mm / self.canopy_share)
        adjusted_mm: FloatArray = readily_available_water(taw_mm, p)
        adjusted_mm[..., self.raw_given] = raw_mm[self.raw_given]
        return adjusted_mm


def zone_table(site: Site) -> ZoneTable:
    """Arrays of the site's zones."""
    zones = site.zones
    of_zone = np.array([zone.rule for zone in zones], dtype=str)
    months = np.array([[value * zone.exposure for value in zone.crop_coefficient] for zone in zones], dtype=float)

    def column(name: str) -> FloatArray:
        return np.array([getattr(zone, name) for zone in zones], dtype=float)

    return ZoneTable(
        ids=tuple(zone.id for zone in zones),
        index={zone.id: number for number, zone in enumerate(zones)},
        coefficient_by_month=months.T.copy() if len(zones) else np.zeros((12, 0)),
        taw_mm=column("taw_mm"),
        raw_mm=column("raw_mm"),
        raw_given=np.array([n for n, zone in enumerate(zones) if zone.raw_is_given], dtype=int),
        allowed_depletion=column("allowed_depletion"),
        rate_mm_h=column("application_rate_mm_h"),
        efficiency=column("efficiency"),
        intake_mm_h=column("intake_mm_h"),
        surface_storage_mm=column("surface_storage_mm"),
        area_m2=column("area_m2"),
        flow_l_min=column("flow_l_min"),
        rain_share=column("wetted_share"),
        canopy_share=column("canopy_share"),
        exposed=np.array([n for n, zone in enumerate(zones) if (zone.bare_soil or 0.0) > 0.0], dtype=int),
        rew_mm=column("rew_mm"),
        tew_mm=column("tew_mm"),
        few=np.array([_evaporating_share(zone) for zone in zones]),
        interception_mm=column("interception_mm"),
        curve_number=column("curve_number"),
        splits_rain=site.watering.rain_method == "infiltration",
        rooting=tuple((n, zone.establishment) for n, zone in enumerate(zones) if zone.establishment is not None),
        by_rule=tuple((rule, np.flatnonzero(of_zone == rule)) for rule in sorted(set(of_zone.tolist()))),
    )


def _evaporating_share(zone: Zone) -> float:
    """Share few of the ground that is exposed and wetted (FAO-56 eq. 75, and p. 149 under drip)."""
    covered = 1.0 - (zone.bare_soil or 0.0)
    if zone.method == "drip" and zone.wetted_share < 1.0:
        return float(exposed_wetted_fraction_drip(covered, zone.wetted_share))
    return float(exposed_wetted_fraction(covered, zone.wetted_share))
