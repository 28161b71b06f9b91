"""What a depletion will cost over the nights ahead, when every night chooses the depth that then costs least.

Stochastic dynamic programming, backwards from the last night: a zone's state is its depletion, each night knows it and
nothing of the weather to come. Days are taken as independent of each other, each with the spread of the futures on it.
One more watering and every day of stress have their prices, so that dry seasons are watered deep and seldom, and wet
ones keep room for rain.

R. Bellman, Dynamic Programming, 1957, for the recursion. With a price on each order it is the common inventory problem.
"""

from __future__ import annotations

import numpy as np

STEPS = 32  # of depletion from field capacity to RAW
STATES = 49  # up to 1.5 RAW; what is drier counts as that dry
MOST = 32  # steps a day may take away at most: more than RAW in a day counts as RAW
WIDTH = STATES + MOST + 1  # changes of a day: from a rain that fills any depletion to MOST
# Prices in mm of water as shares of RAW; our choice, set on recorded seasons of dry and wet climates. A watering loses
# some of itself from wet leaves and surface, whatever its depth:
WATERING_PRICE = 0.001
STRESS_PRICE = 0.03  # a day beyond RAW, however little
DEFICIT_PRICE = 2.0  # for each mm and day beyond RAW, not as a share


def values_ahead(etc_mm, rain_mm, raw_mm, storage_mm, least_mm, chance, care):
    """Least expected cost from the night before day 1 on; tonight and day 0 are left to the caller.

    Parameters
    ----------
    etc_mm, rain_mm, raw_mm : array, days x zones x futures
        Unstressed water use, rain that counts at the end of its day, and readily available water. [mm]
    storage_mm, least_mm, care : array, zones
        The tabulated RAW that steps and prices are shares of, the least depth worth opening a valve for [mm], and how
        many times the usual price a day of stress has [-].
    chance : bool array, days x zones
        Whether the zone may be watered in the night before that day.

    Returns
    -------
    array, zones x ``STATES``: by depletion in steps of ``storage_mm`` / ``STEPS``, the mean water given, with what is
    missing at the end, and the prices of waterings and stress. [mm]
    """
    days, zones, _ = etc_mm.shape
    step_mm = storage_mm / STEPS
    chances = _transitions(etc_mm - rain_mm, step_mm)
    state_mm = np.arange(STATES) * step_mm[:, None]
    beyond_mm = state_mm - raw_mm.mean(axis=2)[:, :, None]
    price_mm = stress_price_mm(beyond_mm, step_mm[:, None], storage_mm[:, None], care[:, None])
    rows = np.arange(0, zones * STATES, STATES)[:, None]
    fewer = rows + np.maximum(np.arange(STATES) - np.ceil(least_mm / step_mm).astype(int)[:, None], 0)
    opened_mm = state_mm + WATERING_PRICE * storage_mm[:, None]
    opened_mm = np.where(chance[:, :, None], opened_mm, np.inf)
    edged_mm = np.empty((zones, STATES + STATES + MOST))
    # Each state's window of what a day may lead to: STATES views of the same row, one step apart.
    windows_mm = np.ndarray((zones, STATES, WIDTH), buffer=edged_mm, strides=(*edged_mm.strides, edged_mm.itemsize))
    cost_mm, filled, driest = edged_mm[:, STATES:-MOST], edged_mm[:, :STATES], edged_mm[:, -MOST:]
    cost_mm[:] = state_mm
    waiting_mm, gained_mm = np.empty((zones, STATES)), np.empty((zones, STATES))
    # The later half stands for the weeks after it too, or what a slow zone stores would never be judged.
    for day in (*range(days - 1, days // 2, -1), *range(days - 1, 0, -1)):
        cost_mm += price_mm[day]
        filled[:], driest[:] = cost_mm[:, :1], cost_mm[:, -1:]
        np.einsum("zsc,zc->zs", windows_mm, chances[day], out=waiting_mm)
        np.minimum.accumulate(np.subtract(waiting_mm, state_mm, out=gained_mm), axis=1, out=gained_mm)
        np.minimum(waiting_mm, opened_mm[day] + gained_mm.take(fewer), out=cost_mm)
    return cost_mm.copy()


def stress_price_mm(beyond_mm, edge_mm, storage_mm, care):
    """Price of a day that ends so far beyond RAW; a day turns into one of stress over ``edge_mm`` around it. [mm]"""
    price_mm = beyond_mm / edge_mm
    price_mm += 0.5
    np.minimum(np.maximum(price_mm, 0.0, out=price_mm), 1.0, out=price_mm)
    price_mm *= STRESS_PRICE * storage_mm * care
    deficit_mm = np.maximum(beyond_mm, 0.0)
    deficit_mm *= DEFICIT_PRICE
    price_mm += deficit_mm
    return price_mm


def _transitions(change_mm, step_mm):
    """Chances of each day's change of depletion in steps, from ``-STATES`` to ``MOST``; days x zones x ``WIDTH``.

    A change between two steps is shared by both, which is to say that values between two states are interpolated.
    """
    days, zones, futures = change_mm.shape
    steps = change_mm / step_mm[:, None]
    np.minimum(np.maximum(steps, -STATES, out=steps), MOST, out=steps)
    below = np.minimum(np.floor(steps), MOST - 1.0)
    share = (steps - below).ravel()
    first = np.arange(STATES, days * zones * WIDTH, WIDTH).reshape(days, zones, 1)
    place = (below.astype(int) + first).ravel()
    chances = np.bincount(place, 1.0 - share, days * zones * WIDTH)
    chances += np.bincount(place + 1, share, days * zones * WIDTH)
    return chances.reshape(days, zones, WIDTH) / futures
