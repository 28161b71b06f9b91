"""Every published case of soil water and crop coefficients, each printed figure one test.

A calculator gets a case's inputs as floats, arrays or texts and returns a value for every figure the source prints;
conftest.py reads the cases and compares.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from dewpond.science import dual_coefficient as dual
from dewpond.science import plants, radiation, soil_tables, soil_water

PUBLISHED_ABOUT = "soil and plants"

Inputs = Mapping[str, Any]
Results = Mapping[str, Any]


def soil_row(i: Inputs) -> Results:
    row = soil_tables.SOIL_TEXTURES[soil_tables.texture_name(i["soil_type"])]
    assert row.verified
    return {
        "theta_fc_range": row.theta_fc,
        "theta_wp_range": row.theta_wp,
        "available_water_range": np.array(row.available_water_mm_m) / 1000,
        "rew_range": row.rew_mm,
        "tew_range": row.tew_mm,
    }


def fao_plant(name: str) -> Callable[[Inputs], Results]:
    def calculate(_: Inputs) -> Results:
        row = plants.FAO_PLANTS[name]
        results: dict[str, Any] = {"root_depth_range": row.root_depth_m, "p": row.p, "max_height": row.max_height_m}
        for key, triple in (("kc", row.kc), ("kcb", row.kcb)):
            for stage, value in zip(("ini", "mid", "end"), triple or (None,) * 3, strict=True):
                results[f"{key}_{stage}"] = value
        results["kc_reduction_careful_management"] = plants.CAREFUL_TURF_KC_REDUCTION
        return results

    return calculate


def wetted_fractions(i: Inputs) -> Results:
    assert list(i["event"]) == list(plants.WETTED_FRACTION)
    table = plants.WETTED_FRACTION
    return {
        "fw_precipitation": table["precipitation"],
        "fw_sprinkler": table["sprinkler"],
        "fw_trickle_range": table["trickle"],
    }


def depletion_fraction(i: Inputs) -> Results:
    return {"p": soil_water.adjusted_depletion_fraction(i["p_table"], i["etc"])}


def taw_and_raw(i: Inputs) -> Results:
    capacity = soil_water.available_water_capacity(i["theta_fc"], i["theta_wp"])
    taw = soil_water.total_available_water(capacity, i["root_depth"])
    return {"available_water_per_m": capacity, "taw": taw, "raw": soil_water.readily_available_water(taw, i["p"])}


def dry_down(i: Inputs) -> Results:
    totals = taw_and_raw(i)
    depletion, rows = i["initial_depletion"], []
    for day, eto in enumerate(i["eto"]):
        ks = soil_water.stress_coefficient(depletion, totals["taw"], i["p"])
        water = i["rain"][day] + i["irrigation"][day]
        step = soil_water.root_zone_late(depletion, totals["taw"], water, ks * i["kc"] * eto)
        rows.append((depletion, ks, step.etc_mm, step.end_mm))
        depletion = step.end_mm
    columns = zip(("depletion_start", "ks", "etc_adj", "depletion_end"), np.transpose(rows), strict=True)
    return {**totals, **dict(columns)}


def salinity(i: Inputs) -> Results:
    salt = soil_water.salinity_coefficient(i["ece"], i["ece_threshold"], i["slope_b"], i["ky"])
    p = i["raw"] / i["taw"]
    return {
        "ks_salinity_only": salt,
        "ks": soil_water.stress_coefficient_in_salt(i["depletion"], i["taw"], p, salt),
    }


def kcb_curve(i: Inputs) -> Results:
    return {"kcb": dual.kcb_curve(i["day"], i["stage_lengths"], i["kcb_ini"], i["kcb_mid"], i["kcb_end"])}


def _evaporation_run(i: Inputs, tew: float, kcb: Any, kc_max: Any, few: Any, water: Any) -> Results:
    days = len(i["eto"])
    kcb, kc_max, few, water = (np.broadcast_to(column, days) for column in (kcb, kc_max, few, water))
    depletion, rows = i["initial_evaporation_depletion"], []
    for d in range(days):
        step = dual.evaporation_layer_day(
            depletion_mm=depletion,
            water_mm=water[d],
            eto_mm=i["eto"][d],
            kcb=kcb[d],
            kc_max=kc_max[d],
            few=few[d],
            tew_mm=tew,
            rew_mm=i["rew"],
        )
        rows.append(step)
        depletion = step.end_mm
    run = dual.EvaporationDay(*np.transpose(rows))
    return {
        "de_start": run.start_mm,
        "kr": run.kr,
        "ke": run.ke,
        "evaporation": run.evaporation_mm,
        "evaporation_over_few": run.evaporation_mm / few,
        "deep_percolation_topsoil": run.percolation_mm,
        "de_end": run.end_mm,
        "kc": kcb + run.ke,
        "etc": dual.crop_et_dual(i["eto"], kcb, run.ke),
    }


def bare_soil(i: Inputs) -> Results:
    return _evaporation_run(i, i["tew"], i["kcb"], i["kc_max"], i["few"], 0.0)


def ten_days(i: Inputs) -> Results:
    tew = dual.total_evaporable_water(i["theta_fc"], i["theta_wp"], i["evaporation_layer_depth"])
    limit = dual.kc_max(i["kcb"], i["u2"], i["rh_min"], i["height"])
    few = dual.exposed_wetted_fraction(1 - i["exposed_fraction_1_minus_fc"], i["fw"])
    water = i["rain_minus_runoff"] + i["irrigation_over_fw"]
    return {**_evaporation_run(i, tew, i["kcb"], limit, few, water), "tew": tew, "kc_max": limit, "few": few}


def after_sprinkling(i: Inputs) -> Results:
    limit = dual.kc_max(i["kcb"], i["u2"], i["rh_min"], i["height"])
    covered = dual.covered_fraction(i["kcb"], limit, i["height"], i["kc_min"])
    few = dual.exposed_wetted_fraction(covered, i["fw"])
    ke = dual.evaporation_coefficient(i["kr"], i["kcb"], limit, few)
    return {
        "kc_max": limit,
        "fc": covered,
        "few": few,
        "ke": ke,
        "few_kc_max": few * limit,
        "kc": dual.crop_et_dual(1.0, i["kcb"], ke),
    }


def schedule(i: Inputs) -> Results:
    totals = taw_and_raw(i)
    depletion, rows = i["initial_depletion"], []
    for day, etc in enumerate(i["etc"]):
        taw = totals["taw"][day]
        water = i["rain_minus_runoff"][day] + i["irrigation"][day]
        step = soil_water.root_zone_early(depletion, taw, water, etc)
        rows.append((*step, soil_water.stress_coefficient(step.start_mm, taw, i["p"])))
        depletion = step.end_mm
    start, end, _, drainage, ks = np.transpose(rows)
    return {**totals, "depletion_start": start, "deep_percolation": drainage, "depletion_end": end, "ks": ks}


def sparse_cover(i: Inputs) -> Results:
    climate = (i["u2"], i["rh_min"], i["height"])
    reduction = dual.cover_reduction(i["fc"], i["fc_dense"])
    return {
        "climate_increment": dual.climate_increment(*climate),
        "a_cm": reduction,
        "kcb_mid_adj": dual.coefficient_in_climate(i["kcb_mid_table"], *climate) - reduction,
        "kc_mid_adj": dual.coefficient_in_climate(i["kc_mid_table"], *climate) - reduction,
    }


def tomato_cover(i: Inputs) -> Results:
    sine = radiation.sin_noon_elevation(np.radians(i["latitude"]), radiation.solar_declination(i["day_of_year"]))
    effective = dual.effective_cover_in_rows(i["fc"], i["height_width_ratio"], np.arcsin(sine))
    full = dual.coefficient_in_climate(i["kcb_mid_table"], i["u2"], i["rh_min"], i["height"])
    return {
        "sin_eta": sine,
        "eta": np.arcsin(sine),
        "fc_eff": effective,
        "kcb_full": full,
        "kcb_mid_adj": dual.kcb_for_cover(full, i["fc"], effective, i["height"], i["kc_min"]),
    }


# The longest beginning of a case's id that stands here names its calculator.
CALCULATORS: dict[str, Callable[[Inputs], Results]] = {
    "fao56-table19-": soil_row,
    "fao56-turf-cool": fao_plant("cool-season turf"),
    "fao56-turf-warm": fao_plant("warm-season turf"),
    "fao56-berry-bushes": fao_plant("berry bushes"),
    "fao56-tomato": fao_plant("tomato"),
    "fao56-table20-fw": wetted_fractions,
    "fao56-p-adjust-": depletion_fraction,
    "fao56-ex36-": taw_and_raw,
    "fao56-ex37-ks-drydown": dry_down,
    "fao56-ex39-ks-salinity": salinity,
    "fao56-ex30-kcb-curve": kcb_curve,
    "fao56-ex31-bare-soil": bare_soil,
    "fao56-ex32-sprinkler": after_sprinkling,
    "fao56-ex35-dual-kc-ten-days": ten_days,
    "fao56-ex38-schedule-days-1-5": schedule,
    "fao56-ex40-sparse-cover": sparse_cover,
    "fao56-ex42-cover-tomato": tomato_cover,
}


def test_published_figure_is_met(published_figure: Any) -> None:
    published_figure.check(CALCULATORS)


def test_every_calculator_has_a_case(published_ids: list[str]) -> None:
    assert [name for name in CALCULATORS if not any(case_id.startswith(name) for case_id in published_ids)] == []
    assert len(published_ids) == 29
