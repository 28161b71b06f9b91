"""What every elementwise function of the science promises: float in, float out; arrays broadcast; an element alone
equals the same element in a batch bit for bit; a missing input gives a missing result."""

import importlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

LATITUDE = (-1.1, 1.1)
DAY = (1.0, 366.0)
T_LOW, T_HIGH = (-10.0, 15.0), (16.0, 40.0)
RH_LOW, RH_HIGH = (10.0, 50.0), (51.0, 100.0)
KC = (0.5, 1.2)
SHARE = (0.05, 0.95)
RATE, INTAKE, STORE = (15.0, 60.0), (2.0, 14.0), (2.0, 10.0)
CLOCK = {"clock_mid_h": (0.5, 23.5), "longitude_deg": (-10.0, 10.0), "meridian_deg": (-5.0, 5.0)}
DAILY = {
    "t_min_c": T_LOW,
    "t_max_c": T_HIGH,
    "ea_kpa": (0.2, 1.2),
    "rs_mj_m2": (1.0, 30.0),
    "u2_m_s": (0.1, 8.0),
    "latitude_rad": LATITUDE,
    "day_of_year": DAY,
    "elevation_m": (0.0, 2500.0),
}
HOURLY = {
    "t_c": (-5.0, 40.0),
    "ea_kpa": (0.1, 1.2),
    "rs_mj_m2": (0.0, 3.5),
    "u2_m_s": (0.1, 8.0),
    "latitude_rad": LATITUDE,
    "day_of_year": DAY,
    "elevation_m": (0.0, 2500.0),
    **CLOCK,
}

