"""Season folders: read as they stand, refused with file, row, column, limit and remedy, written back unchanged."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from dewpond.adapters.weather.season_files import (
    ForecastRow,
    Hourly,
    SeasonFileError,
    SensorReadings,
    read_daily,
    read_forecast,
    read_hourly,
    read_readings,
    read_season,
    read_station,
    station_day_end_utc,
    write_season,
)
from dewpond.ports import DayWeather

HEADER = "date,t_min_c,t_max_c,rh_min_pct,rh_max_pct,wind_m_s,solar_mj_m2,rain_mm\n"
PLACE = {"latitude": 52.1, "elevation_m": 2, "tz": "UTC", "wind_height_m": 10}


def _file(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def _station(folder: Path, **facts: object) -> Path:
    return _file(folder, "station.json", json.dumps({**PLACE, **facts}))


def test_every_day_of_a_recorded_season_is_read_and_its_gaps_stay_gaps(seasons: Path) -> None:
    season = read_season(seasons / "manhattan-ks-2012-2014")
    gaps = season.station.facts["gaps"]["daily_missing"]
    assert len(season.days) == season.station.facts["gaps"]["days"]
    assert {name: sum(getattr(day, name) is None for day in season.days) for name in gaps} == gaps
    assert season.station.wind_height_m is None
    assert any("wind_height_m is not known" in notice for notice in season.notices)


def test_station_keeps_its_licence_and_position(seasons: Path) -> None:
    station = read_station(seasons / "de-bilt-nl-2017-2019" / "station.json")
    assert (station.latitude_deg, station.longitude_deg, station.elevation_m) == (52.1, 5.18, 1.9)
    assert station.wind_height_m == 10.0
    assert "Royal Netherlands Meteorological Institute" in station.licence


def test_etc_zone_names_have_their_sign_reversed(seasons: Path) -> None:
    station = read_station(seasons / "seattle-wa-2012-2015" / "station.json")
    assert station.tz == "Etc/GMT+8"
    assert station_day_end_utc(station, date(2012, 7, 1)) == datetime(2012, 7, 2, 8, tzinfo=UTC)


def test_day_end_moves_with_daylight_saving(seasons: Path) -> None:
    station = read_station(seasons / "fallon-nv-2015" / "station.json")
    assert station_day_end_utc(station, date(2015, 3, 7)) == datetime(2015, 3, 8, 8, tzinfo=UTC)
    assert station_day_end_utc(station, date(2015, 3, 8)) == datetime(2015, 3, 9, 7, tzinfo=UTC)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2027-05-14,abc,20,,,,,", "row 2, column t_min_c: 'abc' is not a number"),
        ('2027-05-14,"5,5",20,,,,,', "write a decimal point"),
        ("2027-05-14,inf,20,,,,,", "is not finite"),
        ("14.05.2027,5,20,,,,,", "write it as YYYY-MM-DD"),
        ("2027-05-14,5,20,,,,", "has 7 cells where the header has 8"),
    ],
)
def test_a_bad_cell_is_refused_with_its_place_and_remedy(tmp_path: Path, row: str, said: str) -> None:
    path = _file(tmp_path, "daily.csv", HEADER + row + "\n")
    with pytest.raises(SeasonFileError, match=r"daily\.csv") as refused:
        read_daily(path)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("date,t_min_c\n2027-05-14,5\n", "column t_max_c is missing"),
        ("date;t_min_c;t_max_c\n2027-05-14;5;20\n", "separated by commas"),
        ("date,t_min_c,t_max_c,t_max_c\n", "stands there twice"),
        (HEADER, "has no rows"),
        ("", "column date, t_min_c, t_max_c is missing"),
    ],
)
def test_a_bad_header_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SeasonFileError) as refused:
        read_daily(_file(tmp_path, "daily.csv", text))
    assert said in str(refused.value)


def test_a_date_with_two_different_rows_is_refused(tmp_path: Path) -> None:
    text = HEADER + "2027-05-14,5,20,,,,,\n2027-05-15,5,20,,,,,\n2027-05-14,6,20,,,,,\n"
    with pytest.raises(SeasonFileError, match="row 4, column date: 2027-05-14 stands there twice"):
        read_daily(_file(tmp_path, "daily.csv", text))


def test_order_repeats_holes_and_unknown_columns_are_told_not_refused(tmp_path: Path) -> None:
    text = "\ufeffdate,t_max_c,t_min_c,mood\n2027-05-17,20,5,3\n2027-05-14,21,6,4\n\n2027-05-14,21,6,4\n"
    daily = read_daily(_file(tmp_path, "daily.csv", text))
    assert [day.date.day for day in daily.days] == [14, 17]
    assert daily.days[0] == DayWeather(date=date(2027, 5, 14), t_min_c=6.0, t_max_c=21.0)
    told = " ".join(daily.notices)
    for phrase in ("mood is not known", "not in order", "2 dates between", "repeated", "no column wind_m_s"):
        assert phrase in told


@pytest.mark.parametrize("text", ["-0.2", "4000"])
def test_impossible_rain_becomes_missing_and_is_told(tmp_path: Path, text: str) -> None:
    daily = read_daily(_file(tmp_path, "daily.csv", HEADER + f"2027-05-14,5,20,,,,,{text}\n"))
    assert daily.days[0].rain_mm is None
    assert "outside 0 to 1825 mm" in " ".join(daily.notices)


@pytest.mark.parametrize("word", ["", "NA", "nan", "null"])
def test_a_missing_word_is_no_value_and_no_zero(tmp_path: Path, word: str) -> None:
    daily = read_daily(_file(tmp_path, "daily.csv", HEADER + f"2027-05-14,5,20,,,,,{word}\n"))
    assert daily.days[0].rain_mm is None


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"latitude": 523}, "key latitude: 523 is not a number from -90 to 90"),
        ({"latitude": None}, "key latitude"),
        ({"elevation_m": "8 m"}, "key elevation_m"),
        ({"tz": "Mars/Olympus"}, "is not a time zone"),
        ({"hour_stamp": "middle"}, 'write "start" or "end"'),
    ],
)
def test_an_impossible_station_is_refused(tmp_path: Path, facts: dict[str, object], said: str) -> None:
    with pytest.raises(SeasonFileError) as refused:
        read_station(_station(tmp_path, **facts))
    assert said in str(refused.value)


@pytest.mark.parametrize("text", ["{", "[1]", ""])
def test_a_station_file_that_is_no_object_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(SeasonFileError, match=r"station\.json"):
        read_station(_file(tmp_path, "station.json", text))


def test_an_absent_file_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(SeasonFileError, match="cannot be read"):
        read_daily(tmp_path / "daily.csv")


def test_hour_stamp_is_read_from_the_words_of_the_station(tmp_path: Path) -> None:
    assert read_station(_station(tmp_path, time_label="time_utc is the END of the hour")).hour_stamp == "end"
    assert read_station(_station(tmp_path, time_label="local hour label")).hour_stamp == "start"
    assert read_station(_station(tmp_path, hour_stamp="end")).hour_stamp == "end"


def test_hours_are_sorted_and_a_repeated_hour_is_refused(tmp_path: Path) -> None:
    text = "time_utc,rain_mm\n2027-05-14T01:00:00Z,1.5\n2027-05-14T00:00:00+00:00,\n"
    hourly = read_hourly(_file(tmp_path, "hourly.csv", text))
    assert np.diff(hourly.time_s).tolist() == [3600.0]
    assert np.isnan(hourly.rain_mm[0])
    assert np.isnan(hourly.air_temperature_c).all()
    with pytest.raises(SeasonFileError, match="the hour of row 2 again"):
        read_hourly(_file(tmp_path, "hourly.csv", text + "2027-05-14T01:00:00Z,2\n"))


def test_forecast_rows_are_ordered_by_issue_and_checked(tmp_path: Path) -> None:
    head = "issued_utc,valid_from_utc,valid_to_utc,rain_mm,probability,eto_mm\n"
    rows = (
        "2027-05-14T06:00Z,2027-05-15T00:00Z,2027-05-16T00:00Z,3,60,\n"
        "2027-05-13T06:00Z,2027-05-14T00:00Z,2027-05-15T00:00Z,,,4.1\n"
    )
    forecast = read_forecast(_file(tmp_path, "forecast.csv", head + rows))
    assert [row.issued.day for row in forecast] == [13, 14]
    assert (forecast[1].rain_mm, forecast[1].probability_pct, forecast[1].eto_mm) == (3.0, 60.0, None)
    for bad, said in (
        ("2027-05-15T00:00Z,2027-05-15T00:00Z,1,1,1", "must have a length"),
        ("2027-05-15T00:00Z,2027-05-16T00:00Z,1,101,1", "0 to 100"),
    ):
        with pytest.raises(SeasonFileError, match=said):
            read_forecast(_file(tmp_path, "forecast.csv", head + f"2027-05-14T06:00Z,{bad}\n"))


def test_readings_become_one_block_a_sensor_in_order_of_time(tmp_path: Path) -> None:
    text = (
        "time_utc,sensor,value,unit\n2027-05-14T01:00Z,probe,0.25,m3/m3\n2027-05-14T00:00Z,probe,0.3,m3/m3\n"
        "2027-05-14T00:30Z,probe,,m3/m3\n2027-05-14T00:00Z,meter,12,L\n"
    )
    blocks = read_readings(_file(tmp_path, "readings.csv", text))
    assert blocks["probe"].value.tolist() == [0.3, 0.25]
    assert blocks["meter"].unit == "L"
    with pytest.raises(SeasonFileError, match="changes its unit from L to gal"):
        read_readings(_file(tmp_path, "readings.csv", text + "2027-05-14T02:00Z,meter,3,gal\n"))


def test_a_written_season_reads_back_to_equal_values(seasons: Path, tmp_path: Path) -> None:
    whole = read_season(seasons / "newark-nj-2013")
    assert whole.hourly is not None
    hourly = Hourly(**{name: getattr(whole.hourly, name)[:1440] for name in Hourly.__slots__})
    season = replace(whole, days=whole.days[:60], hourly=hourly)
    write_season(tmp_path / "again", season)
    again = read_season(tmp_path / "again")
    assert again.days == season.days
    assert (again.station.tz, again.station.licence) == (season.station.tz, season.station.licence)
    assert again.hourly is not None
    for name in Hourly.__slots__:
        np.testing.assert_array_equal(getattr(again.hourly, name), getattr(hourly, name))


def test_forecast_and_readings_are_written_with_the_season(seasons: Path, tmp_path: Path) -> None:
    season = read_season(seasons / "de-bilt-nl-2017-2019")
    at = datetime(2013, 5, 1, 6, tzinfo=UTC)
    forecast = (
        ForecastRow(
            issued=at, valid_from=at, valid_to=at.replace(hour=12), rain_mm=0.1 + 0.2, probability_pct=None, eto_mm=1.5
        ),
    )
    readings = {"probe": SensorReadings(unit="m3/m3", time_s=np.array([at.timestamp()]), value=np.array([1 / 3]))}
    write_season(
        tmp_path / "out", type(season)(station=season.station, days=season.days, forecast=forecast, readings=readings)
    )
    again = read_season(tmp_path / "out")
    assert again.hourly is None
    assert again.forecast == forecast
    assert again.readings["probe"].value.tolist() == [1 / 3]
