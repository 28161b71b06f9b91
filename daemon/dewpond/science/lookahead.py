"""How much to water tonight, judged by many possible weathers: when a zone can wait, and which depth costs least.

Arrays are days x zones x futures, or broadcast to it. Depletion counts down from field capacity. NaN is not allowed.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from dewpond.science.nights_ahead import STATES, STEPS, WATERING_PRICE, stress_price_mm, values_ahead

# Depths tried, as shares of RAW, besides none, what carries a zone to its next chance, and a full refill, which only
# shows what the others save: 0.65 of RAW is deep enough, and the rest stays open for rain that nobody expects.
DEPTH_SHARES = np.linspace(0.05, 0.65, 17)
EDGE_SHARE = 0.02  # of RAW, over which a day turns into one of stress: a sharp edge would hang on single futures
SPARE_MM = 0.1  # given beyond what is needed to the next chance: whole seconds of watering and rounding cost less
BLOCK_ZONES = 64  # zones worked on at a time, so that the arrays stay in the processor's cache


class Judged(NamedTuple):
    """What each depth would come to; arrays of zones x depths, in mm: none first, a full refill last.

    ``cost_mm`` is the mean water given from tonight on, with what is missing at the end, and the prices of stress and
    of every watering.
    """

    tonight_mm: Any
    cost_mm: Any


def safe_depletion(etc_mm, rain_mm, raw_mm, chance, misses):
    """Depletion up to which a zone can be left until its next chance: RAW is passed in no more than ``misses`` futures.

    Parameters
    ----------
    etc_mm : array, days x zones x futures
        Unstressed water use. [mm/day]
    rain_mm : array, days x 1 or zones x futures
        Rain that counts, at the end of its day. [mm]
    raw_mm : array, broadcast to days x zones x futures
        Readily available water. [mm]
    chance : bool array, days x zones
        Whether the zone may be watered in the night before that day.
    misses : int array, zones
        Futures in which RAW may be passed.

    Returns
    -------
    array, days x zones: the depletion before that day, 0 where no depletion is safe. [mm]
    """
    days, zones, futures = etc_mm.shape
    raw_mm = _full(raw_mm, etc_mm.shape)
    row, place = np.arange(zones), futures - 1 - np.asarray(misses)
    growth_mm = np.full((zones, futures), -np.inf)
    safe_mm = np.empty((days, zones))
    for day in reversed(range(days)):
        growth_mm = etc_mm[day] - rain_mm[day] + np.maximum(growth_mm, -raw_mm[day])
        worst_mm = np.sort(growth_mm, axis=-1)[row, place]
        safe_mm[day] = np.maximum(-worst_mm, 0.0)
        if day:
            growth_mm[chance[day]] = -np.inf
    return safe_mm


def judge_depths(depletion_mm, etc_mm, rain_mm, raw_mm, storage_mm, least_mm, carry_mm, chance, care):
    """Cost of each depth tonight, when every following night chooses the depth that then costs least.

    Parameters
    ----------
    depletion_mm, storage_mm, least_mm, carry_mm : array, zones
        Depletion before tonight's watering, the tabulated RAW that depths are shares of, the least depth worth opening
        a valve for, and what carries the zone to its next chance. [mm]
    etc_mm, rain_mm, raw_mm, chance
        As in ``safe_depletion``; tonight is a chance, whatever ``chance[0]`` says.
    care : array, zones
        How many times the usual price a day of stress has. [-]

    Returns
    -------
    Judged
    """
    raw_mm, rain_mm = _full(raw_mm, etc_mm.shape), _full(rain_mm, etc_mm.shape)
    tonight_mm = _depths(depletion_mm, storage_mm, least_mm, carry_mm)
    parts = []
    for first in range(0, len(depletion_mm), BLOCK_ZONES):
        part = slice(first, first + BLOCK_ZONES)
        etc, rain, raw = etc_mm[:, part], rain_mm[:, part], raw_mm[:, part]
        storage = storage_mm[part]
        ahead_mm = values_ahead(etc, rain, raw, storage, least_mm[part], chance[:, part], care[part])
        left_mm = (depletion_mm[part, None] - tonight_mm[part])[:, :, None] + (etc[0] - rain[0])[:, None, :]
        np.maximum(left_mm, 0.0, out=left_mm)
        parts.append(_judge(tonight_mm[part], left_mm, left_mm - raw[0][:, None, :], storage, care[part], ahead_mm))
    return Judged(tonight_mm, parts[0] if len(parts) == 1 else np.concatenate(parts))


def _full(values, shape):
    return values if values.shape == shape else np.broadcast_to(values, shape)


def _depths(depletion_mm, storage_mm, least_mm, carry_mm):
    """Depths tried tonight, zones x depths."""
    depths_mm = np.empty((len(depletion_mm), len(DEPTH_SHARES) + 3))
    some_mm, missing_mm = depths_mm[:, 1:-1], depths_mm[:, -1:]
    depths_mm[:, 0] = 0.0
    np.maximum(depletion_mm[:, None], 0.0, out=missing_mm)
    some_mm[:, 0] = carry_mm
    np.multiply(storage_mm[:, None], DEPTH_SHARES, out=some_mm[:, 1:])
    np.minimum(np.maximum(some_mm, least_mm[:, None], out=some_mm), missing_mm, out=some_mm)
    return depths_mm


def _judge(tonight_mm, left_mm, beyond_mm, storage_mm, care, ahead_mm):
    """Cost of tonight's depths by what is left after day 0, zones x depths x futures, and by the nights ahead."""
    state = left_mm * (STEPS / storage_mm)[:, None, None]
    np.minimum(state, STATES - 1.0, out=state)
    place = np.minimum(state.astype(int), STATES - 2)
    state -= place
    place += np.arange(0, ahead_mm.size, STATES)[:, None, None]
    later_mm = ahead_mm.take(place)
    later_mm *= 1.0 - state
    place += 1
    state *= ahead_mm.take(place)
    later_mm += state
    storage = storage_mm[:, None, None]
    later_mm += stress_price_mm(beyond_mm, EDGE_SHARE * storage, storage, care[:, None, None])
    opened_mm = WATERING_PRICE * storage_mm[:, None] * (tonight_mm > 0.0)
    return tonight_mm + opened_mm + later_mm.mean(axis=2)
