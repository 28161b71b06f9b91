"""Reference evapotranspiration: the published equations, the procedures for missing data, and a plain form for checks.

Array functions are elementwise and broadcast: float in, float out; arrays in, arrays out. NaN stays NaN. Results are
those of the equations, so a cold or dewy spell may give a little below 0; whoever books water clips them.

"FAO-56" is R. G. Allen, L. S. Pereira, D. Raes, M. Smith, Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56, Rome 1998. "ASCE-EWRI" is The ASCE Standardized Reference Evapotranspiration Equation, 2005; its
coefficients are those of its short reference as REF-ET 4.1 states them.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from dewpond.science.radiation import (
    SIGMA_ASCE,
    SIGMA_FAO,
    clear_sky_radiation,
    extraterrestrial_radiation_daily,
    extraterrestrial_radiation_hourly,
    mm_from_mj,
    net_longwave,
    net_shortwave,
    relative_radiation,
    solar_radiation_from_temperature,
    solar_time_angle,
)
from dewpond.science.vapour import (
    atmospheric_pressure,
    ea_from_humidity_range,
    ea_from_max_humidity,
    ea_from_min_temperature,
    mean_saturation_vapour_pressure,
    psychrometric_constant,
    saturation_vapour_pressure,
    slope_vapour_pressure_curve,
)
from dewpond.science.weather_guards import refuse_implausible, weather_faults

__all__ = [
    "DEFAULT_WIND_M_S",
    "FilledWeather",
    "asce_daily",
    "asce_hourly",
    "eto_plain",
    "fill_missing_weather",
    "hargreaves",
    "penman_monteith_daily",
    "penman_monteith_hourly",
    "penman_monteith_terms",
    "refuse_implausible",
    "weather_faults",
]

# Wind at 2 m where nothing is known [m/s], FAO-56 ch. 3, p. 63: the mean of over 2000 weather stations.
DEFAULT_WIND_M_S = 2.0


def penman_monteith_terms(*, delta, gamma, rn_mj_m2, g_mj_m2, t_c, u2_m_s, vpd_kpa, cn=900.0, cd=0.34):
    """The two terms of the combination equation; their sum is the reference ET.

    Parameters
    ----------
    delta, gamma : float or array
        Slope of the vapour pressure curve and psychrometric constant. [kPa/degC]
    rn_mj_m2, g_mj_m2 : float or array
        Net radiation and soil heat flux of the period. [MJ/m2]
    t_c, u2_m_s, vpd_kpa : float or array
        Mean temperature [degC], wind at 2 m [m/s], vapour pressure deficit [kPa].
    cn, cd : float or array
        Numerator and denominator coefficients: 900 and 0.34 for a day, 37 for an hour.

    Returns
    -------
    (radiation_mm, aerodynamic_mm) : floats or arrays, broadcast. [mm per period]

    References
    ----------
    FAO-56 eq. 6 and 53; ASCE-EWRI eq. 1.
    """
    denominator = delta + gamma * (1.0 + cd * u2_m_s)
    radiation_mm = 0.408 * delta * (rn_mj_m2 - g_mj_m2) / denominator
    aerodynamic_mm = gamma * cn / (t_c + 273.0) * u2_m_s * vpd_kpa / denominator
    return radiation_mm, aerodynamic_mm


def penman_monteith_daily(
    *, t_min_c, t_max_c, ea_kpa, rs_mj_m2, u2_m_s, latitude_rad, day_of_year, elevation_m,
    g_mj_m2=0.0, rso_mj_m2=None, least_wind_m_s=0.0, sigma=SIGMA_FAO,
):  # fmt: skip
    """Daily reference ET of grass by FAO Penman-Monteith.

    Parameters
    ----------
    t_min_c, t_max_c : float or array
        Lowest and highest air temperature. [degC]
    ea_kpa : float or array
        Actual vapour pressure. [kPa]
    rs_mj_m2 : float or array
        Solar radiation. [MJ/m2/day]
    u2_m_s : float or array
        Wind at 2 m. [m/s]
    latitude_rad, day_of_year, elevation_m : float or array
        Place and day. [rad], [-], [m]
    g_mj_m2 : float or array
        Soil heat flux, 0 for a day. [MJ/m2/day]
    rso_mj_m2 : float or array, optional
        Clear-sky radiation; FAO-56 eq. 37 when left out. [MJ/m2/day]
    least_wind_m_s : float
        Wind below this counts as this; FAO-56 p. 63 advises 0.5 under calm air. [m/s]
    sigma : float
        Stefan-Boltzmann constant. [MJ/K4/m2/day]

    Returns
    -------
    float or array, broadcast: ETo. [mm/day]

    References
    ----------
    FAO-56 eq. 6, with eq. 7-13, 21-25 and 37-40.
    """
    gamma = psychrometric_constant(atmospheric_pressure(elevation_m))
    t_mean = (t_min_c + t_max_c) / 2.0
    if rso_mj_m2 is None:
        rso_mj_m2 = clear_sky_radiation(extraterrestrial_radiation_daily(latitude_rad, day_of_year), elevation_m)
    rnl = net_longwave(t_min_c, t_max_c, ea_kpa, relative_radiation(rs_mj_m2, rso_mj_m2), sigma)
    radiation_mm, aerodynamic_mm = penman_monteith_terms(
        delta=slope_vapour_pressure_curve(t_mean),
        gamma=gamma,
        rn_mj_m2=net_shortwave(rs_mj_m2) - rnl,
        g_mj_m2=g_mj_m2,
        t_c=t_mean,
        u2_m_s=np.maximum(u2_m_s, least_wind_m_s),
        vpd_kpa=mean_saturation_vapour_pressure(t_min_c, t_max_c) - ea_kpa,
    )
    return radiation_mm + aerodynamic_mm


def asce_daily(*, rso_mj_m2=None, **weather):
    """Daily short-reference ET by the ASCE standardized equation. [mm/day]

    Parameters as in ``penman_monteith_daily``, without ``sigma``; ``rso_mj_m2`` may come from
    ``clear_sky_radiation_beam_diffuse``.

    References
    ----------
    ASCE-EWRI eq. 1, Cn 900, Cd 0.34.
    """
    return penman_monteith_daily(rso_mj_m2=rso_mj_m2, sigma=SIGMA_ASCE, **weather)


def penman_monteith_hourly(
    *, t_c, ea_kpa, rs_mj_m2, u2_m_s, latitude_rad, day_of_year, elevation_m, clock_mid_h, longitude_deg, meridian_deg,
    relative_at_night=0.8,
):  # fmt: skip
    """Hourly reference ET of grass by FAO Penman-Monteith.

    Parameters
    ----------
    t_c, ea_kpa, rs_mj_m2, u2_m_s : float or array
        Means of the hour: temperature [degC], vapour pressure [kPa], wind at 2 m [m/s]; solar radiation [MJ/m2/h].
    latitude_rad, day_of_year, elevation_m : float or array
        Place and day. [rad], [-], [m]
    clock_mid_h, longitude_deg, meridian_deg : float or array
        Standard clock time at the middle of the hour [h]; longitude of the place and of its time zone's centre,
        negative in the west. [deg]
    relative_at_night : float or array
        Rs/Rso that stands while the sun is down: that of 2 to 3 hours before sunset. [-]

    Returns
    -------
    float or array, broadcast: ETo. [mm/h]

    References
    ----------
    FAO-56 eq. 53, with eq. 28-33, 37-40, 45 (G = 0.1 Rn by day) and 46 (0.5 Rn at night).
    """
    angle = solar_time_angle(clock_mid_h, longitude_deg, meridian_deg, day_of_year)
    ra = extraterrestrial_radiation_hourly(latitude_rad, day_of_year, angle)
    relative = relative_radiation(rs_mj_m2, clear_sky_radiation(ra, elevation_m), relative_at_night)
    rn = net_shortwave(rs_mj_m2) - net_longwave(t_c, t_c, ea_kpa, relative, SIGMA_FAO / 24.0)
    radiation_mm, aerodynamic_mm = penman_monteith_terms(
        **_hourly_air(t_c, ea_kpa, elevation_m),
        u2_m_s=u2_m_s,
        rn_mj_m2=rn,
        g_mj_m2=rn * np.where(ra <= 0.0, 0.5, 0.1),
        cd=0.34,
    )
    return radiation_mm + aerodynamic_mm


def asce_hourly(
    *, t_c, ea_kpa, rs_mj_m2, u2_m_s, latitude_rad, day_of_year, elevation_m, clock_mid_h, longitude_deg, meridian_deg,
    relative_at_night=0.8,
):  # fmt: skip
    """Hourly short-reference ET by the ASCE standardized equation. [mm/h]

    Parameters as in ``penman_monteith_hourly``.

    References
    ----------
    ASCE-EWRI eq. 1, Cn 37; Cd 0.24 and G = 0.1 Rn by day (Rn >= 0), Cd 0.96 and G = 0.5 Rn at night.
    """
    angle = solar_time_angle(clock_mid_h, longitude_deg, meridian_deg, day_of_year)
    ra = extraterrestrial_radiation_hourly(latitude_rad, day_of_year, angle)
    relative = relative_radiation(rs_mj_m2, clear_sky_radiation(ra, elevation_m), relative_at_night)
    rn = net_shortwave(rs_mj_m2) - net_longwave(t_c, t_c, ea_kpa, relative, SIGMA_ASCE / 24.0)
    radiation_mm, aerodynamic_mm = penman_monteith_terms(
        **_hourly_air(t_c, ea_kpa, elevation_m),
        u2_m_s=u2_m_s,
        rn_mj_m2=rn,
        g_mj_m2=rn * np.where(rn < 0.0, 0.5, 0.1),
        cd=np.where(rn < 0.0, 0.96, 0.24),
    )
    return radiation_mm + aerodynamic_mm


def _hourly_air(t_c, ea_kpa, elevation_m):
    """What both hourly equations take from the air, as arguments of ``penman_monteith_terms``."""
    return {
        "delta": slope_vapour_pressure_curve(t_c),
        "gamma": psychrometric_constant(atmospheric_pressure(elevation_m)),
        "t_c": t_c,
        "vpd_kpa": saturation_vapour_pressure(t_c) - ea_kpa,
        "cn": 37.0,
    }


def hargreaves(t_min_c, t_max_c, ra_mj_m2):
    """Daily reference ET from temperatures alone: 0.0023 (Tmean + 17.8) sqrt(Tmax - Tmin) Ra.

    Parameters
    ----------
    t_min_c, t_max_c : float or array
        Lowest and highest temperature; a minimum above the maximum counts as equal. [degC]
    ra_mj_m2 : float or array
        Extraterrestrial radiation. [MJ/m2/day]

    Returns
    -------
    float or array, broadcast: ETo. [mm/day]

    References
    ----------
    FAO-56 eq. 52, with Ra in mm/day by eq. 20.
    """
    swing = np.sqrt(np.maximum(t_max_c - t_min_c, 0.0))
    return 0.0023 * ((t_min_c + t_max_c) / 2.0 + 17.8) * swing * mm_from_mj(ra_mj_m2)


class FilledWeather(NamedTuple):
    """Weather made complete, arrays of one shape; the masks are True where a value was replaced."""

    ea_kpa: Any
    rs_mj_m2: Any
    u2_m_s: Any
    humidity_replaced: Any
    radiation_replaced: Any
    wind_replaced: Any


def fill_missing_weather(
    *, t_min_c, t_max_c, rh_min_pct, rh_max_pct, rs_mj_m2, u2_m_s, latitude_rad, day_of_year, k_rs=0.16
):
    """Replace missing humidity, radiation and wind by the procedures of FAO-56 chapter 3.

    Parameters
    ----------
    t_min_c, t_max_c : float or array
        Temperatures; where one is missing the replaced values are NaN too. [degC]
    rh_min_pct, rh_max_pct : float or array, NaN where missing
        Relative humidity. With the highest alone, eq. 18 is used and counted as replaced. [%]
    rs_mj_m2, u2_m_s : float or array, NaN where missing
        Solar radiation [MJ/m2/day] and wind at 2 m [m/s].
    latitude_rad, day_of_year : float or array
        Place and day. [rad], [-]
    k_rs : float
        0.16 inland, 0.19 at a coast. [degC^-0.5]

    Returns
    -------
    FilledWeather

    References
    ----------
    FAO-56 eq. 48 (dew point at Tmin), eq. 50 (radiation from the temperature range), p. 63 (2 m/s).
    """
    no_low, no_high = np.isnan(rh_min_pct), np.isnan(rh_max_pct)
    both = ea_from_humidity_range(t_min_c, t_max_c, rh_min_pct, rh_max_pct)
    instead = np.where(no_high, ea_from_min_temperature(t_min_c), ea_from_max_humidity(t_min_c, rh_max_pct))
    ra = extraterrestrial_radiation_daily(latitude_rad, day_of_year)
    no_rs, no_wind = np.isnan(rs_mj_m2), np.isnan(u2_m_s)
    values = (
        np.where(no_low | no_high, instead, both),
        np.where(no_rs, solar_radiation_from_temperature(ra, t_min_c, t_max_c, k_rs), rs_mj_m2),
        np.where(no_wind, DEFAULT_WIND_M_S, u2_m_s),
    )
    columns = np.broadcast_arrays(*values, no_low | no_high, no_rs, no_wind)
    return FilledWeather(*(column[()] for column in columns))


def eto_plain(
    *,
    t_min_c: float,
    t_max_c: float,
    latitude_deg: float,
    day_of_year: int,
    elevation_m: float,
    rh_min_pct: float | None = None,
    rh_max_pct: float | None = None,
    solar_mj_m2: float | None = None,
    wind_m_s: float | None = None,
    wind_height_m: float = 2.0,
    k_rs: float = 0.16,
) -> float:
    """Daily reference ET in plain floats: an independent form of ``penman_monteith_daily`` for checks and single days.

    Parameters
    ----------
    t_min_c, t_max_c : float
        Lowest and highest temperature. [degC]
    latitude_deg, day_of_year, elevation_m : float
        Place (degrees, negative in the south) and day. [deg], [-], [m]
    rh_min_pct, rh_max_pct, solar_mj_m2, wind_m_s : float or None
        Humidity [%], solar radiation [MJ/m2/day] and wind [m/s] at ``wind_height_m`` [m]; None where missing, replaced
        as in ``fill_missing_weather``.
    k_rs : float
        0.16 inland, 0.19 at a coast. [degC^-0.5]

    Returns
    -------
    float: ETo. [mm/day]

    References
    ----------
    FAO-56 eq. 6; missing data by eq. 18, 48, 50 and p. 63.
    """
    t_mean = (t_min_c + t_max_c) / 2.0
    e_low, e_high = _e0(t_min_c), _e0(t_max_c)
    ea = _plain_ea(e_low, e_high, rh_min_pct, rh_max_pct)
    ra = _plain_ra(math.radians(latitude_deg), day_of_year)
    rs = k_rs * math.sqrt(max(t_max_c - t_min_c, 0.0)) * ra if solar_mj_m2 is None else solar_mj_m2
    u2 = DEFAULT_WIND_M_S if wind_m_s is None else wind_m_s
    if wind_m_s is not None and wind_height_m != 2.0:
        u2 = wind_m_s * 4.87 / math.log(67.8 * wind_height_m - 5.42)
    rn = 0.77 * rs - _plain_rnl(t_min_c, t_max_c, ea, rs, (0.75 + 2e-5 * elevation_m) * ra)
    gamma = 0.000665 * 101.3 * math.pow((293.0 - 0.0065 * elevation_m) / 293.0, 5.26)
    delta = 4098.0 * _e0(t_mean) / (t_mean + 237.3) ** 2
    pull = gamma * 900.0 / (t_mean + 273.0) * u2 * ((e_low + e_high) / 2.0 - ea)
    return (0.408 * delta * rn + pull) / (delta + gamma * (1.0 + 0.34 * u2))


def _e0(t_c: float) -> float:
    return 0.6108 * math.exp(17.27 * t_c / (t_c + 237.3))


def _plain_ea(e_low: float, e_high: float, rh_min_pct: float | None, rh_max_pct: float | None) -> float:
    if rh_max_pct is None:
        return e_low
    if rh_min_pct is None:
        return e_low * rh_max_pct / 100.0
    return (e_low * rh_max_pct + e_high * rh_min_pct) / 200.0


def _plain_ra(latitude_rad: float, day_of_year: int) -> float:
    season = 2.0 * math.pi * day_of_year / 365.0
    declination = 0.409 * math.sin(season - 1.39)
    sunset = math.acos(max(-1.0, min(1.0, -math.tan(latitude_rad) * math.tan(declination))))
    height = sunset * math.sin(latitude_rad) * math.sin(declination)
    swing = math.cos(latitude_rad) * math.cos(declination) * math.sin(sunset)
    return 24.0 * 60.0 / math.pi * 0.0820 * (1.0 + 0.033 * math.cos(season)) * (height + swing)


def _plain_rnl(t_min_c: float, t_max_c: float, ea: float, rs: float, rso: float) -> float:
    relative = max(0.3, min(1.0, rs / rso)) if rso > 0.0 else 0.8
    black_body = 4.903e-9 * ((t_max_c + 273.16) ** 4 + (t_min_c + 273.16) ** 4) / 2.0
    return black_body * (0.34 - 0.14 * math.sqrt(ea)) * max(0.05, min(1.0, 1.35 * relative - 0.35))
