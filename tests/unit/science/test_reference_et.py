"""Reference ET; the published examples are in test_published_weather_cases.py."""

from typing import Any

import numpy as np
import pytest

from dewpond.science import radiation, reference_et, vapour

# FAO-56 Example 18, p. 72: Uccle, 6 July, printed ETo 3.88 mm.
UCCLE: dict[str, Any] = {
    "t_min_c": 12.3,
    "t_max_c": 21.5,
    "latitude_deg": 50.8,
    "day_of_year": 187,
    "elevation_m": 100.0,
}


def daily(**changes: Any) -> Any:
    weather = {
        "t_min_c": 12.3,
        "t_max_c": 21.5,
        "ea_kpa": 1.409,
        "rs_mj_m2": 22.07,
        "u2_m_s": 2.078,
        "latitude_rad": np.radians(50.8),
        "day_of_year": 187,
        "elevation_m": 100.0,
    }
    return reference_et.penman_monteith_daily(**{**weather, **changes})


def test_plain_form_agrees_with_the_array_form_over_a_year() -> None:
    rng = np.random.default_rng(7)
    for day in range(1, 366, 13):
        low, high = sorted(rng.uniform(-8.0, 38.0, 2).tolist())
        dry, wet = sorted(rng.uniform(15.0, 100.0, 2).tolist())
        rs, wind, latitude = (float(rng.uniform(*limits)) for limits in ((0.5, 30.0), (0.2, 8.0), (-60.0, 60.0)))
        plain = reference_et.eto_plain(
            t_min_c=low,
            t_max_c=high,
            latitude_deg=latitude,
            day_of_year=day,
            elevation_m=250.0,
            rh_min_pct=dry,
            rh_max_pct=wet,
            solar_mj_m2=rs,
            wind_m_s=wind,
            wind_height_m=10.0,
        )
        array = daily(
            t_min_c=low,
            t_max_c=high,
            ea_kpa=vapour.ea_from_humidity_range(low, high, dry, wet),
            rs_mj_m2=rs,
            u2_m_s=vapour.wind_at_2m(wind, 10.0),
            latitude_rad=np.radians(latitude),
            day_of_year=day,
            elevation_m=250.0,
        )
        assert plain == pytest.approx(array, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    "known",
    [
        {},
        {"rh_max_pct": 84.0},
        {"rh_min_pct": 63.0},
        {"rh_min_pct": 63.0, "rh_max_pct": 84.0},
        {"solar_mj_m2": 22.07},
        {"wind_m_s": 2.078},
    ],
)
def test_plain_form_replaces_what_is_missing_as_the_array_form_does(known: dict[str, float]) -> None:
    filled = reference_et.fill_missing_weather(
        t_min_c=12.3,
        t_max_c=21.5,
        rh_min_pct=known.get("rh_min_pct", np.nan),
        rh_max_pct=known.get("rh_max_pct", np.nan),
        rs_mj_m2=known.get("solar_mj_m2", np.nan),
        u2_m_s=known.get("wind_m_s", np.nan),
        latitude_rad=np.radians(50.8),
        day_of_year=187,
    )
    array = daily(ea_kpa=filled.ea_kpa, rs_mj_m2=filled.rs_mj_m2, u2_m_s=filled.u2_m_s)
    assert reference_et.eto_plain(**UCCLE, **known) == pytest.approx(array, rel=1e-12)
    assert bool(filled.wind_replaced) == ("wind_m_s" not in known)
    assert bool(filled.radiation_replaced) == ("solar_mj_m2" not in known)
    assert bool(filled.humidity_replaced) == (not {"rh_min_pct", "rh_max_pct"} <= known.keys())


def test_missing_data_follow_chapter_3_of_fao_56() -> None:
    nan = np.nan
    filled = reference_et.fill_missing_weather(
        t_min_c=np.array([14.0, 14.0, nan]),
        t_max_c=np.array([30.0, 30.0, 30.0]),
        rh_min_pct=np.array([40.0, nan, nan]),
        rh_max_pct=np.array([90.0, nan, nan]),
        rs_mj_m2=np.array([20.0, nan, nan]),
        u2_m_s=np.array([1.0, nan, nan]),
        latitude_rad=0.7,
        day_of_year=180,
    )
    ra = radiation.extraterrestrial_radiation_daily(0.7, 180)
    assert filled.ea_kpa[1] == vapour.saturation_vapour_pressure(14.0)  # eq. 48: Tdew = Tmin
    assert filled.rs_mj_m2[1] == pytest.approx(0.16 * 4.0 * ra)  # eq. 50
    assert filled.u2_m_s.tolist() == [1.0, 2.0, 2.0]  # p. 63
    assert np.isnan([filled.ea_kpa[2], filled.rs_mj_m2[2]]).all()
    assert filled.humidity_replaced.tolist() == [False, True, True]
    assert filled.radiation_replaced.tolist() == [False, True, True]
    assert filled.wind_replaced.tolist() == [False, True, True]
    assert filled.ea_kpa[0] == vapour.ea_from_humidity_range(14.0, 30.0, 40.0, 90.0)


