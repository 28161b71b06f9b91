"""Water in the root zone: how much it holds, when plants suffer, and the daily balance.

All functions are elementwise and broadcast (zones on the last axis): float in, float out; arrays in, arrays out.
Earlier state is an argument. NaN stays NaN. Depletion counts down from field capacity: 0 is full, TAW is empty.

"FAO-56" is R. G. Allen, L. S. Pereira, D. Raes, M. Smith, Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56, Rome 1998.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np


class RootZoneDay(NamedTuple):
    """One step of the root-zone balance, floats or arrays in mm.

    ``start_mm`` is the depletion before the ET of the step, ``end_mm`` after it; ``etc_mm`` is what the roots really
    drew; ``drainage_mm`` is deep percolation. end = before + etc - capillary rise - water + drainage, to rounding.
    """

    start_mm: Any
    end_mm: Any
    etc_mm: Any
    drainage_mm: Any


def available_water_capacity(theta_fc, theta_wp):
    """Water a metre of soil holds between field capacity and wilting point: 1000 (fc - wp). [mm/m]

    ``theta_fc``, ``theta_wp`` : float or array, water content. [m3/m3] Source: FAO-56 eq. 82 without root depth.
    """
    return 1000.0 * (theta_fc - theta_wp)


def total_available_water(available_water_mm_m, root_depth_m):
    """Total available water TAW of the root zone. [mm]

    Parameters
    ----------
    available_water_mm_m : float or array
        Available water capacity of the soil. [mm/m]
    root_depth_m : float or array
        Depth of the root zone. [m]

    References
    ----------
    FAO-56 ch. 8, eq. 82.
    """
    return available_water_mm_m * root_depth_m


def readily_available_water(taw_mm, p):
    """Readily available water RAW = p TAW: what roots draw before stress starts. [mm] Source: FAO-56 eq. 83."""
    return p * taw_mm


def adjusted_depletion_fraction(p_table, etc_mm):
    """Share of TAW that can be used without stress on a day with this demand.

    Parameters
    ----------
    p_table : float or array
        Tabulated share, valid at ETc = 5 mm/day. [-]
    etc_mm : float or array
        Unstressed water use of the day. [mm/day]

    Returns
    -------
    float or array, broadcast: p_table + 0.04 (5 - ETc), kept within 0.1 and 0.8. [-]

    References
    ----------
    FAO-56 ch. 8, p. 162, and Table 22 footnote 2.
    """
    return np.minimum(np.maximum(p_table + 0.04 * (5.0 - etc_mm), 0.1), 0.8)


def stress_coefficient(depletion_mm, taw_mm, p):
    """Share Ks of unstressed water use that the root zone can still sustain.

    Parameters
    ----------
    depletion_mm : float or array
        Water missing from field capacity. [mm]
    taw_mm : float or array
        Total available water, > 0. [mm]
    p : float or array
        Share of ``taw_mm`` used before stress starts, 0 <= p <= 1. [-]

    Returns
    -------
    float or array, broadcast: 1 while unstressed, falling linearly to 0 at ``taw_mm``. [-]

    References
    ----------
    FAO-56 ch. 8, eq. 84.
    """
    stressed_span_mm = np.maximum((1.0 - p) * taw_mm, 1e-9)  # with p = 1 plants draw freely down to an empty root zone
    return np.minimum(np.maximum((taw_mm - depletion_mm) / stressed_span_mm, 0.0), 1.0)


def salinity_coefficient(ece_ds_m, threshold_ds_m, slope_pct, ky):
    """Share of unstressed water use that plants sustain in salty soil.

    Parameters
    ----------
    ece_ds_m, threshold_ds_m : float or array
        Conductivity of the saturation extract, and where yield begins to fall. [dS/m]
    slope_pct : float or array
        Loss of yield per unit of conductivity above the threshold, b. [%/(dS/m)]
    ky : float or array
        Yield response factor, > 0. [-]

    Returns
    -------
    float or array, broadcast: Ks = 1 - b (ECe - threshold)/(100 Ky), within 0 and 1. [-]

    References
    ----------
    FAO-56 ch. 8, eq. 91.
    """
    above = np.maximum(ece_ds_m - threshold_ds_m, 0.0)
    return np.clip(1.0 - slope_pct * above / (100.0 * ky), 0.0, 1.0)


def stress_coefficient_in_salt(depletion_mm, taw_mm, p, salinity_ks):
    """Ks under drought and salt together: the product of both. [-]

    ``salinity_ks`` is ``salinity_coefficient``; the other arguments are those of ``stress_coefficient``.
    Source: FAO-56 ch. 8, eq. 92.
    """
    return salinity_ks * stress_coefficient(depletion_mm, taw_mm, p)


def root_zone_early(depletion_mm, taw_mm, water_mm, etc_mm, capillary_rise_mm=0.0):
    """One step of the balance with the water early: it fills the root zone, the surplus drains, ET follows.

    Parameters
    ----------
    depletion_mm : float or array
        Depletion at the end of the step before. [mm]
    taw_mm : float or array
        Total available water. [mm]
    water_mm : float or array
        Rain less runoff plus net irrigation, >= 0. [mm]
    etc_mm : float or array
        Water use wanted (already reduced by Ks if stressed); no more is drawn than the root zone holds. [mm]
    capillary_rise_mm : float or array
        Rise from below, taken up with ET. [mm]

    Returns
    -------
    RootZoneDay

    References
    ----------
    FAO-56 ch. 8, eq. 85 and 86, with the timing of the footnotes of Examples 35 and 38 (pp. 155 and 173).
    """
    before_mm = depletion_mm - water_mm
    start_mm = np.maximum(before_mm, 0.0)
    drainage_mm = start_mm - before_mm
    drawn_mm = np.minimum(etc_mm, np.maximum(taw_mm + capillary_rise_mm - start_mm, 0.0))
    net_draw_mm = start_mm + drawn_mm - capillary_rise_mm
    end_mm = np.maximum(net_draw_mm, 0.0)
    return RootZoneDay(start_mm, end_mm, drawn_mm, drainage_mm + (end_mm - net_draw_mm))


def root_zone_late(depletion_mm, taw_mm, water_mm, etc_mm, capillary_rise_mm=0.0):
    """One step of the balance with the water late: ET first, then water, then the surplus drains.

    Arguments, result and units as in ``root_zone_early``; ``start_mm`` is the depletion of the step before.

    References
    ----------
    FAO-56 ch. 8, eq. 85, 86 and 88: DP = water - ETc - Dr of the day before, not below 0.
    """
    drawn_mm = np.minimum(etc_mm, np.maximum(taw_mm + capillary_rise_mm - depletion_mm, 0.0))
    balance_mm = depletion_mm + drawn_mm - capillary_rise_mm - water_mm
    end_mm = np.maximum(balance_mm, 0.0)
    return RootZoneDay(depletion_mm, end_mm, drawn_mm, end_mm - balance_mm)


def depletion_from_water_content(theta_fc, theta, root_depth_m):
    """Depletion from a measured water content: Dr = 1000 (fc - theta) Zr, below 0 above field capacity. [mm]

    ``theta_fc``, ``theta`` : float or array, water content [m3/m3]; ``root_depth_m`` [m]. Source: FAO-56 eq. 87.
    """
    return 1000.0 * (theta_fc - theta) * root_depth_m
