"""Catch-can uniformity; the published audits are in test_published_practice_cases.py."""

import numpy as np
import pytest

from dewpond.science import uniformity


def test_low_quarter_counts_to_the_nearest_cup_halves_to_even() -> None:
    assert [uniformity.low_count(n, 0.25) for n in (1, 2, 16, 46, 15, 18, 24)] == [1, 1, 4, 12, 4, 4, 6]


def test_equal_cups_are_perfect() -> None:
    cups = np.full(24, 7.0)
    assert uniformity.distribution_uniformity(cups) == 1.0
    assert uniformity.christiansen_uniformity(cups) == 1.0
    assert uniformity.run_time_multiplier(1.0) == 1.0


def test_order_of_the_cups_does_not_matter() -> None:
    cups = np.random.default_rng(3).uniform(2.0, 20.0, 24)
    assert uniformity.distribution_uniformity(cups) == pytest.approx(
        uniformity.distribution_uniformity(cups[::-1]), rel=1e-14
    )


def test_empty_cups_have_no_uniformity() -> None:
    assert np.isnan(uniformity.distribution_uniformity(np.zeros(8)))
    assert np.isnan(uniformity.christiansen_uniformity(np.zeros(8)))


def test_a_catch_becomes_the_same_rate_from_every_unit() -> None:
    # 9.5 mL in 95 cm2 is 1 mm; in 10 min that is 6 mm/h.
    expected = pytest.approx(6.0, rel=1e-14)
    assert uniformity.catch_rate_mm_h(9.5, "mL", minutes=10, cup_area_cm2=95) == expected
    assert uniformity.catch_rate_mm_h(1.0, "mm", minutes=10) == expected
    assert uniformity.catch_rate_mm_h(1 / 25.4, "in", minutes=10) == expected
    assert uniformity.catch_rate_mm_h(6.0, "mm/h") == expected
    assert uniformity.catch_rate_mm_h(6 / 25.4, "in/h") == expected
    assert uniformity.catch_rate_mm_h([9.5, 19.0], "mL", 10, 95).tolist() == pytest.approx([6.0, 12.0])


def test_a_catch_without_its_time_or_cup_is_refused_with_the_remedy() -> None:
    with pytest.raises(ValueError, match="cups in mL need the minutes the zone ran"):
        uniformity.catch_rate_mm_h(9.5, "mL", cup_area_cm2=95)
    with pytest.raises(ValueError, match="cups in mL need the throat area of a cup in cm2"):
        uniformity.catch_rate_mm_h(9.5, "mL", minutes=10)
    with pytest.raises(ValueError, match="above 0"):
        uniformity.catch_rate_mm_h(9.5, "mm", minutes=0)
    with pytest.raises(ValueError, match="cup unit 'oz' is not known; use one of: in/h, mm/h, mL, mm, in"):
        uniformity.catch_rate_mm_h(9.5, "oz")


def test_low_half_formula_and_its_rounded_form_stay_close() -> None:
    du = np.linspace(0.3, 1.0, 8)
    np.testing.assert_allclose(
        1 / uniformity.run_time_multiplier(du), uniformity.low_half_from_low_quarter(du), atol=0.011
    )


def test_unknown_heads_have_no_quality() -> None:
    with pytest.raises(ValueError, match="heads 'drip' have no quality table; use one of: spray, rotor"):
        uniformity.quality_word(0.7, "drip")
