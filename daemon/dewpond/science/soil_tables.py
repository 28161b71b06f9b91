"""What a soil texture and a slope stand for when a site file names them: published tables with their sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from dewpond.science.units import MM_PER_INCH

FAO_56_TABLE_19 = "FAO-56 Table 19, p. 144"
UC_DAVIS = "University of California, Davis, drought management: Soil Characteristics, table"
SWAT = (
    "Irrigation Association, Landscape Irrigation Scheduling and Water Management, 2005, and the test protocol for "
    "climatologically based controllers, 8th draft, 2008"
)
MM_M_PER_IN_FT = 1000.0 / 12.0  # water per depth of soil


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilTexture:
    """Typical limits of one texture, each a range (low, high); an unknown range is None.

    Water contents in m3/m3, ``available_water_mm_m`` in mm per metre of soil, readily and total evaporable water
    (``rew_mm``, ``tew_mm``, of a layer 0.10 m deep) in mm. ``verified`` is True where the row was read in its source.
    Each column is an independent range: its ends need not satisfy fc - wp = available water.
    """

    theta_fc: tuple[float, float] | None = None
    theta_wp: tuple[float, float] | None = None
    available_water_mm_m: tuple[float, float]
    rew_mm: tuple[float, float] | None = None
    tew_mm: tuple[float, float] | None = None
    source: str
    verified: bool


def _fao(
    theta_fc: tuple[float, float],
    theta_wp: tuple[float, float],
    available: tuple[float, float],
    rew_mm: tuple[float, float],
    tew_mm: tuple[float, float],
    *,
    verified: bool = True,
) -> SoilTexture:
    low, high = available
    return SoilTexture(
        theta_fc=theta_fc,
        theta_wp=theta_wp,
        available_water_mm_m=(round(1000.0 * low, 6), round(1000.0 * high, 6)),
        rew_mm=rew_mm,
        tew_mm=tew_mm,
        source=FAO_56_TABLE_19,
        verified=verified,
    )


def _davis(low_in_ft: float, high_in_ft: float) -> SoilTexture:
    available = (low_in_ft * MM_M_PER_IN_FT, high_in_ft * MM_M_PER_IN_FT)
    return SoilTexture(available_water_mm_m=available, source=UC_DAVIS, verified=True)


# Coarse to fine. The loamy sand and silty clay loam rows of FAO-56 Table 19 are from memory (FAO-56 Example 36, read,
# prints 90 mm/m for a loamy sand); clay loams and sandy clays are not in that table.
SOIL_TEXTURES: Mapping[str, SoilTexture] = {
    "sand": _fao((0.07, 0.17), (0.02, 0.07), (0.05, 0.11), (2, 7), (6, 12)),
    "loamy sand": _fao((0.11, 0.19), (0.03, 0.10), (0.06, 0.12), (4, 8), (9, 14), verified=False),
    "sandy loam": _fao((0.18, 0.28), (0.06, 0.16), (0.11, 0.15), (6, 10), (15, 20)),
    "loam": _fao((0.20, 0.30), (0.07, 0.17), (0.13, 0.18), (8, 10), (16, 22)),
    "silt loam": _fao((0.22, 0.36), (0.09, 0.21), (0.13, 0.19), (8, 11), (18, 25)),
    "silt": _fao((0.28, 0.36), (0.12, 0.22), (0.16, 0.20), (8, 11), (22, 26)),
    "sandy clay loam": _davis(1.75, 2.5),
    "clay loam": _davis(1.75, 2.5),
    "silty clay loam": _fao((0.30, 0.37), (0.17, 0.24), (0.13, 0.18), (8, 11), (22, 27), verified=False),
    "sandy clay": _davis(1.6, 2.5),
    "silty clay": _fao((0.30, 0.42), (0.17, 0.29), (0.13, 0.19), (8, 12), (22, 28)),
    "clay": _fao((0.32, 0.40), (0.20, 0.24), (0.12, 0.20), (8, 12), (22, 29)),
}

# Hydrologic soil group by texture: A takes in most, D least. TR-55, 1986, appendix A (after Brakensiek and Rawls 1983;
# from memory); silt counts as silt loam.
HYDROLOGIC_GROUPS: Mapping[str, str] = {
    "sand": "A",
    "loamy sand": "A",
    "sandy loam": "A",
    "loam": "B",
    "silt loam": "B",
    "silt": "B",
    "sandy clay loam": "C",
    "clay loam": "D",
    "silty clay loam": "D",
    "sandy clay": "D",
    "silty clay": "D",
    "clay": "D",
}

# Slope classes of the table below: up to 3 %, up to 6 %, up to 12 %, steeper. [%]
SLOPE_CLASS_ENDS_PCT = (3.0, 6.0, 12.0)

# Texture -> basic intake rate [in/h] and allowable surface accumulation by slope class [in]. Source SWAT, from memory.
INTAKE_AND_ACCUMULATION_IN: Mapping[str, tuple[float, tuple[float, float, float, float]]] = {
    "sand": (0.60, (0.40, 0.35, 0.30, 0.25)),
    "loamy sand": (0.50, (0.36, 0.30, 0.26, 0.22)),
    "sandy loam": (0.40, (0.33, 0.29, 0.24, 0.20)),
    "loam": (0.35, (0.30, 0.25, 0.21, 0.17)),
    "clay loam": (0.20, (0.26, 0.22, 0.18, 0.15)),
    "silty clay": (0.15, (0.23, 0.19, 0.16, 0.13)),
    "clay": (0.10, (0.20, 0.15, 0.10, 0.10)),
}
# Textures that table lacks stand in for the next finer one, so that a run is rather split too often than too seldom
# (common practice, no source).
NEXT_FINER: Mapping[str, str] = {
    "silt loam": "clay loam",
    "silt": "clay loam",
    "sandy clay loam": "clay loam",
    "silty clay loam": "silty clay",
    "sandy clay": "silty clay",
}

LIKE_IN_TABLE_19: Mapping[str, str] = {
    "sandy clay loam": "silty clay loam",
    "clay loam": "silty clay loam",
    "sandy clay": "silty clay",
}


def texture_name(text: str) -> str:
    """The table's spelling of a soil texture: case, hyphens, underscores and doubled blanks do not matter.

    Raises
    ------
    ValueError
        For a texture that the tables do not hold; the message lists those they do.
    """
    name = " ".join(text.lower().replace("_", " ").replace("-", " ").split())
    if name not in SOIL_TEXTURES:
        raise ValueError(f"soil {text!r} is not a known texture; use one of: {', '.join(SOIL_TEXTURES)}.")
    return name


def available_water_mm_m(texture: str) -> float:
    """Available water capacity that stands for a texture: the middle of its published range. [mm/m]

    Raises ValueError for an unknown texture. Sources: ``SOIL_TEXTURES[texture].source``.
    """
    low, high = SOIL_TEXTURES[texture_name(texture)].available_water_mm_m
    return (low + high) / 2.0


def available_water_source(texture: str) -> str:
    """Where ``available_water_mm_m`` comes from, in words for people."""
    name = texture_name(texture)
    low, high = SOIL_TEXTURES[name].available_water_mm_m
    remembered = "" if SOIL_TEXTURES[name].verified else ", from memory"
    return f"middle of {low:.0f} to {high:.0f} mm/m for {name} ({SOIL_TEXTURES[name].source}{remembered})"


def intake_rate_mm_h(texture: str) -> float:
    """Basic intake rate of a texture. [mm/h]

    Raises ValueError for an unknown texture. Source: ``SWAT``, from memory; ``NEXT_FINER`` for what it lacks.
    """
    name = texture_name(texture)
    return INTAKE_AND_ACCUMULATION_IN[NEXT_FINER.get(name, name)][0] * MM_PER_INCH


def allowable_surface_accumulation_mm(texture: str, slope_pct):
    """Water that may stand on a soil of this texture and slope before it runs off. [mm]

    Parameters
    ----------
    texture : str
        Soil texture.
    slope_pct : float or array
        Slope, >= 0. A slope between two printed classes counts with the steeper one. [%]

    Returns
    -------
    float or array, shape of ``slope_pct``; NaN stays NaN.

    Raises
    ------
    ValueError
        For an unknown texture.

    References
    ----------
    ``SWAT``, from memory; ``NEXT_FINER`` for the textures it lacks.
    """
    name = texture_name(texture)
    by_class = np.asarray(INTAKE_AND_ACCUMULATION_IN[NEXT_FINER.get(name, name)][1]) * MM_PER_INCH
    depth = by_class[np.searchsorted(SLOPE_CLASS_ENDS_PCT, np.nan_to_num(slope_pct, nan=0.0), side="left")]
    return np.where(np.isnan(slope_pct), np.nan, depth)[()]


def hydrologic_group(texture: str) -> str:
    """Hydrologic soil group, A to D, of a texture. Raises ValueError for an unknown one; see ``HYDROLOGIC_GROUPS``."""
    return HYDROLOGIC_GROUPS[texture_name(texture)]


def evaporable_water_mm(texture: str) -> tuple[float, float]:
    """Readily and total evaporable water of the top 0.10 m, the middle of their ranges. [mm]

    Raises ValueError for an unknown texture. Source: FAO-56 Table 19; textures it lacks are taken as the next finer.
    """
    name = texture_name(texture)
    row = SOIL_TEXTURES[name]
    if row.rew_mm is None or row.tew_mm is None:
        row = SOIL_TEXTURES[LIKE_IN_TABLE_19[name]]
    assert row.rew_mm is not None and row.tew_mm is not None  # noqa: S101 - the rows named there have both
    return sum(row.rew_mm) / 2.0, sum(row.tew_mm) / 2.0
