"""Dual crop coefficient; the worked examples of FAO-56 chapter 7 are in test_published_soil_cases.py."""

import numpy as np
import pytest

from dewpond.science import dual_coefficient as dual


def test_kcb_curve_holds_its_ends_and_knows_single_days() -> None:
    curve = (25, 25, 30, 20), 0.15, 1.14, 0.25
    days = np.array([-3.0, 0.0, 25.0, 50.0, 80.0, 100.0, 130.0, np.nan])
    values = dual.kcb_curve(days, *curve)
    np.testing.assert_allclose(values, [0.15, 0.15, 0.15, 1.14, 1.14, 0.25, 0.25, np.nan])
    assert dual.kcb_curve(37.0, *curve) == dual.kcb_curve(np.array([3.0, 37.0]), *curve)[1]
    assert isinstance(dual.kcb_curve(37.0, *curve), float)


def test_small_coefficients_are_not_adjusted_to_the_climate() -> None:
    adjusted = dual.coefficient_in_climate(np.array([0.30, 0.45, 1.0]), 4.0, 25.0, 1.0)
    increment = dual.climate_increment(4.0, 25.0, 1.0)
    assert increment > 0.1
    assert adjusted.tolist() == [0.30, 0.45 + increment, 1.0 + increment]


def test_the_standard_climate_adds_nothing() -> None:
    assert dual.climate_increment(2.0, 45.0, 0.5) == 0.0
    assert dual.kc_max(np.array([0.4, 1.19]), 2.0, 45.0, 0.5).tolist() == [1.2, 1.19 + 0.05]


def test_cover_stays_below_full() -> None:
    covers = dual.covered_fraction(np.array([0.0, 1.5]), 1.2, 0.5)
    assert 0.0 < covers[0] < 0.01
    assert covers[1] == 0.99


def test_an_open_stand_takes_no_more_than_twice_its_cover() -> None:
    # FAO-56 eq. 98: min(1, 2 fc, fc_eff^(1/(1 + h))) of what lies between bare soil and full cover.
    assert dual.kcb_for_cover(1.15, 0.1, 0.6, 0.75) == pytest.approx(0.15 + 1.0 * 0.2)
    assert dual.kcb_for_cover(1.15, 0.9, 1.0, 0.75) == pytest.approx(1.15)


def test_drip_under_leaves_wets_less_open_ground() -> None:
    assert dual.exposed_wetted_fraction_drip(0.6, 0.3) == pytest.approx(0.18)
    assert dual.exposed_wetted_fraction(0.6, 0.3) == 0.3


def test_a_dry_surface_evaporates_no_more_than_it_holds() -> None:
    day = dual.evaporation_layer_day(
        depletion_mm=17.9, water_mm=0.0, eto_mm=9.0, kcb=0.2, kc_max=1.2, few=0.8, tew_mm=18.0, rew_mm=17.5
    )
    assert day.end_mm == pytest.approx(18.0)
    assert day.evaporation_mm == pytest.approx(0.08)


def test_a_wet_day_fills_the_layer_and_the_rest_goes_down() -> None:
    day = dual.evaporation_layer_day(
        depletion_mm=18.0, water_mm=50.0, eto_mm=0.0, kcb=0.3, kc_max=1.2, few=0.8, tew_mm=18.0, rew_mm=8.0
    )
    assert (day.start_mm, day.percolation_mm, day.kr, day.evaporation_mm, day.end_mm) == (0.0, 32.0, 1.0, 0.0, 0.0)


def test_stress_lowers_transpiration_but_not_evaporation() -> None:
    assert dual.crop_et_dual(5.0, 1.0, 0.2, ks=0.5) == pytest.approx(3.5)
