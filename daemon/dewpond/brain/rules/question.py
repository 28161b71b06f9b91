"""What every rule is asked, once a night for all its zones, and what it answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.zone_table import FloatArray
from dewpond.science.weather_futures import Futures


@dataclass(frozen=True, slots=True)
class Question:
    """One night of all zones. Zone arrays have one entry a zone, in the order of the site file; depths in mm.

    ``depletion_mm`` is expected when the window closes. Day 0 of ``futures``, ``etc_mm`` and ``chance`` is the date on
    which the window closes; ``chance[d]`` says whether a zone may be watered in the night before day d.
    """

    window_date: date
    ids: tuple[str, ...]
    depletion_mm: FloatArray
    doubt_mm: FloatArray  # by which it may be more, while today's weather is not known yet
    raw_mm: FloatArray  # on day 0
    storage_mm: FloatArray  # RAW by the tables
    taw_mm: FloatArray
    least_mm: FloatArray
    etc_mm: FloatArray  # days x zones x futures, unstressed
    raw_ahead_mm: FloatArray  # broadcast to the shape of etc_mm
    futures: Futures
    rain_mm: FloatArray  # days x 1 x futures, what of the rain counts; x zones where it differs between them
    chance: NDArray[np.bool_]  # days x zones
    misses: NDArray[np.int64]  # futures a zone may be stressed in by the rules that weigh no costs
    care: FloatArray  # how many times the usual price a day of stress has
    source: str  # where the futures come from, in words

    def rain_of(self, zones: NDArray[np.int64]) -> FloatArray:
        """Rain that counts for these zones, days x 1 or zones x futures. [mm]"""
        return self.rain_mm if self.rain_mm.shape[1] == 1 else self.rain_mm[:, zones]

    def raw_of(self, zones: NDArray[np.int64], days: int) -> FloatArray:
        """RAW of these zones, to broadcast to so many days x zones x futures. [mm]"""
        raw_mm = self.raw_ahead_mm
        return raw_mm[zones] if raw_mm.ndim == 2 else raw_mm[:days, zones]


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a depth was weighed against, for its reason."""

    futures: int
    days: int
    source: str
    rain_chance: float  # share of futures with a good rain within the next days
    rain_mm: float  # what counts as a good rain
    rain_days: int
    full_mm: float  # a full refill
    saved_mm: float  # mean water saved over the days ahead against refilling fully


@dataclass(frozen=True, slots=True)
class Depth:
    """A rule's wish for one zone: net depth, 0 to leave it dry, and the most it may lose by its next chance. [mm]

    ``least_mm`` is what it cannot do without tonight; the rest may wait where the night is short. ``in_pieces`` asks
    for short openings, which find room in a crowded night.
    """

    net_mm: float
    until_next_mm: float
    least_mm: float = 0.0
    weighed: Weighed | None = None
    in_pieces: bool = False
    note: str = ""  # a sentence for the reason's limits
    because: str = ""  # why it is watered, where the rule's usual words do not fit
    carried_mm: float = 0.0  # of its wish, cut because the night is too short for all


Rule = Callable[[Question, NDArray[np.int64]], list[Depth]]  # the second argument: the zones to decide
