"""How much water a zone's roots can draw on, how fast the soil takes it in, and how much the plants use."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

from dewpond.science import plants as plant_tables
from dewpond.science import rainfall, soil_tables
from dewpond.science.soil_water import readily_available_water, total_available_water
from dewpond.settings.zone_desk import Desk

# Share of total available water that may go before stress. Common practice, no source; FAO-56 table 22 has 0.40 for
# cool-season and 0.50 for warm-season turf.
DEFAULT_DEPLETION = 0.5
# For a zone that says nothing of its plants: what turf and bedding plants need (ANSI/ASABE S623.1, from memory).
DEFAULT_PLANT_FACTOR = 0.8
DEFAULT_SOIL = "loam"
# Depth that is watered where nobody measured the roots [mm]. Common practice, no source.
ROOT_DEPTH_MM = {
    "cool-season turf": 150.0,
    "warm-season turf": 150.0,
    "annual flowers": 200.0,
    "ground cover": 200.0,
    "vegetables": 300.0,
    "herbaceous perennials": 300.0,
    "woody plants": 450.0,
    "desert plants": 450.0,
    "trees": 600.0,
}
DEFAULT_ROOT_DEPTH_MM = 150.0
STORAGE_TOLERANCE = 0.20
MOST_CANOPY_SHARE = 5.0  # a street tree's crown over its pit; more is a slip of the pen (common practice, no source)
STORAGE_KEYS = frozenset({"soil", "available_water", "root_depth", "allowed_depletion", "root_zone_storage"})


def coefficients(desk: Desk, canopy: float = 1.0) -> tuple[float, ...]:
    """Twelve crop coefficients over the zone's area, January first; ``canopy`` is the canopy's share of it."""
    return tuple(canopy * value for value in _of_ground(desk))


def canopy_share(desk: Desk) -> float:
    """Canopy over area: plants use water where their leaves are, so that mm of it over the area are fewer or more.

    Source: ET from the canopy's area, Costello, Matheny & Clark, 2000; the share itself is geometry.
    """
    table = desk.table
    if table.canopy_area is None:
        return 1.0
    share = table.canopy_area / table.area
    if share > MOST_CANOPY_SHARE:
        what = f"{table.canopy_area:g} m2 of leaves over {table.area:g} m2 of ground"
        limit = f"at most {MOST_CANOPY_SHARE:g} times the area"
        desk.refuse("canopy_area", what, limit, "give the ground the crowns cover, or correct the area")
        return 1.0
    desk.note("canopy_area", f"water use is {share:.3g} of that of plants that cover the whole area")
    return share


def _of_ground(desk: Desk) -> tuple[float, ...]:
    """Twelve crop coefficients of plants that cover the whole area."""
    desk.one_of("plants", "plant_factor", "crop_coefficient", "species")
    table = desk.table
    if table.crop_coefficient is not None:
        return _by_month(desk, table.crop_coefficient)
    if table.plant_factor is not None:
        return (table.plant_factor,) * 12
    if table.species is not None:
        return (_landscape(desk, table.species),) * 12
    for key in ("density", "microclimate"):
        if getattr(table, key) is not None:
            desk.refuse(key, "given without species", "they are factors of one coefficient", "add species")
    if table.plants is None:
        desk.assume("crop_coefficient", f"plant factor {DEFAULT_PLANT_FACTOR:g}")
        return (DEFAULT_PLANT_FACTOR,) * 12
    return _of_plants(desk, table.plants)


def _by_month(desk: Desk, stated: tuple[float, ...] | str) -> tuple[float, ...]:
    """Twelve stated values, or those of a published table."""
    if not isinstance(stated, str):
        return stated
    months, source, read = plant_tables.MONTHLY_TURF[stated]
    desk.note("crop_coefficient", f"{stated} by month ({source}{'' if read else ', from memory'})")
    return months


def _landscape(desk: Desk, species: float | str) -> float:
    """Landscape coefficient: species x density x microclimate, classes by the middle of their published ranges."""
    table = desk.table
    stated = {"species": species, "density": table.density, "microclimate": table.microclimate}
    parts = {key: plant_tables.landscape_factor(key, 1.0 if value is None else value) for key, value in stated.items()}
    found = plant_tables.landscape_coefficient(**parts)
    factors = " x ".join(f"{value:.3g}" for value in parts.values())
    remembered = ", high species and outer limits from memory" if isinstance(species, str) else ""
    desk.note(
        "crop_coefficient",
        f"{found:.3g} = {factors}, species x density x microclimate ({plant_tables.LANDSCAPE_GUIDE}{remembered})",
    )
    return float(found)


def _of_plants(desk: Desk, written: str) -> tuple[float, ...]:
    try:
        plants = plant_tables.plant_name(written)
    except ValueError:
        known = (*plant_tables.PLANT_FACTORS, *plant_tables.OTHER_NAMES)
        desk.refuse("plants", *_unknown_word(written, known, "or give plant_factor or crop_coefficient instead"))
        return (DEFAULT_PLANT_FACTOR,) * 12
    climate = desk.facts.climate
    factor = plant_tables.PLANT_FACTORS[plants]
    source = plant_tables.crop_coefficient_source(plants)
    if factor.humid != factor.arid:
        source += f", {climate or 'humid'} climate"
        if climate is None:
            desk.assume("climate", "a humid climate for its plants (climate in [site] says which)")
    desk.note("crop_coefficient", source)
    return plant_tables.crop_coefficient_months(plants, climate != "arid")


def _unknown_word(written: str, known: tuple[str, ...], otherwise: str) -> tuple[str, str, str]:
    """What, limit and remedy for a word that is in no table."""
    close = get_close_matches(written.lower(), known, n=1)
    remedy = f'was "{close[0]}" meant?' if close else otherwise
    return f'"{written}" is not in the table', f"known are {', '.join(known)}", remedy


def depletion(desk: Desk) -> float:
    """Share of total available water that may be used before stress starts."""
    if desk.table.allowed_depletion is not None:
        return desk.table.allowed_depletion
    desk.note("allowed_depletion", f"{DEFAULT_DEPLETION:g}, the usual share")
    return DEFAULT_DEPLETION


@dataclass(frozen=True, slots=True)
class Soil:
    """The soil under one zone: its texture, and how deep and how much the roots can draw. None where nobody said."""

    texture: str | None
    available_water_mm_m: float | None
    root_depth_mm: float | None
    taw_mm: float
    raw_mm: float
    intake_mm_h: float
    surface_storage_mm: float


def soil(desk: Desk, p: float, wetted: float = 1.0) -> Soil:
    """Everything about the soil under a zone, from what is stated and else from its texture.

    ``wetted`` is the share fw of the area that drip or bubblers wet (FAO-56 ch. 7, p. 147, and Table 20). All depths
    stay mm over the zone's area A, so that gross = rate x time and litres = gross x A stay true. Soil numbers, stated
    or tabulated, are those of the wetted ground, fw A: d mm there are d fw A litres, hence fw d mm over A, and
    TAW = fw AWC Zr, RAW = p TAW, intake fw i, storage fw s. Water W over A stands W/fw deep on the wetted ground
    (I/fw in FAO-56 eq. 77), which reaches its intake and storage exactly when W reaches theirs scaled by fw.
    """
    table = desk.table
    texture = _texture(desk)
    water_mm_m = table.available_water
    if water_mm_m is None and (table.soil is not None or table.root_zone_storage is None):
        water_mm_m = soil_tables.available_water_mm_m(texture)
        desk.note("available_water", f"{water_mm_m:.4g} mm/m, {soil_tables.available_water_source(texture)}")
    depth_mm = _root_depth(desk)
    taw_mm, raw_mm = _storage(desk, water_mm_m, depth_mm, p)
    intake_mm_h, surface_mm = _surface(desk, texture)
    if wetted < 1.0:
        text = f"depths of the soil hold for {wetted:.3g} of the area; taken over the whole area they are as much less"
        desk.note("wetted_share", text)
    return Soil(
        texture=texture if table.soil is not None or "soil" in desk.notes else None,
        available_water_mm_m=water_mm_m,
        root_depth_mm=depth_mm,
        taw_mm=taw_mm * wetted,
        raw_mm=raw_mm * wetted,
        intake_mm_h=intake_mm_h * wetted,
        surface_storage_mm=surface_mm * wetted,
    )


def _texture(desk: Desk) -> str:
    """The soil by name; a loam where none is stated, which is said only if a number of it is used."""
    table = desk.table
    if table.soil is not None:
        try:
            return soil_tables.texture_name(table.soil)
        except ValueError:
            known = tuple(soil_tables.SOIL_TEXTURES)
            desk.refuse("soil", *_unknown_word(table.soil, known, "give available_water and intake_rate instead"))
            desk.dropped |= {"soil"}
            return DEFAULT_SOIL
    water_known = table.available_water is not None or table.root_zone_storage is not None
    if not water_known or table.intake_rate is None or table.surface_storage is None:
        desk.assume("soil", f"soil {DEFAULT_SOIL}")
    return DEFAULT_SOIL


def _root_depth(desk: Desk) -> float | None:
    table = desk.table
    if table.root_depth is not None or table.root_zone_storage is not None:
        return table.root_depth
    depth_mm = usual_root_depth_mm(desk)
    desk.assume("root_depth", f"root depth {depth_mm:g} mm")
    return depth_mm


def usual_root_depth_mm(desk: Desk) -> float:
    """Depth that is watered where nobody measured the roots, by the plants. [mm]"""
    return ROOT_DEPTH_MM.get(_plant_name(desk.table.plants), DEFAULT_ROOT_DEPTH_MM)


def _plant_name(written: str | None) -> str:
    try:
        return plant_tables.plant_name(written or "")
    except ValueError:
        return ""


def _storage(desk: Desk, water_mm_m: float | None, depth_mm: float | None, p: float) -> tuple[float, float]:
    """TAW and RAW [mm]. A stated storage is RAW; it must agree with soil and roots where both are stated."""
    stated_mm = desk.table.root_zone_storage
    if stated_mm is None:
        taw_mm = total_available_water(water_mm_m, (depth_mm or 0.0) / 1000.0)
        return float(taw_mm), float(readily_available_water(taw_mm, p))
    if water_mm_m is not None and depth_mm is not None and not desk.dropped & STORAGE_KEYS:
        computed_mm = p * water_mm_m * depth_mm / 1000.0
        if abs(stated_mm - computed_mm) > STORAGE_TOLERANCE * computed_mm:
            what = f"{stated_mm:.3g} mm is stated, but soil, root depth and allowed depletion make {computed_mm:.3g} mm"
            limit = f"they may differ by {STORAGE_TOLERANCE:.0%}"
            desk.refuse("root_zone_storage", what, limit, "correct one of them, or take the storage out")
    return stated_mm / p, stated_mm


def _surface(desk: Desk, texture: str) -> tuple[float, float]:
    """Intake rate [mm/h] and surface storage [mm], stated or by texture and slope."""
    table = desk.table
    intake_mm_h, surface_mm = table.intake_rate, table.surface_storage
    slope_pct = table.slope or 0.0
    if intake_mm_h is None:
        intake_mm_h = soil_tables.intake_rate_mm_h(texture)
        desk.note("intake_rate", f"{intake_mm_h:.3g} mm/h, {texture} ({soil_tables.SWAT}, from memory)")
    if surface_mm is None:
        surface_mm = float(soil_tables.allowable_surface_accumulation_mm(texture, slope_pct))
        desk.note("surface_storage", f"{surface_mm:.3g} mm, {texture} on a slope of {slope_pct:g} %")
    return intake_mm_h, surface_mm


def surface_of(desk: Desk, soil: Soil) -> dict[str, float]:
    """What rain and bare ground do, by texture, slope and plants, as keys of the zone."""
    texture, slope_pct = soil.texture or DEFAULT_SOIL, desk.table.slope or 0.0
    group = soil_tables.hydrologic_group(texture)
    curve_number = float(rainfall.curve_number_on_slope(rainfall.LAWN_CURVE_NUMBERS[group], slope_pct))
    rew_mm, tew_mm = soil_tables.evaporable_water_mm(texture)
    if desk.table.bare_soil is not None:
        text = f"REW {rew_mm:g} mm and TEW {tew_mm:g} mm of {texture} ({soil_tables.FAO_56_TABLE_19})"
        desk.note("bare_soil", f"{text}; the crop coefficient counts as basal (Kcb), evaporation comes on top")
    return {
        "rew_mm": rew_mm,
        "tew_mm": tew_mm,
        "interception_mm": plant_tables.INTERCEPTION_MM.get(
            _plant_name(desk.table.plants), plant_tables.USUAL_INTERCEPTION_MM
        ),
        "curve_number": curve_number,
    }
