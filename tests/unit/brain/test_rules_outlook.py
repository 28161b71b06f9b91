"""The question of a night: whose chances, how much doubt, how careful, and from which days of the record."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from sites import DayRule, Watering, site, time, zone

from dewpond.brain.beliefs import first_soil
from dewpond.brain.ground import ground_of
from dewpond.brain.local_time import EPOCH
from dewpond.brain.rules.outlook import CARE, DAYS_AHEAD, DEARER, FUTURES, RISK, ask
from dewpond.brain.state import EtoFact
from dewpond.model.hours import Hours

NIGHT = date(2026, 7, 1)  # a Wednesday
TODAY_KNOWN = {NIGHT: EtoFact(eto_mm=5.0, method="test", sd_mm=0.3)}


def soil_of(ground, days=40, eto_mm=5.0, rain_mm=0.0, **changes):
    first = first_soil(ground.table, NIGHT, 0.5)
    values = {
        "record_day": np.arange(float(days)) + (NIGHT - EPOCH).days - days,
        "record_eto_mm": np.broadcast_to(np.array(eto_mm, float), days).copy(),
        "record_rain_mm": np.full(days, rain_mm),
        "recent_eto_mm": (5.0,) * min(days, 7),
        "rain_days": days,
    }
    return replace(first, **{**values, **changes})


def asked(ground, soil, **changes):
    closes_s = ground.days.clock_s(NIGHT + timedelta(days=1), time(6))
    return ask(ground, soil, NIGHT, closes_s, soil.depletion_mm, **changes)


@pytest.fixture(scope="module")
def ground():
    return ground_of(site(zone("lawn"), zone("bed", crop_coefficient=(0.5,) * 12, exposure=0.8, output=2)))


def test_use_is_the_coefficient_of_the_month_times_reference_et(ground):
    question = asked(ground, soil_of(ground))
    ratio = question.etc_mm[:, 0] / question.futures.eto_mm.T
    assert ratio == pytest.approx(np.full((DAYS_AHEAD, FUTURES), 0.8))  # the window closes before the day's ET begins
    assert question.etc_mm[:, 1] == pytest.approx(question.futures.eto_mm.T * 0.4)


def test_learned_use_scales_the_water_ahead(ground):
    plain, more = (asked(ground, soil_of(ground), use=use) for use in (1.0, np.array([1.2, 1.0])))
    assert more.etc_mm[:, 0] == pytest.approx(1.2 * plain.etc_mm[:, 0])
    assert more.etc_mm[:, 1] == pytest.approx(plain.etc_mm[:, 1])


def test_eighty_percent_of_the_rain_counts(ground):
    question = asked(ground, soil_of(ground, rain_mm=5.0))
    assert question.rain_mm[:, 0] == pytest.approx(0.8 * question.futures.rain_mm.T)
    assert question.rain_mm.any()


def test_the_same_night_is_asked_the_same_and_the_next_one_not(ground):
    soil = soil_of(ground, eto_mm=np.linspace(3.0, 7.0, 40))
    again = asked(ground, soil)
    assert (asked(ground, soil).etc_mm == again.etc_mm).all()
    tomorrow = NIGHT + timedelta(days=1)
    closes_s = ground.days.clock_s(tomorrow + timedelta(days=1), time(6))
    assert (ask(ground, soil, tomorrow, closes_s, soil.depletion_mm).etc_mm != again.etc_mm).any()


def test_chances_are_the_nights_that_are_allowed_and_tonight_counts_as_one():
    rule = DayRule(kind="weekdays", weekdays=frozenset({0}))
    here = ground_of(site(watering=Watering(window=Hours(start=time(21), end=time(6)), days=rule)))
    chance = asked(here, soil_of(here)).chance[:, 0]
    assert np.flatnonzero(chance).tolist() == [0, 4, 5, 11, 12]  # tonight, a Wednesday; nights that touch a Monday


def test_a_zone_that_was_stressed_is_kept_more_carefully(ground):
    calm, stressed = asked(ground, soil_of(ground)), asked(ground, soil_of(ground, stress_memory={"bed": 1.0}))
    assert calm.misses.tolist() == [int(RISK * FUTURES)] * 2
    assert stressed.misses.tolist() == [int(RISK * FUTURES), 0]
    assert stressed.etc_mm[:, 1] == pytest.approx((1.0 + CARE) * calm.etc_mm[:, 1])
    assert (stressed.etc_mm[:, 0] == calm.etc_mm[:, 0]).all()
    assert calm.care.tolist() == [1.0, 1.0] and stressed.care.tolist() == [1.0, 1.0 + DEARER]


def test_care_has_a_limit(ground):
    long, longer = (asked(ground, soil_of(ground, stress_memory={"bed": n})).etc_mm for n in (3.0, 30.0))
    assert (long == longer).all()


def test_a_day_that_is_known_leaves_no_doubt(ground):
    soil = soil_of(ground, eto_mm=np.linspace(3.0, 7.0, 40))
    unknown, known = asked(ground, soil), asked(ground, replace(soil, eto=TODAY_KNOWN))
    assert (unknown.doubt_mm > 0.0).all() and not known.doubt_mm.any()
    assert unknown.doubt_mm[1] == pytest.approx(0.5 * unknown.doubt_mm[0])  # by their coefficients, 0.4 and 0.8


def test_where_rain_is_never_measured_none_is_expected(ground):
    question = asked(ground, soil_of(ground, rain_days=0))
    assert not question.rain_mm.any() and "rain is not measured" in question.source


@pytest.mark.parametrize(
    ("days", "said"),
    [(0, "nothing was measured yet"), (20, "20 measured days here, "), (400, "same season of earlier years")],
)
def test_the_source_says_what_the_futures_come_from(ground, days, said):
    assert said in asked(ground, soil_of(ground, days=days)).source
