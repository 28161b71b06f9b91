"""How dry a zone may be left, and which depth costs least: worked by hand, and as properties over many futures."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from dewpond.science.lookahead import BLOCK_ZONES, DEPTH_SHARES, judge_depths, safe_depletion
from dewpond.science.nights_ahead import DEFICIT_PRICE, STRESS_PRICE, WATERING_PRICE

FUTURES = 40


def one_future(etc_mm, rain_mm, chance, raw_mm=10.0):
    """Safe depletion tonight of one zone whose weather is certain."""
    etc, rain = np.array(etc_mm, float)[:, None, None], np.array(rain_mm, float)[:, None, None]
    return safe_depletion(etc, rain, np.array([[raw_mm]]), np.array(chance, bool)[:, None], np.array([0]))[0, 0]


def judged_alone(depletion_mm, etc_mm, rain_mm, chance, carry_mm=0.0, least_mm=0.0):
    """One zone of 20 mm RAW in certain weather."""
    return judge_depths(
        np.array([depletion_mm]),
        np.array(etc_mm, float)[:, None, None],
        np.array(rain_mm, float)[:, None, None],
        np.array([[20.0]]),
        np.array([20.0]),
        np.array([least_mm]),
        np.array([carry_mm]),
        np.array(chance, bool)[:, None],
        np.ones(1),
    )


@pytest.fixture
def many():
    """Three zones over ten days and 40 futures, days x zones x futures."""
    rng = np.random.default_rng(4)
    etc_mm = rng.uniform(2.0, 7.0, (10, 3, FUTURES))
    rain_mm = np.where(rng.random((10, 1, FUTURES)) < 0.25, rng.gamma(0.7, 8.0, (10, 1, FUTURES)), 0.0)
    return etc_mm, rain_mm


@pytest.mark.parametrize(
    ("etc_mm", "rain_mm", "chance", "safe_mm"),
    [
        ([4.0, 5.0], [0.0, 0.0], [1, 1], 6.0),  # only today's 4 mm must fit below 10 mm
        ([4.0, 5.0], [0.0, 0.0], [1, 0], 1.0),  # 4 and 5 mm must fit
        ([4.0, 5.0], [3.0, 0.0], [1, 0], 4.0),  # 4 mm, 3 mm of rain, 5 mm
        ([4.0, 5.0], [0.0, 3.0], [1, 0], 4.0),  # rain falls at the end of its day, in time for that day's mark
        ([8.0, 1.0], [7.0, 0.0], [1, 0], 8.0),  # the first day ends at D + 8 - 7, the second at one more
        ([8.0, 1.0], [7.0, 5.0], [1, 0], 9.0),  # the second ends lower, so the first is the one that counts
        ([6.0, 6.0], [0.0, 0.0], [1, 0], 0.0),  # no depletion is safe
    ],
)
def test_with_one_future_it_is_what_the_days_to_the_next_chance_leave_of_raw(etc_mm, rain_mm, chance, safe_mm):
    assert one_future(etc_mm, rain_mm, chance) == pytest.approx(safe_mm)


def test_it_falls_as_fewer_misses_are_allowed(many):
    etc_mm, rain_mm = many
    chance = np.zeros((10, 3), bool)
    chance[[0, 3, 6]] = True
    raw_mm = np.array([[12.0], [25.0], [40.0]])
    by_misses = [safe_depletion(etc_mm, rain_mm, raw_mm, chance, np.full(3, n)) for n in (0, 1, 3, 8, FUTURES - 1)]
    for careful, careless in pairwise(by_misses):
        assert (careful <= careless).all()
    assert (by_misses[0] < by_misses[-1]).any()


def test_no_more_futures_than_allowed_pass_raw_when_it_is_kept(many):
    etc_mm, rain_mm = many
    chance = np.zeros((10, 3), bool)
    chance[[0, 4]] = True
    misses = np.array([0, 2, 6])
    raw_mm = np.full((3, 1), 30.0)
    left_mm = np.broadcast_to(safe_depletion(etc_mm, rain_mm, raw_mm, chance, misses)[0][:, None], (3, FUTURES))
    passed = np.zeros((3, FUTURES), bool)
    for day in range(4):
        left_mm = left_mm + etc_mm[day] - rain_mm[day]
        passed |= left_mm > raw_mm + 1e-9
    assert (passed.sum(axis=1) == misses).all()


def test_the_longer_the_wait_the_less_is_safe(many):
    etc_mm, rain_mm = many
    found = []
    for wait in (1, 2, 4, 8):
        chance = np.zeros((10, 3), bool)
        chance[[0, wait]] = True
        found.append(safe_depletion(etc_mm, 0.0 * rain_mm, np.full((3, 1), 40.0), chance, np.array([2, 2, 2]))[0])
    assert all((later < sooner).all() for sooner, later in pairwise(found))


def test_dry_weather_takes_the_same_water_at_any_depth_and_favours_the_deep():
    """18 mm are missing and 5 mm are used on each of two days, the second counted once: 28 mm and the waterings."""
    found = judged_alone(18.0, [5.0, 5.0], [0.0, 0.0], [1, 1], carry_mm=3.1)
    waterings = (found.cost_mm[0, 1:] - 28.0) / (WATERING_PRICE * 20.0)
    assert found.tonight_mm[0, 1:] == pytest.approx([3.1, *(20.0 * DEPTH_SHARES), 18.0])
    deep = found.tonight_mm[0, 1:] > 8.5  # what carries it over both days
    assert waterings[deep] == pytest.approx(1.0)
    assert found.cost_mm[0, 1:][deep].max() < found.cost_mm[0, 1:][~deep].min()


def test_rain_is_wasted_on_a_zone_that_was_filled_up():
    """12 mm of rain after 5 mm of use: all count where 7 mm of room were left."""
    found = judged_alone(18.0, [5.0, 0.0], [12.0, 0.0], [1, 1])
    given_mm, cost_mm = found.tonight_mm[0, 2:], found.cost_mm[0, 2:] - WATERING_PRICE * 20.0
    lost_mm = np.maximum(0.0, given_mm - 11.0)
    assert cost_mm == pytest.approx(11.0 + lost_mm, abs=0.01)
    assert found.cost_mm[0].argmin() == 0  # and none at all need be given: 18 + 5 - 12 = 11 mm are missing at the end


def test_stress_has_its_price():
    """Left dry, 18 mm become 23: a day of stress and 3 mm of deficit, all of them watered the night after."""
    found = judged_alone(18.0, [5.0, 0.0], [0.0, 0.0], [1, 1])
    stress_mm = STRESS_PRICE * 20.0 + 3.0 * DEFICIT_PRICE
    assert found.cost_mm[0, 0] == pytest.approx(23.0 + stress_mm + WATERING_PRICE * 20.0, abs=0.01)
    assert found.cost_mm[0].argmin() > 0


def test_days_without_a_chance_make_it_deeper(many):
    etc_mm, rain_mm = many
    raw_mm = np.array([[35.0], [40.0], [45.0]])
    depths = []
    for wait in (1, 5):
        chance = np.zeros((10, 3), bool)
        chance[::wait] = True
        found = judge_depths(
            raw_mm[:, 0] - 1.0, etc_mm, rain_mm, raw_mm, raw_mm[:, 0], np.zeros(3), np.zeros(3), chance, np.ones(3)
        )
        depths.append(found.tonight_mm[np.arange(3), found.cost_mm[:, :-1].argmin(axis=1)])
    assert (depths[1] > depths[0]).all()


def test_no_depth_is_less_than_worth_opening_for_nor_goes_past_field_capacity(many):
    etc_mm, rain_mm = many
    missing_mm = np.array([0.0, 1.5, 20.0])
    found = judge_depths(
        missing_mm,
        etc_mm,
        rain_mm,
        np.full((3, 1), 20.0),
        np.full(3, 20.0),
        np.full(3, 2.0),
        np.full(3, 1.0),
        np.ones((10, 3), bool),
        np.ones(3),
    )
    assert (found.tonight_mm[:, 0] == 0.0).all() and (found.tonight_mm[:, -1] == missing_mm).all()
    assert (found.tonight_mm[0] == 0.0).all()
    assert found.tonight_mm[1, 1:] == pytest.approx(1.5)
    assert (found.tonight_mm[2, 1:] >= 2.0).all() and (found.tonight_mm <= missing_mm[:, None]).all()


def test_a_zone_alone_is_judged_as_among_many_bit_for_bit():
    zones = BLOCK_ZONES + 3
    rng = np.random.default_rng(9)
    etc_mm = rng.uniform(1.0, 6.0, (6, zones, 16))
    rain_mm = np.where(rng.random((6, 1, 16)) < 0.3, 6.0, 0.0)
    raw_mm, chance = rng.uniform(10.0, 30.0, (zones, 1)), rng.random((6, zones)) < 0.7
    left_mm, care = raw_mm[:, 0] * rng.uniform(0.5, 1.0, zones), rng.uniform(1.0, 5.0, zones)

    def judged(part):
        raw = raw_mm[part]
        none = np.zeros(len(raw))
        return judge_depths(
            left_mm[part], etc_mm[:, part], rain_mm, raw, raw[:, 0], none, none, chance[:, part], care[part]
        )

    together = judged(slice(None))
    for zone in (0, BLOCK_ZONES - 1, BLOCK_ZONES, zones - 1):
        alone = judged(slice(zone, zone + 1))
        assert all((one[0] == all_of[zone]).all() for one, all_of in zip(alone, together, strict=True))
