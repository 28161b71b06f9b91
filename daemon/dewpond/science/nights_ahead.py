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
    edged = np.empty((zones, STATES + STATES + MOST))
    windows = np.lib.stride_tricks.sliding_window_view(edged, WIDTH, axis=1)
    cost_mm = state_mm
    # The later half stands for the weeks after it too, or what a slow zone stores would never be judged.
    for day in (*range(days - 1, days // 2, -1), *range(days - 1, 0, -1)):
        cost_mm = cost_mm + price_mm[day]
        edged[:, STATES:-MOST] = cost_mm
        edged[:, :STATES] = cost_mm[:, :1]
        edged[:, -MOST:] = cost_mm[:, -1:]
        waiting_mm = np.einsum("zsc,zc->zs", windows, chances[day])
        filled_mm = np.minimum.accumulate(waiting_mm - state_mm, axis=1).take(fewer)
        cost_mm = np.minimum(waiting_mm, opened_mm[day] + filled_mm)
    return cost_mm


def stress_price_mm(beyond_mm, edge_mm, storage_mm, care):
    """Price of a day that ends so far beyond RAW; a day turns into one of stress over ``edge_mm`` around it. [mm]"""
    stressed = np.clip(beyond_mm / edge_mm + 0.5, 0.0, 1.0)
    return STRESS_PRICE * storage_mm * care * stressed + DEFICIT_PRICE * np.maximum(beyond_mm, 0.0)


def _transitions(change_mm, step_mm):
    """Chances of each day's change of depletion in steps, from ``-STATES`` to ``MOST``; days x zones x ``WIDTH``.

    A change between two steps is shared by both, which is to say that values between two states are interpolated.
    """
    days, zones, futures = change_mm.shape
    steps = np.clip(change_mm / step_mm[:, None], -STATES, MOST)
    below = np.minimum(np.floor(steps), MOST - 1.0)
    share = steps - below
    place = np.arange(0, days * zones * WIDTH, WIDTH).reshape(days, zones, 1) + below.astype(int) + STATES
    chances = np.bincount(place.ravel(), (1.0 - share).ravel(), days * zones * WIDTH)
    chances += np.bincount(place.ravel() + 1, share.ravel(), days * zones * WIDTH)
    return chances.reshape(days, zones, WIDTH) / futures
