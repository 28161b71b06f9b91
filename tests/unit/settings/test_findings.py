"""What an owner is told of a site that runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewpond.settings import findings, plugins

FEED = '\n[[feed]]\nkind = "open-meteo"\n'
METER = '\n[[sensor]]\nid = "m"\nkind = "flow"\ntopic = "m"\nunit_in = "L/min"\n'


@pytest.fixture
def found(load, whole):
    """(table, key, what) of the findings after some replacements in a good site."""

    def told(*changes, more=""):
        text = whole
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        loaded = load(text + more)
        assert loaded.errors == ()
        return [(problem.table, problem.key, problem.what) for problem in loaded.findings]

    return told


GOOD = (
    ("efficiency = 0.75", "efficiency = 0.75\nplant_factor = 0.8"),
    ('capacity = "60 L/min"', 'capacity = "60 L/min"\nmeter = "m"'),
)


def test_nothing_is_found_of_a_complete_site(found):
    assert found(*GOOD, more=METER + FEED) == []


def test_without_meter_nobody_watches(found):
    told = found(GOOD[0], more=FEED)
    assert told == [('supply "main"', "meter", "no meter: dewpond is not watching these pipes")]


def test_without_weather_the_usual_season_is_planned(found):
    assert [table for table, _, what in found(*GOOD, more=METER) if "neither a weather feed" in what] == ["site"]


@pytest.mark.parametrize("kind", ["rain", "temperature", "soil_moisture"])
def test_a_sensor_is_weather_too(found, kind):
    unit = {"rain": "mm", "temperature": "degC", "soil_moisture": "%vol"}[kind]
    sensor = f'\n[[sensor]]\nid = "s"\nkind = "{kind}"\ntopic = "s"\nunit_in = "{unit}"\nzone = "lawn"\n'
    assert found(*GOOD, more=METER + sensor) == []


def test_missing_watering_table_and_elevation_are_said(found):
    told = found(
        *GOOD, ('[watering]\nwindow = ["21:00", "06:00"]\n', ""), ('elevation = "8 m"\n', ""), more=METER + FEED
    )
    assert [(table, key) for table, key, _ in told] == [("watering", "window"), ("site", "elevation")]


def test_a_window_of_the_whole_day_is_said(found):
    told = found(*GOOD, ('["21:00", "06:00"]', '["06:00", "06:00"]'), more=METER + FEED)
    assert [(table, key) for table, key, _ in told] == [("watering", "window")]


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (("longitude = -74.2", "longitude = 74.2"), "longitude"),
        (("America/New_York", "Australia/Sydney"), "latitude"),
    ],
)
def test_a_lost_sign_of_the_position_is_said(found, change, key):
    assert [at for table, at, _ in found(*GOOD, change, more=METER + FEED) if table == "site"] == [key]


def test_a_slope_that_looks_like_a_share_is_said(found):
    change = ("efficiency = 0.75", "efficiency = 0.75\nslope = 0.04")
    assert ('zone "lawn"', "slope", "0.04 was read as 0.04 %") in found(change, more=METER + FEED)


def test_a_calendar_zone_in_no_program_is_said(found):
    change = ("efficiency = 0.75", 'efficiency = 0.75\nrule = "calendar"')
    assert ('zone "lawn"', "rule", "under the calendar rule, but in no program") in found(change, more=METER + FEED)


def test_a_start_outside_of_the_window_is_said(found):
    program = '\n[[program]]\nname = "p"\nzones = {lawn = 5}\nstarts = ["06:00", "23:00", "05:59"]\n'
    told = found(*GOOD, more=METER + FEED + program)
    assert told == [('program "p"', "starts", "starts at 06:00, outside of the watering window")]


def test_a_restriction_that_restricts_nothing_is_said(found):
    restriction = '\n[[restriction]]\napplies_to = "all"\nfrom = 2027-05-01\n'
    assert found(*GOOD, more=METER + FEED + restriction) == [("restriction 1", "", "restricts nothing")]


def test_a_probe_of_no_zone_is_said(found):
    probe = '\n[[sensor]]\nid = "p"\nkind = "soil_moisture"\ntopic = "p"\nunit_in = "%vol"\n'
    assert ('sensor "p"', "zone", "the probe belongs to no zone, so no decision uses it") in found(
        *GOOD, more=METER + FEED + probe
    )


def test_zones_with_faults_are_not_found_to_assume_things(load, whole):
    loaded = load(whole.replace('area = "72 m2"', 'area = "72 psi"'))
    assert [problem.key for problem in loaded.errors] == ["area"]
    assert not any(problem.table == 'zone "lawn"' for problem in loaded.findings)


class Seen:
    """A driver package's answer."""

    def __init__(self, *, holds, timed_on=False, faults=()):
        self.faults, self.holds_when_cut_off, self.timed_on = faults, holds, timed_on


class Point:
    """An entry point that gives this answer."""

    name = "examine"

    def __init__(self, answer):
        self._answer = answer

    def load(self):
        if isinstance(self._answer, Exception):
            raise self._answer
        return lambda _path: self._answer


@pytest.fixture
def relays(load, whole, monkeypatch):
    """Errors and findings about the relays when the driver package answers so."""

    def told(*answers):
        monkeypatch.setattr(plugins, "entry_points", lambda **_group: [Point(answer) for answer in answers])
        loaded = load(whole, look_at_relays=True)
        return (
            [problem.what for problem in loaded.errors if problem.table == "relays"],
            [problem.what for problem in loaded.findings if problem.table == "relays"],
        )

    return told


@pytest.mark.parametrize(("holds", "word"), [(True, "stay"), (None, "may stay")])
def test_relays_that_stay_when_cut_off_are_said(relays, holds, word):
    assert relays(Seen(holds=holds)) == ([], [f"the relays {word} as they are when this computer is cut off or dies"])


def test_relays_that_fall_off_or_time_out_are_not_said(relays):
    assert relays(Seen(holds=False)) == ([], [])
    assert relays(Seen(holds=True, timed_on=True)) == ([], [])


def test_faults_of_the_driver_are_errors(relays):
    errors, found = relays(Seen(holds=True, faults=("site.toml, [relays]: port is missing",)))
    assert (errors, found) == (["port is missing"], [])


def test_no_driver_package_is_said(relays):
    assert relays() == ([], ["the relays were not looked at"])
    assert relays(ImportError("no gpio here")) == ([], ["the relays were not looked at"])


def test_the_installed_driver_package_answers():
    site = Path(__file__).parents[3] / "deploy" / "sites" / "withy-hollow.toml"
    facts = plugins.relay_facts(site)
    assert facts is not None
    assert (facts.faults, facts.holds_when_cut_off) == ((), True)
    assert findings.SITE.path == ("site",)
