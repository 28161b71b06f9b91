"""Daily rows from hourly ones against the daily files that the recorded stations publish."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from dewpond.adapters.weather.season_files import (
    Hourly,
    fill_from_hours,
    hourly_to_days,
    read_daily,
    read_hourly,
    read_season,
    read_station,
)
from dewpond.ports import DayWeather


def test_hours_of_newark_add_up_to_its_own_daily_file(seasons: Path) -> None:
    folder = seasons / "newark-nj-2013"
    made = {
        d.date: d for d in hourly_to_days(read_hourly(folder / "hourly.csv"), read_station(folder / "station.json"))
    }
    compared = 0  # the hours are rounded to 0.01, so their means and sums differ a little
    for day in read_daily(folder / "daily.csv").days:
        if day.t_min_c is None or day.wind_m_s is None:
            continue
        other = made[day.date]
        assert (other.t_min_c, other.t_max_c, other.rh_min_pct) == (day.t_min_c, day.t_max_c, day.rh_min_pct)
        assert other.wind_m_s == pytest.approx(day.wind_m_s, abs=0.007)
        assert other.rain_mm == pytest.approx(day.rain_mm, abs=0.021)
        compared += 1
    assert compared == 359


def _day(start_s: float, values: list[float]) -> Hourly:
    column = np.array(values)
    time_s = start_s + 3600.0 * np.arange(len(values))
    return Hourly(
        time_s=time_s,
        air_temperature_c=column,
        relative_humidity_pct=column,
        wind_speed_m_s=column,
        solar_radiation_w_m2=column,
        rain_mm=column,
    )


@pytest.mark.parametrize(("missing", "air", "sun"), [(1, True, True), (2, True, False), (3, False, False)])
def test_a_day_needs_22_hours_and_radiation_23(seasons: Path, missing: int, air: bool, sun: bool) -> None:
    station = read_station(seasons / "de-bilt-nl-2017-2019" / "station.json")
    (day,) = hourly_to_days(_day(0.0, [np.nan] * missing + [10.0] * (24 - missing)), station)
    assert (day.t_min_c is not None, day.rain_mm is not None, day.solar_mj_m2 is not None) == (air, air, sun)
    if sun:
        assert day.solar_mj_m2 == pytest.approx((24 - missing) * 10.0 * 3600 / 1e6)


def test_an_hour_stamped_at_its_end_belongs_to_the_day_in_which_it_ends(seasons: Path) -> None:
    station = read_station(seasons / "de-bilt-nl-2017-2019" / "station.json")
    hourly = _day(3600.0, [1.0] * 24)
    (day,) = hourly_to_days(hourly, replace(station, hour_stamp="end"))
    assert (day.date, day.rain_mm) == (date(1970, 1, 1), 24.0)
    assert [d.rain_mm for d in hourly_to_days(hourly, station)] == [23.0, None]


def test_only_empty_cells_are_filled_and_the_count_is_told(seasons: Path) -> None:
    day = date(2027, 5, 14)
    days = (DayWeather(date=day, t_min_c=3.0, t_max_c=None), DayWeather(date=date(2027, 5, 15)))
    filled, notices = fill_from_hours(days, [DayWeather(date=day, t_min_c=9.0, t_max_c=19.0)])
    assert filled == (DayWeather(date=day, t_min_c=3.0, t_max_c=19.0), days[1])
    assert notices == ("daily.csv: 1 empty t_max_c filled from hourly.csv",)


def test_a_season_folder_uses_its_hours_for_the_one_empty_wind_of_fallon(seasons: Path) -> None:
    folder = seasons / "fallon-nv-2015"
    assert sum(day.wind_m_s is None for day in read_daily(folder / "daily.csv").days) == 1
    season = read_season(folder)
    assert all(day.wind_m_s is not None for day in season.days)
    assert "daily.csv: 1 empty wind_m_s filled from hourly.csv" in season.notices
