"""What the watch eats: one row a meter report, with the zones commanded open at its end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class MeterRow:
    """Litres counted in the ``window_s`` that ended at ``time_s``; pressure and commanded zones at that moment.

    ``window_s`` is 0 or less, or far longer than the meter's heartbeat, where the clock leapt or reports were lost.
    """

    time_s: float
    litres: float
    window_s: float
    pressure_kpa: float | None
    open_zones: tuple[str, ...]


def rows_of_block(
    time_s: NDArray[np.float64],
    litres: NDArray[np.float64],
    window_s: NDArray[np.float64],
    openings: Sequence[tuple[str, float, float]],
    pressure: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> tuple[MeterRow, ...]:
    """Rows from a block of meter increments, the openings known by now and the pressure readings near them.

    ``openings`` are (zone, from, to) in seconds of the same clock, ``to`` infinite while a zone is open; ``pressure``
    is (times, kPa), of which each row takes the last reading within its window.
    """
    return tuple(
        MeterRow(
            float(at_s), float(counted_l), float(span_s), _pressure_at(pressure, at_s, span_s), _open_at(openings, at_s)
        )
        for at_s, counted_l, span_s in zip(time_s, litres, window_s, strict=True)
    )


def rows_of_log(
    lines: Iterable[tuple[float, float, float | None, int]], pulse_l: float, row_s: float
) -> tuple[MeterRow, ...]:
    """Rows from a meter log's (seconds, pulses, kPa or None, bit mask of zones counted from 1)."""
    rows: list[MeterRow] = []
    names: Mapping[int, tuple[str, ...]] = {}
    before_s: float | None = None
    for at_s, pulses, pressure_kpa, mask in lines:
        if mask not in names:
            names = {**names, mask: zones_of_mask(mask)}
        window_s = row_s if before_s is None else at_s - before_s
        rows.append(MeterRow(at_s, pulses * pulse_l, window_s, pressure_kpa, names[mask]))
        before_s = at_s
    return tuple(rows)


def zones_of_mask(mask: int) -> tuple[str, ...]:
    """Zone numbers, as text, of a bit mask whose lowest bit is zone 1."""
    return tuple(str(bit + 1) for bit in range(mask.bit_length()) if mask >> bit & 1)


def _open_at(openings: Sequence[tuple[str, float, float]], at_s: float) -> tuple[str, ...]:
    return tuple(sorted({zone for zone, from_s, to_s in openings if from_s < at_s <= to_s}))


def _pressure_at(
    pressure: tuple[NDArray[np.float64], NDArray[np.float64]] | None, at_s: float, span_s: float
) -> float | None:
    if pressure is None:
        return None
    times_s, kpa = pressure
    place = int(np.searchsorted(times_s, at_s, side="right")) - 1
    return float(kpa[place]) if place >= 0 and times_s[place] > at_s - span_s else None
