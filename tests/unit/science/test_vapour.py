"""Air and vapour pressure, wind; the printed tables of FAO-56 are in test_published_weather_cases.py."""

import numpy as np
import pytest

from dewpond.science import vapour


def test_pressure_at_sea_level_is_that_of_the_standard_formula() -> None:
    assert vapour.atmospheric_pressure(0.0) == 101.3  # FAO-56 eq. 7


def test_slope_is_the_derivative_of_the_saturation_curve() -> None:
    t_c, step = np.linspace(-5.0, 45.0, 11), 1e-4
    rise = vapour.saturation_vapour_pressure(t_c + step) - vapour.saturation_vapour_pressure(t_c - step)
    # FAO-56 rounds 17.27 x 237.3 = 4098.2 to 4098.
    np.testing.assert_allclose(vapour.slope_vapour_pressure_curve(t_c), rise / (2 * step), rtol=1e-4)


def test_saturated_air_has_the_same_vapour_pressure_by_every_path() -> None:
    expected = vapour.saturation_vapour_pressure(18.0)
    assert vapour.ea_from_dew_point(18.0) == expected
    assert vapour.ea_from_wet_bulb(18.0, 18.0, 100.0) == expected
    assert vapour.ea_from_humidity_range(18.0, 18.0, 100.0, 100.0) == pytest.approx(expected, rel=1e-15)
    assert vapour.ea_from_max_humidity(18.0, 100.0) == pytest.approx(expected, rel=1e-15)
    assert vapour.ea_from_mean_humidity(18.0, 18.0, 100.0) == pytest.approx(expected, rel=1e-15)
    assert vapour.ea_from_min_temperature(18.0) == expected


def test_vapour_pressure_from_a_ventilated_psychrometer() -> None:
    # FAO-56 Example 4, p. 38 (from memory): Tdry 25.6, Twet 19.5 degC at 1200 m gives ea 1.91 kPa.
    pressure = vapour.atmospheric_pressure(1200.0)
    assert vapour.ea_from_wet_bulb(25.6, 19.5, pressure) == pytest.approx(1.91, abs=0.005)


def test_dew_point_drop_dries_the_air_of_arid_places() -> None:
    assert vapour.ea_from_min_temperature(12.0, 3.0) == vapour.saturation_vapour_pressure(9.0)


def test_wind_measured_at_2_m_is_left_alone() -> None:
    winds = vapour.wind_at_2m(3.2, np.array([2.0, 10.0, np.nan]))
    assert winds[0] == 3.2
    assert winds[1] == pytest.approx(2.4, abs=0.05)  # FAO-56 Example 14
    assert np.isnan(winds[2])
