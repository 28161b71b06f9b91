"""Sun geometry and the radiation terms of reference evapotranspiration.

All functions are elementwise and broadcast: float in, float out; arrays in, arrays out. NaN stays NaN. Radiation is
in MJ/m2 per day, or per hour in the hourly functions. Latitudes are in radians and negative in the south, longitudes
in degrees and negative in the west.

"FAO-56" is R. G. Allen, L. S. Pereira, D. Raes, M. Smith, Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56, Rome 1998. "ASCE-EWRI" is The ASCE Standardized Reference Evapotranspiration Equation, 2005.
"""

from __future__ import annotations

import numpy as np

# Solar constant [MJ/m2/min], FAO-56 eq. 21.
SOLAR_CONSTANT = 0.0820
# Stefan-Boltzmann constant [MJ/K4/m2/day], FAO-56 eq. 39; ASCE-EWRI prints 4.901e-9.
SIGMA_FAO = 4.903e-9
SIGMA_ASCE = 4.901e-9
# 0 degC in kelvin as both publications use it. [K]
ZERO_C_K = 273.16
# Radiation that evaporates 1 mm of water [MJ/m2/mm], FAO-56 eq. 20 and Table 3.
MJ_PER_MM = 2.45
# 1 W/m2 over a day [MJ/m2/day], FAO-56 Table 3.
MJ_PER_DAY_OF_WATT = 0.0864
# 1 calorie per cm2, also called a langley [MJ/m2], FAO-56 Table 3.
MJ_PER_LANGLEY = 0.041868
# Albedo of the reference grass. [-] FAO-56 eq. 38.
GRASS_ALBEDO = 0.23


def mm_from_mj(mj_m2):
    """Depth of water that radiation could evaporate: 0.408 Rs. [mm] Source: FAO-56 eq. 20."""
    return 0.408 * mj_m2


def mj_per_day_from_watts(w_m2):
    """A day's radiation from its mean flux in W/m2. [MJ/m2/day] Source: FAO-56 Table 3."""
    return MJ_PER_DAY_OF_WATT * w_m2


def watts_from_mj_per_day(mj_m2):
    """Mean flux of a day's radiation. [W/m2] Source: FAO-56 Table 3."""
    return mj_m2 / MJ_PER_DAY_OF_WATT


def day_of_year(month, day, leap_year=False):
    """Number of the day in the year, 1 on 1 January.

    Parameters
    ----------
    month, day : int or array of int
        Calendar month 1 to 12 and day of the month.
    leap_year : bool or array of bool
        Whether the year has a 29 February.

    References
    ----------
    FAO-56 Annex 2, Table 2.5, pp. 217-218 (the closed form is from memory; it reproduces the table).
    """
    number = np.floor(275.0 * month / 9.0 - 30.0 + day) - 2.0
    number = number + np.where(np.less(month, 3), 2.0, 0.0)
    return number + np.where(np.logical_and(leap_year, np.greater(month, 2)), 1.0, 0.0)


def mid_month_day(month):
    """Day number that stands for a whole month: INTEGER(30.4 M - 15). Source: FAO-56 Figure 18 and Annex 2."""
    return np.floor(30.4 * month - 15.0)


def inverse_relative_distance(day_of_year):
    """Inverse relative distance earth to sun, dr = 1 + 0.033 cos(2 pi J/365). [-] Source: FAO-56 eq. 23."""
    return 1.0 + 0.033 * np.cos(2.0 * np.pi * day_of_year / 365.0)


def solar_declination(day_of_year):
    """Solar declination 0.409 sin(2 pi J/365 - 1.39). [rad] Source: FAO-56 eq. 24."""
    return 0.409 * np.sin(2.0 * np.pi * day_of_year / 365.0 - 1.39)


def sunset_hour_angle(latitude_rad, declination_rad):
    """Sunset hour angle arccos(-tan(lat) tan(dec)): 0 in polar night, pi in polar day. [rad] Source: FAO-56 eq. 25."""
    return np.arccos(np.clip(-np.tan(latitude_rad) * np.tan(declination_rad), -1.0, 1.0))


def daylight_hours(latitude_rad, day_of_year):
    """Daylight hours N = 24 ws/pi. [h] Source: FAO-56 eq. 34."""
    return 24.0 / np.pi * sunset_hour_angle(latitude_rad, solar_declination(day_of_year))


