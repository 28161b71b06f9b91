"""No value of a season is dropped without a word."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.weather.reference_et import PlainReferenceEt
from dewpond.adapters.weather.season_doubts import MOST_TOLD, refused_values
from dewpond.adapters.weather.season_files import read_daily, read_season
from dewpond.ports import DayWeather

HEADER = "date,t_min_c,t_max_c,rh_min_pct,rh_max_pct,wind_m_s,solar_mj_m2,rain_mm\n"
PLACE = {"latitude": 52.1, "elevation_m": 2, "tz": "UTC", "wind_height_m": 10}


def folder_with(folder: Path, *rows: str) -> Path:
    (folder / "station.json").write_text(json.dumps(PLACE))
    (folder / "daily.csv").write_text(HEADER + "\n".join(rows) + "\n")
    return folder


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2027-07-06,500,20,50,90,2,20,0", "t_min_c 500 degC refused (limits -90 to 45)"),
        ("2027-07-06,5,99,50,90,2,20,0", "t_max_c 99 degC refused"),
        ("2027-07-06,5,20,-3,90,2,20,0", "rh_min_pct -3 % refused"),
        ("2027-07-06,5,20,50,90,99,20,0", "wind_m_s 99 m/s refused"),
        ("2027-07-06,5,20,50,90,2,400,0", "solar_mj_m2 400 MJ/m2/day refused"),
    ],
)
def test_a_value_that_cannot_be_has_a_notice_with_row_value_and_limits(tmp_path, row, said):
    (notice,) = read_season(folder_with(tmp_path, row)).notices
    assert f"daily.csv, row of 2027-07-06: {said}" in notice
    assert notice.endswith("refused values are taken as missing")


def test_a_lowest_temperature_above_the_highest_is_told(tmp_path):
    (notice,) = read_season(folder_with(tmp_path, "2027-07-06,30,10,50,90,2,20,0")).notices
    assert notice.endswith("row of 2027-07-06: t_min_c and t_max_c taken as swapped")


def test_rain_that_cannot_be_is_told_as_ever(tmp_path):
    (notice,) = read_season(folder_with(tmp_path, "2027-07-06,5,20,50,90,2,20,-5")).notices
    assert "row 2, column rain_mm: -5 mm is outside 0" in notice


def test_words_for_a_missing_value_are_told_by_column_with_their_rows(tmp_path):
    rows = ("2027-07-06,nan,20,50,90,2,20,0", "2027-07-07,5,NA,50,90,2,20,0", "2027-07-08,nan,20,50,90,2,,0")
    notices = read_daily(folder_with(tmp_path, *rows) / "daily.csv").notices
    assert [notice.partition("column ")[2] for notice in notices] == [
        "t_min_c: 'nan' in row 2, 4 (2 in all); taken as missing",
        "t_max_c: 'NA' in row 3 (1 in all); taken as missing",
    ]


def test_the_notices_are_those_days_whose_reference_et_says_the_same():
    days = [DayWeather(date=date(2027, 7, 1) + timedelta(days=n), t_min_c=40.0 + n, t_max_c=50.0) for n in range(9)]
    told = refused_values(Path("daily.csv"), days, 52.1)
    found = PlainReferenceEt().days(days, latitude_deg=52.1, elevation_m=2.0, wind_height_m=2.0)
    assert [str(value.date) in " ".join(told) for value in found] == ["refused" in value.method for value in found]
    assert len(told) == 3


def test_a_whole_column_in_a_wrong_unit_is_told_within_bounds():
    days = [DayWeather(date=date(2026, 1, 1) + timedelta(days=n), t_min_c=60.0, t_max_c=70.0) for n in range(365)]
    told = refused_values(Path("daily.csv"), days, 52.1)
    assert len(told) == MOST_TOLD + 1
    assert "315 more days" in told[-1]


def test_recorded_seasons_raise_no_doubt(seasons, tmp_path):
    whole = Path(shutil.copytree(seasons / "de-bilt-nl-2017-2019", tmp_path / "season"))
    assert not [notice for notice in read_season(whole).notices if "row of" in notice or "in all" in notice]
