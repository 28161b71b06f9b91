"""Weather that may come: daily reference ET and rain drawn from a place's own record, and a prior where there is none.

The record is resampled in runs of days (the stationary bootstrap), so that dry spells, wet spells and the dull days
that go with rain stay together. Recent days and days of the same season of earlier years are drawn alike; ETo is
carried over as a share of extraterrestrial radiation, so that it follows the season. The first run begins on a day that
follows one like the last one known, wet or dry, clear or dull, and what the last one had beyond its like is carried on
for some days: ETo of one day says much of the next. The same seed and record give the same futures, bit for bit.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from dewpond.science.radiation import extraterrestrial_radiation_daily, mm_from_mj

BLOCK_DAYS = 1024  # of one table of extraterrestrial radiation
RECENT_DAYS = 60  # of the record that stand for the days ahead
SPELL_DAYS = 24  # without rain, from which on a dry season is taken to have come: wetter days before it are past
SPELL_RAIN_MM = 2.0  # less in a day does not end a dry spell
SEASON_DAYS = 22  # either side of the date in earlier years
RUN_DAYS = 5.0  # mean length of a run of days kept together
ALIKE_SHARE = 2.0 / 3.0  # of the days drawn from: those that follow days most like the last one; our choice
ALIKE_LEAST = 24  # of so few days all are drawn from, or their extremes would be lost
ALIKE_LAG_DAYS = 2  # a last known day longer ago than this says nothing of the first day ahead
WET_MM, WET_APART = 1.0, 0.15  # a wet day and a dry one are as unlike as days whose ETo differs by this share
# Of what the last known day's share of ETo had beyond the day it is likened to, this much is carried to the next day:
# it missed least on sixteen recorded growing seasons (pinball loss of the upper tenth, 11 % less than without). [-]
CARRIED = 0.45
MOST_SHARE = 1.1  # times the largest share of the days drawn from: what is carried leads no further
PRIOR_DAYS = 15.0  # with as many known days, rain follows the prior on one day in four; with 60 on one in 25
ETO_DAYS = 7.0  # with fewer known days some ETo is the prior's
ETO_SPREAD = 0.2  # of the prior's ETo, as standard deviation of its logarithm
RAIN_SHAPE = 0.7  # of the gamma distribution of wet days' rain; about 0.7 the world over (from memory)
# Highest latitude -> (share of wet days, mean rain of a wet day [mm]): rounded zonal means of land, from memory.
RAIN_PRIORS = ((10.0, 0.45, 9.0), (20.0, 0.30, 9.0), (60.0, 0.25, 7.0), (90.0, 0.30, 4.0))


class Record(NamedTuple):
    """Days that were measured, oldest first: day numbers since 1970-01-01, ETo and rain of each. [d, mm, mm]"""

    day: Any
    eto_mm: Any
    rain_mm: Any


class Futures(NamedTuple):
    """Possible weather of the days ahead; arrays of futures x days. [mm/day]"""

    eto_mm: Any
    rain_mm: Any


def rain_prior(latitude_deg):
    """Share of wet days and their mean rain [mm] where nothing was measured. Source: ``RAIN_PRIORS``."""
    return next((wet, mean_mm) for limit, wet, mean_mm in RAIN_PRIORS if abs(latitude_deg) <= limit)


def draw_futures(record, *, seed, first_day, days, futures, latitude_deg, mild_eto_mm, rain_counts=True):
    """Futures of the weather from ``first_day`` on.

    Parameters
    ----------
    record : Record
        What was measured here; may be empty. All of it lies before ``first_day``.
    seed : int
        Of the draw; nothing else is random.
    first_day : int
        Day number since 1970-01-01 of the first day ahead.
    days, futures : int
        Size of the result.
    latitude_deg : float
        Negative in the south. [degrees]
    mild_eto_mm : float
        ETo of a mild day at this date, the prior's middle. [mm/day]
    rain_counts : bool
        False where rain is never measured: the futures then bring none, since the ledger would not hear of it.

    Returns
    -------
    Futures, arrays of futures x days. [mm/day]

    References
    ----------
    D. N. Politis and J. P. Romano, The Stationary Bootstrap, J. Am. Stat. Assoc. 89, 1994, pp. 1303-1313.
    U. Lall and A. Sharma, A nearest neighbor bootstrap for resampling hydrologic time series, Water Resour. Res. 32,
    1996, pp. 679-693, for where runs begin (from memory; here a wide neighbourhood, drawn from evenly).
    """
    rng = np.random.default_rng(seed)
    evaporable_mm = _evaporable_mm(latitude_deg, np.concatenate((record.day, first_day + np.arange(days))))
    ahead_mm = evaporable_mm[len(record.day) :]
    pool = _pool(record, first_day)
    known = len(pool)
    shares = record.eto_mm / np.maximum(evaporable_mm[: len(record.day)], 0.1)
    share, rain_mm = np.zeros((futures, days)), np.zeros((futures, days))
    if known:
        first = _following_alike(record, shares, pool, first_day)
        places, begun = _runs(rng, known, first, futures, days)
        share, rain_mm = shares[pool][places], record.rain_mm[pool][places]
        share += _carried(record.day, shares, pool[places[:, 0]], first_day, begun)
        np.minimum(np.maximum(share, 0.0, out=share), MOST_SHARE * shares[pool].max(), out=share)
    if known < ETO_DAYS:
        mild = mild_eto_mm / max(ahead_mm[0], 0.1) * np.exp(ETO_SPREAD * rng.standard_normal((futures, days)))
        share = np.where(rng.random((futures, days)) * ETO_DAYS < ETO_DAYS - known, mild, share)
    if rain_counts:
        by_prior = rng.random((futures, days)) < prior_share(known)
        rain_mm[by_prior] = _prior_rain(rng, latitude_deg, np.count_nonzero(by_prior))
    return Futures(share * ahead_mm, rain_mm if rain_counts else np.zeros((futures, days)))


def _evaporable_mm(latitude_deg, day):
    """Extraterrestrial radiation of days since 1970, ascending, as the water it could evaporate. [mm/day]"""
    number = np.asarray(day, dtype=int)
    first = int(number[0]) // BLOCK_DAYS
    blocks = [_evaporable_block(latitude_deg, block) for block in range(first, int(number[-1]) // BLOCK_DAYS + 1)]
    return (blocks[0] if len(blocks) == 1 else np.concatenate(blocks))[number - first * BLOCK_DAYS]


@lru_cache(maxsize=64)
def _evaporable_block(latitude_deg, block):
    """The same for ``BLOCK_DAYS`` following days, remembered: every night asks for its record again."""
    day_of_year = np.mod(np.arange(block * BLOCK_DAYS, (block + 1) * BLOCK_DAYS, dtype=float), 365.2425) + 1.0
    return mm_from_mj(extraterrestrial_radiation_daily(math.radians(latitude_deg), day_of_year))


def prior_share(known_days):
    """Share of the days ahead whose rain follows the prior, by how many measured days are drawn from. [-]"""
    return (PRIOR_DAYS / (PRIOR_DAYS + min(known_days, RECENT_DAYS))) ** 2


def _pool(record, first_day):
    """Places in the record that may stand for the days ahead: recent ones, and the same season of earlier years."""
    age = first_day - np.asarray(record.day, dtype=float)
    rained = age[record.rain_mm >= SPELL_RAIN_MM]
    spell = float(rained.min()) - 1.0 if len(rained) else np.inf
    recent = RECENT_DAYS if spell < SPELL_DAYS else min(spell, RECENT_DAYS)
    alike = age <= recent
    if len(age) and age[0] > 182.0:
        from_season = np.abs(np.mod(age + 182.6, 365.2425) - 182.6)
        alike |= (from_season <= SEASON_DAYS) & (age > 182.0)
    return alike.nonzero()[0]


def _following_alike(record, shares, pool, first_day):
    """Places in the pool that may come first: as long after days like the last one known as the first day ahead is."""
    day, wet = record.day, record.rain_mm >= WET_MM
    count = min(len(pool), max(ALIKE_LEAST, math.ceil(ALIKE_SHARE * len(pool))))
    lag = first_day - day[-1] if len(day) else np.inf
    if lag > ALIKE_LAG_DAYS or count == len(pool):
        return np.arange(len(pool))
    wanted = day[pool] - lag
    before = day.searchsorted(wanted)
    unlike = np.abs(shares[before] - shares[-1]) + WET_APART * (wet[before] != wet[-1])
    unlike[day[before] != wanted] = np.inf
    return np.sort(unlike.argsort(kind="stable")[:count])


def _carried(day, shares, starts, first_day, begun):
    """What the last known day adds to the share of each future's first run: less with every day."""
    lag = first_day - day[-1]
    if lag > ALIKE_LAG_DAYS:
        return 0.0
    wanted = day[starts] - lag
    before = day.searchsorted(wanted)
    beyond = np.where(day[before] == wanted, shares[-1] - shares[before], 0.0)
    return np.where(begun == 0, beyond[:, None] * CARRIED ** (lag + np.arange(begun.shape[1])), 0.0)


def _runs(rng, known, first, futures, days):
    """Places in the pool and when their runs began, futures x days; the first days together cover all of ``first``."""
    starts = first[rng.permutation(np.arange(futures) * len(first) // futures)]
    fresh = rng.integers(0, known, (futures, days))
    breaks = rng.random((futures, days)) < 1.0 / RUN_DAYS
    breaks[:, 0] = True
    fresh[:, 0] = starts
    column = np.arange(days)
    begun = np.maximum.accumulate(np.where(breaks, column, 0), axis=1)
    return (fresh[np.arange(futures)[:, None], begun] + column - begun) % known, begun


def _prior_rain(rng, latitude_deg, days):
    wet, mean_mm = rain_prior(latitude_deg)
    return rng.gamma(RAIN_SHAPE, mean_mm / RAIN_SHAPE, days) * (rng.random(days) < wet)
