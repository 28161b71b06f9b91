"""Synthetic forecasts of a recorded season: its true weather with the errors that forecasts usually have.

The model of the synthetic forecast, one issue a day at 18:00 of the station's day for the nine days after it:

- a wet day (1 mm or more) is forecast wet with ``HIT_RATE`` of its lead day, the likelier the more it rains;
- a dry day is forecast wet with ``FALSE_ALARM_RATE`` of its lead day, with the amount of another wet day of the season,
  halved: false alarms are mostly light;
- a wet day's amount is missed by a lognormal factor of ``AMOUNT_SD`` without bias;
- the probability is that of a wet day after such a forecast by these rates and the season's own share of wet days,
  missed by ``CHANCE_SD`` in its logit;
- ETo is missed by ``ETO_SD_MM`` of its lead day, of which half the variance lasts from issue to issue.

One number a date decides at which lead its rain comes into sight and how its amount is missed, so that an error lasts
from issue to issue as real ones do and shrinks as the date comes near. Rates are rounded and FROM MEMORY of station
verifications (no published table of one site's daily rain by lead day was found); those of ETo are the published RMSE
named in ``dewpond.science.forecast_blend``. Everything is drawn from the seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from dewpond.adapters.weather.season import Season, station_day_bounds_utc
from dewpond.model.events import ForecastDay, ForecastKnown
from dewpond.ports import EtoValue

SOURCE = "synthetic forecast"
ISSUE_HOUR = 18
DAYS = 9
WET_MM = 1.0
# By lead day from 1. [-]
HIT_RATE = np.array([0.88, 0.85, 0.80, 0.74, 0.67, 0.59, 0.52, 0.45, 0.40])
FALSE_ALARM_RATE = np.array([0.09, 0.10, 0.12, 0.14, 0.16, 0.18, 0.20, 0.22, 0.24])
HEAVY_MISSED_SHARE, HEAVY_MM = 0.4, 10.0  # a day of so much rain is missed at this share of the rate
AMOUNT_SD = np.array([0.50, 0.55, 0.60, 0.65, 0.70, 0.75, 0.80, 0.85, 0.90])  # of the logarithm
CHANCE_SD = 0.4
ETO_SD_MM = np.array([0.60, 0.65, 0.70, 0.75, 0.80, 0.85, 0.90, 0.95, 1.00])

Floats = NDArray[np.float64]


def synthetic(season: Season, eto: Sequence[EtoValue], seed: int) -> tuple[ForecastKnown, ...]:
    """One forecast a day of the season, oldest first; a day whose truth is missing has no word in it."""
    rng = np.random.default_rng([seed, 0x464F])
    rain_mm = np.array([np.nan if day.rain_mm is None else day.rain_mm for day in season.days])
    eto_mm = np.array([np.nan if value.eto_mm is None else value.eto_mm for value in eto])
    forecast_mm, chance = _rain(rng, rain_mm)
    forecast_eto_mm = _eto(rng, eto_mm)
    return tuple(_issue(season, n, forecast_mm, chance, forecast_eto_mm) for n in range(len(season.days) - 1))


def _rain(rng: np.random.Generator, rain_mm: Floats) -> tuple[Floats, Floats]:
    """Forecast amount and probability, dates x lead days."""
    count = len(rain_mm)
    turn, size = rng.random(count)[:, None], rng.standard_normal(count)[:, None]
    wet = (rain_mm >= WET_MM)[:, None]
    missed = (1.0 - HIT_RATE) * (1.0 - (1.0 - HEAVY_MISSED_SHARE) * np.minimum(rain_mm[:, None] / HEAVY_MM, 1.0))
    said_wet = np.where(wet, turn < 1.0 - missed, turn < FALSE_ALARM_RATE)
    amounts = rain_mm[rain_mm >= WET_MM]
    others_mm = rng.choice(amounts, count)[:, None] / 2.0 if len(amounts) else np.full((count, 1), 2.0)
    hit_mm = rain_mm[:, None] * np.exp(AMOUNT_SD * size - AMOUNT_SD**2 / 2.0)
    said_mm = np.where(said_wet, np.maximum(np.where(wet, hit_mm, others_mm), WET_MM), 0.0)
    said_mm = np.where(np.isnan(rain_mm)[:, None], np.nan, said_mm)
    base = float(wet.sum() / max(1, np.isfinite(rain_mm).sum()))
    hits, misses = HIT_RATE * base, (1.0 - HIT_RATE) * base
    after_wet = hits / np.maximum(hits + FALSE_ALARM_RATE * (1.0 - base), 1e-9)
    after_dry = misses / (misses + (1.0 - FALSE_ALARM_RATE) * (1.0 - base) + 1e-9)
    chance = np.clip(np.where(said_wet, after_wet, after_dry), 0.005, 0.995)
    logit = np.log(chance / (1.0 - chance)) + CHANCE_SD * rng.standard_normal((count, 1))
    return said_mm, 1.0 / (1.0 + np.exp(-logit))


def _eto(rng: np.random.Generator, eto_mm: Floats) -> Floats:
    """Forecast ETo, dates x lead days."""
    lasting, fresh = rng.standard_normal((len(eto_mm), 1)), rng.standard_normal((len(eto_mm), DAYS))
    error_mm = ETO_SD_MM * (lasting + fresh) / np.sqrt(2.0)
    said_mm: Floats = np.maximum(eto_mm[:, None] + error_mm, 0.0)
    return said_mm


def _issue(season: Season, n: int, rain_mm: Floats, chance: Floats, eto_mm: Floats) -> ForecastKnown:
    issued = station_day_bounds_utc(season.station.tz, season.days[n].date)[0] + timedelta(hours=ISSUE_HOUR)
    words = []
    for place, day in enumerate(season.days[n + 1 : n + 1 + DAYS], n + 1):
        ahead = (day.date - season.days[n].date).days - 1
        if ahead >= DAYS:
            break
        rain, eto = float(rain_mm[place, ahead]), float(eto_mm[place, ahead])
        words.append(
            ForecastDay(
                date=day.date,
                rain_mm=None if np.isnan(rain) else round(rain, 1),
                rain_probability=None if np.isnan(rain) else round(float(chance[place, ahead]), 2),
                eto_mm=None if np.isnan(eto) else round(eto, 2),
            )
        )
    return ForecastKnown(at=issued, issued_at=issued, source=SOURCE, days=tuple(words))
