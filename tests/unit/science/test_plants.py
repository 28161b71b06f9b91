"""Plant factors by name; the printed tables are in the test_published_*.py files."""

import numpy as np
import pytest

from dewpond.science import plants


def test_plain_names_and_other_names_give_twelve_equal_months() -> None:
    for name in (*plants.PLANT_FACTORS, *plants.OTHER_NAMES):
        months = plants.crop_coefficient_months(name, humid=True)
        assert len(months) == 12
        assert len(set(months)) == 1
        assert 0.2 < months[0] < 1.2
        assert months[0] >= plants.crop_coefficient_months(name, humid=False)[0]


def test_spelling_does_not_matter_but_unknown_plants_are_refused_with_the_choices() -> None:
    assert plants.plant_name("  Cool-Season   TURF ") == "cool-season turf"
    assert plants.plant_name("Shrubs") == "woody plants"
    with pytest.raises(
        ValueError, match=r"plants 'turf' are not in the table; use one of: cool-season turf, .* give plant_factor"
    ):
        plants.crop_coefficient_months("turf", humid=True)


def test_a_factor_says_where_it_comes_from() -> None:
    assert plants.crop_coefficient_source("trees").startswith("plant factor of trees (ANSI/ASABE S623.1")
    assert plants.crop_coefficient_source("annuals").endswith(", from memory)")


def test_monthly_turf_tables_are_asked_for_by_kind() -> None:
    assert plants.monthly_turf_coefficients("cool-season")[3] == 1.04
    with pytest.raises(ValueError, match="turf 'zoysia' has no monthly table; use one of: cool-season, warm-season"):
        plants.monthly_turf_coefficients("zoysia")


def test_landscape_coefficient_is_a_product_of_three_factors() -> None:
    assert plants.landscape_coefficient(0.5) == 0.5
    np.testing.assert_allclose(plants.landscape_coefficient(np.array([0.2, 0.5]), 1.2, 1.3), [0.312, 0.78])


def test_a_class_of_the_landscape_coefficient_is_the_middle_of_its_range_and_a_number_stays() -> None:
    assert plants.landscape_factor("species", "moderate") == 0.5
    assert plants.landscape_factor("density", "high") == 1.2000000000000002
    assert plants.landscape_factor("microclimate", 0.75) == 0.75
