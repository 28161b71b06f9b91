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
