"""The least water a season could have taken, had its weather been known: all of it, or each coming day's water use.

Bounds to judge replays by; the first is a linear programme and needs scipy, which the test extra brings.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import linprog

FloatArray = NDArray[np.float64]
RAIN_SHARE = 0.8  # of measured rain, no more than the storage left


def least_net_irrigation_mm(etc_mm: FloatArray, rain_mm: FloatArray, storage_mm: float) -> float:
    """Least net irrigation of one zone with its depletion within 0 and ``storage_mm`` at the end of every day.

    It starts at field capacity and may end as dry as ``storage_mm``. Unknowns of a day: irrigation, rain used (no more
    than 80 % of the day's) and depletion; depletion = before + ETc - irrigation - rain used.
    """
    days = len(etc_mm)
    one, before = sparse.identity(days), sparse.diags([np.ones(days - 1)], [-1])
    balance = sparse.hstack([one, one, one - before]).tocsr()
    bounds = [(0.0, None)] * days + [(0.0, RAIN_SHARE * rain) for rain in rain_mm] + [(0.0, storage_mm)] * days
    found = linprog(np.r_[np.ones(days), np.zeros(2 * days)], A_eq=balance, b_eq=etc_mm, bounds=bounds, method="highs")
    if not found.success:
        raise ValueError(f"no irrigation keeps depletion within 0 and {storage_mm:g} mm: {found.message}")
    return float(found.fun)


def at_the_brim_mm(etc_mm: FloatArray, rain_mm: FloatArray, storage_mm: float) -> float:
    """Net irrigation of one zone that is given every night just what the coming day would pass its storage by.

    It knows the day's water use beforehand and nothing of any rain, and never has less room for rain than it must: what
    is left between this and perfect foresight, no depth of watering can save, only a forecast of rain.
    """
    depletion_mm = given_mm = 0.0
    for use_mm, fallen_mm in zip(etc_mm, rain_mm, strict=True):
        tonight_mm = min(max(depletion_mm + use_mm - storage_mm, 0.0), depletion_mm)
        given_mm += tonight_mm
        depletion_mm = max(depletion_mm - tonight_mm + use_mm - RAIN_SHARE * fallen_mm, 0.0)
    return float(given_mm)
