"""How much of the rain counts: the default rule, monthly methods, runoff by curve number, and where rain goes.

All functions are elementwise and broadcast (zones on the last axis): float in, float out; arrays in, arrays out.
NaN stays NaN unless a docstring says otherwise.
"""

from __future__ import annotations

import numpy as np

from dewpond.science.application import surface_store_after
from dewpond.science.units import MM_PER_INCH

DEFAULT_SHARE = 0.8  # share of measured rain that counts, the rule of the published controller test (from memory)

# Curve numbers of lawns in good condition (grass on 75 % of the ground or more) by hydrologic soil group, TR-55
# Table 2-2a. Group C is read in the source, the others are from memory. [-]
LAWN_CURVE_NUMBERS = {"A": 39.0, "B": 61.0, "C": 74.0, "D": 80.0}


def effective_rain(rain_mm, storage_left_mm, share=DEFAULT_SHARE):
    """Rain that the root zone keeps: a share of the measured rain, no more than the storage left.

    Parameters
    ----------
    rain_mm : float or array
        Measured rain, >= 0. [mm]
    storage_left_mm : float or array
        Room up to field capacity at the time (the depletion); below 0 counts as none. [mm]
    share : float or array
        Share of the measured rain that counts. [-]

    Returns
    -------
    float or array, broadcast: effective rain. [mm]

    References
    ----------
    Test protocol for climatologically based controllers, 8th draft, 2008: 80 % of measured rain (from memory).
    """
    return np.minimum(share * rain_mm, np.maximum(storage_left_mm, 0.0))


def rain_worth_counting(rain_mm, eto_mm):
    """Rain with light falls set to 0: below 0.2 ETo a day's rain normally evaporates at once. [mm]

    References
    ----------
    FAO-56 ch. 8, p. 170.
    """
    none_mm = 0.0 * rain_mm * eto_mm  # NaN where either is missing
    return np.where(rain_mm >= 0.2 * eto_mm, rain_mm, none_mm)[()]


def retention_mm(curve_number):
    """Potential retention after runoff begins: S = 25400/CN - 254. ``curve_number`` in (0, 100]. [mm]

    References
    ----------
    USDA-NRCS TR-55, Urban Hydrology for Small Watersheds, 1986, eq. 2-4 in mm.
    """
    return 25400.0 / curve_number - 254.0


def initial_abstraction_mm(curve_number):
    """Rain taken up before any runs off: Ia = 0.2 S. [mm] Source: TR-55 eq. 2-2."""
    return 0.2 * retention_mm(curve_number)


def curve_number_runoff(rain_mm, curve_number):
    """Storm runoff by the curve number method.

    Parameters
    ----------
    rain_mm : float or array
        Rain of the storm, in practice of 24 h. [mm]
    curve_number : float or array
        0 < CN <= 100. [-]

    Returns
    -------
    float or array, broadcast: Q = (P - 0.2 S)^2/(P + 0.8 S), 0 up to P = 0.2 S. [mm]

    References
    ----------
    USDA-NRCS TR-55, 1986, eq. 2-1 to 2-4.
    """
    retention = retention_mm(curve_number)
    above = np.maximum(rain_mm - 0.2 * retention, 0.0)
    below = np.maximum(above + retention, np.finfo(float).tiny)  # no rain on a sealed surface would be 0/0
    return above * above / below


def curve_number_on_slope(curve_number, slope_pct):
    """Curve number of a slope from the tabulated one, which is meant for 5 %.

    Parameters
    ----------
    curve_number : float or array
        Tabulated, for average moisture. [-]
    slope_pct : float or array
        Slope, >= 0. [%]

    Returns
    -------
    float or array, broadcast: CN + (CN3 - CN)/3 (1 - 2 exp(-13.86 slope)) with CN3 = CN exp(0.00673 (100 - CN)). [-]

    References
    ----------
    Sharpley & Williams, Erosion/Productivity Impact Calculator, USDA Technical Bulletin 1768, 1990 (from memory).
    """
    wet = curve_number * np.exp(0.00673 * (100.0 - curve_number))
    return curve_number + (wet - curve_number) / 3.0 * (1.0 - 2.0 * np.exp(-13.86 * slope_pct / 100.0))


def area_weighted(values, areas):
    """Mean weighted by area over the last axis, as for a composite curve number or a mean plant factor.

    Parameters
    ----------
    values, areas : array of shape (..., n)
        One value and one area (any unit) a part. The areas of a row must not all be 0.

    Returns
    -------
    float or array of shape (...): in the unit of ``values``.

    References
    ----------
    TR-55, 1986, example 2-1 (composite curve number).
    """
    weights = np.asarray(areas, dtype=float)
    return np.sum(np.asarray(values) * weights, axis=-1) / np.sum(weights, axis=-1)


def tr21_storage_factor(application_mm):
    """Soil water storage factor SF for the usual net depth of one watering, 1 at 75 mm. [-]

    References
    ----------
    USDA-NRCS National Engineering Handbook part 623 ch. 2, 1993, eq. 2-85 (depth in inches inside).
    """
    depth = application_mm / MM_PER_INCH
    return 0.531747 + depth * (0.295164 + depth * (-0.057697 + depth * 0.003804))


