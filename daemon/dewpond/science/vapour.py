"""Air pressure, vapour pressure and wind for reference evapotranspiration.

All functions are elementwise and broadcast: float in, float out; arrays in, arrays out. NaN stays NaN. Roots, powers
and exponentials go through numpy even for single floats, so that a day alone equals the same day in a batch.

"FAO-56" is R. G. Allen, L. S. Pereira, D. Raes, M. Smith, Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56, Rome 1998. ``ea`` and ``es`` are its names for actual and saturation vapour pressure.
"""

from __future__ import annotations

import numpy as np

# Psychrometer coefficients [1/degC], FAO-56 p. 38 (from memory).
VENTILATED_PSYCHROMETER = 0.000662
NATURAL_PSYCHROMETER = 0.000800
INDOOR_PSYCHROMETER = 0.001200


def atmospheric_pressure(elevation_m):
    """Mean air pressure at an elevation: 101.3 ((293 - 0.0065 z)/293)^5.26. [kPa]

    ``elevation_m`` : float or array, above sea level. [m] Source: FAO-56 eq. 7.
    """
    return 101.3 * np.power((293.0 - 0.0065 * elevation_m) / 293.0, 5.26)


def psychrometric_constant(pressure_kpa):
    """Psychrometric constant gamma = 0.000665 P. [kPa/degC] Source: FAO-56 eq. 8."""
    return 0.000665 * pressure_kpa


def saturation_vapour_pressure(t_c):
    """Saturation vapour pressure e0(T) = 0.6108 exp(17.27 T/(T + 237.3)). [kPa]

    ``t_c`` : float or array, air temperature. [degC] Source: FAO-56 eq. 11.
    """
    return 0.6108 * np.exp(17.27 * t_c / (t_c + 237.3))


def mean_saturation_vapour_pressure(t_min_c, t_max_c):
    """Mean of e0 at the day's lowest and highest temperature, es. [kPa] Source: FAO-56 eq. 12."""
    return (saturation_vapour_pressure(t_max_c) + saturation_vapour_pressure(t_min_c)) / 2.0


def slope_vapour_pressure_curve(t_c):
    """Slope of the saturation vapour pressure curve, delta = 4098 e0(T)/(T + 237.3)^2. [kPa/degC]

    ``t_c`` : float or array, mean air temperature. [degC] Source: FAO-56 eq. 13.
    """
    shifted = t_c + 237.3
    return 4098.0 * saturation_vapour_pressure(t_c) / (shifted * shifted)


def ea_from_dew_point(t_dew_c):
    """Actual vapour pressure from the dew point: ea = e0(Tdew). [kPa] Source: FAO-56 eq. 14."""
    return saturation_vapour_pressure(t_dew_c)


def ea_from_wet_bulb(t_dry_c, t_wet_c, pressure_kpa, psychrometer=VENTILATED_PSYCHROMETER):
    """Actual vapour pressure from a psychrometer: e0(Twet) - a P (Tdry - Twet). [kPa]

    Parameters
    ----------
    t_dry_c, t_wet_c : float or array
        Dry and wet bulb temperature. [degC]
    pressure_kpa : float or array
        Air pressure. [kPa]
    psychrometer : float or array
        Coefficient a of the instrument. [1/degC]

    References
    ----------
    FAO-56 eq. 15 and 16.
    """
    return saturation_vapour_pressure(t_wet_c) - psychrometer * pressure_kpa * (t_dry_c - t_wet_c)


def ea_from_humidity_range(t_min_c, t_max_c, rh_min_pct, rh_max_pct):
    """Actual vapour pressure from the day's lowest and highest relative humidity. [kPa]

    Parameters
    ----------
    t_min_c, t_max_c : float or array
        Air temperature; the highest humidity goes with the lowest temperature. [degC]
    rh_min_pct, rh_max_pct : float or array
        Relative humidity. [%]

    References
    ----------
    FAO-56 eq. 17.
    """
    at_min = saturation_vapour_pressure(t_min_c) * rh_max_pct / 100.0
    at_max = saturation_vapour_pressure(t_max_c) * rh_min_pct / 100.0
    return (at_min + at_max) / 2.0


def ea_from_max_humidity(t_min_c, rh_max_pct):
    """Actual vapour pressure where only the highest humidity can be trusted: e0(Tmin) RHmax/100. [kPa]

    Source: FAO-56 eq. 18.
    """
    return saturation_vapour_pressure(t_min_c) * rh_max_pct / 100.0


def ea_from_mean_humidity(t_min_c, t_max_c, rh_mean_pct):
    """Actual vapour pressure from the day's mean relative humidity: es RHmean/100. [kPa]

    Less exact than eq. 17 or 18. Source: FAO-56 eq. 19.
    """
    return mean_saturation_vapour_pressure(t_min_c, t_max_c) * rh_mean_pct / 100.0


def ea_from_min_temperature(t_min_c, dew_point_drop_c=0.0):
    """Actual vapour pressure where humidity is missing: the dew point is taken near the lowest temperature. [kPa]

    Parameters
    ----------
    t_min_c : float or array
        Lowest temperature of the day. [degC]
    dew_point_drop_c : float or array
        How far the dew point lies below it; 2 to 3 in arid places (FAO-56 p. 58, from memory). [degC]

    References
    ----------
    FAO-56 eq. 48.
    """
    return saturation_vapour_pressure(t_min_c - dew_point_drop_c)


def wind_height_factor(height_m):
    """Factor from wind speed at a height to wind speed at 2 m over grass: 4.87/ln(67.8 z - 5.42). [-]

    ``height_m`` : float or array, height of the anemometer, above 0.1 m. [m] Source: FAO-56 eq. 47.
    """
    return 4.87 / np.log(67.8 * height_m - 5.42)


def wind_at_2m(wind_m_s, height_m):
    """Wind speed at 2 m from wind speed at ``height_m``. A height of exactly 2 m leaves the wind as it is. [m/s]

    Source: FAO-56 eq. 47, whose factor at 2 m is 1.0002; Table 2.9 prints 1.000.
    """
    return np.where(height_m == 2.0, wind_m_s, wind_m_s * wind_height_factor(height_m))[()]
