"""A weather forecast set before the record: each future follows the forecast for its first days, then the record.

How many days it follows is drawn, so that the share of futures which follow falls with lead time as the forecast's
skill does. The rest of the futures stay as they were drawn from the record: they are what the forecast may be wrong by.

Skill by lead time. No published table was found that gives a single site's daily rain by lead day, so the figures for
rain are rounded ones FROM MEMORY of station verifications of global models; the score that a source earns at the site
corrects them. For ETo: an RMSE of 0.68 mm/d for the first three days (seven sites in four countries, FAO-56, "Comparing
the use of past and forecast weather data for estimating reference evapotranspiration", 2020) and of 0.59 to 0.98 mm/d
over a week (Central Chile, Sci. Total Environ. 957, 2024, 177606), both by their abstracts.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from dewpond.science.weather_futures import Futures

WET_MM = 1.0  # a day with less is dry
LEADS = 10  # days ahead that a forecast counts; 1 is the day that begins within 24 h of the issue
# Share of futures that follow the forecast of rain, by lead day from 1 (from memory, see above). [-]
RAIN_WEIGHT = np.array([0.97, 0.94, 0.88, 0.79, 0.68, 0.56, 0.43, 0.30, 0.18, 0.08])
# The same for ETo, which is forecast well for longer. [-]
ETO_WEIGHT = np.array([1.0, 1.0, 0.97, 0.93, 0.87, 0.80, 0.70, 0.60, 0.45, 0.30])
# Standard deviation of the logarithm of the amount of a wet day that was forecast wet (from memory). [-]
AMOUNT_SD = np.array([0.50, 0.55, 0.60, 0.65, 0.70, 0.75, 0.80, 0.85, 0.90, 0.90])
# Error of forecast ETo, standard deviation; sources above. [mm/day]
ETO_SD_MM = np.array([0.60, 0.65, 0.70, 0.75, 0.80, 0.85, 0.90, 0.95, 1.0, 1.0])
ETO_KEPT = 0.5  # of one day's error of ETo that is the next day's too: a model that is too cloudy stays so
# Chance that a day forecast wet stays dry, where the forecast itself gives no probability: so large for a shower of
# WET_MM, smaller the more rain is forecast (from memory). [-]
DRY_AFTER_ALL, DRY_FALLS_MM = 0.35, 5.0
LIGHT_MM = 2.0  # mean rain of a day whose probability says wet and whose amount says none: our choice
MOST_STRETCH = 3.0  # times the forecast amount that a future draws at most


class Outlook(NamedTuple):
    """A forecast laid over the days ahead; arrays of days. NaN where it has no word. [mm, -, mm/day, -, -, d]

    ``rain_weight`` and ``eto_weight`` are the shares of futures that follow it, ``lead`` its lead day from 1.
    """

    rain_mm: Any
    rain_probability: Any
    eto_mm: Any
    rain_weight: Any
    eto_weight: Any
    lead: Any


def blend(futures, outlook, *, seed):
    """Futures that follow the forecast as far as it is trusted and the record from there on.

    Parameters
    ----------
    futures : Futures
        Drawn from the record, arrays of futures x days. [mm/day]
    outlook : Outlook
        The forecast of the same days.
    seed : int
        Of the draw; nothing else is random.

    Returns
    -------
    Futures, of the same shape. Where a weight is 0 or the forecast has no word a value is the record's, bit for bit.
    ETo of a future whose rain was changed, on a day without a forecast of ETo, is another future's with like rain.
    """
    # Not the seed alone: the record's own draw may have had it, and both would shuffle the futures alike.
    rng = np.random.default_rng([seed, 1])
    count, days = futures.rain_mm.shape
    turn = ((rng.permutation(count) + 0.5) / count)[:, None]
    rain_follows = (turn < _falling(outlook.rain_weight, outlook.rain_mm)) & ~np.isnan(outlook.rain_mm)
    eto_follows = (turn < _falling(outlook.eto_weight, outlook.eto_mm)) & ~np.isnan(outlook.eto_mm)
    drawn_mm = _rain(rng, outlook, (count, days))
    rain_mm = np.where(rain_follows, drawn_mm, futures.rain_mm)
    eto_mm = np.where(eto_follows, _eto(rng, outlook, (count, days)), futures.eto_mm)
    donors = rng.permutation(count)
    for day in np.flatnonzero(rain_follows.any(axis=0) & ~eto_follows.any(axis=0)):
        eto_mm[:, day] = _eto_of_like_days(futures, rain_mm, rain_follows, donors, day)
    return Futures(eto_mm, rain_mm)


def wet_probability(rain_mm, rain_probability):
    """Chance of a wet day by the forecast alone: as given, else by its amount. NaN stays NaN. [-]"""
    rain_mm, given = np.asarray(rain_mm, dtype=float), np.asarray(rain_probability, dtype=float)
    by_amount = np.where(rain_mm >= WET_MM, 1.0 - DRY_AFTER_ALL * np.exp(-(rain_mm - WET_MM) / DRY_FALLS_MM), 0.0)
    by_amount = np.where(np.isnan(rain_mm), np.nan, by_amount)
    return np.where(np.isnan(given), by_amount, np.clip(given, 0.0, 1.0))


def exceedance(rain_mm, rain_probability, lead, thresholds_mm):
    """Chance by the forecast alone that a day's rain reaches each threshold; thresholds along the last axis. [-]"""
    wet = wet_probability(rain_mm, rain_probability)
    amount_mm, sd = _wet_amount_mm(rain_mm), AMOUNT_SD[np.clip(np.asarray(lead) - 1, 0, LEADS - 1)]
    scaled = (np.log(np.maximum(amount_mm, 1e-3) / np.asarray(thresholds_mm)) - sd**2 / 2.0) / sd
    return wet * np.vectorize(_normal_cdf)(scaled)


