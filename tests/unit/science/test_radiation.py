"""Sun geometry and radiation; the worked examples of FAO-56 are in test_published_weather_cases.py."""

from datetime import date, timedelta

import numpy as np
import pytest

from dewpond.science import radiation


@pytest.mark.parametrize("year", [2023, 2024])
def test_day_numbers_agree_with_the_calendar(year: int) -> None:
    days = [date(year, 1, 1) + timedelta(days=offset) for offset in range(366 if year == 2024 else 365)]
    months, numbers = np.array([day.month for day in days]), np.array([day.day for day in days])
    expected = [day.timetuple().tm_yday for day in days]
    assert radiation.day_of_year(months, numbers, year == 2024).tolist() == expected


def test_day_of_a_single_date_is_a_plain_number() -> None:
    assert radiation.day_of_year(3, 1) == 60
    assert isinstance(radiation.day_of_year(3, 1), float)


def test_middle_of_the_month_stands_for_the_month() -> None:
    assert radiation.mid_month_day(np.array([1, 7, 12])).tolist() == [15.0, 197.0, 349.0]


def test_polar_night_is_dark_and_polar_day_has_24_hours() -> None:
    north = np.radians(80.0)
    assert radiation.extraterrestrial_radiation_daily(north, 355) == pytest.approx(0.0, abs=1e-12)
    assert radiation.daylight_hours(north, 355) == 0.0
    assert radiation.daylight_hours(north, 172) == 24.0
    assert radiation.daylight_hours(np.pi / 2, 172) == 24.0


def test_hours_of_a_day_sum_to_the_day() -> None:
    latitude, day = np.radians(45.0), 150
    angles = radiation.solar_time_angle(np.arange(24) + 0.5, 10.0, 15.0, day)
    hourly = radiation.extraterrestrial_radiation_hourly(latitude, day, angles)
    assert hourly.sum() == pytest.approx(radiation.extraterrestrial_radiation_daily(latitude, day), rel=1e-12)
    assert (hourly >= 0.0).all()
    assert hourly[0] == hourly[-1] == 0.0


def test_time_angle_stays_within_half_a_turn_for_clocks_far_from_the_sun() -> None:
    angles = radiation.solar_time_angle(
        np.array([0.5, 23.5]), np.array([-179.0, 179.0]), np.array([180.0, -180.0]), 100
    )
    assert (np.abs(angles) <= np.pi).all()


def test_sunshine_without_daylight_counts_as_none_and_too_much_as_a_clear_day() -> None:
    rs = radiation.solar_radiation_from_sunshine(
        np.array([0.1, 30.0, 30.0]), np.array([0.0, 13.0, 12.0]), np.array([0.0, 12.0, 12.0])
    )
    assert rs.tolist() == [0.1 * 0.25, rs[2], 30.0 * 0.75]


def test_equal_temperatures_leave_no_radiation_and_exchanged_ones_no_warning() -> None:
    assert radiation.solar_radiation_from_temperature(30.0, 15.0, 15.0) == 0.0
    assert radiation.solar_radiation_from_temperature(30.0, 16.0, 15.0) == 0.0
    assert radiation.solar_radiation_from_temperature(30.0, 6.0, 15.0, 0.19) == pytest.approx(0.19 * 3 * 30)


def test_relative_radiation_is_limited_and_has_a_value_for_the_dark() -> None:
    ratios = radiation.relative_radiation(np.array([0.0, 9.0, 30.0, 0.0]), np.array([20.0, 18.0, 20.0, 0.0]))
    assert ratios.tolist() == [0.3, 0.5, 1.0, 0.8]
    assert np.isnan(radiation.relative_radiation(10.0, np.nan))


def test_hazy_air_lets_less_through_than_clean_air() -> None:
    place = {"ra_mj_m2": 40.0, "latitude_rad": 0.7, "day_of_year": 180, "ea_kpa": 1.5, "pressure_kpa": 100.0}
    clean = radiation.clear_sky_radiation_beam_diffuse(**place)
    assert 0.6 * 40.0 < radiation.clear_sky_radiation_beam_diffuse(**place, clearness=0.5) < clean < 0.8 * 40.0


def test_a_covered_sky_loses_a_twentieth_of_the_longwave_of_a_clear_one() -> None:
    clear, covered = radiation.net_longwave(10.0, 20.0, 1.2, 1.0), radiation.net_longwave(10.0, 20.0, 1.2, 0.25)
    assert covered / clear == pytest.approx(0.05)  # ASCE-EWRI: 0.05 <= fcd
