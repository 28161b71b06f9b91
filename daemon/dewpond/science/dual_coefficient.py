"""Dual crop coefficient: water use of plants and evaporation from wet soil kept apart.

All functions are elementwise and broadcast (zones on the last axis): float in, float out; arrays in, arrays out.
Earlier state is an argument. NaN stays NaN. Coefficients (Kc, Kcb, Ke, Kr) and fractions have no unit.

"FAO-56" is R. G. Allen, L. S. Pereira, D. Raes, M. Smith, Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56, Rome 1998.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

# Coefficient of dry bare soil, FAO-56 p. 149 (0.15 to 0.20). [-]
KC_MIN = 0.15


class EvaporationDay(NamedTuple):
    """One day of the evaporating surface layer, floats or arrays.

    ``start_mm`` and ``end_mm`` are depletions of the exposed, wetted part of the layer, ``evaporation_mm`` is over the
    whole ground, ``percolation_mm`` left the layer downwards. [mm] ``ke`` is the coefficient before evaporation is
    limited to what the layer still holds.
    """

    start_mm: Any
    kr: Any
    ke: Any
    evaporation_mm: Any
    percolation_mm: Any
    end_mm: Any


def kcb_curve(day, stage_days, kcb_ini, kcb_mid, kcb_end):
    """Basal crop coefficient on a day of the growing season.

    Parameters
    ----------
    day : float or array
        Day since planting; after the last stage the end value stays. [day]
    stage_days : sequence of 4
        Lengths of the initial, development, mid-season and late stages, > 0. [day]
    kcb_ini, kcb_mid, kcb_end : float
        Basal coefficients of the stages.

    Returns
    -------
    float or array, shape of ``day``.

    References
    ----------
    FAO-56 ch. 7, eq. 66.
    """
    edges = np.concatenate(([0.0], np.cumsum(stage_days)))
    return np.interp(day, edges, [kcb_ini, kcb_ini, kcb_mid, kcb_mid, kcb_end])


def climate_increment(u2_m_s, rh_min_pct, height_m):
    """What wind and dry air add to a coefficient: [0.04 (u2 - 2) - 0.004 (RHmin - 45)] (h/3)^0.3.

    Parameters
    ----------
    u2_m_s : float or array
        Mean wind at 2 m, meant for 1 to 6. [m/s]
    rh_min_pct : float or array
        Mean of the daily lowest humidity, meant for 20 to 80. [%]
    height_m : float or array
        Plant height, meant for 0.1 to 10. [m]

    References
    ----------
    FAO-56 eq. 62 and 70.
    """
    return (0.04 * (u2_m_s - 2.0) - 0.004 * (rh_min_pct - 45.0)) * np.power(height_m / 3.0, 0.3)


def coefficient_in_climate(kc_table, u2_m_s, rh_min_pct, height_m):
    """A tabulated coefficient for the climate of the place; values below 0.45 stay as they are.

    Arguments as in ``climate_increment``. Source: FAO-56 eq. 62 and 70.
    """
    increment = climate_increment(u2_m_s, rh_min_pct, height_m)
    return np.where(kc_table < 0.45, kc_table, kc_table + increment)[()]


def kc_max(kcb, u2_m_s, rh_min_pct, height_m):
    """Upper limit of evaporation and transpiration after complete wetting.

    Arguments as in ``climate_increment``. Source: FAO-56 eq. 72.
    """
    return np.maximum(1.2 + climate_increment(u2_m_s, rh_min_pct, height_m), kcb + 0.05)


def covered_fraction(kcb, kc_max, height_m, kc_min=KC_MIN):
    """Share of the ground that plants cover: ((Kcb - Kcmin)/(Kcmax - Kcmin))^(1 + 0.5 h), kept within 0 and 0.99.

    Source: FAO-56 eq. 76, and p. 149 for the limits.
    """
    share = np.maximum(kcb - kc_min, 0.01) / (kc_max - kc_min)
    return np.clip(np.power(share, 1.0 + 0.5 * height_m), 0.0, 0.99)


def exposed_wetted_fraction(covered, wetted):
    """Share of the ground from which most water evaporates, few = min(1 - fc, fw). Source: FAO-56 eq. 75."""
    return np.minimum(1.0 - covered, wetted)


def exposed_wetted_fraction_drip(covered, wetted):
    """Share of the ground from which most water evaporates under drip: fw (1 - (2/3) fc). Source: FAO-56 p. 149."""
    return wetted * (1.0 - 2.0 / 3.0 * covered)


def total_evaporable_water(theta_fc, theta_wp, layer_depth_m):
    """Water that can evaporate from the surface layer, TEW = 1000 (fc - 0.5 wp) Ze. [mm]

    ``theta_fc``, ``theta_wp`` [m3/m3], ``layer_depth_m`` 0.10 to 0.15 [m]. Source: FAO-56 eq. 73.
    """
    return 1000.0 * (theta_fc - 0.5 * theta_wp) * layer_depth_m


def evaporation_reduction(depletion_mm, tew_mm, rew_mm):
    """Evaporation reduction coefficient Kr: 1 up to REW, then falling linearly to 0 at TEW.

    Parameters
    ----------
    depletion_mm : float or array
        Depletion of the surface layer at the start of the day. [mm]
    tew_mm, rew_mm : float or array
        Total and readily evaporable water, TEW > REW. [mm]

    References
    ----------
    FAO-56 eq. 74.
    """
    return np.clip((tew_mm - depletion_mm) / (tew_mm - rew_mm), 0.0, 1.0)


def evaporation_coefficient(kr, kcb, kc_max, few):
    """Soil evaporation coefficient Ke = min(Kr (Kcmax - Kcb), few Kcmax). Source: FAO-56 eq. 71."""
    return np.minimum(kr * (kc_max - kcb), few * kc_max)


def evaporation_layer_day(*, depletion_mm, water_mm, eto_mm, kcb, kc_max, few, tew_mm, rew_mm):
    """One day of the evaporating surface layer, wetted early in the day.

    Parameters
    ----------
    depletion_mm : float or array
        Depletion at the end of the day before. [mm]
    water_mm : float or array
        Rain less runoff plus irrigation over the wetted part (I/fw). [mm]
    eto_mm : float or array
        Reference ET. [mm]
    kcb, kc_max, few : float or array
        Basal coefficient, upper limit, exposed and wetted fraction (> 0).
    tew_mm, rew_mm : float or array
        Total and readily evaporable water. [mm]

    Returns
    -------
    EvaporationDay

    References
    ----------
    FAO-56 eq. 71, 74, 77-79 without transpiration from the layer; timing of Example 35 (pp. 154-155).
    """
    before_mm = depletion_mm - water_mm
    start_mm = np.maximum(before_mm, 0.0)
    kr = evaporation_reduction(start_mm, tew_mm, rew_mm)
    ke = evaporation_coefficient(kr, kcb, kc_max, few)
    evaporation_mm = np.minimum(ke * eto_mm, few * np.maximum(tew_mm - start_mm, 0.0))
    end_mm = start_mm + evaporation_mm / few
    return EvaporationDay(start_mm, kr, ke, evaporation_mm, start_mm - before_mm, end_mm)


def crop_et_dual(eto_mm, kcb, ke, ks=1.0):
    """Water use of plants and soil: (Ks Kcb + Ke) ETo. [mm] Source: FAO-56 eq. 69 and 80."""
    return (ks * kcb + ke) * eto_mm


def cover_reduction(covered, covered_dense):
    """What an open stand takes off a coefficient: Acm = 1 - (fc/fc_dense)^0.5. Source: FAO-56 eq. 94 and 96."""
    return 1.0 - np.sqrt(covered / covered_dense)


def effective_cover_in_rows(covered, height_width_ratio, noon_elevation_rad):
    """Cover of row plants as the noon sun sees it: fc (1 + HWR/tan(eta)), at most 1. Source: FAO-56 ch. 9, Box 18."""
    return np.minimum(covered * (1.0 + height_width_ratio / np.tan(noon_elevation_rad)), 1.0)


def kcb_for_cover(kcb_full, covered, covered_effective, height_m, kc_min=KC_MIN):
    """Basal coefficient of an open stand from that of a full one.

    Parameters
    ----------
    kcb_full : float or array
        Basal coefficient of the plants at full cover, adjusted to the climate.
    covered, covered_effective : float or array
        Share of the ground covered, from above and as the noon sun sees it.
    height_m : float or array
        Plant height. [m]

    References
    ----------
    FAO-56 ch. 9, eq. 98: Kcmin + (Kcb_full - Kcmin) min(1, 2 fc, fc_eff^(1/(1 + h))).
    """
    share = np.minimum(np.minimum(1.0, 2.0 * covered), np.power(covered_effective, 1.0 / (1.0 + height_m)))
    return kc_min + (kcb_full - kc_min) * share
