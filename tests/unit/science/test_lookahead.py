"""How dry a zone may be left, and which depth costs least: worked by hand, and as properties over many futures."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from dewpond.science.lookahead import BLOCK_ZONES, DEPTH_SHARES, SPARE_MM, STRESS_PRICE, judge_depths, safe_depletion

FUTURES = 40


def one_future(etc_mm, rain_mm, chance, raw_mm=10.0):
    """Safe depletion tonight of one zone whose weather is certain."""
    etc, rain = np.array(etc_mm, float)[:, None, None], np.array(rain_mm, float)[:, None, None]
    return safe_depletion(etc, rain, np.array([[raw_mm]]), np.array(chance, bool)[:, None], np.array([0]))[0, 0]


def judged_alone(depletion_mm, etc_mm, rain_mm, chance, safe_mm):
    """One zone of 20 mm RAW and 40 mm TAW in certain weather."""
    days = len(etc_mm)
    return judge_depths(
        np.array([depletion_mm]),
        np.array(etc_mm, float)[:, None, None],
        np.array(rain_mm, float)[:, None, None],
        np.array([[20.0]]),
        np.array([40.0]),
        np.array([20.0]),
        np.array([0.0]),
        np.array(chance, bool)[:, None],
        np.full((days, 1), float(safe_mm)),
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
    """18 mm are missing and 5 mm are used on each of two days, so 28 mm go in or stay missing at every depth."""
    found = judged_alone(18.0, [5.0, 5.0], [0.0, 0.0], [1, 1], safe_mm=15.0)
    assert found.tonight_mm[0] == pytest.approx([3.1, 3.1, 4.2, 6.0, 8.0, 10.0, 10.0, 18.0])
    assert found.water_mm[0] == pytest.approx(np.full(len(DEPTH_SHARES), 28.0))
    assert DEPTH_SHARES[found.cost_mm[0].argmin()] == 0.5  # from half of RAW on no shallow watering is paid for
    assert (np.diff(found.cost_mm[0][:6]) < 0.0).all()


def test_no_depth_but_the_full_refill_goes_beyond_what_the_days_ahead_use():
    """Two days of 1.5 mm: 3 mm at most, unless more is needed to the next chance."""
    assert judged_alone(18.0, [1.5, 1.5], [0.0, 0.0], [1, 1], safe_mm=17.0).tonight_mm[0] == pytest.approx(
        [1.4, 2.8, 3.0, 3.0, 3.0, 3.0, 3.0, 18.0]
    )
    assert judged_alone(18.0, [1.5, 1.5], [0.0, 0.0], [1, 1], safe_mm=12.0).tonight_mm[0, 0] == pytest.approx(6.1)


def test_rain_is_wasted_on_a_zone_that_was_filled_up():
    """6 mm of rain after 5 mm of use: all count where room was left; 1 mm is lost where the zone was full."""
    found = judged_alone(18.0, [5.0, 5.0], [6.0, 0.0], [1, 1], safe_mm=15.0)
    assert found.water_mm[0] == pytest.approx([22.0] * 7 + [23.0])
    assert found.cost_mm[0].argmin() != len(DEPTH_SHARES) - 1


def test_stress_has_its_price():
    """3.1 mm leave 14.9; 19.9 and 24.9 follow: 4.9 mm beyond 20 for a day. 10 mm leave 18 at the end, 6 leave 22."""
    found = judged_alone(18.0, [5.0, 5.0], [0.0, 0.0], [1, 0], safe_mm=15.0)
    stress_mm = np.array([4.9, 4.9, 3.8, 2.0, 0.0, 0.0, 0.0, 0.0])
    shallow = 0.02 * np.maximum(0.0, 1.0 - DEPTH_SHARES / 0.5) * found.tonight_mm[0]
    assert found.cost_mm[0] - found.water_mm[0] == pytest.approx(STRESS_PRICE * stress_mm + shallow)


def test_days_without_a_chance_make_it_deeper(many):
    etc_mm, rain_mm = many
    depths = []
    for wait in (1, 5):
        chance = np.zeros((10, 3), bool)
        chance[::wait] = True
        raw_mm = np.array([[35.0], [40.0], [45.0]])
        safe_mm = safe_depletion(etc_mm, rain_mm, raw_mm, chance, np.zeros(3, int))
        found = judge_depths(
            raw_mm[:, 0] - 1.0, etc_mm, rain_mm, raw_mm, 2.0 * raw_mm[:, 0], raw_mm[:, 0], np.zeros(3), chance, safe_mm
        )
        depths.append(found.tonight_mm[np.arange(3), found.cost_mm[:, :-1].argmin(axis=1)])
    assert (depths[1] > depths[0]).all()


def test_a_zone_that_can_wait_gets_nothing_and_no_depth_goes_past_field_capacity(many):
    etc_mm, rain_mm = many
    chance = np.ones((10, 3), bool)
    raw_mm = np.full((3, 1), 20.0)
    safe_mm = safe_depletion(etc_mm, rain_mm, raw_mm, chance, np.zeros(3, int))
    missing_mm = np.array([safe_mm[0, 0] - SPARE_MM, safe_mm[0, 1] + 0.5, 20.0])
    found = judge_depths(
        missing_mm, etc_mm, rain_mm, raw_mm, np.full(3, 40.0), np.full(3, 20.0), np.full(3, 2.0), chance, safe_mm
    )
    assert (found.tonight_mm[0] == 0.0).all()
    assert (found.tonight_mm[1] >= 2.0).all()
    assert (found.tonight_mm <= missing_mm[:, None]).all()


def test_a_zone_alone_is_judged_as_among_many_bit_for_bit():
    zones = BLOCK_ZONES + 3
    rng = np.random.default_rng(9)
    etc_mm = rng.uniform(1.0, 6.0, (6, zones, 16))
    rain_mm = np.where(rng.random((6, 1, 16)) < 0.3, 6.0, 0.0)
    raw_mm, chance = rng.uniform(10.0, 30.0, (zones, 1)), rng.random((6, zones)) < 0.7
    chance[0] = True
    misses = rng.integers(0, 3, zones)
    left_mm = raw_mm[:, 0] * rng.uniform(0.5, 1.0, zones)

    def judged(part):
        etc, raw, can = etc_mm[:, part], raw_mm[part], chance[:, part]
        safe_mm = safe_depletion(etc, rain_mm, raw, can, misses[part])
        return judge_depths(
            left_mm[part], etc, rain_mm, raw, 2.0 * raw[:, 0], raw[:, 0], np.zeros(len(raw)), can, safe_mm
        )

    together = judged(slice(None))
    for zone in (0, BLOCK_ZONES - 1, BLOCK_ZONES, zones - 1):
        alone = judged(slice(zone, zone + 1))
        assert all((one[0] == all_of[zone]).all() for one, all_of in zip(alone, together, strict=True))
