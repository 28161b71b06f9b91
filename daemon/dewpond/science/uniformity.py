"""How evenly a zone is watered, from catch-can cups.

The cups of one test stand on the last axis; leading axes are tests of their own. A NaN cup makes its test NaN: leave
spilled cups out instead. A test whose cups are all empty has no uniformity and gives NaN.
"""

from __future__ import annotations

import numpy as np

from dewpond.science.application import application_rate_from_catch, efficiency_from_uniformity
from dewpond.science.units import CM2_PER_IN2, MM_PER_INCH

CUP_UNITS = ("in/h", "mm/h", "mL", "mm", "in")

# Low-quarter uniformity at or above which a zone of these heads is excellent, very good, good, fair, poor. [-]
# Source: Irrigation Association audit guidelines, from memory.
QUALITY_WORDS = ("excellent", "very good", "good", "fair", "poor")
QUALITY_LIMITS = {"spray": (0.75, 0.65, 0.55, 0.50, 0.40), "rotor": (0.80, 0.70, 0.65, 0.60, 0.50)}


def low_count(cups: int, share: float) -> int:
    """How many cups are the lowest ``share`` of them: nearest, halves to even, at least one.

    Source: the worked audits of Grabow, North Carolina State University, 2021-2022 (other sources round otherwise).
    """
    return max(1, round(cups * share))


def distribution_uniformity(catches, share=0.25):
    """Mean of the lowest ``share`` of the cups over the mean of all: DU_lq for 0.25, DU_lh for 0.5.

    Parameters
    ----------
    catches : array of shape (..., cups)
        Depths, rates or volumes of equal cups, in one unit.
    share : float
        Share of the cups taken as the low part. [-]

    Returns
    -------
    float or array of shape (...): between 0 and 1. [-]

    References
    ----------
    Irrigation Association audit guidelines; Merriam & Keller, Farm Irrigation System Evaluation, 1978.
    """
    cups = np.asarray(catches, dtype=float)
    low = np.sort(cups, axis=-1)[..., : low_count(cups.shape[-1], share)].mean(axis=-1)
    # Sorting puts a NaN cup last, out of the low part; the mean of all still carries it.
    return low / _mean_or_nan(cups)


def christiansen_uniformity(catches):
    """Christiansen's coefficient of uniformity: 1 - sum|x - m|/(n m). [-]

    ``catches`` : array of shape (..., cups), one unit. Returns a float or an array of shape (...).
    Source: Christiansen, 1942.
    """
    cups = np.asarray(catches, dtype=float)
    mean = _mean_or_nan(cups)
    return 1.0 - np.abs(cups - cups.mean(axis=-1, keepdims=True)).mean(axis=-1) / mean


def _mean_or_nan(cups):
    mean = cups.mean(axis=-1)
    return np.where(mean > 0.0, mean, np.nan)[()]


def run_time_multiplier(du_lq):
    """Factor on a run time that lets nearly all of a zone have enough: 1/(0.4 + 0.6 DU_lq). [-]

    Source: Irrigation Association audit guidelines (from memory), the rounded form of 1/DU_lh.
    """
    return 1.0 / efficiency_from_uniformity(du_lq)


def low_half_from_low_quarter(du_lq):
    """Low-half uniformity that usually goes with a low-quarter one: 0.386 + 0.614 DU_lq. [-]

    Source: Irrigation Association audit guidelines, from memory.
    """
    return 0.386 + 0.614 * du_lq


def potential_efficiency_low_quarter(low_quarter_rate, applied_rate):
    """Potential application efficiency of the low quarter PELQ: low-quarter catch over what the heads gave off. [-]

    Both rates in one unit. Source: Merriam & Keller, 1978.
    """
    return low_quarter_rate / applied_rate


def application_efficiency_low_quarter(deficit, low_quarter_depth, applied_depth):
    """Application efficiency of the low quarter AELQ: what the low quarter stored over what was applied. [-]

    Parameters
    ----------
    deficit, low_quarter_depth, applied_depth : float or array
        Room in the soil, depth caught by the low quarter, depth applied, in one unit. An over-filled low quarter stores
        the deficit and no more.

    References
    ----------
    Merriam & Keller, 1978, as worked by Grabow, 2021-2022.
    """
    return np.minimum(deficit, low_quarter_depth) / applied_depth


def catch_rate_mm_h(values, unit, minutes=None, cup_area_cm2=None):
    """Catch rate of each cup.

    Parameters
    ----------
    values : float or array
        What the cups show, in ``unit``.
    unit : str
        "in/h" or "mm/h"; "in" or "mm" of depth (needs ``minutes``); "mL" (needs ``minutes`` and ``cup_area_cm2``).
    minutes : float, optional
        How long the zone ran, > 0. [min]
    cup_area_cm2 : float, optional
        Throat area of one cup, > 0. [cm2]

    Returns
    -------
    float or array, shape of ``values``. [mm/h]

    Raises
    ------
    ValueError
        For an unknown unit, or when the unit needs a number that is missing or not above 0.
    """
    if unit not in CUP_UNITS:
        raise ValueError(f"cup unit {unit!r} is not known; use one of: {', '.join(CUP_UNITS)}.")
    if unit in ("mm/h", "in/h"):
        return np.multiply(values, MM_PER_INCH if unit == "in/h" else 1.0)
    _need_positive(unit, "the minutes the zone ran", minutes)
    if unit == "mL":
        _need_positive(unit, "the throat area of a cup in cm2", cup_area_cm2)
        return application_rate_from_catch(np.asarray(values)[()], minutes, cup_area_cm2)
    return np.multiply(values, (MM_PER_INCH if unit == "in" else 1.0) * 60.0 / minutes)


def _need_positive(unit: str, what: str, value: float | None) -> None:
    if value is None or not value > 0.0:
        raise ValueError(f"cups in {unit} need {what} (got {value}), above 0; give it to turn a catch into a rate.")


def least_mean_catch_ml(cup_area_cm2):
    """Mean catch a test should reach to be read well: 1.5 mL for each square inch of throat. [mL]

    Source: Irrigation Association audit guidelines, restated in Landscape Management.
    """
    return 1.5 * (cup_area_cm2 / CM2_PER_IN2)


def quality_word(du_lq: float, heads: str) -> str:
    """What a trade auditor calls a low-quarter uniformity for ``heads`` "spray" or "rotor".

    Returns one of ``QUALITY_WORDS``, or "very poor" below the last limit. Raises ValueError for other heads.
    """
    if heads not in QUALITY_LIMITS:
        raise ValueError(f"heads {heads!r} have no quality table; use one of: {', '.join(QUALITY_LIMITS)}.")
    for limit, word in zip(QUALITY_LIMITS[heads], QUALITY_WORDS, strict=True):
        if du_lq >= limit:
            return word
    return "very poor"
