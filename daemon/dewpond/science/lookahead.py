"""How much to water tonight, judged by many possible weathers: when a zone can wait, and which depth costs least.

Arrays are days x zones x futures, or broadcast to it. Depletion counts down from field capacity. NaN is not allowed.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

# Depths tried, as shares of RAW; each at least what carries the zone to its next chance. The last, a full refill, only
# shows what the others save: 0.6 of RAW is deep enough, and the rest stays open for rain that nobody expects. The
# others go no deeper than the days ahead are expected to use: what lies in store beyond them is not judged, and may be
# lost.
DEPTH_SHARES = np.array([0.07, 0.14, 0.21, 0.3, 0.4, 0.5, 0.6, 1.0])
DEEP_SHARE = 0.5  # of RAW: a watering of this depth or more is deep
# Prices in mm of water; our choice, set so that recorded dry seasons are watered deep and seldom and room for rain is
# kept in wet ones. A shallow watering loses more of itself to evaporation from the surface:
SHALLOW_PRICE = 0.02  # of the water, for the shallowest; none from DEEP_SHARE on
STRESS_PRICE = 5.0  # for each mm and day beyond RAW
SPARE_MM = 0.1  # given beyond what is needed to the next chance: whole seconds of watering and rounding cost less
BLOCK_ZONES = 64  # zones worked on at a time, so that the arrays stay in the processor's cache


class Judged(NamedTuple):
    """What each depth would come to; arrays of zones x depths, in mm.

    ``water_mm`` is the mean water given over the days ahead, with what is missing at their end; ``cost_mm`` adds the
    prices of stress and of shallow watering.
    """

    tonight_mm: Any
    water_mm: Any
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
    raw_mm = np.broadcast_to(raw_mm, etc_mm.shape)
    row, place = np.arange(zones), futures - 1 - np.asarray(misses)
    growth_mm = np.full((zones, futures), -np.inf)
    safe_mm = np.empty((days, zones))
    for day in reversed(range(days)):
        growth_mm = etc_mm[day] - rain_mm[day] + np.maximum(growth_mm, -raw_mm[day])
        worst_mm = np.sort(growth_mm, axis=-1)[row, place]
        safe_mm[day] = np.maximum(-worst_mm, 0.0)
        growth_mm = np.where(chance[day][:, None], -np.inf, growth_mm)
    return safe_mm


def judge_depths(depletion_mm, etc_mm, rain_mm, raw_mm, taw_mm, storage_mm, least_mm, chance, safe_mm):
    """Cost of each depth tonight, the following waterings of each future being as deep.

    Parameters
    ----------
    depletion_mm, taw_mm, storage_mm, least_mm : array, zones
        Depletion before tonight's watering, total available water, the tabulated RAW that depths are shares of, and
        the least depth worth opening a valve for. [mm]
    etc_mm, rain_mm, raw_mm, chance
        As in ``safe_depletion``; ``chance[0]`` is tonight's.
    safe_mm : array, days x zones
        Where following nights water: beyond it. [mm]

    Returns
    -------
    Judged, arrays of zones x ``DEPTH_SHARES``. [mm]
    """
    blocks = [slice(first, first + BLOCK_ZONES) for first in range(0, len(depletion_mm), BLOCK_ZONES)]
    raw_mm, rain_mm = np.broadcast_to(raw_mm, etc_mm.shape), np.broadcast_to(rain_mm, etc_mm.shape)
    parts = [
        _judge_block(
            depletion_mm[part],
            etc_mm[:, part],
            rain_mm[:, part],
            raw_mm[:, part],
            taw_mm[part],
            storage_mm[part],
            least_mm[part],
            chance[:, part],
            safe_mm[:, part],
        )
        for part in blocks
    ]
    return Judged(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _judge_block(depletion_mm, etc_mm, rain_mm, raw_mm, taw_mm, storage_mm, least_mm, chance, safe_mm):
    """The same for a few zones; the last axis of all work is the futures, before it the depths."""
    days, zones, futures = etc_mm.shape
    shape = (zones, len(DEPTH_SHARES), futures)
    depth_mm = storage_mm[:, None] * DEPTH_SHARES
    depth_mm[:, :-1] = np.minimum(depth_mm[:, :-1], etc_mm.mean(axis=2).sum(axis=0)[:, None])
    depth_mm = np.maximum(depth_mm, least_mm[:, None])
    aimed_mm = depth_mm[:, :, None]
    loss_mm = (etc_mm - rain_mm)[:, :, None, :]
    left_mm = np.broadcast_to(depletion_mm[:, None, None], shape).copy()
    water_mm, stress_mm, given_mm = np.zeros(shape), np.zeros(shape), np.empty(shape)
    tonight_mm = None
    for day in range(days):
        if chance[day].any():
            np.subtract(left_mm, safe_mm[day][:, None, None], out=given_mm)
            due = (given_mm > 0.0) & chance[day][:, None, None]
            given_mm += SPARE_MM
            np.maximum(given_mm, aimed_mm, out=given_mm)
            np.minimum(given_mm, left_mm, out=given_mm)
            given_mm *= due
            tonight_mm = given_mm[:, :, 0].copy() if tonight_mm is None else tonight_mm
            water_mm += given_mm
            left_mm -= given_mm
        left_mm += loss_mm[day]
        np.maximum(left_mm, 0.0, out=left_mm)
        np.minimum(left_mm, taw_mm[:, None, None], out=left_mm)
        np.subtract(left_mm, raw_mm[day][:, None, :], out=given_mm)
        stress_mm += np.maximum(given_mm, 0.0, out=given_mm)
    shallow = SHALLOW_PRICE * np.maximum(0.0, 1.0 - depth_mm / (DEEP_SHARE * storage_mm[:, None]))
    mean_water_mm = (water_mm + left_mm).mean(axis=2)
    price_mm = shallow * water_mm.mean(axis=2) + STRESS_PRICE * stress_mm.mean(axis=2)
    return tonight_mm, mean_water_mm, mean_water_mm + price_mm
