"""Root-zone water; the worked examples of FAO-56 chapter 8 are in test_published_soil_cases.py."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.science import soil_water

SEEDED = settings(derandomize=True, deadline=None, database=None)

mm = st.floats(0.0, 60.0)


def test_stress_starts_at_p_and_is_complete_at_taw() -> None:
    ks = soil_water.stress_coefficient(np.array([0.0, 40.0, 60.0, 80.0, 90.0]), 80.0, 0.5)
    assert ks.tolist() == [1.0, 1.0, 0.5, 0.0, 0.0]


def test_a_share_of_one_lets_plants_draw_freely_to_the_end() -> None:
    assert soil_water.stress_coefficient(np.array([0.0, 79.0, 80.0]), 80.0, 1.0).tolist() == [1.0, 1.0, 0.0]


def test_depletion_fraction_stays_within_its_limits() -> None:
    assert soil_water.adjusted_depletion_fraction(0.7, np.array([0.0, 30.0])).tolist() == [0.8, 0.1]


def test_salt_below_the_threshold_does_no_harm_and_much_salt_all() -> None:
    assert soil_water.salinity_coefficient(np.array([0.5, 1.0, 40.0]), 1.0, 19.0, 1.15).tolist() == [1.0, 1.0, 0.0]


def test_water_early_drains_before_the_plants_drink_and_water_late_after() -> None:
    # FAO-56 Example 38, day 1: 23.4 mm missing, 40 mm applied, 5.5 mm used; eq. 88 read literally drains 11 mm.
    early = soil_water.root_zone_early(23.4, 39.0, 40.0, 5.5)
    late = soil_water.root_zone_late(23.4, 39.0, 40.0, 5.5)
    assert (early.end_mm, early.drainage_mm) == pytest.approx((5.5, 16.6))
    assert (late.end_mm, late.drainage_mm) == pytest.approx((0.0, 11.1))
    assert (early.start_mm, late.start_mm) == (0.0, 23.4)


def test_roots_cannot_draw_more_than_the_root_zone_holds() -> None:
    for step in (soil_water.root_zone_early(38.0, 40.0, 0.0, 6.0), soil_water.root_zone_late(38.0, 40.0, 0.0, 6.0)):
        assert (step.end_mm, step.etc_mm, step.drainage_mm) == (40.0, 2.0, 0.0)


@pytest.mark.parametrize("step", [soil_water.root_zone_early, soil_water.root_zone_late])
@SEEDED
@given(before=mm, taw=st.floats(1.0, 60.0), water=mm, etc=st.floats(0.0, 12.0), rise=st.floats(0.0, 3.0))
def test_no_water_is_lost_or_made(
    step: Callable[..., Any], before: float, taw: float, water: float, etc: float, rise: float
) -> None:
    before = min(before, taw)
    day = step(before, taw, water, etc, rise)
    assert day.end_mm - before == pytest.approx(day.etc_mm - rise - water + day.drainage_mm, abs=1e-9)
    assert 0.0 <= day.end_mm <= taw + 1e-9
    assert 0.0 <= day.etc_mm <= etc
    assert day.drainage_mm >= 0.0


def test_depletion_from_a_reading_is_negative_above_field_capacity() -> None:
    readings = soil_water.depletion_from_water_content(0.23, np.array([0.23, 0.13, 0.25]), 0.3)
    np.testing.assert_allclose(readings, [0.0, 30.0, -6.0], atol=1e-12)
