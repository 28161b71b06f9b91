"""One night's question with weather that is certain, or given future by future."""

from __future__ import annotations

from datetime import date

import numpy as np

from dewpond.brain.rules.question import Question
from dewpond.science.weather_futures import Futures

NIGHT = date(2026, 7, 1)


def question(depletion_mm, *, etc_mm=5.0, rain_mm=(0.0,), days=6, futures=1, raw_mm=20.0, **changes) -> Question:
    """Zones of 20 mm RAW and 40 mm TAW; ``rain_mm`` counts whole and is given by day, the last one repeated."""
    left_mm = np.atleast_1d(np.array(depletion_mm, float))
    zones = len(left_mm)
    etc = np.broadcast_to(np.array(etc_mm, float), (days, zones, futures))
    rain = np.array([rain_mm[min(day, len(rain_mm) - 1)] for day in range(days)])
    rain = np.broadcast_to(rain[:, None, None], (days, 1, futures))
    values = {
        "window_date": NIGHT,
        "ids": tuple(f"zone-{n}" for n in range(zones)),
        "depletion_mm": left_mm,
        "doubt_mm": np.zeros(zones),
        "raw_mm": np.full(zones, raw_mm),
        "storage_mm": np.full(zones, raw_mm),
        "taw_mm": np.full(zones, 2.0 * raw_mm),
        "least_mm": np.full(zones, 1.0),
        "etc_mm": etc,
        "raw_ahead_mm": np.full((zones, 1), raw_mm),
        "futures": Futures(etc[:, 0].T, rain[:, 0].T),
        "rain_mm": rain,
        "chance": np.ones((days, zones), bool),
        "misses": np.zeros(zones, int),
        "care": np.ones(zones),
        "source": "given by hand",
    }
    return Question(**{**values, **changes})


def some_nights(days: int, zones: int, *nights: int) -> np.ndarray:
    """Chances on these nights only."""
    chance = np.zeros((days, zones), bool)
    chance[list(nights)] = True
    return chance
