"""Site-file keys of the rules of the place: what is read, and what is refused with limit and remedy."""

from __future__ import annotations

from datetime import date

import pytest

from dewpond.model.codec import from_plain, to_plain
from dewpond.model.hours import DateSpan, Season
from dewpond.model.site import Site
from dewpond.settings.words import parse_closed_dates

PLACE = """
[[restriction]]
name = "Even dates"
applies_to = "all"
method = "overhead"
days = "even"
from = "05-01"
until = "09-30"

[[restriction]]
name = "Drought order"
applies_to = ["lawn", "main"]
stage = "stage 2"
stop = true

[[event]]
name = "Garden party"
date = "2027-06-05"
hours = ["14:00", "01:00"]

[[event]]
name = "Match"
applies_to = "lawn"
days = ["sat"]
"""


def place(whole, watering="", rest=PLACE):
    return whole.replace('window = ["21:00", "06:00"]', f'window = ["21:00", "06:00"]\n{watering}') + rest


def test_rules_of_the_place_are_read_and_survive_the_way_to_the_daemon(load, whole):
    closed = 'closed_dates = ["2027-07-04", "12-25", {from = "12-28", until = "01-02", name = "New Year"}]'
    keys = f'{closed}\nstage = "stage 2"'
    found = load(place(whole, keys))
    assert found.errors == ()
    site = found.site
    assert site.watering.closed == (
        DateSpan(first=date(2027, 7, 4), last=date(2027, 7, 4)),
        DateSpan(season=Season(first=(12, 25), last=(12, 25))),
        DateSpan(season=Season(first=(12, 28), last=(1, 2)), name="New Year"),
    )
    assert (site.watering.stages, site.watering.stage) == (("stage 2",), "stage 2")
    even, drought = site.restrictions
    assert even.methods == {"overhead"} and even.season == Season(first=(5, 1), last=(9, 30))
    assert drought.stop and drought.stages == {"stage 2"} and drought.applies_to == {"lawn", "main"}
    party, match = site.events
    assert party.dates == DateSpan(first=date(2027, 6, 5), last=date(2027, 6, 5)) and party.hours is not None
    assert match.applies_to == {"lawn"} and match.days.weekdays == {5} and match.hours is None
    assert from_plain(Site, to_plain(site)) == site


def test_a_season_may_pass_the_turn_of_the_year():
    winter = DateSpan(season=Season(first=(11, 1), last=(3, 31)))
    inside = [date(2026, 11, 1), date(2027, 1, 1), date(2027, 3, 31)]
    assert all(winter.includes(day) for day in inside)
    assert not winter.includes(date(2027, 4, 1)) and not winter.includes(date(2026, 10, 31))


@pytest.mark.parametrize(
    ("rest", "key", "what"),
    [
        ('[[restriction]]\napplies_to = "all"\nstop = true\ndays = "even"', "stop", "complete stop with days"),
        ('[[restriction]]\napplies_to = "all"\nfrom = "05-01"\nuntil = "2027-09-30"', "from", "one end has a year"),
        ('[[restriction]]\napplies_to = "all"\nfrom = "2027-05-01"\nuntil = "2027-04-30"', "from", "is after"),
        ('[[restriction]]\napplies_to = "all"\nmethod = "hose"', "method", "is not known here"),
        ('[[restriction]]\napplies_to = "lwan"', "applies_to", 'no zone, supply or method "lwan"'),
        ('[[event]]\nname = "Fair"', "date", "nothing says when it is"),
        ('[[event]]\nname = "Fair"\ndate = "2027-06-05"\nuntil = "2027-06-06"', "date", "from or until is given too"),
        ('[[event]]\nname = "Fair"\ndate = "2027-06-31"', "date", "is not a calendar date"),
        (
            '[[event]]\nname = "Fair"\ndays = "odd"\napplies_to = "pitch"',
            "applies_to",
            'no zone, supply or method "pitch"',
        ),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(load, whole, rest, key, what):
    (problem,) = load(place(whole, rest=rest)).errors
    assert problem.key == key and what in problem.what and problem.line is not None
    assert problem.limit or problem.remedy


def test_a_stage_that_no_restriction_knows_is_refused(load, whole):
    rest = '[[restriction]]\napplies_to = "all"\nstage = "stage two"\nstop = true'
    problems = load(place(whole, 'stages = ["stage 1", "stage 2"]\nstage = "stage 3"', rest)).errors
    assert {(problem.key, problem.what) for problem in problems} == {
        ("stage", 'there is no stage "stage two"'),
        ("stage", 'there is no stage "stage 3"'),
    }


def test_two_restrictions_of_one_name_are_refused(load, whole):
    rest = '[[restriction]]\nname = "A"\napplies_to = "all"\n' * 2
    (problem,) = load(place(whole, rest=rest)).errors
    assert problem.key == "name" and "used twice" in problem.what


@pytest.mark.parametrize("value", ["2027-07-04", [7], ["02-30"], [{"from": "12-28"}], [{"from": "a", "until": "b"}]])
def test_closed_dates_that_are_none_are_refused(value):
    with pytest.raises(ValueError, match=r".+"):
        parse_closed_dates(value)


def test_a_complete_stop_is_no_finding_of_a_zone_without_time(load, whole):
    found = load(place(whole, rest='[[restriction]]\nname = "Order"\napplies_to = "all"\nstop = true'))
    assert not [problem for problem in found.findings if "no hour is left" in problem.what]
