"""Application rates, run times, and what stands on the ground while a valve is open.

All functions are elementwise and broadcast (zones on the last axis): float in, float out; arrays in, arrays out.
NaN stays NaN unless a docstring says otherwise.
"""

from __future__ import annotations

import numpy as np

SECONDS_PER_HOUR = 3600.0
# A length within this of a whole number of seconds is that number: inch tables turned into mm are not exact. [s]
WHOLE_SECOND_SLACK_S = 1e-6


def application_rate_from_heads(flow_l_min, area_m2):
    """Mean depth per hour that the heads of a zone put on its area.

    Parameters
    ----------
    flow_l_min : float or array
        Flow of all heads of the zone together. [L/min]
    area_m2 : float or array
        Watered area, > 0. [m2]

    Returns
    -------
    float or array, broadcast: application rate (precipitation rate). [mm/h]

    References
    ----------
    Irrigation Association audit guidelines: PR = 60 x L/min / m2; the US form 96.25 gpm/ft2 = 60 x 231/144 in/h.
    """
    return 60.0 * flow_l_min / area_m2


def flow_from_application_rate(rate_mm_h, area_m2):
    """Flow of a zone from its application rate and area: the inverse of ``application_rate_from_heads``. [L/min]"""
    return rate_mm_h * area_m2 / 60.0


def application_rate_from_catch(volume_ml, minutes, cup_area_cm2):
    """Depth per hour caught by a cup.

    Parameters
    ----------
    volume_ml : float or array
        Water in the cup. [mL]
    minutes : float or array
        How long the zone ran, > 0. [min]
    cup_area_cm2 : float or array
        Area of the cup's throat, > 0. [cm2]

    Returns
    -------
    float or array, broadcast: catch rate. [mm/h]

    References
    ----------
    Audit formula PR(mm/h) = 600 V(mL)/(t(min) A(cm2)); the US form 3.66 V/(t A(in2)) has 3.66 = 60/2.54^3.
    """
    return 600.0 * volume_ml / (minutes * cup_area_cm2)


def efficiency_from_uniformity(du_lq):
    """Share of the applied water that serves a zone, from its low-quarter distribution uniformity.

    Parameters
    ----------
    du_lq : float or array
        Distribution uniformity of the low quarter, 0 to 1. [-]

    Returns
    -------
    float or array: 0.4 + 0.6 DU_lq. [-]

    References
    ----------
    Rounded form of the low-half uniformity DU_lh = 0.386 + 0.614 DU_lq, Irrigation Association audit guidelines
    (the formula is from memory).
    """
    return 0.4 + 0.6 * du_lq


def gross_from_net(net_mm, efficiency):
    """Gross depth to apply for a net depth in the root zone: net / efficiency, total water = ETL/IE. [mm]

    ``efficiency`` is a share, > 0. [-] Source: Costello, Matheny & Clark, A Guide to Estimating Irrigation Water Needs
    of Landscape Plantings in California, 2000, p. 39.
    """
    return net_mm / efficiency


def net_from_gross(gross_mm, runoff_mm, efficiency):
    """Net depth that reaches the root zone: (gross - runoff) x efficiency, as in the published test. [mm]"""
    return (gross_mm - runoff_mm) * efficiency


def run_time_s(gross_mm, rate_mm_h):
    """Seconds of watering for a gross depth: 3600 D/PR. ``rate_mm_h`` > 0. [s]"""
    return SECONDS_PER_HOUR * gross_mm / rate_mm_h


def run_time_for_net_s(net_mm, rate_mm_h, efficiency):
    """Seconds of watering for a net depth in the root zone, without runoff. [s]"""
    return run_time_s(gross_from_net(net_mm, efficiency), rate_mm_h)


def scaled_run_time_s(seconds, percent):
    """A run time at a seasonal percentage of its base (100 is the base itself). [s]"""
    return seconds * percent / 100.0


def surface_store_after(store_mm, rate_mm_h, intake_mm_h, storage_mm, open_s, rest_s):
    """Water standing on the ground after one opening and the rest that follows it, and what ran off meanwhile.

    While the valve is open the store gains rate - intake, never below 0; above ``storage_mm`` it runs off. In the rest
    it loses the intake rate, never below 0. Exact for constant rates, whatever the lengths.

    Parameters
    ----------
    store_mm : float or array
        Standing at the start of the opening, >= 0; anything above ``storage_mm`` runs off at once. [mm]
    rate_mm_h, intake_mm_h : float or array
        Application rate and basic intake rate of the soil. [mm/h]
    storage_mm : float or array
        What the surface can hold before water runs off (allowable surface accumulation). [mm]
    open_s, rest_s : float or array
        Lengths of the opening and of the rest. [s]

    Returns
    -------
    (store_mm, runoff_mm) : floats or arrays, broadcast
        Standing at the end of the rest, and runoff during the opening. [mm]

    References
    ----------
    Surface-accumulation method of the Irrigation Association, as in the test protocol for climatologically based
    controllers, 8th draft, 2008 (from memory).
    """
    excess_mm = np.maximum(store_mm - storage_mm, 0.0)
    risen_mm = (store_mm - excess_mm) + (rate_mm_h - intake_mm_h) * (open_s / SECONDS_PER_HOUR)
    runoff_mm = excess_mm + np.maximum(risen_mm - storage_mm, 0.0)
    full_mm = np.minimum(np.maximum(risen_mm, 0.0), storage_mm)
    return np.maximum(full_mm - intake_mm_h * (rest_s / SECONDS_PER_HOUR), 0.0), runoff_mm


