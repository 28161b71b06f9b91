"""Days, clock times and dates as people write them."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest

from dewpond.model.hours import DayRule, Hours
from dewpond.settings.words import hours_minutes, parse_date, parse_days, parse_hours, parse_time


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("any", DayRule(kind="any")),
        ("Odd", DayRule(kind="odd")),
        ("even", DayRule(kind="even")),
        (["mon", "Wednesday", "fri"], DayRule(kind="weekdays", weekdays=frozenset({0, 2, 4}))),
        ("sun", DayRule(kind="weekdays", weekdays=frozenset({6}))),
        ([], DayRule(kind="weekdays")),
        ({"every": 3}, DayRule(kind="every", every_days=3)),
        ({"every": 1}, DayRule(kind="any")),
        (["mon", "tue", "wed", "thu", "fri", "sat", "sun"], DayRule(kind="any")),
    ],
)
def test_days_have_five_forms(written, expected):
    assert parse_days(written) == expected


@pytest.mark.parametrize("written", ["someday", ["mo"], ["mon", 3], {"every": 0}, {"every": True}, {"each": 2}, 5, {}])
def test_other_days_are_refused(written):
    with pytest.raises(ValueError):
        parse_days(written)


def test_clock_times_come_as_text_or_toml_times():
    assert parse_time("05:30") == parse_time("5:30") == parse_time(time(5, 30)) == time(5, 30)


@pytest.mark.parametrize(
    "written", ["25:00", "530", "5", "05:30Z", "noon", 5, 5.3, datetime(2027, 1, 1, 5, tzinfo=UTC), None]
)
def test_other_clock_times_are_refused(written):
    with pytest.raises(ValueError):
        parse_time(written)


def test_hours_may_cross_midnight_and_end_at_24():
    assert parse_hours(["19:00", "09:00"]) == Hours(start=time(19), end=time(9))
    assert parse_hours(["19:00", "24:00"]) == Hours(start=time(19), end=time(0))


@pytest.mark.parametrize(
    ("hours", "minutes"),
    [(["21:00", "06:00"], 540), (["05:00", "05:10"], 10), (["06:00", "06:00"], 1440), (["20:00", "24:00"], 240)],
)
def test_length_of_hours(hours, minutes):
    assert hours_minutes(parse_hours(hours)) == minutes


def test_dates_come_as_text_or_toml_dates():
    assert parse_date("2027-05-01") == parse_date(date(2027, 5, 1)) == date(2027, 5, 1)


@pytest.mark.parametrize("written", ["2027-02-30", "1.5.2027", 20270501, datetime(2027, 5, 1, tzinfo=UTC), None])
def test_other_dates_are_refused(written):
    with pytest.raises(ValueError):
        parse_date(written)