def extraterrestrial_radiation_daily(latitude_rad, day_of_year):
    """Radiation on a horizontal surface outside the atmosphere over a day, Ra. [MJ/m2/day]

    Parameters
    ----------
    latitude_rad : float or array
        Latitude, negative in the south. [rad]
    day_of_year : int, float or array
        1 on 1 January.

    References
    ----------
    FAO-56 eq. 21.
    """
    declination = solar_declination(day_of_year)
    sunset = sunset_hour_angle(latitude_rad, declination)
    height = sunset * np.sin(latitude_rad) * np.sin(declination)
    swing = np.cos(latitude_rad) * np.cos(declination) * np.sin(sunset)
    return 24.0 * 60.0 / np.pi * SOLAR_CONSTANT * inverse_relative_distance(day_of_year) * (height + swing)


def seasonal_correction_h(day_of_year):
    """Seasonal correction for solar time, Sc. [h] Source: FAO-56 eq. 32 and 33."""
    b = 2.0 * np.pi * (day_of_year - 81.0) / 364.0
    return 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)


def solar_time_angle(clock_mid_h, longitude_deg, meridian_deg, day_of_year):
    """Solar time angle at the middle of a period, 0 at noon, within -pi and pi. [rad]

    Parameters
    ----------
    clock_mid_h : float or array
        Standard clock time at the middle of the period (14.5 for 14 to 15 h). [h]
    longitude_deg, meridian_deg : float or array
        Longitude of the place and of its time zone's centre, negative in the west. FAO-56 counts both westward. [deg]
    day_of_year : int, float or array
        1 on 1 January.

    References
    ----------
    FAO-56 eq. 31.
    """
    east_of_meridian = longitude_deg - meridian_deg
    hour = clock_mid_h + 0.06667 * east_of_meridian + seasonal_correction_h(day_of_year) - 12.0
    return np.pi / 12.0 * (hour - 24.0 * np.round(hour / 24.0))


def extraterrestrial_radiation_hourly(latitude_rad, day_of_year, mid_angle_rad, period_h=1.0):
    """Radiation on a horizontal surface outside the atmosphere over a short period, 0 while the sun is down.

    Parameters
    ----------
    latitude_rad : float or array
        Latitude, negative in the south. [rad]
    day_of_year : int, float or array
        1 on 1 January.
    mid_angle_rad : float or array
        ``solar_time_angle`` at the middle of the period. [rad]
    period_h : float or array
        Length of the period. [h]

    Returns
    -------
    float or array, broadcast: Ra over the period. [MJ/m2]

    References
    ----------
    FAO-56 eq. 28 to 30; the angles kept between sunrise and sunset as in ASCE-EWRI (from memory).
    """
    declination = solar_declination(day_of_year)
    sunset = sunset_hour_angle(latitude_rad, declination)
    half = np.pi * period_h / 24.0
    start = np.clip(mid_angle_rad - half, -sunset, sunset)
    end = np.clip(mid_angle_rad + half, -sunset, sunset)
    height = (end - start) * np.sin(latitude_rad) * np.sin(declination)
    swing = np.cos(latitude_rad) * np.cos(declination) * (np.sin(end) - np.sin(start))
    return 12.0 * 60.0 / np.pi * SOLAR_CONSTANT * inverse_relative_distance(day_of_year) * (height + swing)


def sin_noon_elevation(latitude_rad, declination_rad):
    """Sine of the sun's elevation at noon. [-] Source: FAO-56 ch. 9, Box 18."""
    swing = np.cos(latitude_rad) * np.cos(declination_rad)
    return np.sin(latitude_rad) * np.sin(declination_rad) + swing


def solar_radiation_from_sunshine(ra_mj_m2, sunshine_h, daylight_h, a_s=0.25, b_s=0.50):
    """Solar radiation from sunshine hours: (a_s + b_s n/N) Ra. [MJ/m2/day]

    Parameters
    ----------
    ra_mj_m2 : float or array
        Extraterrestrial radiation. [MJ/m2/day]
    sunshine_h, daylight_h : float or array
        Hours of bright sunshine n, and of daylight N. More sunshine than daylight counts as N. [h]
    a_s, b_s : float or array
        Share of Ra that reaches the ground under full cloud, and what a clear sky adds. [-]

    References
    ----------
    FAO-56 eq. 35.
    """
    share = sunshine_h / np.where(daylight_h > 0.0, daylight_h, np.nan)
    share = np.where(daylight_h <= 0.0, 0.0, np.minimum(share, 1.0))
    return (a_s + b_s * share) * ra_mj_m2