def longest_opening_s(rate_mm_h, intake_mm_h, storage_mm, store_mm=0.0):
    """Longest opening without runoff: (storage - store)/(rate - intake); inf where the soil takes in all. [s]

    Parameters
    ----------
    rate_mm_h, intake_mm_h : float or array
        Application rate and basic intake rate. [mm/h]
    storage_mm, store_mm : float or array
        Allowable surface accumulation, and what stands there already. [mm]

    References
    ----------
    Rt_max = 60 ASA/(PR - IR) minutes, test protocol for climatologically based controllers, 2008 (from memory).
    """
    gain_mm_h = rate_mm_h - intake_mm_h
    free_mm = np.maximum(storage_mm - store_mm, 0.0)
    lengths_s = free_mm * SECONDS_PER_HOUR / np.where(gain_mm_h > 0.0, gain_mm_h, np.nan)
    return np.where(gain_mm_h <= 0.0, np.inf, lengths_s)[()]


def rest_to_soak_s(store_mm, intake_mm_h):
    """Time for standing water to soak in: store/intake; 0 for a dry surface, inf where nothing soaks in. [s]

    References
    ----------
    Least soak 60 ASA/IR minutes for a full store, test protocol for climatologically based controllers, 2008
    (from memory).
    """
    rest_s = store_mm * SECONDS_PER_HOUR / np.where(intake_mm_h > 0.0, intake_mm_h, np.nan)
    never_s = np.where(store_mm > 0.0, np.inf, 0.0)
    return np.where(intake_mm_h <= 0.0, never_s, rest_s)[()]


def soaking_rest_s(rate_mm_h, intake_mm_h, open_s):
    """Rest after which the water left standing by one opening on a dry surface has soaked in. [s]

    The opening is taken to be short enough that nothing ran off.
    """
    left_mm = np.maximum(rate_mm_h - intake_mm_h, 0.0) * (open_s / SECONDS_PER_HOUR)
    return rest_to_soak_s(left_mm, intake_mm_h)


def split_run(seconds, rate_mm_h, intake_mm_h, storage_mm, shortest_s=1.0):
    """Split a run into openings with soaking rests, so that no water runs off from a surface dry at the start.

    Openings are whole seconds and equal but for the last, which is what remains:
    ``seconds - (openings - 1) * opening_s``. Each rest lets everything soak in.

    Parameters
    ----------
    seconds : float or array
        Watering wanted in all. [s]
    rate_mm_h, intake_mm_h : float or array
        Application rate and basic intake rate. [mm/h]
    storage_mm : float or array
        Allowable surface accumulation. [mm]
    shortest_s : float or array
        Whole number >= 1; no opening but the last is made shorter, and what then does not fit runs off. [s]

    Returns
    -------
    (openings, opening_s, rest_s) : floats or arrays, broadcast
        Number of openings, length of each but the last [s], and rest between two [s]. A run that needs no split, and
        one that splitting cannot help (no surface storage, or soil that takes in nothing), is one opening of
        ``seconds`` with rest 0.

    References
    ----------
    Largest opening and least soak of the test protocol for climatologically based controllers, 2008 (from memory).
    """
    longest_s = longest_opening_s(rate_mm_h, intake_mm_h, storage_mm)
    whole_s = np.maximum(np.floor(longest_s + WHOLE_SECOND_SLACK_S), shortest_s)
    hopeless = np.logical_or(storage_mm <= 0.0, intake_mm_h <= 0.0)
    parts = np.maximum(np.ceil(seconds / np.where(hopeless, np.inf, whole_s)), 1.0)
    # Where parts is 1 it is a factor that changes nothing; where it is NaN, it keeps what is unknown unknown.
    opening_s = np.where(parts > 1.0, np.maximum(np.ceil(seconds / parts), shortest_s), seconds * parts)
    openings = np.where(parts > 1.0, np.ceil(seconds / np.maximum(opening_s, 1.0)), parts)
    left_mm = np.minimum((rate_mm_h - intake_mm_h) * (opening_s / SECONDS_PER_HOUR), storage_mm)
    rest_s = np.where(parts > 1.0, np.ceil(rest_to_soak_s(left_mm, intake_mm_h) - WHOLE_SECOND_SLACK_S), 0.0 * parts)
    return openings[()], opening_s[()], rest_s[()]