def tr21_effective_rain(rain_mm, etc_mm, application_mm):
    """Monthly effective rain by USDA-SCS Technical Release 21.

    Parameters
    ----------
    rain_mm, etc_mm : float or array
        Rain and plant water use of the month, >= 0. [mm/month]
    application_mm : float or array
        Usual net depth of one watering. [mm]

    Returns
    -------
    float or array, broadcast: between 0 and the smaller of rain and water use. [mm/month]

    References
    ----------
    NEH part 623 ch. 2, 1993, eq. 2-84: Pe = SF (0.70917 P^0.82416 - 0.11556) 10^(0.02426 ETc), inches.
    """
    rain, use = rain_mm / MM_PER_INCH, etc_mm / MM_PER_INCH
    of_rain = 0.70917 * np.power(rain, 0.82416) - 0.11556
    effective = tr21_storage_factor(application_mm) * of_rain * np.power(10.0, 0.02426 * use) * MM_PER_INCH
    return np.minimum(np.maximum(effective, 0.0), np.minimum(rain_mm, etc_mm))


def scs_monthly_effective_rain(rain_mm):
    """Monthly effective rain, USDA-SCS simplified: P (125 - 0.2 P)/125 up to 250 mm, 125 + 0.1 P above. [mm/month]

    References
    ----------
    FAO Irrigation and Drainage Paper 46, 1992.
    """
    capped = np.minimum(rain_mm, 250.0)
    return capped * (125.0 - 0.2 * capped) / 125.0 + 0.1 * (rain_mm - capped)


def fao_monthly_effective_rain(rain_mm):
    """Monthly effective (dependable) rain: 0.6 P - 10 up to 75 mm, 0.8 P - 25 above, never below 0. [mm/month]

    References
    ----------
    FAO Irrigation and Drainage Paper 46, 1992. The break at 75 mm is from memory; it is where the two lines meet.
    """
    return np.maximum(np.maximum(0.6 * rain_mm - 10.0, 0.8 * rain_mm - 25.0), 0.0)


def split_rain(rain_mm, canopy_left_mm, intake_left_mm):
    """Where rain goes: held on leaves, taken in by the soil, or run off. The three parts sum to the rain.

    Parameters
    ----------
    rain_mm : float or array
        Rain of the period, >= 0. [mm]
    canopy_left_mm : float or array
        What the leaves can still hold. [mm]
    intake_left_mm : float or array
        What the soil can take in over the period, its surface store included. [mm]

    Returns
    -------
    (held_mm, infiltrated_mm, runoff_mm) : floats or arrays, broadcast. [mm]
    """
    held_mm = np.minimum(rain_mm, np.maximum(canopy_left_mm, 0.0))
    reaching_mm = rain_mm - held_mm
    infiltrated_mm = np.minimum(reaching_mm, np.maximum(intake_left_mm, 0.0))
    return held_mm, infiltrated_mm, reaching_mm - infiltrated_mm


def split_rain_of_day(rain_mm, canopy_left_mm, curve_number):
    """Where a day's rain goes when its hours are not known: leaves, soil, or runoff. The parts sum to the rain.

    Runoff is that of the whole rain, since the initial abstraction of the method contains what leaves hold.

    Parameters
    ----------
    rain_mm : float or array
        Rain of 24 h, >= 0. [mm]
    canopy_left_mm : float or array
        What the leaves can still hold. [mm]
    curve_number : float or array
        0 < CN <= 100. [-]

    Returns
    -------
    (held_mm, infiltrated_mm, runoff_mm) : floats or arrays, broadcast. [mm]

    References
    ----------
    USDA-NRCS National Engineering Handbook part 630 ch. 10 (from memory), the equation as read in TR-55.
    """
    runoff_mm = curve_number_runoff(rain_mm, curve_number)
    held_mm = np.minimum(rain_mm - runoff_mm, np.maximum(canopy_left_mm, 0.0))
    return held_mm, rain_mm - runoff_mm - held_mm, runoff_mm


def split_rain_by_hour(hourly_mm, canopy_left_mm, intake_mm_h, storage_mm):
    """Where rain goes hour by hour: leaves first, then soil and surface store, then runoff. The parts sum to the rain.

    Parameters
    ----------
    hourly_mm : sequence of floats or of arrays
        Rain of each hour, oldest first, >= 0. [mm]
    canopy_left_mm : float or array
        What the leaves can hold in all. [mm]
    intake_mm_h, storage_mm : float or array
        Basic intake rate, and what the surface holds before water runs off. [mm/h], [mm]

    Returns
    -------
    (held_mm, infiltrated_mm, runoff_mm) : floats or arrays, broadcast. What stands at the end soaks in. [mm]

    References
    ----------
    Surface accumulation as in ``surface_store_after``; rain takes the place of the application rate.
    """
    left_mm = np.maximum(canopy_left_mm, 0.0)
    store_mm = runoff_mm = total_mm = 0.0 * (left_mm + intake_mm_h + storage_mm)
    held_mm = 0.0 * store_mm
    for rain_mm in hourly_mm:
        kept_mm = np.minimum(rain_mm, left_mm - held_mm)
        store_mm, lost_mm = surface_store_after(store_mm, rain_mm - kept_mm, intake_mm_h, storage_mm, 3600.0, 0.0)
        held_mm, runoff_mm, total_mm = held_mm + kept_mm, runoff_mm + lost_mm, total_mm + rain_mm
    return held_mm, np.maximum(total_mm - held_mm - runoff_mm, 0.0), runoff_mm
