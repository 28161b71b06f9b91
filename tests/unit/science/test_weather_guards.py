"""Weather in the wrong unit is refused in words that say what, where, limit and remedy."""

import numpy as np
import pytest

from dewpond.science.weather_guards import LIMITS, refuse_implausible, weather_faults

GOOD = {
    "latitude_deg": 50.8,
    "elevation_m": 100.0,
    "day_of_year": np.array([187.0, 188.0, 189.0]),
    "t_min_c": np.array([12.3, np.nan, 10.0]),
    "t_max_c": np.array([21.5, 25.0, 19.0]),
    "rh_min_pct": np.array([63.0, 40.0, np.nan]),
    "rh_max_pct": np.array([84.0, 99.0, 100.0]),
    "wind_m_s": np.array([2.8, 0.4, 6.0]),
    "wind_height_m": 10.0,
    "solar_mj_m2": np.array([22.1, 28.0, 3.0]),
    "rain_mm": np.array([0.0, 3.2, 41.0]),
}


def test_plausible_weather_with_gaps_passes() -> None:
    assert weather_faults(**GOOD) == []
    refuse_implausible(**GOOD)
    refuse_implausible(t_max_c=21.5, t_min_c=12.3, rh_max_pct=None)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"rh_max_pct": np.array([0.84, 0.99, 1.0]), "rh_min_pct": np.array([0.6, 0.4, 0.3])}, "fraction"),
        ({"t_max_c": np.array([70.7, 77.0, 66.2])}, "Fahrenheit"),
        ({"t_min_c": np.array([285.4, 283.0, 281.0]), "t_max_c": np.array([294.6, 298.0, 292.0])}, "kelvin"),
        ({"latitude_deg": 95.0}, "degrees, negative in the south"),
        ({"latitude_rad": 50.8}, "multiply by pi/180"),
        ({"elevation_m": 8850.0}, "feet"),
        ({"wind_m_s": np.array([240.0, 35.0, 518.0])}, "km/day"),
        ({"wind_m_s": np.array([-1.0, 2.0, 3.0])}, "outside 0 to 40 m/s"),
        ({"wind_height_m": 0.0}, "anemometer"),
        ({"solar_mj_m2": np.array([255.0, 324.0, 35.0])}, "W/m2"),
        ({"rain_mm": np.array([0.0, -0.2, 1.0])}, "negative"),
        ({"t_min_c": np.array([22.0, 11.0, 10.0])}, "above t_max_c"),
        ({"rh_min_pct": np.array([85.0, 40.0, 30.0])}, "above rh_max_pct"),
        ({"t_dew_c": np.array([13.0, 26.0, 9.0])}, "above t_max_c on row 2"),
        ({"day_of_year": np.array([187.0, 188.0, 0.0])}, "number of the day"),
    ],
)
def test_a_mix_up_is_refused_with_its_remedy(wrong: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match="weather, ") as raised:
        refuse_implausible(**{**GOOD, **wrong})
    assert says in str(raised.value)


def test_winter_radiation_in_watts_is_caught_by_the_sun_itself() -> None:
    # 40 W/m2 is an ordinary December mean at 51 degrees north and below any fixed limit, yet above what the sun gives.
    faults = weather_faults(latitude_deg=50.8, day_of_year=350, solar_mj_m2=40.0)
    assert len(faults) == 1
    assert "more than the sun gives" in faults[0]
    assert "0.0864" in faults[0]
    assert weather_faults(day_of_year=350, solar_mj_m2=40.0) == []


def test_all_faults_are_told_at_once_with_row_and_count() -> None:
    faults = weather_faults(
        where="daily.csv",
        labels=["2021-07-01", "2021-07-02", "2021-07-03"],
        **{**GOOD, "t_max_c": np.array([21.5, 77.0, 66.2]), "wind_m_s": np.array([2.0, 3.0, 400.0])},
    )
    assert faults == [
        "daily.csv, t_max_c: 77 degC on 2021-07-02 (2 of 3 values) is outside -80 to 58 degC; it looks like degrees "
        "Fahrenheit or kelvin; convert it to degrees Celsius.",
        "daily.csv, wind_m_s: 400 m/s on 2021-07-03 (1 of 3 values) is outside 0 to 40 m/s; it looks like km/day or "
        "km/h; divide by 86.4 or 3.6.",
    ]


def test_a_single_dry_afternoon_is_no_fraction() -> None:
    assert weather_faults(rh_min_pct=np.array([0.9, 30.0])) == []
    assert weather_faults(rh_min_pct=0.9, rh_max_pct=34.0) == []
    assert weather_faults(rh_min_pct=np.array([np.nan])) == []


def test_limits_themselves_pass() -> None:
    for name, (low, high, _, _) in LIMITS.items():
        assert weather_faults(**{name: np.array([low, high])}) == []


def test_an_unknown_quantity_is_a_mistake_of_the_program() -> None:
    with pytest.raises(TypeError, match="temperature"):
        weather_faults(temperature=20.0)
