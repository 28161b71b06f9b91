"""What a reader of recorded weather should be told: each value that the daily reference ET will not take, and why."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from dewpond.adapters.weather.reference_et import refuse_implausible
from dewpond.adapters.weather.tables import MISSING_WORDS, Row
from dewpond.ports import DayWeather
from dewpond.science.radiation import extraterrestrial_radiation_daily

MOST_TOLD = 50  # a whole column in a wrong unit fills no screen after screen
MOST_ROWS = 10


def refused_values(path: Path, days: Sequence[DayWeather], latitude_deg: float) -> tuple[str, ...]:
    """A notice for every day with values that cannot be: refused ones count as missing, swapped ones are turned.

    Found by the very guard that reference ET uses, so that no notice is missing and none is wrong.
    """
    day_no = np.array([day.date.timetuple().tm_yday for day in days], dtype=np.float64)
    most_sun = extraterrestrial_radiation_daily(math.radians(latitude_deg), day_no)
    guarded = ((day, refuse_implausible(day, float(sun))[1]) for day, sun in zip(days, most_sun, strict=True))
    told = [f"{path}, row of {day.date}: {_said(notes)}" for day, notes in guarded if notes]
    return (*told[:MOST_TOLD], *_rest(path, told))


def missing_words(path: Path, rows: Sequence[Row], columns: Sequence[str]) -> Iterator[str]:
    """A notice for every column and word, such as nan, that stands where a value is missing, and in which rows."""
    for name in columns:
        found: dict[str, list[int]] = {}
        for row in rows:
            word = row.cells.get(name, "").strip()
            if word and word.lower() in MISSING_WORDS:
                found.setdefault(word, []).append(row.number)
        for word, numbers in found.items():
            listed = ", ".join(map(str, numbers[:MOST_ROWS])) + (" and more" if len(numbers) > MOST_ROWS else "")
            yield f"{path}, column {name}: {word!r} in row {listed} ({len(numbers)} in all); taken as missing"


def _said(notes: Sequence[str]) -> str:
    refused = any("refused" in note for note in notes)
    return "; ".join([*notes, *(["refused values are taken as missing"] if refused else [])])


def _rest(path: Path, told: Sequence[str]) -> tuple[str, ...]:
    more = len(told) - MOST_TOLD
    return (f"{path}: {more} more days with such values; mend the file",) if more > 0 else ()
