"""What plants use of reference ET when a site file names them: published factors with their sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

S623 = "ANSI/ASABE S623.1, Jan 2017, Determining Landscape Plant Water Demands"
S623_ABSTRACT = f"{S623}, as stated in Beeson et al., ASHS 2014 abstract"
UC_TURF = (
    "University of California Center for Landscape & Urban Horticulture, Turfgrass Crop Coefficients, table 1 (after "
    "Meyer, Gibeault & Youngner 1985)"
)
SWAT_2008 = "Test protocol for climatologically based controllers, 8th draft, 2008"
FAO_56 = "FAO-56 Tables 12 (p. 112), 17 (p. 139) and 22 (p. 165)"
LANDSCAPE_GUIDE = (
    "Costello, Matheny & Clark, A Guide to Estimating Irrigation Water Needs of Landscape Plantings in California, "
    "UC Cooperative Extension / California DWR, 2000"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantFactor:
    """Yearly share of reference ET for established plants of acceptable looks, in a humid and in an arid climate. [-]

    ``verified`` is True where the numbers were read in the source, False where they are from memory.
    """

    humid: float
    arid: float
    source: str
    verified: bool


def _same(value: float, source: str = S623) -> PlantFactor:
    return PlantFactor(humid=value, arid=value, source=source, verified=False)


PLANT_FACTORS: Mapping[str, PlantFactor] = {
    "cool-season turf": _same(0.8),
    "warm-season turf": _same(0.6),
    "annual flowers": _same(0.8),
    "woody plants": PlantFactor(humid=0.7, arid=0.5, source=S623, verified=False),
    "herbaceous perennials": PlantFactor(humid=0.7, arid=0.5, source=S623, verified=False),
    "trees": PlantFactor(humid=0.7, arid=0.5, source=S623_ABSTRACT, verified=True),
    "desert plants": _same(0.3),
    "ground cover": _same(0.55, SWAT_2008),
    # Small vegetables at full growth; S623 leaves food crops out.
    "vegetables": _same(1.05, "FAO-56 Table 12, small vegetables, mid-season"),
}
# Other words for the same rows, the trade's own.
OTHER_NAMES: Mapping[str, str] = {
    "cool-season grass": "cool-season turf",
    "tall fescue": "cool-season turf",
    "bluegrass": "cool-season turf",
    "ryegrass": "cool-season turf",
    "warm-season grass": "warm-season turf",
    "bermuda": "warm-season turf",
    "annuals": "annual flowers",
    "bedding plants": "annual flowers",
    "flower beds": "annual flowers",
    "shrubs": "woody plants",
    "woody shrubs": "woody plants",
    "hedge": "woody plants",
    "perennials": "herbaceous perennials",
    "desert-adapted plants": "desert plants",
    "ground covers": "ground cover",
    "groundcover": "ground cover",
    "kitchen garden": "vegetables",
}

# Kind -> (twelve crop coefficients from January, source, read in the source). [-] The warm-season January value 0.61
# may be a copying slip of the source (0.55 recalled).
MONTHLY_TURF: Mapping[str, tuple[tuple[float, ...], str, bool]] = {
    "cool-season": ((0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60), UC_TURF, True),
    "warm-season": ((0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55), UC_TURF, True),
    "fescue": ((0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60), SWAT_2008, False),
    "bermuda": ((0.52, 0.64, 0.70, 0.73, 0.73, 0.71, 0.69, 0.67, 0.64, 0.60, 0.57, 0.53), SWAT_2008, False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FaoPlant:
    """FAO-56's numbers for a plant: single (Kc) and basal (Kcb) coefficients, height, roots, depletion share.

    ``p`` is the share of TAW used before stress at ETc = 5 mm/day. [-] Unknown fields are None.
    """

    kc: tuple[float, float, float] | None = None  # initial, mid-season, end
    kcb: tuple[float, float, float] | None = None
    max_height_m: float | None = None
    root_depth_m: tuple[float, float]
    p: float


# Read in FAO-56. Turf: mowing heights of 0.06 to 0.08 m; careful management lowers cool-season Kc by 0.10.
FAO_PLANTS: Mapping[str, FaoPlant] = {
    "cool-season turf": FaoPlant(
        kc=(0.90, 0.95, 0.95), kcb=(0.85, 0.90, 0.90), max_height_m=0.10, root_depth_m=(0.5, 1.0), p=0.40
    ),
    "warm-season turf": FaoPlant(
        kc=(0.80, 0.85, 0.85), kcb=(0.75, 0.80, 0.80), max_height_m=0.10, root_depth_m=(0.5, 1.0), p=0.50
    ),
    "berry bushes": FaoPlant(
        kc=(0.30, 1.05, 0.50), kcb=(0.20, 1.00, 0.40), max_height_m=1.5, root_depth_m=(0.6, 1.2), p=0.50
    ),
    "tomato": FaoPlant(root_depth_m=(0.7, 1.5), p=0.40),
}
CAREFUL_TURF_KC_REDUCTION = 0.10  # FAO-56 Table 12, footnote 15

# Event -> share of the soil surface wetted, (low, high). [-] FAO-56 Table 20, p. 149, read in the source.
WETTED_FRACTION: Mapping[str, tuple[float, float]] = {
    "precipitation": (1.0, 1.0),
    "sprinkler": (1.0, 1.0),
    "trickle": (0.3, 0.4),
}

# What leaves hold of one rain. [mm] Common practice, no source.
USUAL_INTERCEPTION_MM = 1.0
INTERCEPTION_MM: Mapping[str, float] = {"woody plants": 2.0, "trees": 2.0, "ground cover": 1.5, "desert plants": 0.5}

# Landscape coefficient method of LANDSCAPE_GUIDE: factor -> class -> (low, high). [-] Read: low and moderate species,
# kd and kmc of shrubs and trees; from memory: the high species class and the limits of density and microclimate.
LANDSCAPE_FACTORS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "species": {"very low": (0.0, 0.1), "low": (0.1, 0.3), "moderate": (0.4, 0.6), "high": (0.7, 0.9)},
    "density": {"low": (0.5, 0.9), "average": (1.0, 1.0), "high": (1.1, 1.3)},
    "microclimate": {"low": (0.5, 0.9), "average": (1.0, 1.0), "high": (1.1, 1.4)},
}


def plant_name(text: str) -> str:
    """The table's spelling of a plant group; case and doubled blanks do not matter, other usual names are understood.

    Raises
    ------
    ValueError
        For plants that the table does not hold; the message lists those it does and the remedy.
    """
    name = " ".join(text.lower().replace("_", " ").split())
    name = OTHER_NAMES.get(name, name)
    if name not in PLANT_FACTORS:
        known = ", ".join(PLANT_FACTORS)
        raise ValueError(f"plants {text!r} are not in the table; use one of: {known}; or give plant_factor yourself.")
    return name


def crop_coefficient_months(plants: str, humid: bool) -> tuple[float, ...]:
    """Twelve equal crop coefficients, January first: the yearly plant factor of a plant group. [-]

    Parameters
    ----------
    plants : str
        A name of ``PLANT_FACTORS`` or of ``OTHER_NAMES``.
    humid : bool
        Whether the climate is humid; arid otherwise.

    Raises
    ------
    ValueError
        For plants that the table does not hold.

    References
    ----------
    ``PLANT_FACTORS[...].source``; chiefly ANSI/ASABE S623.1.
    """
    factor = PLANT_FACTORS[plant_name(plants)]
    return (factor.humid if humid else factor.arid,) * 12


def crop_coefficient_source(plants: str) -> str:
    """Where ``crop_coefficient_months`` comes from, in words for people."""
    name = plant_name(plants)
    factor = PLANT_FACTORS[name]
    return f"plant factor of {name} ({factor.source}{'' if factor.verified else ', from memory'})"


def monthly_turf_coefficients(kind: str) -> tuple[float, ...]:
    """Twelve monthly turf coefficients, January first. [-]

    ``kind`` is "cool-season" or "warm-season" (University of California) or "fescue" or "bermuda" (test protocol).
    Raises ValueError for another kind.
    """
    if kind not in MONTHLY_TURF:
        raise ValueError(f"turf {kind!r} has no monthly table; use one of: {', '.join(MONTHLY_TURF)}.")
    return MONTHLY_TURF[kind][0]


def landscape_factor(factor: str, value: float | str) -> float:
    """One factor of the landscape coefficient: a number as it is, a class as the middle of its published range. [-]

    ``factor`` is "species", "density" or "microclimate". Raises KeyError for a class that is not in
    ``LANDSCAPE_FACTORS``.
    """
    if not isinstance(value, str):
        return value
    low, high = LANDSCAPE_FACTORS[factor][value]
    return (low + high) / 2.0


def landscape_coefficient(species, density=1.0, microclimate=1.0):
    """Landscape coefficient KL = ks kd kmc for a mixed planting; floats or arrays, elementwise. [-]

    Source: Costello, Matheny & Clark, 2000, pp. 39 and 47; classes in ``LANDSCAPE_FACTORS``.
    """
    return species * density * microclimate
