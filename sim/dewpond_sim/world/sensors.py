"""What the sensors of a simulated site report: canonical units, each with its resolution, on a fixed grid of times."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Zone
from dewpond_sim.world.sky import Sky

FloatArray = NDArray[np.float64]

TIP_MM = 0.2
USUAL_AVAILABLE_MM_M = 150.0  # loam; only to place a probe in a zone whose file states neither soil nor roots
USUAL_FIELD_CAPACITY = 0.25

# Field capacity, the middle of the ranges of FAO-56 Table 19, p. 144; textures that are not in it are set between their
# neighbours. [m3/m3]
FIELD_CAPACITY_M3_M3 = {
    "sand": 0.12,
    "loamy sand": 0.15,
    "sandy loam": 0.23,
    "loam": 0.25,
    "silt loam": 0.29,
    "silt": 0.32,
    "sandy clay loam": 0.27,
    "clay loam": 0.31,
    "silty clay loam": 0.33,
    "sandy clay": 0.31,
    "silty clay": 0.36,
    "clay": 0.36,
}


@dataclass(frozen=True, slots=True)
class Readings:
    """One sensor's readings, oldest first: seconds since 1970-01-01 UTC, canonical unit, and for increments their
    windows.
    """

    sensor: str
    time_s: FloatArray
    value: FloatArray
    window_s: FloatArray | None = None


@dataclass(slots=True)
class RainGauge:
    """Counts tips of ``tip_mm``; what is left of a tip stays in the gauge."""

    tip_mm: float = TIP_MM
    held_mm: float = 0.0

    def tips_mm(self, rain_mm: float) -> float:
        """Whole tips, in mm, for rain that has fallen since the last call."""
        self.held_mm += rain_mm
        tips = math.floor(self.held_mm / self.tip_mm + 1e-9)
        self.held_mm = max(0.0, self.held_mm - tips * self.tip_mm)
        return tips * self.tip_mm


@dataclass(frozen=True, slots=True)
class SoilProbe:
    """Volumetric water content of a zone's root zone. [m3/m3]"""

    field_capacity_m3_m3: float
    root_depth_mm: float
    noise_m3_m3: float = 0.0
    step_m3_m3: float = 0.001

    def reading_m3_m3(self, depletion_mm: float, rng: np.random.Generator) -> float:
        """Field capacity less the water missing, spread over the root depth (FAO-56 eq. 87 turned round)."""
        content = self.field_capacity_m3_m3 - depletion_mm / self.root_depth_mm
        if self.noise_m3_m3:
            content += rng.normal(0.0, self.noise_m3_m3)
        return round(max(content, 0.0) / self.step_m3_m3) * self.step_m3_m3


def probe_in(zone: Zone, noise_m3_m3: float) -> SoilProbe:
    """A probe that stands for the whole root zone of ``zone``."""
    available_mm_m = zone.available_water_mm_m or USUAL_AVAILABLE_MM_M
    final_mm = (zone.root_depth_mm or 0.0) * zone.wetted_share
    root_depth_mm = final_mm or zone.taw_mm / available_mm_m * 1000.0
    capacity = FIELD_CAPACITY_M3_M3.get(zone.soil or "", USUAL_FIELD_CAPACITY)
    return SoilProbe(capacity, root_depth_mm, noise_m3_m3)


def station_element(kind: str, sky: Sky) -> tuple[Callable[[float], float], float] | None:
    """What a weather station's sensor of this kind reads at an instant, and its resolution; None for any other kind."""
    elements: dict[str, tuple[Callable[[float], float], float]] = {
        "temperature": (sky.temperature_c, 0.1),
        "humidity": (sky.humidity_pct, 1.0),
        "wind": (sky.wind_m_s, 0.1),
        "solar": (sky.solar_w_m2, 1.0),
    }
    return elements.get(kind)


def sampled(sensor: str, times_s: FloatArray, read: Callable[[float], float], step: float) -> Readings:
    """A gauge read at each of ``times_s``; where nothing was measured there is no reading."""
    values = [read(at_s) for at_s in times_s.tolist()]
    stepped = np.array([round(value / step) * step for value in values if value == value])  # noqa: PLR0124 - not NaN
    if len(stepped) < len(values):
        times_s = times_s[[value == value for value in values]]  # noqa: PLR0124
    return Readings(sensor, times_s, stepped)
