"""Logger files in their many layouts."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.weather.feeds.intervals import AnswerError, summary
from dewpond.adapters.weather.feeds.logger_csv import Layout, parse, read

TOA5 = (
    '"TOA5","hollow","unit-1","77","os-1","prog","22","hourly"\r\n'
    '"TIMESTAMP","RECORD","AirT_Avg","Rain_in_Tot"\r\n"TS","RN","degC","inches"\r\n"","","Avg","Tot"\r\n'
    '"2027-05-14 01:00:00",0,11.5,0.1\r\n"2027-05-14 02:00:00",1,"NAN","NAN"\r\n"2027-05-14 03:00:00",2,10.1,0\r\n'
)


def test_the_four_line_header_is_recognised_and_inches_are_converted() -> None:
    found = parse(TOA5, Layout(zone="Etc/GMT+5"))
    assert [i.rain_mm for i in found.intervals] == [pytest.approx(2.54), None, 0.0]
    assert found.intervals[0].start == datetime(2027, 5, 14, 5, tzinfo=UTC)
    assert found.intervals[0].hours == 1.0
    assert summary(found, "x")["rain_missing_hours"] == 1


def test_semicolons_decimal_commas_own_time_form_and_marks() -> None:
    text = "Wetterstation\nZeit;Temp;Regen\n;C;mm\n14.05.2027 00:10;11,5;0,2\n14.05.2027 00:20;---;---\n"
    layout = Layout(
        header_lines=3,
        names_row=2,
        units_row=3,
        delimiter=";",
        decimal=",",
        zone="Europe/Berlin",
        sentinels=("---",),
        time_column="Zeit",
        time_format="%d.%m.%Y %H:%M",
        rain_column="Regen",
        stamp="start",
    )
    table = read(text, layout)
    assert table.columns["Temp"] == (11.5, None)
    found = parse(text, layout)
    assert [(i.rain_mm, i.hours) for i in found.intervals] == [
        (0.2, pytest.approx(1 / 6)),
        (None, pytest.approx(1 / 6)),
    ]
    assert found.intervals[0].start == datetime(2027, 5, 13, 22, 10, tzinfo=UTC)


def test_the_hour_that_happens_twice_in_autumn_is_told_apart_by_order() -> None:
    rows = "".join(f"2027-10-31 {hm},1\n" for hm in ("01:30", "02:30", "02:30", "03:30"))
    found = parse("time,rain_mm\n" + rows, Layout(zone="Europe/Berlin", step_s=3600))
    assert [i.end.hour for i in found.intervals] == [23, 0, 1, 2]


def test_dates_alone_are_whole_local_days() -> None:
    found = parse("date,rain_mm,eto_mm\n2027-03-28,3,2.5\n2027-03-29,,\n", Layout(zone="Europe/Berlin"))
    assert [i.hours for i in found.intervals] == [23.0, 24.0]
    assert found.intervals[0].et0_mm == 2.5
    assert found.has_et0


def test_the_hours_of_a_season_are_read_without_a_word(seasons: Path) -> None:
    found = summary(parse((seasons / "newark-nj-2013" / "hourly.csv").read_text(), Layout()), "hourly.csv")
    assert found["rain_missing_hours"] == 27
    assert found["rain_total_mm"] == pytest.approx(1104.4, abs=15)  # incomplete days count here


@pytest.mark.parametrize(
    ("text", "layout", "said"),
    [
        ("time,rain_mm\n", {}, "no rows below the header"),
        ("time,rain_mm\n2027-05-14 00:00\n", {}, "has 1 cells where the names row has 2"),
        ("time,rain_mm\n2027-05-14 00:00,wet\n", {}, "'wet' is not a number"),
        ("time,temp\n2027-05-14 00:00,3\n", {}, "no rain column among temp"),
        ("hour,rain_mm\n2027-05-14 00:00,3\n", {}, "no time column"),
        ("time,rain_mm\n14/5/27 00:00,3\n", {}, "is not a time"),
        ("time,rain_mm\n2027-05-14 00:00,3\n", {}, "say how long one row stands for"),
        ("time,rain_mm\n2027-05-14 00:00,3\n", {"names_row": 9}, "there is no names row"),
        ("time,rain_mm\n2027-05-14 00:00,3\n", {"rain_column": "wet", "step_s": 60.0}, "column wet"),
    ],
)
def test_an_unfit_layout_says_what_to_name(text: str, layout: dict[str, Any], said: str) -> None:
    with pytest.raises(AnswerError) as refused:
        parse(text, Layout(**layout))
    assert said in str(refused.value)
