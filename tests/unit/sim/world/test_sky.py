"""Daily weather spread over the hours: totals and extremes come back exactly, gaps stay gaps."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime

import numpy as np
import pytest

from dewpond.ports import DayWeather
from dewpond_sim.world.sky import Sky, eto_of, invented_summer, standard_offset_s

MIDNIGHT_S = datetime(2031, 6, 1, 23, 0, tzinfo=UTC).timestamp()  # 00:00 on the 2nd in Etc/GMT-1
MakeDay = Callable[..., DayWeather]


def sky_of(*days: DayWeather, **options: object) -> Sky:
    return Sky(days, "Etc/GMT-1", 11, **options)  # type: ignore[arg-type]


def samples(start_s: float, step_s: float = 900.0, days: int = 1) -> list[float]:
    return [start_s + k * step_s for k in range(int(days * 86400 / step_s))]


def test_extremes_and_totals_of_a_day_come_back(make_day: MakeDay):
    sky = sky_of(*(make_day(k) for k in range(3)))
    times = samples(MIDNIGHT_S + 86400)
    temperatures = [sky.temperature_c(at_s) for at_s in times]
    assert (min(temperatures), max(temperatures)) == (pytest.approx(12.0), pytest.approx(28.0))
    humidities = [sky.humidity_pct(at_s) for at_s in times]
    assert (min(humidities), max(humidities)) == (pytest.approx(35.0), pytest.approx(85.0))
    assert np.mean([sky.wind_m_s(at_s) for at_s in times]) == pytest.approx(2.0, rel=1e-6)
    assert sum(sky.solar_w_m2(at_s) for at_s in times) * 900.0 / 1e6 == pytest.approx(24.0, rel=1e-3)


def test_temperature_is_continuous_over_midnight(make_day: MakeDay):
    sky = sky_of(make_day(0), make_day(1, t_min_c=8.0, t_max_c=19.0), make_day(2))
    for midnight_s in (MIDNIGHT_S + 86400, MIDNIGHT_S + 2 * 86400):
        assert sky.temperature_c(midnight_s - 1.0) == pytest.approx(sky.temperature_c(midnight_s), abs=0.01)
        assert sky.humidity_pct(midnight_s - 1.0) == pytest.approx(sky.humidity_pct(midnight_s), abs=0.01)


def test_et_falls_between_six_and_eighteen_and_adds_up(make_day: MakeDay):
    sky = sky_of(make_day(0), make_day(1), eto_mm={make_day(0).date: 5.0, make_day(1).date: 3.0})
    assert sky.eto_mm(MIDNIGHT_S, MIDNIGHT_S + 6 * 3600) == 0.0
    assert sky.eto_mm(MIDNIGHT_S, MIDNIGHT_S + 12 * 3600) == pytest.approx(2.5)
    assert sky.eto_mm(MIDNIGHT_S, MIDNIGHT_S + 2 * 86400) == pytest.approx(8.0)


def test_rain_falls_within_its_day_and_adds_up_however_it_is_cut(make_day: MakeDay):
    sky = sky_of(make_day(0), make_day(1, rain_mm=12.4), make_day(2))
    assert sky.rain_mm(MIDNIGHT_S, MIDNIGHT_S + 86400) == 0.0
    pieces = [sky.rain_mm(at_s, at_s + 900.0) for at_s in samples(MIDNIGHT_S + 86400)]
    assert sum(pieces) == pytest.approx(12.4)
    wet = [mm for mm in pieces if mm > 0.0]
    assert 8 <= len(wet) <= 18, "two to four hours"


def test_every_change_of_the_weather_is_announced(make_day: MakeDay):
    sky = sky_of(make_day(0), make_day(1, rain_mm=8.0), make_day(2))
    at_s, changes = MIDNIGHT_S, []
    while at_s < MIDNIGHT_S + 2 * 86400:
        at_s = sky.next_change_s(at_s)
        changes.append(at_s)
    assert len(changes) == 4
    assert sky.rain_mm(changes[1], changes[2]) == pytest.approx(8.0)


def test_rain_hours_depend_on_seed_and_date_only(make_day: MakeDay):
    wet = make_day(1, rain_mm=6.0)
    alone, among = sky_of(wet), sky_of(make_day(0), wet, make_day(2))
    assert alone.next_change_s(MIDNIGHT_S + 86400) == among.next_change_s(MIDNIGHT_S + 86400)


def test_what_was_not_measured_is_not_a_number(make_day: MakeDay):
    sky = sky_of(make_day(0, t_max_c=None, wind_m_s=None, solar_mj_m2=None, rain_mm=None))
    noon_s = MIDNIGHT_S + 12 * 3600
    assert math.isnan(sky.temperature_c(noon_s))
    assert math.isnan(sky.wind_m_s(noon_s))
    assert math.isnan(sky.solar_w_m2(noon_s))
    assert not sky.rain_is_known(noon_s)
    assert sky.rain_mm(MIDNIGHT_S, MIDNIGHT_S + 86400) == 0.0
    assert sky.eto_mm(MIDNIGHT_S, MIDNIGHT_S + 86400) > 0.0, "plants use water though nobody measured"


def test_no_rain_falls_outside_the_season(make_day: MakeDay):
    sky = sky_of(make_day(0, rain_mm=9.0))
    assert sky.rain_mm(MIDNIGHT_S + 86400, MIDNIGHT_S + 5 * 86400) == 0.0
    assert sky.rain_mm(MIDNIGHT_S - 86400, MIDNIGHT_S) == 0.0


def test_the_calendar_is_the_sites_standard_time():
    assert standard_offset_s("America/New_York", date(2031, 7, 1)) == -5 * 3600.0
    assert standard_offset_s("Etc/GMT+8", date(2031, 7, 1)) == -8 * 3600.0


def test_invented_summer_is_the_same_for_the_same_seed_and_rains_once_in_three_days():
    first, again = (invented_summer(date(2031, 7, 1), 30, 4) for _ in range(2))
    assert first == again
    assert invented_summer(date(2031, 7, 1), 30, 5) != first
    for k in range(0, 30, 3):
        wet = [day for day in first[k : k + 3] if day.rain_mm]
        assert len(wet) == 1
        assert wet[0] is not first[k], "a dry day comes before"
    assert all(day.t_min_c < day.t_max_c and day.rh_min_pct < day.rh_max_pct for day in first)  # type: ignore[operator]


def test_invented_reference_et_is_that_of_a_warm_summer(make_day: MakeDay):
    """0.0135 x 24 / 2.45 x (20 + 17.8) = 5.0 mm."""
    assert eto_of(make_day(0)) == pytest.approx(5.0, abs=0.01)
