"""The value of a depletion over the nights ahead: worked by hand, and beside the same recursion written out plainly."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from dewpond.science.nights_ahead import (
    DEFICIT_PRICE,
    STATES,
    STEPS,
    STRESS_PRICE,
    WATERING_PRICE,
    stress_price_mm,
    values_ahead,
)

RAW_MM = float(STEPS)  # so that a step is 1 mm


def values(etc_mm, rain_mm=0.0, *, least_mm=0.0, chance=True, care=1.0, days=4):
    """One zone; weather by future, the same every day."""
    shape = (days, 1, np.size(etc_mm))
    etc, rain = np.broadcast_to(np.array(etc_mm, float), shape), np.broadcast_to(np.array(rain_mm, float), shape)
    return values_ahead(
        etc,
        rain,
        np.full(shape, RAW_MM),
        np.array([RAW_MM]),
        np.array([least_mm]),
        np.full((days, 1), chance),
        np.array([care]),
    )[0]


def test_in_certain_dry_weather_everything_missing_and_used_is_given_in_few_waterings():
    """Days 1 to 3 go by, the last one twice, and use 20 mm: one watering is enough, none up to 11 mm."""
    found = values([5.0])
    assert found[:12] == pytest.approx(np.arange(12) + 20.0)
    assert found[20:STEPS] == pytest.approx(np.arange(20, STEPS) + 20.0 + WATERING_PRICE * RAW_MM)


def test_water_stored_before_a_certain_rain_is_lost():
    """10 mm of rain a day and 5 mm of use: whatever is missing fills up by itself."""
    assert values([5.0], [10.0])[:10] == pytest.approx(0.0)


def test_stress_costs_by_the_day_and_by_the_mm():
    assert stress_price_mm(np.array([-1.0, 0.0, 1.0]), 0.5, 20.0, 3.0) == pytest.approx(
        [0.0, 0.5 * STRESS_PRICE * 60.0, STRESS_PRICE * 60.0 + DEFICIT_PRICE]
    )
    calm, dear = values([3.0, 9.0], chance=False), values([3.0, 9.0], care=5.0, chance=False)
    assert (dear >= calm - 1e-9).all() and dear[STEPS] > calm[STEPS] + STRESS_PRICE * RAW_MM


def test_no_night_costs_less_with_fewer_chances():
    rng = np.random.default_rng(3)
    etc_mm, rain_mm = rng.uniform(1.0, 8.0, 30), np.where(rng.random(30) < 0.3, 9.0, 0.0)
    free, shut = values(etc_mm, rain_mm), values(etc_mm, rain_mm, chance=False)
    assert (free <= shut + 1e-9).all() and shut[-1] > free[-1] + 1.0


@pytest.mark.parametrize("least_mm", [0.0, 3.0])
def test_it_is_the_recursion_of_common_inventory_with_a_price_on_each_order(least_mm):
    """Whole steps only, so that nothing is interpolated."""
    etc_mm, rain_mm = np.array([2.0, 5.0, 7.0, 1.0]), np.array([0.0, 0.0, 0.0, 9.0])
    fewer = int(least_mm)

    @cache
    def cost(night: int, missing: int) -> float:
        if night == 4:
            return float(missing)
        return min(
            waiting(night, missing),
            *(
                missing - left + WATERING_PRICE * RAW_MM + waiting(night, left)
                for left in range(max(missing - fewer, 0) + 1)
            ),
        )

    @cache
    def waiting(night: int, left: int) -> float:
        ends = [min(max(left + int(change), 0), STATES - 1) for change in etc_mm - rain_mm]
        price = stress_price_mm(np.array(ends) - RAW_MM, 1.0, RAW_MM, 1.0)
        return float(np.mean([cost(night + 1, end) + mm for end, mm in zip(ends, price, strict=True)]))

    expected = [cost(0, missing) for missing in range(STATES)]
    assert values(etc_mm, rain_mm, least_mm=least_mm) == pytest.approx(expected)


def test_between_two_steps_values_are_interpolated():
    fine = values([2.5])
    assert fine[10] == pytest.approx(10.0 + 4 * 2.5)
