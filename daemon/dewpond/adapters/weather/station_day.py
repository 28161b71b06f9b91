"""One calendar day at a weather station, gathered from readings: enough coverage or a missing value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.ports import DayWeather

Floats = NDArray[np.float64]

# A day's value needs all hours but this many: 22 of 24, solar radiation 23, as in the season folders.
HOURS_MISSING_AT_MOST = 2
SOLAR_HOURS_MISSING_AT_MOST = 1
MOST_HOURS = 25  # the autumn clock change
# A rain increment that does not say what it covers is taken to cover the time since the one before, up to this. [s]
UNSTATED_WINDOW_S = 3600.0


class GaugeDay:
    """Spot readings of one sensor on one day, kept as count, sum and extremes per hour."""

    def __init__(self) -> None:
        self._count = np.zeros(MOST_HOURS)
        self._total = np.zeros(MOST_HOURS)
        self.least = np.inf
        self.most = -np.inf

    def add(self, since_midnight_s: Floats, value: Floats) -> None:
        """Take up readings at these seconds after the day's start."""
        hour = np.clip((since_midnight_s // 3600.0).astype(np.int64), 0, MOST_HOURS - 1)
        np.add.at(self._count, hour, 1.0)
        np.add.at(self._total, hour, value)
        self.least = min(self.least, float(value.min()))
        self.most = max(self.most, float(value.max()))

    @property
    def hours(self) -> int:
        """Hours with at least one reading."""
        return int(np.count_nonzero(self._count))

    def hourly_means(self) -> Floats:
        known = self._count > 0
        means: Floats = self._total[known] / self._count[known]
        return means


class RainDay:
    """Increments of one rain gauge on one day, and how much of the day they cover."""

    def __init__(self, day_start_s: float = 0.0) -> None:
        self._day_start_s = day_start_s
        self.rain_mm = 0.0
        self.hourly_mm = np.zeros(24)  # the hour an autumn day has more is counted with the last
        self.covered_s = 0.0
        self._covered_until_s = -np.inf

    def add(self, start_s: float, end_s: float, rain_mm: float) -> None:
        """Take up rain that fell between these instants of the day; an overlap counts once as coverage."""
        self.rain_mm += rain_mm
        self._spread(start_s - self._day_start_s, end_s - self._day_start_s, rain_mm)
        self.covered_s += max(0.0, end_s - max(start_s, self._covered_until_s))
        self._covered_until_s = max(self._covered_until_s, end_s)

    def _spread(self, start_s: float, end_s: float, rain_mm: float) -> None:
        """Add an increment to its hours of the day, in proportion to time."""
        first, last = int(start_s // 3600), int(max(start_s, end_s - 1e-6) // 3600)
        for hour in range(first, last + 1):
            inside_s = min(end_s, (hour + 1) * 3600.0) - max(start_s, hour * 3600.0)
            share = inside_s / (end_s - start_s) if end_s > start_s else 1.0
            self.hourly_mm[min(max(hour, 0), 23)] += rain_mm * share


@dataclass
class StationDay:
    """What is gathered of one local date between ``start_s`` and ``end_s`` (seconds since 1970)."""

    date: date
    start_s: float
    end_s: float
    gauges: dict[str, GaugeDay] = field(default_factory=dict)
    rain: dict[str, RainDay] = field(default_factory=dict)
    told: DayWeather | None = None
    changed: bool = False

    def weather(self, sensors: Mapping[str, Sequence[str]]) -> DayWeather:
        """The day's values. ``sensors`` lists sensor ids by kind; of several the first with enough coverage counts."""
        warmth, damp = self._gauge(sensors, "temperature"), self._gauge(sensors, "humidity")
        wind, sun = self._gauge(sensors, "wind"), self._gauge(sensors, "solar", SOLAR_HOURS_MISSING_AT_MOST)
        return DayWeather(
            date=self.date,
            t_min_c=None if warmth is None else warmth.least,
            t_max_c=None if warmth is None else warmth.most,
            rh_min_pct=None if damp is None else damp.least,
            rh_max_pct=None if damp is None else damp.most,
            wind_m_s=None if wind is None else float(wind.hourly_means().mean()),
            solar_mj_m2=None if sun is None else float(sun.hourly_means().sum() * 0.0036),
            rain_mm=self._rain_mm(sensors.get("rain", ())),
        )

    def _gauge(
        self, sensors: Mapping[str, Sequence[str]], kind: str, missing_at_most: int = HOURS_MISSING_AT_MOST
    ) -> GaugeDay | None:
        needed = round((self.end_s - self.start_s) / 3600.0) - missing_at_most
        found = (self.gauges.get(sensor) for sensor in sensors.get(kind, ()))
        return next((gauge for gauge in found if gauge is not None and gauge.hours >= needed), None)

    def rain_hours(self, sensors: Sequence[str]) -> tuple[float, ...] | None:
        """Rain of 24 hours by the gauge that tells the day's rain; None on a dry day or without enough coverage."""
        gauge = self._rain_gauge(sensors)
        return None if gauge is None or gauge.rain_mm <= 0.0 else tuple(gauge.hourly_mm.tolist())

    def _rain_mm(self, sensors: Sequence[str]) -> float | None:
        gauge = self._rain_gauge(sensors)
        return None if gauge is None else gauge.rain_mm

    def _rain_gauge(self, sensors: Sequence[str]) -> RainDay | None:
        needed_s = self.end_s - self.start_s - HOURS_MISSING_AT_MOST * 3600.0
        found = (self.rain.get(sensor) for sensor in sensors)
        return next((gauge for gauge in found if gauge is not None and gauge.covered_s >= needed_s), None)
