"""Reference ET against FAO-56 examples and the yearly sums of recorded stations; what stands in for missing weather.

Sources: FAO Irrigation and Drainage Paper 56 (1998), Examples 18 and 20; yearly sums computed with an independent
implementation of the ASCE/FAO-56 short reference, as each station.json says (check_annual_method).
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.weather import reference_et as et
from dewpond.adapters.weather.season_files import read_daily, read_station
from dewpond.ports import DayWeather, EtoValue

UCCLE = {"latitude_deg": 50.8, "elevation_m": 100.0, "wind_height_m": 10.0}
# Example 18: 9.25 h of sun give 22.07 MJ/m2/day (eq. 35); wind 10 km/h at 10 m.
EXAMPLE_18 = DayWeather(
    date=date(2027, 7, 6),
    t_min_c=12.3,
    t_max_c=21.5,
    rh_min_pct=63.0,
    rh_max_pct=84.0,
    wind_m_s=10.0 / 3.6,
    solar_mj_m2=22.07,
)


def _one(day: DayWeather, **place: float) -> EtoValue:
    (value,) = et.PyetReferenceEt().days([day], **{**UCCLE, **place})
    return value


def _season(folder: Path, change: Callable[[DayWeather], DayWeather] = lambda day: day) -> list[EtoValue]:
    station = read_station(folder / "station.json")
    return list(
        et.PyetReferenceEt().days(
            [change(day) for day in read_daily(folder / "daily.csv").days],
            latitude_deg=station.latitude_deg,
            elevation_m=station.elevation_m,
            wind_height_m=station.wind_height_m or 2.0,
        )
    )


def test_example_18_uccle() -> None:
    value = _one(EXAMPLE_18)
    assert value.eto_mm == pytest.approx(3.88, abs=0.01)
    assert (value.method, value.sd_mm) == (et.COMPLETE, et.SD_COMPLETE_MM)


def test_example_20_lyon_by_temperatures_alone() -> None:
    lyon = DayWeather(date=date(2027, 7, 15), t_min_c=14.8, t_max_c=26.6)
    value = _one(lyon, latitude_deg=45.0 + 43.0 / 60.0, elevation_m=200.0)
    assert value.eto_mm == pytest.approx(5.0, abs=0.051)
    assert value.method == et.ONLY_TEMPERATURES


@pytest.mark.parametrize(
    "name",
    ["de-bilt-nl-2017-2019", "fallon-nv-2015", "manhattan-ks-2012-2014", "newark-nj-2013", "seattle-wa-2012-2015"],
)
def test_yearly_sums_agree_with_the_published_check_of_each_station(seasons: Path, name: str) -> None:
    facts = json.loads((seasons / name / "station.json").read_text())
    values = _season(seasons / name)
    for year, check in facts["check_annual"].items():
        known = [v.eto_mm for v in values if v.date.year == int(year) and v.eto_mm is not None]
        scaled = sum(known) * check["eto_days"] / len(known)
        assert scaled == pytest.approx(check["eto_sum_mm"], rel=0.005)


@pytest.mark.parametrize(
    ("lost", "phrases"),
    [
        (["wind_m_s"], {et.WIND}),
        (["solar_mj_m2"], {et.RADIATION}),
        (["rh_min_pct", "rh_max_pct"], {et.HUMIDITY}),
        (["rh_max_pct"], {et.HUMIDITY}),
        (["rh_min_pct"], {et.RHMAX_ALONE}),
        (["wind_m_s", "solar_mj_m2"], {et.WIND, et.RADIATION}),
        (["wind_m_s", "solar_mj_m2", "rh_min_pct"], {et.WIND, et.RADIATION, et.RHMAX_ALONE}),
    ],
)
def test_the_method_names_what_was_replaced_and_its_spread_grows(lost: list[str], phrases: set[str]) -> None:
    value = _one(replace(EXAMPLE_18, **dict.fromkeys(lost)))
    assert value.method.startswith(f"{et.COMPLETE} with ")
    assert {p for p in (et.WIND, et.RADIATION, et.HUMIDITY, et.RHMAX_ALONE) if p in value.method} == phrases
    assert value.sd_mm == et.SD_REPLACED_MM[frozenset(phrases)] > et.SD_COMPLETE_MM
    assert value.eto_mm is not None


def test_every_combination_of_missing_inputs_has_a_stated_spread() -> None:
    names = ("wind_m_s", "solar_mj_m2", "rh_min_pct", "rh_max_pct")
    for mask in range(16):
        day = replace(EXAMPLE_18, **{name: None for i, name in enumerate(names) if mask >> i & 1})
        assert et.standard_deviation_mm(et.replaced_inputs(day)) > 0.0


def test_replaced_wind_and_humidity_are_the_figures_of_chapter_3() -> None:
    no_wind = _one(replace(EXAMPLE_18, wind_m_s=None))
    assert no_wind.eto_mm == pytest.approx(_one(replace(EXAMPLE_18, wind_m_s=2.0), wind_height_m=2.0).eto_mm, abs=1e-9)
    no_humidity = _one(replace(EXAMPLE_18, rh_min_pct=None, rh_max_pct=None))
    # Tdew = Tmin is RHmax 100 % alone (eq. 18 and 48).
    same = _one(replace(EXAMPLE_18, rh_min_pct=None, rh_max_pct=100.0))
    assert no_humidity.eto_mm == pytest.approx(same.eto_mm, abs=1e-9)


def test_replaced_radiation_is_016_of_the_root_of_the_temperature_range_times_ra() -> None:
    ra = 41.09  # Example 18
    rs = 0.16 * math.sqrt(21.5 - 12.3) * ra
    replaced, given = _one(replace(EXAMPLE_18, solar_mj_m2=None)), _one(replace(EXAMPLE_18, solar_mj_m2=rs))
    assert replaced.eto_mm == pytest.approx(given.eto_mm, abs=0.002)


@pytest.mark.parametrize("lost", ["t_min_c", "t_max_c"])
def test_a_day_without_both_temperatures_has_no_value(lost: str) -> None:
    value = _one(replace(EXAMPLE_18, **{lost: None}))
    assert value.eto_mm is None
    assert value.method == et.NOTHING


@pytest.mark.parametrize(
    ("change", "phrase"),
    [
        ({"t_min_c": 21.5, "t_max_c": 12.3}, "t_min_c and t_max_c taken as swapped"),
        ({"rh_min_pct": 84.0, "rh_max_pct": 63.0}, "rh_min_pct and rh_max_pct taken as swapped"),
    ],
)
def test_swapped_pairs_are_put_in_order_and_told(change: dict[str, float], phrase: str) -> None:
    value = _one(replace(EXAMPLE_18, **change))
    assert value.eto_mm == _one(EXAMPLE_18).eto_mm
    assert value.method == f"{et.COMPLETE}; {phrase}"


@pytest.mark.parametrize(
    ("change", "phrases"),
    [
        ({"solar_mj_m2": 255.0}, [et.RADIATION, "solar_mj_m2 255 MJ/m2/day refused"]),
        ({"solar_mj_m2": 47.0}, [et.RADIATION, "solar_mj_m2 47"]),
        ({"solar_mj_m2": -1.0}, [et.RADIATION, "solar_mj_m2 -1"]),
        ({"wind_m_s": 240.0}, [et.WIND, "wind_m_s 240 m/s refused (limits 0 to 40)"]),
        ({"rh_min_pct": 0.63, "rh_max_pct": 0.84}, [et.HUMIDITY, "rh_max_pct 0.84 % refused (it looks like a share"]),
        ({"rh_max_pct": 140.0}, [et.HUMIDITY, "rh_max_pct 140 % refused"]),
        ({"rh_max_pct": 102.0}, [et.COMPLETE, "rh_max_pct 102 % taken as 100 %"]),
        ({"t_max_c": 71.0}, [et.NOTHING, "t_max_c 71 degC refused"]),
    ],
)
def test_implausible_values_count_as_missing_and_the_method_says_why(
    change: dict[str, float], phrases: list[str]
) -> None:
    value = _one(replace(EXAMPLE_18, **change))
    for phrase in phrases:
        assert phrase in value.method
    assert value.eto_mm is None or 2.0 < value.eto_mm < 6.0


@pytest.mark.parametrize("latitude", [-90.0, -66.0, 0.0, 78.2, 90.0])
def test_no_plausible_day_is_ever_without_a_finite_value(latitude: float) -> None:
    extremes = [
        DayWeather(date=day, t_min_c=t_min, t_max_c=t_max, rh_min_pct=rh, rh_max_pct=rh, wind_m_s=wind, solar_mj_m2=sun)
        for day in (date(2027, 6, 21), date(2027, 12, 21), date(2028, 2, 29), date(2028, 12, 31))
        for t_min, t_max in ((-60.0, -60.0), (-40.0, 58.0), (45.0, 58.0))
        for rh in (0.0, 100.0, None)
        for wind in (0.0, 40.0, None)
        for sun in (0.0, 30.0, None)
    ]
    values = et.PyetReferenceEt().days(extremes, latitude_deg=latitude, elevation_m=0.0, wind_height_m=2.0)
    assert len(values) == 4 * 3 * 27
    assert all(v.eto_mm is not None and 0.0 <= v.eto_mm <= et.MOST_ETO_MM for v in values)


def test_a_value_beyond_20_mm_is_refused_for_hargreaves() -> None:
    oven = replace(EXAMPLE_18, t_min_c=40.0, t_max_c=57.0, rh_min_pct=1.0, rh_max_pct=6.0, wind_m_s=40.0)
    value = _one(oven)
    assert "mm refused (limits 0 to 20)" in value.method
    assert value.method.startswith(et.ONLY_TEMPERATURES)
    assert value.sd_mm == et.SD_HARGREAVES_MM


def test_a_day_alone_equals_the_same_day_in_a_batch_with_holes() -> None:
    days = [replace(EXAMPLE_18, date=date(2027, 7, 1) + timedelta(days=n), t_max_c=18.0 + n) for n in range(9)]
    days[3] = replace(days[3], t_min_c=None)
    days[5] = replace(days[5], solar_mj_m2=None)
    batch = et.PyetReferenceEt().days(days, **UCCLE)
    assert [_one(day) for day in days] == list(batch)


def test_the_own_form_agrees_with_pyet_and_says_its_name(seasons: Path) -> None:
    days = read_daily(seasons / "de-bilt-nl-2017-2019" / "daily.csv").days
    place = {"latitude_deg": 52.1, "elevation_m": 1.9, "wind_height_m": 10.0}
    by_pyet = et.PyetReferenceEt().days(days, **place)
    own = et.PlainReferenceEt().days(days, **place)
    assert max(abs(a.eto_mm - b.eto_mm) for a, b in zip(by_pyet, own, strict=True)) < 1e-8  # type: ignore[operator]
    assert {value.method for value in own} == {f"{et.COMPLETE}; own form"}


@pytest.mark.parametrize("bad", [{"latitude_deg": 95.0}, {"elevation_m": 9000.0}, {"wind_height_m": 0.05}])
def test_an_impossible_place_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(bad))):
        et.PyetReferenceEt().days([EXAMPLE_18], **{**UCCLE, **bad})


def test_no_days_give_no_values() -> None:
    assert list(et.PyetReferenceEt().days([], **UCCLE)) == []


@pytest.mark.parametrize(
    ("lost", "stated"),
    [
        (("wind_m_s",), et.SD_REPLACED_MM[frozenset({et.WIND})]),
        (("solar_mj_m2",), et.SD_REPLACED_MM[frozenset({et.RADIATION})]),
        (("rh_min_pct", "rh_max_pct"), et.SD_REPLACED_MM[frozenset({et.HUMIDITY})]),
        (("wind_m_s", "solar_mj_m2", "rh_min_pct", "rh_max_pct"), et.SD_HARGREAVES_MM),
    ],
)
def test_stated_spreads_are_of_the_size_seen_at_recorded_stations(
    seasons: Path, lost: tuple[str, ...], stated: float
) -> None:
    squares = []
    for name in ("de-bilt-nl-2017-2019", "fallon-nv-2015"):
        full = _season(seasons / name)
        poor = _season(seasons / name, lambda day: replace(day, **dict.fromkeys(lost)))
        errors = [
            a.eto_mm - b.eto_mm
            for a, b in zip(poor, full, strict=True)
            if a.eto_mm is not None and b.eto_mm is not None and 4 <= a.date.month <= 9
        ]
        squares.append(sum(e * e for e in errors) / len(errors))
    seen = math.sqrt(sum(squares) / len(squares))
    assert 0.7 * seen < stated < 1.6 * seen
