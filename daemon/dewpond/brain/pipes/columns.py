"""Meter rows as columns, cut into stretches during which the same zones are commanded open."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.pipes.rows import MeterRow

FloatArray = NDArray[np.float64]
Zones = tuple[str, ...]


class Columns(NamedTuple):
    """Rows of one meter, oldest first; ``pressure_kpa`` is NaN where a row has none. All of one length."""

    time_s: FloatArray
    litres: FloatArray
    window_s: FloatArray
    pressure_kpa: FloatArray

    def row(self, place: int, zones: Zones) -> MeterRow:
        """One row by itself."""
        kpa = float(self.pressure_kpa[place])
        return MeterRow(
            float(self.time_s[place]),
            float(self.litres[place]),
            float(self.window_s[place]),
            None if kpa != kpa else kpa,  # noqa: PLR0124 - NaN is the one number that differs from itself
            zones,
        )

    def part(self, first: int, end: int) -> Columns:
        """Rows ``first`` up to, not including, ``end``."""
        here = slice(first, end)
        return Columns(self.time_s[here], self.litres[here], self.window_s[here], self.pressure_kpa[here])

    @property
    def size(self) -> int:
        """How many rows."""
        return len(self.time_s)


def columns_of_block(
    time_s: FloatArray,
    litres: FloatArray,
    window_s: FloatArray,
    pressure: tuple[FloatArray, FloatArray] | None = None,
) -> Columns:
    """Columns of a block of meter increments; each row takes the last pressure reading within its window.

    ``pressure`` is (times, kPa).
    """
    if pressure is not None and pressure[0] is time_s:
        return Columns(time_s, litres, window_s, pressure[1])
    kpa = np.full(len(time_s), np.nan)
    if pressure is not None and len(pressure[0]):
        times_s, readings = pressure
        place = np.searchsorted(times_s, time_s, side="right") - 1
        known = (place >= 0) & (times_s[np.maximum(place, 0)] > time_s - window_s)
        kpa[known] = readings[place[known]]
    return Columns(time_s=time_s, litres=litres, window_s=window_s, pressure_kpa=kpa)


def stretches(time_s: FloatArray, openings: Sequence[tuple[str, float, float]]) -> Iterator[tuple[int, int, Zones]]:
    """(first, end, zones open) of rows between which no valve moved.

    ``openings`` are (zone, from, to) in seconds of the rows' clock, ``to`` infinite while a zone is open. A row belongs
    to the zones open at its end.
    """
    moves_s = sorted({moment for _, from_s, to_s in openings for moment in (from_s, to_s)})
    cuts = time_s.searchsorted(moves_s, side="right").tolist() if moves_s else []
    edges = [0, *(cut for cut in cuts if 0 < cut < len(time_s)), len(time_s)]
    for first, end in itertools.pairwise(edges):
        if end > first:
            at_s = float(time_s[first])
            yield first, end, tuple(sorted({zone for zone, from_s, to_s in openings if from_s < at_s <= to_s}))
