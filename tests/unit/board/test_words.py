"""Quantities as people read them. Factors: NIST Special Publication 811 (2008), appendix B."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from dewpond.board.words import Words, counted, day, night, span

METRIC = Words("metric", ZoneInfo("Europe/Berlin"))
US = Words("us", ZoneInfo("America/New_York"))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (METRIC.depth(25.4), "25.4 mm"),
        (US.depth(25.4), "1.00 in"),
        (METRIC.volume(1234.4), "1,234 L"),
        (US.volume(3.785411784 * 1000), "1,000 gal"),
        (METRIC.flow(41.26), "41.3 L/min"),
        (US.flow(3.785411784 * 12), "12.0 gpm"),
        (METRIC.pressure(379.6), "380 kPa"),
        (US.pressure(6.894757293 * 60), "60 psi"),
        (US.quantity(25.0, "degC"), "77 °F"),
        (METRIC.quantity(25.04, "degC"), "25.0 °C"),
        (US.quantity(5.08, "mm/d"), "0.20 in/d"),
        (US.quantity(4.4704, "m/s"), "10 mph"),
        (METRIC.quantity(0.231, "m3/m3"), "0.231 m3/m3"),
        (METRIC.quantity(1.0, ""), "1"),
    ],
)
def test_quantities_read_in_the_units_of_the_site(text: str, expected: str) -> None:
    assert text == expected


def test_what_is_not_known_is_never_shown_as_zero() -> None:
    assert METRIC.depth(None) == METRIC.depth(float("nan")) == METRIC.quantity(None, "mm") == "not known"
    assert METRIC.depth(-0.01) == "0.0 mm"


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (0, "0 s"),
        (45, "45 s"),
        (89, "89 s"),
        (95, "2 min"),
        (720, "12 min"),
        (3570, "1 h 00 min"),
        (3900, "1 h 05 min"),
    ],
)
def test_durations(seconds: float, expected: str) -> None:
    assert span(seconds) == expected


def test_times_are_those_of_the_site() -> None:
    at = datetime(2027, 7, 15, 2, 12, tzinfo=UTC)
    assert US.clock(at) == "10:12 pm"
    assert METRIC.clock(at) == "04:12"
    assert METRIC.when(at, at.replace(day=16)) == "Thu 15 Jul, 04:12"
    assert US.clock(datetime(2027, 7, 15, 4, 5, tzinfo=UTC)) == "12:05 am"


def test_an_hour_that_happens_twice_carries_its_zone() -> None:
    first, second = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert (METRIC.clock(first), METRIC.clock(second)) == ("02:30 CEST", "02:30 CET")


def test_days_nights_and_counts() -> None:
    assert day(date(2027, 5, 14)) == "Fri 14 May"
    assert night(date(2027, 5, 14)) == "Fri 14 to Sat 15 May"
    assert night(date(2027, 5, 31)) == "Mon 31 May to Tue 1 Jun"
    assert [counted(n, "zone", "zones") for n in (0, 1, 3)] == ["no zones", "1 zone", "3 zones"]


def test_sentences_of_the_daemon_are_read_in_the_site_s_units() -> None:
    tz = ZoneInfo("America/New_York")
    assert Words("us", tz).said("12.7 mm are missing") == "0.50 in are missing"
    assert Words("metric", tz).said("12.7 mm are missing") == "12.7 mm are missing"
