"""Frost dates, checked against recorded lows read here by hand."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dewpond.upkeep.care import climate as cl
from dewpond.upkeep.refusal import Refused

from .conftest import a_site

SEASONS = Path(__file__).parents[2] / "data" / "seasons"
# Latitude and height of the recorded stations, as their station files state them.
PLACES = {
    "de-bilt-nl-2017-2019": (52.1, 1.9),
    "fallon-nv-2015": (39.4575, 1208.5),
    "manhattan-ks-2012-2014": (39.1, 347.0),
    "newark-nj-2013": (40.6925, 5.5),
    "seattle-wa-2012-2015": (47.449, 132.0),
}


def lows_of(name):
    with (SEASONS / name / "daily.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["t_min_c"]]
    return {date.fromisoformat(row["date"]): float(row["t_min_c"]) for row in rows}


@pytest.mark.parametrize("name", PLACES)
def test_frost_dates_of_a_record_are_its_latest_and_earliest_frost(name):
    lows = lows_of(name)
    found = cl.of_lows(list(lows), list(lows.values()), south=False, told=name)
    spring = max((day for day, low in lows.items() if low <= 0 and day.month < 7), key=lambda day: (day.month, day.day))
    autumn = min((day for day, low in lows.items() if low <= 0 and day.month > 6), key=lambda day: (day.month, day.day))
    season = found.season(2027)
    assert (season.begins.month, season.begins.day) == (spring.month, spring.day)
    assert (season.ends.month, season.ends.day) == (autumn.month, autumn.day)


@pytest.mark.parametrize(("name", "place"), PLACES.items())
def test_where_nothing_is_known_the_assumed_dates_are_a_month_off_at_most_or_on_the_safe_side(name, place):
    lows = lows_of(name)
    found = cl.of_lows(list(lows), list(lows.values()), south=False, told=name).season(2027)
    assumed = cl.assumed(replace(a_site(), latitude_deg=place[0], elevation_m=place[1])).season(2027)
    assert assumed.begins >= found.begins - timedelta(days=31)
    assert assumed.ends <= found.ends + timedelta(days=31)


def test_the_south_has_its_winter_in_july():
    north = cl.assumed(replace(a_site(), latitude_deg=40.0, elevation_m=300.0))
    south = cl.assumed(replace(a_site(), latitude_deg=-40.0, elevation_m=300.0))
    assert (north.season(2027).begins, north.season(2027).ends) == (date(2027, 4, 25), date(2027, 10, 15))
    assert south.season(2027).begins.month == 10
    assert south.season(2027).ends.month == 4
    entered = cl.of_person({"last_frost": "09-20", "first_frost": "05-10"}, south=True)
    assert entered.season(2027) == cl.Season(date(2026, 9, 20), date(2027, 5, 10))


def test_a_warm_place_is_assumed_free_of_frost_and_says_none():
    warm = cl.assumed(replace(a_site(), latitude_deg=14.0, elevation_m=20.0))
    assert (warm.last, warm.first) == (None, None)
    assert cl.shown(warm, 2027)["last_frost"] is None


def test_a_summer_alone_gives_no_frost_dates():
    days = [date(2027, 5, 1) + timedelta(days=number) for number in range(120)]
    with pytest.raises(Refused, match="has 120 days of lows"):
        cl.of_lows(days, [12.0] * 120, south=False, told="a summer")


@pytest.mark.parametrize(
    ("last", "first", "said"),
    [
        ("13-40", "10-10", "MM-DD"),
        ("spring", "10-10", "MM-DD"),
        ("10-10", "04-20", "swap"),
        ("04-20", "none", "give both"),
    ],
)
def test_frost_dates_that_cannot_be_are_refused(last, first, said):
    with pytest.raises(Refused, match=said):
        cl.of_person({"last_frost": last, "first_frost": first}, south=False)


def test_a_day_counts_by_its_own_thermometer_only_where_nearly_all_its_hours_were_read():
    begins = datetime(2027, 3, 1, tzinfo=UTC).timestamp()
    times = [begins + 3600.0 * hour for hour in range(30)]
    lows = cl.daily_lows(times, [5.0 - hour / 6.0 for hour in range(30)], UTC)
    assert lows == [(date(2027, 3, 1), pytest.approx(5.0 - 23.0 / 6.0))]