def test_calm_air_keeps_a_least_wind_only_when_asked() -> None:
    assert daily(u2_m_s=0.1, least_wind_m_s=0.5) == daily(u2_m_s=0.5)  # FAO-56 p. 63
    assert daily(u2_m_s=0.1) < daily(u2_m_s=0.5)


def test_the_two_terms_sum_to_the_reference_et() -> None:
    # FAO-56 Example 18 prints delta 0.122, gamma 0.0666, Rn 13.28, T 16.9, u2 2.078, deficit 0.589: 2.81 + 1.07.
    sun, air = reference_et.penman_monteith_terms(
        delta=0.122, gamma=0.0666, rn_mj_m2=13.28, g_mj_m2=0.0, t_c=16.9, u2_m_s=2.078, vpd_kpa=0.589
    )
    assert sun == pytest.approx(2.81, abs=0.01)
    assert air == pytest.approx(1.07, abs=0.01)


def test_soil_heat_flux_takes_from_the_radiation() -> None:
    assert daily(g_mj_m2=1.0) < daily()


def test_asce_hours_of_a_day_come_near_the_asce_day() -> None:
    hours = np.arange(24) + 0.5
    latitude, day = np.radians(39.5), 182
    angle = radiation.solar_time_angle(hours, -118.8, -120.0, day)
    rs = 0.75 * radiation.extraterrestrial_radiation_hourly(latitude, day, angle)
    t_c = 29.0 + 10.0 * np.cos(np.pi / 12 * (hours - 15.0))
    place = {"ea_kpa": 1.2, "u2_m_s": 2.0, "latitude_rad": latitude, "day_of_year": day, "elevation_m": 1208.0}
    hourly = reference_et.asce_hourly(
        t_c=t_c, rs_mj_m2=rs, clock_mid_h=hours, longitude_deg=-118.8, meridian_deg=-120.0, **place
    )
    whole = reference_et.asce_daily(t_min_c=19.0, t_max_c=39.0, rs_mj_m2=rs.sum(), **place)
    assert hourly.sum() == pytest.approx(whole, rel=0.08)


def test_asce_night_has_the_surface_resistance_of_closed_leaves() -> None:
    # ASCE-EWRI: surface resistance 50 s/m by day and 200 s/m at night, so Cd 0.24 becomes 0.96; G is half of Rn.
    ea = vapour.ea_from_dew_point(12.0)
    rn = -radiation.net_longwave(20.0, 20.0, ea, 0.8, radiation.SIGMA_ASCE / 24)
    terms = reference_et.penman_monteith_terms(
        delta=vapour.slope_vapour_pressure_curve(20.0),
        gamma=vapour.psychrometric_constant(vapour.atmospheric_pressure(1208.5)),
        rn_mj_m2=rn,
        g_mj_m2=0.5 * rn,
        t_c=20.0,
        u2_m_s=2.0,
        vpd_kpa=vapour.saturation_vapour_pressure(20.0) - ea,
        cn=37.0,
        cd=0.24 * 200 / 50,
    )
    night = reference_et.asce_hourly(
        t_c=20.0,
        ea_kpa=ea,
        rs_mj_m2=0.0,
        u2_m_s=2.0,
        latitude_rad=np.radians(39.5),
        day_of_year=182,
        elevation_m=1208.5,
        clock_mid_h=1.5,
        longitude_deg=-118.8,
        meridian_deg=-120.0,
    )
    assert night == pytest.approx(sum(terms), rel=1e-12)


def test_hargreaves_without_a_temperature_range_is_nothing() -> None:
    assert reference_et.hargreaves(15.0, 15.0, 30.0) == 0.0
    assert reference_et.hargreaves(16.0, 15.0, 30.0) == 0.0


def test_plain_form_survives_the_polar_night() -> None:
    night = {**UCCLE, "latitude_deg": 80.0, "day_of_year": 355, "t_min_c": -30.0, "t_max_c": -22.0}
    assert abs(reference_et.eto_plain(**night)) < 1.0
    assert reference_et.eto_plain(**night) == pytest.approx(
        daily(
            t_min_c=-30.0,
            t_max_c=-22.0,
            ea_kpa=vapour.saturation_vapour_pressure(-30.0),
            rs_mj_m2=0.0,
            u2_m_s=2.0,
            latitude_rad=np.radians(80.0),
            day_of_year=355,
        ),
        rel=1e-9,
    )