# Function -> the range of each of its arguments.
FUNCTIONS: dict[str, dict[str, tuple[float, float]]] = {
    "vapour.atmospheric_pressure": {"elevation_m": (-100.0, 4000.0)},
    "vapour.psychrometric_constant": {"pressure_kpa": (60.0, 105.0)},
    "vapour.saturation_vapour_pressure": {"t_c": (-30.0, 50.0)},
    "vapour.mean_saturation_vapour_pressure": {"t_min_c": T_LOW, "t_max_c": T_HIGH},
    "vapour.slope_vapour_pressure_curve": {"t_c": (-30.0, 50.0)},
    "vapour.ea_from_dew_point": {"t_dew_c": (-30.0, 25.0)},
    "vapour.ea_from_wet_bulb": {"t_dry_c": T_HIGH, "t_wet_c": T_LOW, "pressure_kpa": (60.0, 105.0)},
    "vapour.ea_from_humidity_range": {
        "t_min_c": T_LOW,
        "t_max_c": T_HIGH,
        "rh_min_pct": RH_LOW,
        "rh_max_pct": RH_HIGH,
    },
    "vapour.ea_from_max_humidity": {"t_min_c": T_LOW, "rh_max_pct": RH_HIGH},
    "vapour.ea_from_mean_humidity": {"t_min_c": T_LOW, "t_max_c": T_HIGH, "rh_mean_pct": RH_LOW},
    "vapour.ea_from_min_temperature": {"t_min_c": T_LOW, "dew_point_drop_c": (0.0, 3.0)},
    "vapour.wind_height_factor": {"height_m": (0.5, 20.0)},
    "vapour.wind_at_2m": {"wind_m_s": (0.0, 20.0), "height_m": (0.5, 20.0)},
    "radiation.mm_from_mj": {"mj_m2": (0.0, 40.0)},
    "radiation.mj_per_day_from_watts": {"w_m2": (0.0, 400.0)},
    "radiation.watts_from_mj_per_day": {"mj_m2": (0.0, 40.0)},
    "radiation.inverse_relative_distance": {"day_of_year": DAY},
    "radiation.solar_declination": {"day_of_year": DAY},
    "radiation.sunset_hour_angle": {"latitude_rad": (-1.57, 1.57), "declination_rad": (-0.4, 0.4)},
    "radiation.daylight_hours": {"latitude_rad": (-1.57, 1.57), "day_of_year": DAY},
    "radiation.extraterrestrial_radiation_daily": {"latitude_rad": (-1.57, 1.57), "day_of_year": DAY},
    "radiation.seasonal_correction_h": {"day_of_year": DAY},
    "radiation.solar_time_angle": {**CLOCK, "day_of_year": DAY},
    "radiation.extraterrestrial_radiation_hourly": {
        "latitude_rad": LATITUDE,
        "day_of_year": DAY,
        "mid_angle_rad": (-3.0, 3.0),
    },
    "radiation.sin_noon_elevation": {"latitude_rad": LATITUDE, "declination_rad": (-0.4, 0.4)},
    "radiation.solar_radiation_from_sunshine": {
        "ra_mj_m2": (5.0, 40.0),
        "sunshine_h": (0.0, 12.0),
        "daylight_h": (6.0, 16.0),
    },
    "radiation.solar_radiation_from_temperature": {"ra_mj_m2": (5.0, 40.0), "t_min_c": T_LOW, "t_max_c": T_HIGH},
    "radiation.clear_sky_radiation": {"ra_mj_m2": (5.0, 40.0), "elevation_m": (0.0, 3000.0)},
    "radiation.clear_sky_radiation_beam_diffuse": {
        "ra_mj_m2": (5.0, 40.0),
        "latitude_rad": LATITUDE,
        "day_of_year": DAY,
        "ea_kpa": (0.2, 3.0),
        "pressure_kpa": (70.0, 102.0),
    },
    "radiation.relative_radiation": {"rs_mj_m2": (0.0, 30.0), "rso_mj_m2": (5.0, 30.0)},
    "radiation.net_shortwave": {"rs_mj_m2": (0.0, 30.0)},
    "radiation.net_longwave": {"t_min_c": T_LOW, "t_max_c": T_HIGH, "ea_kpa": (0.2, 3.0), "relative": (0.3, 1.0)},
    "reference_et.penman_monteith_daily": DAILY,
    "reference_et.asce_daily": DAILY,
    "reference_et.penman_monteith_hourly": HOURLY,
    "reference_et.asce_hourly": HOURLY,
    "reference_et.hargreaves": {"t_min_c": T_LOW, "t_max_c": T_HIGH, "ra_mj_m2": (5.0, 40.0)},
    "soil_water.available_water_capacity": {"theta_fc": (0.2, 0.4), "theta_wp": (0.05, 0.19)},
    "soil_water.total_available_water": {"available_water_mm_m": (50.0, 200.0), "root_depth_m": (0.1, 1.0)},
    "soil_water.readily_available_water": {"taw_mm": (10.0, 90.0), "p": SHARE},
    "soil_water.adjusted_depletion_fraction": {"p_table": SHARE, "etc_mm": (0.0, 12.0)},
    "soil_water.stress_coefficient": {"depletion_mm": (0.0, 60.0), "taw_mm": (20.0, 60.0), "p": SHARE},
    "soil_water.salinity_coefficient": {
        "ece_ds_m": (0.5, 8.0),
        "threshold_ds_m": (1.0, 4.0),
        "slope_pct": (5.0, 20.0),
        "ky": (0.8, 1.3),
    },
    "soil_water.stress_coefficient_in_salt": {
        "depletion_mm": (0.0, 60.0),
        "taw_mm": (20.0, 60.0),
        "p": SHARE,
        "salinity_ks": SHARE,
    },
    "soil_water.root_zone_early": {
        "depletion_mm": (0.0, 30.0),
        "taw_mm": (25.0, 60.0),
        "water_mm": (0.0, 40.0),
        "etc_mm": (0.0, 9.0),
        "capillary_rise_mm": (0.0, 2.0),
    },
    "soil_water.root_zone_late": {
        "depletion_mm": (0.0, 30.0),
        "taw_mm": (25.0, 60.0),
        "water_mm": (0.0, 40.0),
        "etc_mm": (0.0, 9.0),
        "capillary_rise_mm": (0.0, 2.0),
    },
    "soil_water.depletion_from_water_content": {
        "theta_fc": (0.2, 0.4),
        "theta": (0.1, 0.4),
        "root_depth_m": (0.1, 1.0),
    },
    "dual_coefficient.climate_increment": {"u2_m_s": (1.0, 6.0), "rh_min_pct": (20.0, 80.0), "height_m": (0.1, 9.0)},
    "dual_coefficient.coefficient_in_climate": {
        "kc_table": KC,
        "u2_m_s": (1.0, 6.0),
        "rh_min_pct": (20.0, 80.0),
        "height_m": (0.1, 9.0),
    },
    "dual_coefficient.kc_max": {
        "kcb": KC,
        "u2_m_s": (1.0, 6.0),
        "rh_min_pct": (20.0, 80.0),
        "height_m": (0.1, 9.0),
    },
    "dual_coefficient.covered_fraction": {"kcb": (0.1, 1.1), "kc_max": (1.15, 1.3), "height_m": (0.1, 3.0)},
    "dual_coefficient.exposed_wetted_fraction": {"covered": SHARE, "wetted": SHARE},
    "dual_coefficient.exposed_wetted_fraction_drip": {"covered": SHARE, "wetted": SHARE},
    "dual_coefficient.total_evaporable_water": {
        "theta_fc": (0.2, 0.4),
        "theta_wp": (0.05, 0.19),
        "layer_depth_m": (0.1, 0.15),
    },
    "dual_coefficient.evaporation_reduction": {
        "depletion_mm": (0.0, 25.0),
        "tew_mm": (15.0, 25.0),
        "rew_mm": (5.0, 10.0),
    },
    "dual_coefficient.evaporation_coefficient": {
        "kr": SHARE,
        "kcb": (0.2, 1.1),
        "kc_max": (1.15, 1.3),
        "few": (0.1, 1.0),
    },
    "dual_coefficient.evaporation_layer_day": {
        "depletion_mm": (0.0, 15.0),
        "water_mm": (0.0, 20.0),
        "eto_mm": (0.0, 9.0),
        "kcb": (0.2, 1.1),
        "kc_max": (1.15, 1.3),
        "few": (0.1, 1.0),
        "tew_mm": (15.0, 25.0),
        "rew_mm": (5.0, 10.0),
    },
    "dual_coefficient.crop_et_dual": {"eto_mm": (0.0, 9.0), "kcb": KC, "ke": SHARE, "ks": SHARE},
    "dual_coefficient.cover_reduction": {"covered": (0.1, 0.5), "covered_dense": (0.6, 0.9)},
    "dual_coefficient.effective_cover_in_rows": {
        "covered": (0.1, 0.4),
        "height_width_ratio": (0.2, 1.5),
        "noon_elevation_rad": (0.3, 1.5),
    },
    "dual_coefficient.kcb_for_cover": {
        "kcb_full": (0.9, 1.2),
        "covered": (0.1, 0.45),
        "covered_effective": SHARE,
        "height_m": (0.1, 3.0),
    },
    "rainfall.effective_rain": {"rain_mm": (0.0, 40.0), "storage_left_mm": (0.0, 25.0)},
    "rainfall.rain_worth_counting": {"rain_mm": (0.0, 4.0), "eto_mm": (1.0, 9.0)},
    "rainfall.retention_mm": {"curve_number": (30.0, 99.0)},
    "rainfall.initial_abstraction_mm": {"curve_number": (30.0, 99.0)},
    "rainfall.curve_number_runoff": {"rain_mm": (0.0, 150.0), "curve_number": (30.0, 100.0)},
    "rainfall.curve_number_on_slope": {"curve_number": (30.0, 99.0), "slope_pct": (0.0, 30.0)},
    "rainfall.split_rain_of_day": {
        "rain_mm": (0.0, 150.0),
        "canopy_left_mm": (0.0, 3.0),
        "curve_number": (30.0, 100.0),
    },
    "rainfall.tr21_storage_factor": {"application_mm": (10.0, 100.0)},
    "rainfall.tr21_effective_rain": {
        "rain_mm": (0.0, 200.0),
        "etc_mm": (10.0, 200.0),
        "application_mm": (10.0, 100.0),
    },
    "rainfall.scs_monthly_effective_rain": {"rain_mm": (0.0, 400.0)},
    "rainfall.fao_monthly_effective_rain": {"rain_mm": (0.0, 400.0)},
    "rainfall.split_rain": {"rain_mm": (0.0, 40.0), "canopy_left_mm": (0.0, 3.0), "intake_left_mm": (0.0, 25.0)},
    "application.application_rate_from_heads": {"flow_l_min": (5.0, 90.0), "area_m2": (10.0, 900.0)},
    "application.flow_from_application_rate": {"rate_mm_h": RATE, "area_m2": (10.0, 900.0)},
    "application.application_rate_from_catch": {
        "volume_ml": (2.0, 90.0),
        "minutes": (5.0, 60.0),
        "cup_area_cm2": (30.0, 200.0),
    },
    "application.efficiency_from_uniformity": {"du_lq": SHARE},
    "application.gross_from_net": {"net_mm": (0.0, 40.0), "efficiency": SHARE},
    "application.net_from_gross": {"gross_mm": (10.0, 40.0), "runoff_mm": (0.0, 9.0), "efficiency": SHARE},
    "application.run_time_s": {"gross_mm": (0.0, 40.0), "rate_mm_h": RATE},
    "application.run_time_for_net_s": {"net_mm": (0.0, 40.0), "rate_mm_h": RATE, "efficiency": SHARE},
    "application.scaled_run_time_s": {"seconds": (0.0, 7200.0), "percent": (0.0, 150.0)},
    "application.surface_store_after": {
        "store_mm": (0.0, 8.0),
        "rate_mm_h": RATE,
        "intake_mm_h": INTAKE,
        "storage_mm": STORE,
        "open_s": (0.0, 3000.0),
        "rest_s": (0.0, 3000.0),
    },
    "application.longest_opening_s": {
        "rate_mm_h": RATE,
        "intake_mm_h": INTAKE,
        "storage_mm": STORE,
        "store_mm": (0.0, 4.0),
    },
    "application.rest_to_soak_s": {"store_mm": (0.0, 8.0), "intake_mm_h": INTAKE},
    "application.soaking_rest_s": {"rate_mm_h": RATE, "intake_mm_h": INTAKE, "open_s": (0.0, 3000.0)},
    "application.split_run": {
        "seconds": (60.0, 7200.0),
        "rate_mm_h": RATE,
        "intake_mm_h": INTAKE,
        "storage_mm": STORE,
    },
    "uniformity.run_time_multiplier": {"du_lq": SHARE},
    "uniformity.low_half_from_low_quarter": {"du_lq": SHARE},
    "uniformity.potential_efficiency_low_quarter": {"low_quarter_rate": (1.0, 9.0), "applied_rate": (10.0, 20.0)},
    "uniformity.application_efficiency_low_quarter": {
        "deficit": (1.0, 9.0),
        "low_quarter_depth": (1.0, 9.0),
        "applied_depth": (10.0, 20.0),
    },
    "uniformity.least_mean_catch_ml": {"cup_area_cm2": (30.0, 200.0)},
    "hydraulics.pressure_head_m": {"pressure_kpa": (0.0, 900.0)},
    "hydraulics.pressure_of_head_kpa": {"head_m": (0.0, 90.0)},
    "hydraulics.pipe_area_m2": {"diameter_mm": (5.0, 100.0)},
    "hydraulics.velocity_m_s": {"flow_l_min": (0.0, 200.0), "diameter_mm": (15.0, 100.0)},
    "hydraulics.largest_flow_l_min": {"diameter_mm": (15.0, 100.0)},
    "hydraulics.friction_loss_kpa": {"flow_l_min": (0.0, 200.0), "diameter_mm": (15.0, 100.0), "length_m": (1.0, 90.0)},
    "hydraulics.outlets_factor": {"outlets": (1.0, 60.0)},
    "hydraulics.orifice_flow_l_min": {"pressure_kpa": (-50.0, 900.0), "diameter_mm": (0.5, 10.0)},
    "hydraulics.discharge_coefficient": {
        "flow_l_min": (0.1, 9.0),
        "pressure_kpa": (50.0, 900.0),
        "diameter_mm": (0.5, 10.0),
    },
    "hydraulics.emitter_flow_l_min": {
        "rated_flow_l_min": (0.1, 20.0),
        "pressure_kpa": (-50.0, 900.0),
        "rated_pressure_kpa": (100.0, 400.0),
    },
    "hydraulics.fill_flow_l_min": {"litres": (1.0, 50.0), "seconds": (5.0, 90.0)},
    "hydraulics.window_minutes": {"start_min": (0.0, 1440.0), "end_min": (0.0, 1440.0)},
    "plants.landscape_coefficient": {"species": SHARE, "density": (0.5, 1.3), "microclimate": (0.5, 1.4)},
    "accounts.et_adjustment_factor": {"plant_factor": SHARE, "efficiency": SHARE},
    "accounts.estimated_water_use": {"eto_depth": (0.0, 900.0), "et_factor": SHARE, "area": (10.0, 900.0)},
    "accounts.maximum_applied_water_allowance": {
        "eto_depth": (0.0, 900.0),
        "et_factor": SHARE,
        "area": (100.0, 900.0),
        "special_area": (0.0, 90.0),
    },
    "accounts.irrigation_adequacy": {"etc_mm": (10.0, 90.0), "deficit_mm": (0.0, 9.0)},
    "accounts.scheduling_efficiency": {"net_irrigation_mm": (10.0, 90.0), "losses_mm": (0.0, 9.0)},
}