def _normal_cdf(value):
    return 0.5 * math.erfc(-value / math.sqrt(2.0))


def _falling(weight, word):
    """Weights that never rise with lead time, days without a word aside: no future takes the forecast up again."""
    return np.minimum.accumulate(np.where(np.isnan(word), 1.0, weight))


def _wet_amount_mm(rain_mm):
    return np.where(np.asarray(rain_mm) >= WET_MM, rain_mm, LIGHT_MM)


def _sd(table, lead):
    return table[np.clip(np.asarray(lead, dtype=int) - 1, 0, LEADS - 1)]


def _rain(rng, outlook, shape):
    """Rain by the forecast alone. Every random number is drawn, used or not: a changed day changes no other."""
    sd = _sd(AMOUNT_SD, outlook.lead)
    wet = rng.random(shape) < np.nan_to_num(wet_probability(outlook.rain_mm, outlook.rain_probability))
    stretch = np.minimum(np.exp(sd * rng.standard_normal(shape) - sd**2 / 2.0), MOST_STRETCH)
    return wet * np.maximum(np.nan_to_num(_wet_amount_mm(outlook.rain_mm)) * stretch, WET_MM)


def _eto(rng, outlook, shape):
    """ETo by the forecast and an error that grows with lead and lasts for days."""
    error = rng.standard_normal(shape)
    for day in range(1, shape[1]):
        error[:, day] = ETO_KEPT * error[:, day - 1] + math.sqrt(1.0 - ETO_KEPT**2) * error[:, day]
    return np.maximum(np.nan_to_num(outlook.eto_mm) + _sd(ETO_SD_MM, outlook.lead) * error, 0.0)


def _eto_of_like_days(futures, rain_mm, follows, donors, day):
    """ETo of one day: where rain was changed from dry to wet or back, that of a future which had such rain."""
    was_wet, is_wet = futures.rain_mm[:, day] >= WET_MM, rain_mm[:, day] >= WET_MM
    eto_mm = futures.eto_mm[:, day].copy()
    for wet in (False, True):
        like = donors[was_wet[donors] == wet]
        changed = np.flatnonzero(follows[:, day] & (is_wet == wet) & (was_wet != wet))
        if len(like):
            eto_mm[changed] = futures.eto_mm[np.resize(like, len(changed)), day]
    return eto_mm
