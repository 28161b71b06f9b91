"""Effective rain and runoff; the published cases are in test_published_practice_cases.py."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.science import rainfall

SEEDED = settings(derandomize=True, deadline=None, database=None)


def test_four_fifths_of_the_rain_count_up_to_the_storage_left() -> None:
    rain = rainfall.effective_rain(np.array([10.0, 10.0, 10.0, 0.0]), np.array([20.0, 5.0, -1.0, 5.0]))
    assert rain.tolist() == [8.0, 5.0, 0.0, 0.0]
    assert rainfall.effective_rain(10.0, 20.0, share=1.0) == 10.0


def test_light_rain_is_not_worth_counting() -> None:
    assert rainfall.rain_worth_counting(np.array([0.9, 1.0, 5.0]), 5.0).tolist() == [0.0, 1.0, 5.0]


def test_runoff_begins_after_the_initial_abstraction_and_is_all_on_a_sealed_surface() -> None:
    abstraction = rainfall.initial_abstraction_mm(75.0)
    runoff = rainfall.curve_number_runoff(np.array([0.0, abstraction, abstraction + 1.0]), 75.0)
    assert runoff[:2].tolist() == [0.0, 0.0]
    assert 0.0 < runoff[2] < 0.05
    assert rainfall.curve_number_runoff(np.array([0.0, 12.0]), 100.0).tolist() == [0.0, 12.0]


def test_composite_number_weighs_by_area_on_the_last_axis() -> None:
    numbers = np.array([[61.0, 74.0], [61.0, 74.0]])
    assert rainfall.area_weighted(numbers, [[1.0, 0.0], [5.0, 5.0]]).tolist() == [61.0, 67.5]


def test_monthly_methods_stay_between_nothing_and_the_rain() -> None:
    rain = np.linspace(0.0, 600.0, 61)
    for method in (rainfall.scs_monthly_effective_rain, rainfall.fao_monthly_effective_rain):
        effective = method(rain)
        assert (effective >= 0.0).all()
        assert (effective <= rain).all()
        assert (np.diff(effective) >= 0.0).all()
    tr21 = rainfall.tr21_effective_rain(rain, 100.0, 75.0)
    assert tr21[0] == 0.0
    assert tr21.max() == 100.0


def test_fao_lines_meet_at_75_mm() -> None:
    assert rainfall.fao_monthly_effective_rain(75.0) == 35.0
    assert rainfall.fao_monthly_effective_rain(np.array([10.0, 60.0, 100.0])).tolist() == [0.0, 26.0, 55.0]


@SEEDED
@given(st.floats(0.0, 200.0), st.floats(-1.0, 5.0), st.floats(-1.0, 100.0))
def test_parts_of_the_rain_sum_to_it(rain: float, canopy: float, intake: float) -> None:
    held, infiltrated, runoff = rainfall.split_rain(rain, canopy, intake)
    assert min(held, infiltrated, runoff) >= 0.0
    assert abs(held + infiltrated + runoff - rain) <= 1e-12 * max(1.0, rain)


def test_a_slope_of_five_percent_keeps_the_tabulated_number_and_steeper_ground_sheds_more() -> None:
    numbers = rainfall.curve_number_on_slope(74.0, np.array([0.0, 5.0, 15.0, 40.0]))
    assert abs(numbers[1] - 74.0) < 0.01
    assert numbers[0] < 74.0 < numbers[2] < numbers[3] < 100.0


def test_a_days_rain_splits_into_leaves_soil_and_the_runoff_of_the_published_example() -> None:
    """P = 100 mm on CN 75 runs off by 41.14 mm: case CN-03 of landscape_practice.json."""
    held, infiltrated, runoff = rainfall.split_rain_of_day(np.array([100.0, 0.5, 0.0]), 1.0, 75.0)
    assert abs(runoff[0] - 41.14) < 0.01
    assert held.tolist() == [1.0, 0.5, 0.0]
    np.testing.assert_allclose(held + infiltrated + runoff, [100.0, 0.5, 0.0])


def test_the_same_rain_runs_off_when_it_falls_in_one_hour_and_not_when_it_falls_in_ten() -> None:
    intake, storage = np.array([9.0, 5.0]), np.array([6.0, 3.0])
    fast = rainfall.split_rain_by_hour([0.0, 30.0, 0.0], 1.0, intake, storage)
    slow = rainfall.split_rain_by_hour([3.0] * 10, 1.0, intake, storage)
    np.testing.assert_allclose(fast[2], [29.0 - 9.0 - 6.0, 29.0 - 5.0 - 3.0])
    np.testing.assert_allclose(slow[2], [0.0, 0.0])
    np.testing.assert_allclose(fast[1], [15.0, 8.0])


def test_water_that_stands_soaks_in_before_the_next_shower() -> None:
    near = rainfall.split_rain_by_hour([14.0, 14.0], 0.0, 9.0, 6.0)[2]
    apart = rainfall.split_rain_by_hour([14.0, 0.0, 14.0], 0.0, 9.0, 6.0)[2]
    assert abs(near - 4.0) < 1e-9
    assert apart == 0.0


@SEEDED
@given(
    hours=st.lists(st.floats(0.0, 80.0), min_size=1, max_size=24),
    canopy=st.floats(0.0, 3.0),
    intake=st.floats(0.1, 40.0),
    storage=st.floats(0.0, 20.0),
)
def test_hourly_parts_sum_to_the_rain_and_none_is_negative(
    hours: list[float], canopy: float, intake: float, storage: float
) -> None:
    parts = rainfall.split_rain_by_hour(hours, canopy, intake, storage)
    assert min(parts) >= -1e-9
    assert abs(sum(parts) - sum(hours)) < 1e-6
    assert parts[0] <= canopy + 1e-12
