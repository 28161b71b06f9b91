"""The true weather of a simulated site: a season's daily rows spread over the hours of each day, or an invented summer.

Solar time is taken as the site's standard time, so that a half-sine from 6 to 18 h always lies within its calendar day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dewpond.ports import DayWeather

FloatArray = NDArray[np.float64]

DAY_S = 86400.0
EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
COOLEST_H, WARMEST_H = 4.0, 15.0  # usual hours of the extremes on a clear day; common practice, no source
RISE_H, SET_H = 6.0, 18.0
USUAL_ETO_MM = 4.0  # only for a day whose weather gives nothing to work it out from


@dataclass(frozen=True, slots=True)
class Shower:
    """Rain of one day: steady from ``start_h`` to ``end_h``, solar hours."""

    start_h: float
    end_h: float
    rain_mm: float


class Sky:
    """Weather at any instant and amounts over any interval, from one row a day.

    Parameters
    ----------
    days : sequence of DayWeather          One row for each calendar day, in order; missing values stay missing.
    timezone : str                         The site's time zone.
    seed : int                             Draws the hours of rain.
    eto_mm : mapping of date to float      The days' true reference ET; without it, Hargreaves' radiation form.
    """

    def __init__(
        self, days: Sequence[DayWeather], timezone: str, seed: int, *, eto_mm: Mapping[date, float] | None = None
    ) -> None:
        if not days:
            raise ValueError("a sky needs at least one day of weather")
        self.offset_s = standard_offset_s(timezone, days[0].date)
        self._first = days[0].date.toordinal() - EPOCH_ORDINAL
        self._days = tuple(days)
        self._eto_mm = [(eto_mm or {}).get(day.date, eto_of(day)) for day in days]
        self._showers = [shower_of(day, seed) for day in days]

    def month(self, at_s: float) -> int:
        """Calendar month of an instant in seconds since 1970-01-01 UTC, January is 1."""
        return self._day(self._index(at_s)).date.month

    def eto_mm(self, t0_s: float, t1_s: float) -> float:
        """Reference ET that fell due in an interval: each day's total along a half-sine. [mm]"""
        total_mm = 0.0
        for k, a, b in self._parts(t0_s, t1_s):
            if b > RISE_H and a < SET_H:
                total_mm += self._eto_mm[self._within(k)] * (_sine_share(b) - _sine_share(a))
        return total_mm

    def rain_mm(self, t0_s: float, t1_s: float) -> float:
        """Rain that fell in an interval. [mm]"""
        total_mm = 0.0
        for k, a, b in self._parts(t0_s, t1_s):
            shower = self._showers[k] if 0 <= k < len(self._showers) else None
            if shower is not None:
                overlap_h = min(b, shower.end_h) - max(a, shower.start_h)
                total_mm += shower.rain_mm * max(0.0, overlap_h) / (shower.end_h - shower.start_h)
        return total_mm

    def next_change_s(self, at_s: float) -> float:
        """The next instant at which rain starts or ends, or a day begins, after ``at_s``."""
        start_s = self._start_s(at_s)
        shower = self._showers[self._within(self._index(at_s))]
        if shower is None or at_s >= start_s + shower.end_h * 3600.0:
            return start_s + DAY_S
        begins_s = start_s + shower.start_h * 3600.0
        return begins_s if at_s < begins_s else start_s + shower.end_h * 3600.0

    def rain_is_known(self, at_s: float) -> bool:
        """False on a day whose rain was not measured."""
        return self._day(self._index(at_s)).rain_mm is not None

    def temperature_c(self, at_s: float) -> float:
        """Air temperature: half-cosines from each day's least (4 h) to its greatest (15 h) and on to the next day's
        least.
        """
        k, hour = self._index(at_s), self._hour(at_s)
        today = self._day(k)
        if hour < COOLEST_H:
            before = self._day(k - 1)
            return _between(before.t_max_c, today.t_min_c, (hour + 24.0 - WARMEST_H) / (24.0 - WARMEST_H + COOLEST_H))
        if hour < WARMEST_H:
            return _between(today.t_min_c, today.t_max_c, (hour - COOLEST_H) / (WARMEST_H - COOLEST_H))
        return _between(today.t_max_c, self._day(k + 1).t_min_c, (hour - WARMEST_H) / (24.0 - WARMEST_H + COOLEST_H))

    def humidity_pct(self, at_s: float) -> float:
        """Relative humidity: greatest when coolest, least when warmest."""
        k, hour = self._index(at_s), self._hour(at_s)
        today = self._day(k)
        if hour < COOLEST_H:
            before = self._day(k - 1)
            return _between(
                before.rh_min_pct, today.rh_max_pct, (hour + 24.0 - WARMEST_H) / (24.0 - WARMEST_H + COOLEST_H)
            )
        if hour < WARMEST_H:
            return _between(today.rh_max_pct, today.rh_min_pct, (hour - COOLEST_H) / (WARMEST_H - COOLEST_H))
        return _between(
            today.rh_min_pct, self._day(k + 1).rh_max_pct, (hour - WARMEST_H) / (24.0 - WARMEST_H + COOLEST_H)
        )

    def wind_m_s(self, at_s: float) -> float:
        """Wind: the day's mean, half as strong again in the afternoon, half as weak at night."""
        mean = self._day(self._index(at_s)).wind_m_s
        return (
            math.nan if mean is None else mean * (1.0 - 0.5 * math.cos(2.0 * math.pi * (self._hour(at_s) - 3.0) / 24.0))
        )

    def solar_w_m2(self, at_s: float) -> float:
        """Global radiation: the day's total along a half-sine from 6 to 18 h."""
        total_mj = self._day(self._index(at_s)).solar_mj_m2
        if total_mj is None:
            return math.nan
        phase = (self._hour(at_s) - RISE_H) / (SET_H - RISE_H)
        peak_w_m2 = total_mj * 1e6 * math.pi / (2.0 * (SET_H - RISE_H) * 3600.0)
        return peak_w_m2 * math.sin(math.pi * phase) if 0.0 < phase < 1.0 else 0.0

    def _day(self, k: int) -> DayWeather:
        return self._days[self._within(k)]

    def _within(self, k: int) -> int:
        """Days before the first and after the last row are like the nearest, but for their rain."""
        return k if 0 <= k < len(self._days) else 0 if k < 0 else len(self._days) - 1

    def _index(self, at_s: float) -> int:
        return math.floor((at_s + self.offset_s) / DAY_S) - self._first

    def _start_s(self, at_s: float) -> float:
        return math.floor((at_s + self.offset_s) / DAY_S) * DAY_S - self.offset_s

    def _hour(self, at_s: float) -> float:
        return (at_s - self._start_s(at_s)) / 3600.0

    def _parts(self, t0_s: float, t1_s: float) -> list[tuple[int, float, float]]:
        """The interval cut at midnights: (row, from hour, to hour)."""
        parts = []
        while t0_s < t1_s:
            day = math.floor((t0_s + self.offset_s) / DAY_S)
            start_s = day * DAY_S - self.offset_s
            end_s = min(t1_s, start_s + DAY_S)
            parts.append((day - self._first, (t0_s - start_s) / 3600.0, (end_s - start_s) / 3600.0))
            t0_s = end_s
        return parts


