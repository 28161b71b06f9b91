"""Readings to events: a block of arrays per sensor, amounts with the span they cover, a record of what is not used."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from dewpond.adapters.mqtt.throttle import Due, Throttle
from dewpond.adapters.readings import Reading, SensorMapping
from dewpond.model.events import Event, Now, ReadingRejected, ReadingsArrived

OLDEST = timedelta(hours=24)  # a late reading is booked at its own time up to this age
LONGEST_RATE_S = 600.0  # a rate says nothing about a longer gap before it
# Seconds in the time unit of a rate, for the kinds whose rates become amounts: L/min to L, mm/h to mm.
RATES: Mapping[tuple[str, str], float] = {("flow", "L/min"): 60.0, ("rain", "mm/h"): 3600.0}
USED = frozenset({"good", "rollover", "reset"})
SILENT = frozenset({"baseline", "duplicate"})  # nothing is lost with these


@dataclass(frozen=True, slots=True, order=True)
class _Row:
    time_s: float
    value: float
    window_s: float


class Gatherer:
    """Collects the readings of one drain. Remembers only when each rate was last heard, and what it has told lately."""

    def __init__(self, mappings: Iterable[SensorMapping]) -> None:
        self._mappings = {each.sensor: each for each in mappings}
        self._rows: dict[str, list[_Row]] = {}
        self._rate_until_s: dict[str, float] = {}
        self._unused = Throttle()

    def add(self, reading: Reading, received_at: datetime) -> None:
        """Take in one reading: used, recorded as not used, or neither where nothing is lost."""
        reason = self._why_not(reading, received_at)
        if reason is not None:
            self.reject(reading.sensor, reason, reading.excerpt)
        elif reading.value is not None and reading.quality not in SILENT:
            row = _Row(reading.time.timestamp(), float(reading.value), reading.window_s or 0.0)
            self._rows.setdefault(reading.sensor, []).append(row)

    def reject(self, sensor: str, reason: str, excerpt: str) -> None:
        """Note that something of a sensor could not be used; told at most once a minute, with the number."""
        self._unused.note(sensor, reason, excerpt)

    def take(self, now: Now) -> list[Event]:
        """The events of everything added since the last call."""
        rows, self._rows = self._rows, {}
        blocks = [self._block(self._mappings[sensor], sorted(found), now) for sensor, found in rows.items()]
        unused = [_rejected(due, now) for due in self._unused.due(now.elapsed_s)]
        return [*(block for block in blocks if len(block.value)), *unused]

    def _why_not(self, reading: Reading, received_at: datetime) -> str | None:
        """The reason for the record; a value of unknown or too great an age may be shown, but decides nothing."""
        if reading.quality in USED:
            return "too_old" if received_at - reading.time > OLDEST else None
        return None if reading.quality in SILENT else reading.reason or reading.quality

    def _block(self, mapping: SensorMapping, rows: list[_Row], now: Now) -> ReadingsArrived:
        seconds = RATES.get((mapping.kind, mapping.unit))
        if seconds is not None:
            rows = self._amounts(mapping.sensor, rows, seconds)
        is_amount = mapping.counted or seconds is not None
        columns = np.array([(row.time_s, row.value, row.window_s) for row in rows], dtype=np.float64).reshape(-1, 3)
        return ReadingsArrived(
            at=now.wall,
            sensor=mapping.sensor,
            time_s=columns[:, 0].copy(),
            value=columns[:, 1].copy(),
            window_s=columns[:, 2].copy() if is_amount else None,
        )

    def _amounts(self, sensor: str, rows: list[_Row], seconds: float) -> list[_Row]:
        """Each rate times the time since the one before; the first one, and a late one, cover no time that is known."""
        amounts = []
        for row in rows:
            until_s = self._rate_until_s.get(sensor)
            if until_s is not None and row.time_s < until_s:
                self.reject(sensor, "late", "")
                continue
            self._rate_until_s[sensor] = row.time_s
            if until_s is not None and row.time_s > until_s:
                window_s = min(row.time_s - until_s, LONGEST_RATE_S)
                amounts.append(_Row(row.time_s, max(0.0, row.value) * window_s / seconds, window_s))
        return amounts


def _rejected(due: Due, now: Now) -> ReadingRejected:
    reason, excerpt = due.detail
    if due.count > 1:
        excerpt = f"{excerpt} (the last of {due.count})".strip()
    return ReadingRejected(at=now.wall, sensor=due.key, reason=reason, excerpt=excerpt)
