"""Depths between the cups, and how far a figure of so many cups can be trusted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewpond.science.catch_map import inverse_distance, resampled_interval
from dewpond.science.uniformity import distribution_uniformity

X, Y = np.array([0.0, 4.0, 0.0, 4.0]), np.array([0.0, 0.0, 4.0, 4.0])


def test_a_cup_keeps_its_own_value_and_the_middle_is_the_mean():
    values = np.array([10.0, 20.0, 30.0, 40.0])
    np.testing.assert_allclose(inverse_distance(X, Y, values, X, Y), values)
    assert inverse_distance(X, Y, values, 2.0, 2.0) == pytest.approx(25.0)


def test_weights_fall_with_the_square_of_the_distance():
    """Shepard 1968: 1 m and 3 m away weigh 9 to 1."""
    found = inverse_distance([0.0, 4.0], [0.0, 0.0], [10.0, 20.0], 1.0, 0.0)
    assert found == pytest.approx((9 * 10 + 20) / 10)


@given(st.floats(-5, 9), st.floats(-5, 9))
def test_no_place_is_drier_than_the_driest_cup_or_wetter_than_the_wettest(x, y):
    found = inverse_distance(X, Y, [3.0, 9.0, 5.0, 7.0], x, y)
    assert 3.0 - 1e-9 <= found <= 9.0 + 1e-9


def test_places_one_by_one_equal_those_of_a_grid():
    at_x, at_y = np.meshgrid(np.linspace(-1, 5, 7), np.linspace(-1, 5, 5))
    grid = inverse_distance(X, Y, [3.0, 9.0, 5.0, 7.0], at_x, at_y)
    assert grid.shape == (5, 7)
    assert grid[3, 2] == inverse_distance(X, Y, [3.0, 9.0, 5.0, 7.0], at_x[3, 2], at_y[3, 2])


def test_the_interval_of_a_mean_is_that_of_its_standard_error():
    """Central limit: 90 % within 1.645 standard errors."""
    cups = np.random.default_rng(4).normal(20.0, 4.0, 200)
    low, high = resampled_interval(cups, lambda draws: draws.mean(axis=-1))
    assert (high - low) / 2 == pytest.approx(1.645 * cups.std() / np.sqrt(200), rel=0.06)
    assert low < cups.mean() < high


def test_fewer_cups_are_trusted_less_and_the_same_cups_alike():
    cups = np.random.default_rng(4).normal(20.0, 4.0, 96)
    few = resampled_interval(cups[:24], distribution_uniformity)
    many = resampled_interval(cups, distribution_uniformity)
    assert few[1] - few[0] > 1.4 * (many[1] - many[0])
    assert few == resampled_interval(cups[:24], distribution_uniformity)