def function_of(name: str) -> Callable[..., Any]:
    module, function = name.split(".")
    return getattr(importlib.import_module(f"dewpond.science.{module}"), function)  # type: ignore[no-any-return]


def parts(result: Any) -> list[Any]:
    return list(result) if isinstance(result, tuple) else [result]


def draw(name: str, size: int | tuple[int, ...]) -> dict[str, Any]:
    rng = np.random.default_rng(sum(name.encode()))
    return {argument: rng.uniform(low, high, size) for argument, (low, high) in FUNCTIONS[name].items()}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_alone_equals_in_a_batch_bit_for_bit(name: str) -> None:
    function, batch = function_of(name), draw(name, 37)
    together = parts(function(**batch))
    for row in range(37):
        alone = parts(function(**{argument: float(values[row]) for argument, values in batch.items()}))
        for single, column in zip(alone, together, strict=True):
            assert isinstance(single, float)  # numpy's float64 is a float too; an array of no dimension is not
            assert single == column[row]
            assert np.isfinite(single)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_scenarios_and_zones_broadcast(name: str) -> None:
    function, full = function_of(name), draw(name, (3, 5))
    mixed = {
        argument: values[:, :1] if position % 2 else values[:1, :]
        for position, (argument, values) in enumerate(full.items())
    }
    wide = dict(zip(mixed, np.broadcast_arrays(*mixed.values()), strict=True))
    for short, long in zip(parts(function(**mixed)), parts(function(**wide)), strict=True):
        np.testing.assert_array_equal(np.broadcast_to(short, np.shape(long)), long)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_missing_input_gives_a_missing_result(name: str) -> None:
    function, batch = function_of(name), draw(name, 4)
    for argument in batch:
        broken = {other: values.copy() for other, values in batch.items()}
        broken[argument][2] = np.nan
        results = parts(function(**broken))
        assert any(np.isnan(column[2]) for column in results), argument
        for whole, column in zip(parts(function(**batch)), results, strict=True):
            np.testing.assert_array_equal(np.delete(column, 2), np.delete(whole, 2))


