"""Every published case of weather terms and reference ET, each printed figure one test.

A calculator gets a case's inputs as floats, arrays or texts and returns a value for every figure the source prints;
conftest.py reads the cases and compares.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest

from dewpond.science import radiation, reference_et, vapour
from dewpond.science.units import MM_PER_INCH

PUBLISHED_ABOUT = "weather"

Inputs = Mapping[str, Any]
Results = Mapping[str, Any]


def pressure_and_gamma(i: Inputs) -> Results:
    pressure = vapour.atmospheric_pressure(i["elevation"])
    return {"pressure": pressure, "psychrometric_constant": vapour.psychrometric_constant(pressure)}


def saturation(i: Inputs) -> Results:
    return {
        "e0_tmax": vapour.saturation_vapour_pressure(i["t_max"]),
        "e0_tmin": vapour.saturation_vapour_pressure(i["t_min"]),
        "es_mean": vapour.mean_saturation_vapour_pressure(i["t_min"], i["t_max"]),
        "e0_at_tmean": vapour.saturation_vapour_pressure((i["t_min"] + i["t_max"]) / 2),
    }


def ea_from_humidity(i: Inputs) -> Results:
    return {
        "e0_tmin": vapour.saturation_vapour_pressure(i["t_min"]),
        "e0_tmax": vapour.saturation_vapour_pressure(i["t_max"]),
        "ea_eq17": vapour.ea_from_humidity_range(i["t_min"], i["t_max"], i["rh_min"], i["rh_max"]),
        "ea_eq19_rhmean": vapour.ea_from_mean_humidity(i["t_min"], i["t_max"], (i["rh_min"] + i["rh_max"]) / 2),
    }


def latitudes(i: Inputs) -> Results:
    bangkok = i["lat_bangkok_deg"] + i["lat_bangkok_min"] / 60
    rio = -(i["lat_rio_deg"] + i["lat_rio_min"] / 60)
    return {
        "bangkok_decimal": bangkok,
        "bangkok_rad": np.radians(bangkok),
        "rio_decimal": rio,
        "rio_rad": np.radians(rio),
    }


def ra_daily(i: Inputs) -> Results:
    day = radiation.day_of_year(i["month"], i["day"])
    declination = radiation.solar_declination(day)
    ra = radiation.extraterrestrial_radiation_daily(np.radians(i["latitude"]), day)
    return {
        "day_of_year": day,
        "dr": radiation.inverse_relative_distance(day),
        "declination": declination,
        "sunset_hour_angle": radiation.sunset_hour_angle(np.radians(i["latitude"]), declination),
        "ra": ra,
        "ra_mm": radiation.mm_from_mj(ra),
    }


def rs_from_sunshine(i: Inputs) -> Results:
    latitude = np.radians(i["latitude"])
    ra = radiation.extraterrestrial_radiation_daily(latitude, i["day_of_year"])
    hours = radiation.daylight_hours(latitude, i["day_of_year"])
    sunshine = i["sunshine_hours_month"] / i["days"]
    rs = radiation.solar_radiation_from_sunshine(ra, sunshine, hours, i["a_s"], i["b_s"])
    return {"ra": ra, "daylight_hours": hours, "sunshine": sunshine, "rs": rs, "rs_mm": radiation.mm_from_mj(rs)}


def rnl(i: Inputs) -> Results:
    rso = radiation.clear_sky_radiation(i["ra"], 0.0)
    relative = radiation.relative_radiation(i["rs"], rso)
    net = radiation.net_longwave(i["t_min"], i["t_max"], i["ea"], relative)

    def black_body(t_c: float) -> float:
        # Without humidity and cloud factors: ea 0 gives 0.34, a clear sky 1.
        return radiation.net_longwave(t_c, t_c, 0.0, 1.0) / 0.34

    return {
        "rso": rso,
        "sigma_tmax4": black_body(i["t_max"]),
        "sigma_tmin4": black_body(i["t_min"]),
        "rs_over_rso": relative,
        "rnl": net,
        "rnl_mm": radiation.mm_from_mj(net),
    }


def net_radiation(i: Inputs) -> Results:
    rns = radiation.net_shortwave(i["rs"], i["albedo"])
    return {"rns": rns, "rn": rns - i["rnl"], "rn_mm": radiation.mm_from_mj(rns - i["rnl"])}


def wind(i: Inputs) -> Results:
    return {"factor": vapour.wind_height_factor(i["height"]), "u2": vapour.wind_at_2m(i["wind"], i["height"])}


def wind_factors(i: Inputs) -> Results:
    return {"factor": vapour.wind_height_factor(i["height"])}


def e0_table(i: Inputs) -> Results:
    return {"e0": vapour.saturation_vapour_pressure(i["temperature"])}


def day_numbers(i: Inputs) -> Results:
    return {"day_of_year": radiation.day_of_year(i["month"], i["day"])}


def radiation_units(i: Inputs) -> Results:
    return {
        "w_m2_in_mj": radiation.mj_per_day_from_watts(i["one_w_m2"]),
        "cal_in_mj": radiation.MJ_PER_LANGLEY * i["one_cal_cm2_day"],
        "mm_in_mj": radiation.MJ_PER_MM * i["one_mm_day"],
        "mj_in_mm": radiation.mm_from_mj(i["one_mj"]),
        "w_m2_in_mm": radiation.mm_from_mj(radiation.mj_per_day_from_watts(i["one_w_m2"])),
        "mj_in_w_m2": radiation.watts_from_mj_per_day(i["one_mj"]),
    }


def cabinda(i: Inputs) -> Results:
    latitude, day = np.radians(i["latitude"]), radiation.mid_month_day(i["month"])
    ra = radiation.extraterrestrial_radiation_daily(latitude, day)
    hours = radiation.daylight_hours(latitude, day)
    return {"rs": radiation.solar_radiation_from_sunshine(ra, i["sunshine"], hours, i["a_s"], i["b_s"])}


def uccle(i: Inputs) -> Results:
    latitude, day, low, high = np.radians(i["latitude"]), i["day_of_year"], i["t_min"], i["t_max"]
    wind_10m = i["wind_10m"] / 3.6
    u2 = vapour.wind_at_2m(wind_10m, 10.0)
    pressure = vapour.atmospheric_pressure(i["elevation"])
    gamma = vapour.psychrometric_constant(pressure)
    delta = vapour.slope_vapour_pressure_curve((low + high) / 2)
    es = vapour.mean_saturation_vapour_pressure(low, high)
    ea = vapour.ea_from_humidity_range(low, high, i["rh_min"], i["rh_max"])
    ra = radiation.extraterrestrial_radiation_daily(latitude, day)
    hours = radiation.daylight_hours(latitude, day)
    rs = radiation.solar_radiation_from_sunshine(ra, i["sunshine"], hours)
    rso = radiation.clear_sky_radiation(ra, i["elevation"])
    rns = radiation.net_shortwave(rs)
    longwave = radiation.net_longwave(low, high, ea, radiation.relative_radiation(rs, rso))
    sun_mm, air_mm = reference_et.penman_monteith_terms(
        delta=delta,
        gamma=gamma,
        rn_mj_m2=rns - longwave,
        g_mj_m2=i["g"],
        t_c=(low + high) / 2,
        u2_m_s=u2,
        vpd_kpa=es - ea,
    )
    eto = reference_et.penman_monteith_daily(
        t_min_c=low,
        t_max_c=high,
        ea_kpa=ea,
        rs_mj_m2=rs,
        u2_m_s=u2,
        latitude_rad=latitude,
        day_of_year=day,
        elevation_m=i["elevation"],
    )
    plain = reference_et.eto_plain(
        t_min_c=low,
        t_max_c=high,
        latitude_deg=i["latitude"],
        day_of_year=int(day),
        elevation_m=i["elevation"],
        rh_min_pct=i["rh_min"],
        rh_max_pct=i["rh_max"],
        solar_mj_m2=rs,
        wind_m_s=wind_10m,
        wind_height_m=10.0,
    )
    assert plain == pytest.approx(eto, abs=1e-12)
    return {
        "wind_10m_ms": wind_10m,
        "u2": u2,
        "pressure": pressure,
        "delta": delta,
        "psychrometric_constant": gamma,
        "e0_tmax": vapour.saturation_vapour_pressure(high),
        "e0_tmin": vapour.saturation_vapour_pressure(low),
        "es": es,
        "ea": ea,
        "vpd": es - ea,
        "ra": ra,
        "daylight_hours": hours,
        "rs": rs,
        "rso": rso,
        "rns": rns,
        "rnl": longwave,
        "rn": rns - longwave,
        "eto_radiation_term": sun_mm,
        "eto_aerodynamic_term": air_mm,
        "eto": eto,
    }


def ndiaye(i: Inputs) -> Results:
    latitude, day, t_c = np.radians(i["latitude"]), i["day_of_year"], i["t_hr"]
    angle = radiation.solar_time_angle(i["clock_time_mid"], i["longitude"], i["timezone_meridian"], day)
    ra = radiation.extraterrestrial_radiation_hourly(latitude, day, angle, i["period"])
    rso = radiation.clear_sky_radiation(ra, i["elevation"])
    relative = radiation.relative_radiation(i["rs"], rso, where_dark=i.get("rs_over_rso_assumed", 0.8))
    e0 = vapour.saturation_vapour_pressure(t_c)
    ea = e0 * i["rh_hr"] / 100
    rns = radiation.net_shortwave(i["rs"])
    longwave = radiation.net_longwave(t_c, t_c, ea, relative, radiation.SIGMA_FAO / 24)
    rn = rns - longwave
    return {
        "delta": vapour.slope_vapour_pressure_curve(t_c),
        "psychrometric_constant": vapour.psychrometric_constant(vapour.atmospheric_pressure(i["elevation"])),
        "e0": e0,
        "ea": ea,
        "vpd": e0 - ea,
        "dr": radiation.inverse_relative_distance(day),
        "declination": radiation.solar_declination(day),
        "seasonal_correction": radiation.seasonal_correction_h(day),
        "omega_mid": angle,
        "omega_start": angle - np.pi * i["period"] / 24,
        "omega_end": angle + np.pi * i["period"] / 24,
        "ra": ra,
        "rso": rso,
        "rns": rns,
        "rs_over_rso": relative,
        "rnl": longwave,
        "rn": rn,
        "g": rn * (0.1 if ra > 0 else 0.5),
        "eto": reference_et.penman_monteith_hourly(
            t_c=t_c,
            ea_kpa=ea,
            rs_mj_m2=i["rs"],
            u2_m_s=i["u2"],
            latitude_rad=latitude,
            day_of_year=day,
            elevation_m=i["elevation"],
            clock_mid_h=i["clock_time_mid"],
            longitude_deg=i["longitude"],
            meridian_deg=i["timezone_meridian"],
            relative_at_night=i.get("rs_over_rso_assumed", 0.8),
        ),
    }


def lyon(i: Inputs) -> Results:
    ra = radiation.extraterrestrial_radiation_daily(np.radians(i["latitude"]), i["day_of_year"])
    return {"eto": reference_et.hargreaves(i["t_min"], i["t_max"], ra)}


def _asce_day(i: Inputs, ea: float, **clear_sky: float) -> float:
    return reference_et.asce_daily(
        t_min_c=i["t_min"],
        t_max_c=i["t_max"],
        ea_kpa=ea,
        rs_mj_m2=i["rs"],
        u2_m_s=vapour.wind_at_2m(i["wind"], i["wind_height"]),
        latitude_rad=np.radians(i["latitude"]),
        day_of_year=i["day_of_year"],
        elevation_m=i["elevation"],
        **clear_sky,
    )


def fallon_day(i: Inputs) -> Results:
    latitude, ea = np.radians(i["latitude"]), vapour.ea_from_dew_point(i["t_dew"])
    rso = radiation.clear_sky_radiation_beam_diffuse(
        ra_mj_m2=radiation.extraterrestrial_radiation_daily(latitude, i["day_of_year"]),
        latitude_rad=latitude,
        day_of_year=i["day_of_year"],
        ea_kpa=ea,
        pressure_kpa=vapour.atmospheric_pressure(i["elevation"]),
    )
    eto = _asce_day(i, ea, rso_mj_m2=rso)
    return {
        "etos_rso_beam_diffuse": eto,
        "etos_rso_simple": _asce_day(i, ea),
        "etos_agency_inches": eto / MM_PER_INCH,
    }


def greeley_day(i: Inputs) -> Results:
    return {"etos": _asce_day(i, i["ea"])}


def greeley_parts(i: Inputs) -> Results:
    return {**pressure_and_gamma(i), "delta": vapour.slope_vapour_pressure_curve(i["t_mean"])}


def fallon_hour(i: Inputs) -> Results:
    eto = reference_et.asce_hourly(
        t_c=i["t_hr"],
        ea_kpa=vapour.ea_from_dew_point(i["t_dew"]),
        rs_mj_m2=i["rs"],
        u2_m_s=vapour.wind_at_2m(i["wind"], i["wind_height"]),
        latitude_rad=np.radians(i["latitude"]),
        day_of_year=i["day_of_year"],
        elevation_m=i["elevation"],
        clock_mid_h=i["clock_time_mid"],
        longitude_deg=i["longitude"],
        meridian_deg=i["timezone_meridian"],
    )
    return {"etos": eto}


# The longest beginning of a case's id that stands here names its calculator.
CALCULATORS: dict[str, Callable[[Inputs], Results]] = {
    "fao56-ex02-pressure-gamma": pressure_and_gamma,
    "fao56-ex03-saturation-vapour-pressure": saturation,
    "fao56-ex05-ea-from-rh": ea_from_humidity,
    "fao56-ex07-latitude": latitudes,
    "fao56-ex08-ra-daily": ra_daily,
    "fao56-ex10-rs-from-sunshine": rs_from_sunshine,
    "fao56-ex11-rnl": rnl,
    "fao56-ex12-rn": net_radiation,
    "fao56-ex14-wind-height": wind,
    "fao56-table2.3-e0": e0_table,
    "fao56-table2.5-day-of-year": day_numbers,
    "fao56-table2.9-wind-factor": wind_factors,
    "fao56-table3-radiation-units": radiation_units,
    "fao56-fig18-cabinda-rs": cabinda,
    "fao56-ex18-uccle-daily": uccle,
    "fao56-ex19-ndiaye-": ndiaye,
    "fao56-ex20-lyon-hargreaves": lyon,
    "asce-fallon-daily-": fallon_day,
    "asce-fallon-hourly-": fallon_hour,
    "asce-greeley-daily-": greeley_day,
    "asce-greeley-pressure-gamma-slope": greeley_parts,
}


def test_published_figure_is_met(published_figure: Any) -> None:
    published_figure.check(CALCULATORS)


def test_every_calculator_has_a_case(published_ids: list[str]) -> None:
    assert [name for name in CALCULATORS if not any(case_id.startswith(name) for case_id in published_ids)] == []
    assert len(published_ids) == 37
