"""The question of one night: weather that may come, and what it would take from each zone."""

from __future__ import annotations

import zlib
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from dewpond.brain import rain_split, top_soil
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import EPOCH
from dewpond.brain.rules import forecasts
from dewpond.brain.rules.question import Question
from dewpond.brain.state import SoilState
from dewpond.brain.water_need import LEAST_OPENING_S, LEAST_WATERING_S
from dewpond.brain.zone_table import FloatArray, ZoneTable
from dewpond.science.rainfall import DEFAULT_SHARE
from dewpond.science.weather_futures import ETO_DAYS, RECENT_DAYS, Futures, Record, draw_futures, prior_share

FUTURES = 64
DAYS_AHEAD = 14
RISK = 0.05  # share of futures in which a zone may pass RAW by its next chance, while it was never stressed
HIGH = 0.75  # quantile of ETo taken for a day that is not known yet; most zones are decided again once it is
CARE = 0.10  # by how much more ETc is expected for the square of a zone's remembered days of stress
MOST_REMEMBERED = 3.0
DEARER = 1.5  # by how many times the usual price a day of stress is dearer for the square of those days


def ask(
    ground: Ground,
    soil: SoilState,
    window_date: date,
    closes_s: float,
    depletion_mm: FloatArray,
    forecast: forecasts.Chosen | None = None,
    *,
    use: FloatArray | float = 1.0,
) -> Question:
    """The question of the night that opened on ``window_date``; ``depletion_mm`` is expected at ``closes_s``.

    ``use`` is each zone's learned water use over the tabulated one.
    """
    first = ground.days.date_at(closes_s)
    seed = zlib.crc32(f"{ground.site.slug}|{'|'.join(ground.table.ids)}|{first}".encode())
    drawn = _futures(ground, soil, first, seed)
    futures = forecasts.blend(drawn, forecast, ground.days, first, seed, rain_counts=_rain_counts(soil))
    table = ground.table
    remembered = _remembered(soil, table.ids)
    days = [first + timedelta(days=ahead) for ahead in range(DAYS_AHEAD)]
    by_day = table.coefficient_by_month[[day.month - 1 for day in days]]
    coefficient = by_day * use * (1.0 + CARE * remembered**2)
    if len(table.exposed):  # by the month, and the days ahead lie in two months at most
        by_month = {day.month: top_soil.usual_coefficient(table, day) for day in (days[0], days[-1])}
        coefficient += np.array([by_month[day.month] for day in days])
    coefficient[0] *= 1.0 - ground.days.et_share(closes_s)
    eto_by_day, rain_by_day = np.ascontiguousarray(futures.eto_mm.T), np.ascontiguousarray(futures.rain_mm.T)
    etc_mm = coefficient[:, :, None] * eto_by_day[:, None, :]
    raw_mm = _raw_ahead(ground, etc_mm, days)
    return Question(
        window_date=window_date,
        ids=table.ids,
        depletion_mm=depletion_mm,
        doubt_mm=_doubt_mm(ground, soil, first, drawn),
        raw_mm=(raw_mm if raw_mm.ndim == 2 else raw_mm[0]).mean(axis=1),
        storage_mm=table.raw_on(first),
        taw_mm=table.taw_on(first),
        least_mm=LEAST_WATERING_S * table.rate_mm_h * table.efficiency / 3600.0,
        etc_mm=etc_mm,
        raw_ahead_mm=raw_mm,
        futures=futures,
        rain_mm=_rain_ahead(table, rain_by_day[:, None, :]),
        chance=_chances(ground, window_date),
        misses=np.where(remembered < 0.5, int(RISK * FUTURES), 0),
        care=1.0 + DEARER * remembered**2,
        source=_source(soil) + forecasts.described(forecast),
    )


def _doubt_mm(ground: Ground, soil: SoilState, first: date, futures: Futures) -> FloatArray:
    """What days that are not known yet may have taken beyond what is expected of them."""
    doubt_mm = np.zeros(len(ground.table.ids))
    day = soil.day
    while day is not None and day < first:
        if day not in soil.eto:
            high_mm = float(np.sort(futures.eto_mm[:, 0])[int(HIGH * FUTURES)])
            expected_mm = ground.assumed_eto(soil, day).eto_mm
            doubt_mm += max(0.0, high_mm - expected_mm) * ground.table.coefficients(day)
        day += timedelta(days=1)
    return doubt_mm


def _rain_ahead(table: ZoneTable, rain_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rain that counts, days x 1 x futures, or x zones where it differs between them."""
    if table.splits_rain:
        return rain_split.infiltrated_mm(table, rain_mm)
    counted_mm = DEFAULT_SHARE * rain_mm
    return counted_mm if (table.rain_share == 1.0).all() else counted_mm * table.rain_share[:, None]


def _raw_ahead(ground: Ground, etc_mm: NDArray[np.float64], days: list[date]) -> NDArray[np.float64]:
    """RAW of the days ahead, which a hot day makes smaller where it comes from soil and roots; to broadcast."""
    table = ground.table
    if table.rooting:
        by_day = (table.readily_available_mm(of_day.T, day) for day, of_day in zip(days, etc_mm, strict=True))
        return np.stack([np.broadcast_to(raw_mm, etc_mm.shape[:0:-1]).T for raw_mm in by_day])
    if len(table.raw_given) == len(table.ids):
        return table.raw_mm[:, None]
    by_future = table.readily_available_mm(etc_mm.transpose(0, 2, 1))
    return by_future.transpose(0, 2, 1)


def _futures(ground: Ground, soil: SoilState, first: date, seed: int) -> Futures:
    """Drawn from what was measured here."""
    drawn: Futures = draw_futures(
        Record(soil.record_day, soil.record_eto_mm, soil.record_rain_mm),
        seed=seed,
        first_day=(first - EPOCH).days,
        days=DAYS_AHEAD,
        futures=FUTURES,
        latitude_deg=ground.site.latitude_deg,
        mild_eto_mm=ground.mild_eto_mm(first),
        rain_counts=_rain_counts(soil),
    )
    return drawn


def _rain_counts(soil: SoilState) -> bool:
    """Whether this site hears of rain at all; until a week is known it is taken to."""
    return soil.rain_days > 0 or len(soil.record_day) < ETO_DAYS


def _source(soil: SoilState) -> str:
    known = len(soil.record_day)
    if not known:
        return "drawn from the prior for this latitude and season, nothing was measured yet"
    days = min(known, round(RECENT_DAYS))
    text = f"drawn from {days} measured day{'' if days == 1 else 's'} here"
    if known > RECENT_DAYS + 182:
        text = f"drawn from the last {RECENT_DAYS} days here and the same season of earlier years"
    if not _rain_counts(soil):
        return text + ", rain is not measured"
    prior = prior_share(known)
    return text + (f", {prior:.0%} of the rain by the prior for this latitude" if prior >= 0.1 else "")


def _remembered(soil: SoilState, ids: tuple[str, ...]) -> FloatArray:
    if not soil.stress_memory:
        return np.zeros(len(ids))
    return np.minimum([soil.stress_memory.get(zone, 0.0) for zone in ids], MOST_REMEMBERED)


def _chances(ground: Ground, window_date: date) -> NDArray[np.bool_]:
    """Nights on which each zone has time to be watered, days x zones; tonight counts as one."""
    longest_s = [ground.rules.longest_s(window_date + timedelta(days=ahead)) for ahead in range(DAYS_AHEAD)]
    chance: NDArray[np.bool_] = np.array(longest_s) >= LEAST_OPENING_S
    chance[0] = True
    return chance