ROWWISE = {
    "uniformity.distribution_uniformity": (1.0, 20.0),
    "uniformity.christiansen_uniformity": (1.0, 20.0),
    "wiring.parallel_ohm": (20.0, 60.0),
}


@pytest.mark.parametrize("name", ROWWISE)
def test_one_row_alone_equals_that_row_among_others(name: str) -> None:
    rows = np.random.default_rng(5).uniform(*ROWWISE[name], (6, 23))
    together = function_of(name)(rows)
    assert together.shape == (6,)
    for row in range(6):
        alone = function_of(name)(rows[row])
        assert isinstance(alone, float)
        assert alone == together[row]
    rows[3, 4] = np.nan
    assert np.isnan(function_of(name)(rows)).tolist() == [False, False, False, True, False, False]


def test_every_elementwise_function_stands_in_the_table() -> None:
    elsewhere = {
        # On the last axis, or by name, or with texts or dates: tested in the file of their module.
        "dual_coefficient.kcb_curve",
        "radiation.day_of_year",
        "radiation.mid_month_day",
        "rainfall.area_weighted",
        "rainfall.split_rain_by_hour",
        "reference_et.eto_plain",
        "reference_et.fill_missing_weather",
        "reference_et.penman_monteith_terms",
        "uniformity.catch_rate_mm_h",
        "uniformity.low_count",
        "uniformity.quality_word",
        *ROWWISE,
    }
    modules = "accounts application dual_coefficient hydraulics radiation rainfall reference_et soil_water"
    public = set()
    for module_name in (*modules.split(), "uniformity", "vapour", "wiring"):
        module = importlib.import_module(f"dewpond.science.{module_name}")
        for name, value in vars(module).items():
            own = getattr(value, "__module__", "") == module.__name__
            if own and callable(value) and not isinstance(value, type) and not name.startswith("_"):
                public.add(f"{module_name}.{name}")
    assert public == (set(FUNCTIONS) - {"plants.landscape_coefficient"}) | elsewhere
