"""A day nobody measured: recent days, then the site's own climatology, then what is old, then a stated mild day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from sites import site

from dewpond.brain.beliefs import first_soil
from dewpond.brain.ground import ground_of
from dewpond.brain.local_time import EPOCH

DAY = date(2027, 7, 10)


def soil(ground, *, known: dict[date, float], recent: tuple[float, ...]):
    days = sorted(known)
    return replace(
        first_soil(ground.table, DAY, 0.0),
        record_day=np.array([float((day - EPOCH).days) for day in days]),
        record_eto_mm=np.array([known[day] for day in days]),
        record_rain_mm=np.zeros(len(days)),
        recent_eto_mm=recent,
    )


@pytest.fixture(scope="module")
def ground():
    return ground_of(site())


def days(last: date, count: int, eto_mm: float) -> dict[date, float]:
    return {last - timedelta(days=n): eto_mm for n in range(count)}


def test_recent_days_stand_for_it(ground):
    fact = ground.assumed_eto(soil(ground, known=days(DAY - timedelta(days=2), 7, 6.0), recent=(6.0,) * 7), DAY)
    assert fact.eto_mm == 6.0 and "last 7 known days" in fact.method


def test_after_a_long_outage_the_sites_own_earlier_years_do(ground):
    known = days(date(2027, 5, 1), 30, 3.0) | days(date(2026, 7, 20), 25, 7.0)
    fact = ground.assumed_eto(soil(ground, known=known, recent=(3.0,) * 7), DAY)
    assert fact.eto_mm == 7.0 and "own mean around this date" in fact.method and fact.sd_mm >= 1.0


def test_without_earlier_years_old_days_are_carried_over_by_season(ground):
    """Scaled by what a mild day evaporates then and now (Hargreaves, FAO-56 eq. 52)."""
    then = DAY - timedelta(days=100)
    fact = ground.assumed_eto(soil(ground, known=days(then, 7, 4.0), recent=(4.0,) * 7), DAY)
    assert fact.eto_mm == pytest.approx(4.0 * ground.mild_eto_mm(DAY) / ground.mild_eto_mm(then))
    assert fact.eto_mm > 4.0 and "100 days ago" in fact.method and fact.sd_mm > 1.2


def test_where_nothing_was_ever_measured_a_mild_day_is_stated(ground):
    fact = ground.assumed_eto(soil(ground, known={}, recent=()), DAY)
    assert "nothing was measured yet" in fact.method and fact.eto_mm == ground.mild_eto_mm(DAY)