def standard_offset_s(timezone: str, day: date) -> float:
    """A zone's offset from UTC without daylight saving, in seconds."""
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC).astimezone(ZoneInfo(timezone))
    offset, saving = noon.utcoffset() or timedelta(), noon.dst() or timedelta()
    return (offset - saving).total_seconds()


def eto_of(day: DayWeather) -> float:
    """Reference ET from radiation and mean temperature: ETo = 0.0135 Rs (T + 17.8), Rs in mm/day (Hargreaves 1975).
    [mm]

    The formula is quoted from memory. It stands for the truth of an invented place, so it need not be the daemon's
    method.
    """
    if day.solar_mj_m2 is None or day.t_min_c is None or day.t_max_c is None:
        return USUAL_ETO_MM
    mean_c = (day.t_min_c + day.t_max_c) / 2.0
    return max(0.0, 0.0135 * day.solar_mj_m2 / 2.45 * (mean_c + 17.8))


def shower_of(day: DayWeather, seed: int) -> Shower | None:
    """When the day's rain falls: two to four hours, begun between 1 and 18 h, drawn by seed and date."""
    if not day.rain_mm:
        return None
    rng = np.random.default_rng([seed, day.date.toordinal()])
    start_h = float(rng.integers(2, 36)) / 2.0
    return Shower(start_h, start_h + float(rng.integers(4, 9)) / 2.0, day.rain_mm)


def invented_summer(first: date, days: int, seed: int) -> tuple[DayWeather, ...]:
    """Warm dry days of an invented place, with one good rain in every three days."""
    rng = np.random.default_rng([seed, first.toordinal()])
    rows = []
    for k in range(days):
        wet_day = 1 + int(np.random.default_rng([seed, k // 3]).integers(0, 2))
        wet = k % 3 == wet_day
        rows.append(_summer_day(first + timedelta(days=k), rng, wet=wet))
    return tuple(rows)


def _summer_day(day: date, rng: np.random.Generator, *, wet: bool) -> DayWeather:
    t_max_c = rng.uniform(20.0, 24.0) if wet else rng.uniform(27.0, 33.0)
    return DayWeather(
        date=day,
        t_min_c=round(t_max_c - rng.uniform(8.0, 13.0), 1),
        t_max_c=round(t_max_c, 1),
        rh_min_pct=round(rng.uniform(55.0, 70.0) if wet else rng.uniform(28.0, 42.0), 0),
        rh_max_pct=round(rng.uniform(88.0, 97.0) if wet else rng.uniform(72.0, 88.0), 0),
        wind_m_s=round(rng.uniform(1.0, 2.6), 1),
        solar_mj_m2=round(rng.uniform(9.0, 14.0) if wet else rng.uniform(22.0, 28.0), 1),
        rain_mm=round(round(rng.uniform(8.0, 14.0) / 0.2) * 0.2, 1) if wet else 0.0,
    )


def _sine_share(hour: float) -> float:
    """Share of a half-sine from 6 to 18 h that is past."""
    if hour <= RISE_H:
        return 0.0
    return 1.0 if hour >= SET_H else (1.0 - math.cos(math.pi * (hour - RISE_H) / (SET_H - RISE_H))) / 2.0


def _between(start: float | None, end: float | None, share: float) -> float:
    """A half-cosine from start to end; NaN when either is missing."""
    if start is None or end is None:
        return math.nan
    return start + (end - start) * (1.0 - math.cos(math.pi * share)) / 2.0