def solar_radiation_from_temperature(ra_mj_m2, t_min_c, t_max_c, k_rs=0.16):
    """Solar radiation from the day's temperature range: kRs sqrt(Tmax - Tmin) Ra. [MJ/m2/day]

    ``k_rs`` is about 0.16 inland and 0.19 at a coast. [degC^-0.5] Source: FAO-56 eq. 50.
    """
    return k_rs * np.sqrt(np.maximum(t_max_c - t_min_c, 0.0)) * ra_mj_m2


def clear_sky_radiation(ra_mj_m2, elevation_m):
    """Radiation under a clear sky, Rso = (0.75 + 2e-5 z) Ra, in the unit of Ra. Source: FAO-56 eq. 37."""
    return (0.75 + 2e-5 * elevation_m) * ra_mj_m2


def clear_sky_radiation_beam_diffuse(*, ra_mj_m2, latitude_rad, day_of_year, ea_kpa, pressure_kpa, clearness=1.0):
    """A day's radiation under a clear sky from its beam and diffuse parts.

    Parameters
    ----------
    ra_mj_m2 : float or array
        Extraterrestrial radiation. [MJ/m2/day]
    latitude_rad, day_of_year : float or array
        Place and day, for the mean sun elevation. [rad], [-]
    ea_kpa, pressure_kpa : float or array
        Actual vapour pressure and air pressure. [kPa]
    clearness : float or array
        1 for clean air, 0.5 for very turbid, dusty or polluted air. [-]

    References
    ----------
    ASCE-EWRI Appendix D (coefficients read second hand, in published code that cites it).
    """
    season = np.sin(2.0 * np.pi * day_of_year / 365.0 - 1.39)
    mean_sine = np.sin(0.85 + 0.3 * latitude_rad * season - 0.42 * latitude_rad * latitude_rad)
    mean_sine = np.maximum(mean_sine, 0.1)
    water_mm = 0.14 * ea_kpa * pressure_kpa + 2.1
    absorbed = 0.00146 * pressure_kpa / (clearness * mean_sine) + 0.075 * np.power(water_mm / mean_sine, 0.4)
    beam = 0.98 * np.exp(-absorbed)
    diffuse = np.where(beam >= 0.15, 0.35 - 0.36 * beam, 0.18 + 0.82 * beam)
    return (beam + diffuse) * ra_mj_m2


def relative_radiation(rs_mj_m2, rso_mj_m2, where_dark=0.8):
    """Measured over clear-sky radiation, Rs/Rso, kept within 0.3 and 1. [-]

    ``where_dark`` stands where there is no clear-sky radiation to compare with. FAO-56 p. 75 takes the ratio of 2 to 3
    hours before sunset: 0.4 to 0.6 in humid, 0.7 to 0.8 in arid places (from memory); Example 19 uses 0.8.

    References
    ----------
    FAO-56 eq. 39 for the upper limit; the lower from ASCE-EWRI (FAO-56 calls about 0.33 a dense cloud cover).
    """
    ratio = rs_mj_m2 / np.where(rso_mj_m2 > 0.0, rso_mj_m2, np.nan)
    return np.clip(np.where(rso_mj_m2 <= 0.0, where_dark, ratio), 0.3, 1.0)


def net_shortwave(rs_mj_m2, albedo=GRASS_ALBEDO):
    """Net shortwave radiation (1 - albedo) Rs, in the unit of Rs. Source: FAO-56 eq. 38."""
    return (1.0 - albedo) * rs_mj_m2


def net_longwave(t_min_c, t_max_c, ea_kpa, relative, sigma=SIGMA_FAO):
    """Net outgoing longwave radiation, Rnl.

    Parameters
    ----------
    t_min_c, t_max_c : float or array
        Lowest and highest temperature; pass the hour's mean twice for an hour. [degC]
    ea_kpa : float or array
        Actual vapour pressure. [kPa]
    relative : float or array
        ``relative_radiation``. [-]
    sigma : float
        Stefan-Boltzmann constant for a day; divide it by 24 for an hour. [MJ/K4/m2 per period]

    Returns
    -------
    float or array, broadcast. [MJ/m2 per period]

    References
    ----------
    FAO-56 eq. 39; the cloud factor kept within 0.05 and 1 as in ASCE-EWRI.
    """
    low, high = t_min_c + ZERO_C_K, t_max_c + ZERO_C_K
    low, high = low * low, high * high
    black_body = sigma * (high * high + low * low) / 2.0
    humidity = 0.34 - 0.14 * np.sqrt(ea_kpa)
    cloud = np.clip(1.35 * relative - 0.35, 0.05, 1.0)
    return black_body * humidity * cloud
