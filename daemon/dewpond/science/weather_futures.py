"""Weather that may come: daily reference ET and rain drawn from a place's own record, and a prior where there is none.

The record is resampled in runs of days (the stationary bootstrap), so that dry spells, wet spells and the dull days
that go with rain stay together. Recent days and days of the same season of earlier years are drawn alike; ETo is
carried over as a share of extraterrestrial radiation, so that it follows the season. Runs begin on days that follow
others like the last one known: a dull day is followed by a dull one more often than by a clear one. The same seed and
record give the same futures, bit for bit.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from dewpond.science.radiation import extraterrestrial_radiation_daily, mm_from_mj

RECENT_DAYS = 60  # of the record that stand for the days ahead
SPELL_DAYS = 24  # without rain, from which on a dry season is taken to have come: wetter days before it are past
SPELL_RAIN_MM = 2.0  # less in a day does not end a dry spell
SEASON_DAYS = 22  # either side of the date in earlier years
RUN_DAYS = 5.0  # mean length of a run of days kept together
ALIKE_SHARE = 2.0 / 3.0  # of the days drawn from: those that follow days most like the last one; our choice
ALIKE_LEAST = 24  # of so few days all are drawn from, or their extremes would be lost
ALIKE_LAG_DAYS = 2  # a last known day longer ago than this says nothing of the first day ahead
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
    ahead_mm = _evaporable_mm(latitude_deg, first_day + np.arange(days))
    pool = _pool(record, first_day)
    known = len(pool)
    shares = record.eto_mm / np.maximum(_evaporable_mm(latitude_deg, record.day), 0.1)
    first = _following_alike(record.day, shares, pool, first_day)
    places = _runs(rng, known, first, futures, days) if known else np.zeros((futures, days), dtype=int)
    share = shares[pool][places] if known else np.zeros((futures, days))
    rain_mm = record.rain_mm[pool][places] if known else np.zeros((futures, days))
    if known < ETO_DAYS:
        mild = mild_eto_mm / max(ahead_mm[0], 0.1) * np.exp(ETO_SPREAD * rng.standard_normal((futures, days)))
        share = np.where(rng.random((futures, days)) * ETO_DAYS < ETO_DAYS - known, mild, share)
    if rain_counts:
        by_prior = rng.random((futures, days)) < prior_share(len(record.day))
        rain_mm[by_prior] = _prior_rain(rng, latitude_deg, int(by_prior.sum()))
    return Futures(share * ahead_mm, rain_mm if rain_counts else np.zeros((futures, days)))


def _evaporable_mm(latitude_deg, day):
    """Extraterrestrial radiation of days since 1970 as the water it could evaporate. [mm/day]"""
    day_of_year = np.mod(np.asarray(day, dtype=float), 365.2425) + 1.0
    return mm_from_mj(extraterrestrial_radiation_daily(math.radians(latitude_deg), day_of_year))


def prior_share(known_days):
    """Share of the days ahead whose rain follows the prior, by how many days were measured. [-]"""
    return (PRIOR_DAYS / (PRIOR_DAYS + min(known_days, RECENT_DAYS))) ** 2


def _pool(record, first_day):
    """Places in the record that may stand for the days ahead: recent ones, and the same season of earlier years."""
    age = first_day - np.asarray(record.day, dtype=float)
    rained = age[record.rain_mm >= SPELL_RAIN_MM]
    spell = float(rained.min()) - 1.0 if len(rained) else np.inf
    recent = RECENT_DAYS if spell < SPELL_DAYS else min(spell, RECENT_DAYS)
    from_season = np.abs(np.mod(age + 182.6, 365.2425) - 182.6)
    return np.flatnonzero((age <= recent) | ((from_season <= SEASON_DAYS) & (age > 182.0)))


def _following_alike(day, shares, pool, first_day):
    """Places in the pool that may come first: as long after days like the last one known as the first day ahead is."""
    count = min(len(pool), max(ALIKE_LEAST, math.ceil(ALIKE_SHARE * len(pool))))
    lag = first_day - day[-1] if len(day) else np.inf
    if lag > ALIKE_LAG_DAYS or count == len(pool):
        return np.arange(len(pool))
    before = np.searchsorted(day, day[pool] - lag)
    unlike = np.where(day[before] == day[pool] - lag, np.abs(shares[before] - shares[-1]), np.inf)
    return np.sort(np.argsort(unlike, kind="stable")[:count])


def _runs(rng, known, first, futures, days):
    """Places in the pool, futures x days: runs of following days; the first days together cover all of ``first``."""
    starts = first[rng.permutation(np.arange(futures) * len(first) // futures)]
    fresh = rng.integers(0, known, (futures, days))
    breaks = rng.random((futures, days)) < 1.0 / RUN_DAYS
    breaks[:, 0] = True
    fresh[:, 0] = starts
    column = np.arange(days)
    begun = np.maximum.accumulate(np.where(breaks, column, 0), axis=1)
    return (np.take_along_axis(fresh, begun, axis=1) + column - begun) % known


def _prior_rain(rng, latitude_deg, days):
    wet, mean_mm = rain_prior(latitude_deg)
    return rng.gamma(RAIN_SHAPE, mean_mm / RAIN_SHAPE, days) * (rng.random(days) < wet)
