"""How far the pipe watch may go, as the site file says: kept within bounds, and told where it loosens the watch."""

from __future__ import annotations

import re

import pytest

from dewpond.brain.pipes.of_site import watch_settings
from dewpond.brain.pipes.settings import BREAK_FACTOR
from dewpond.model.site import PipeLimits
from dewpond.settings.watch_limits import USUAL_STOP_PCT

METER = """
[[sensor]]
id = "yard-meter"
kind = "flow"
topic = "yard/meter"
decode = "text"
accumulation = "increment"
unit_in = "L"
"""
METERED = 'meter = "yard-meter"\nmeter_pulse = "1 L"\nmaster = 8'


@pytest.fixture
def loaded(load, whole):
    """A whole site with one zone, whose supply and zone get further keys."""

    def changed(supply: str = "", zone: str = "", head: str = METERED):
        text = whole.replace('capacity = "60 L/min"\n', f'capacity = "60 L/min"\n{head}\n{supply}\n')
        return load(f"{text}\n{zone}\n{METER}")

    return changed


def said(problems) -> str:
    return " | ".join(problem.sentence() for problem in problems if problem.key.startswith("watch"))


def test_without_a_word_the_usual_limits_hold(loaded):
    site = loaded().site
    assert site.supplies[0].watch == site.zones[0].watch == PipeLimits()
    limits = watch_settings(site)["main"].limits_of("lawn")
    assert (limits.break_factor, limits.suspicion_stops, limits.grace_s) == (BREAK_FACTOR, False, 0.0)
    assert pytest.approx(100.0 * (BREAK_FACTOR - 1.0)) == USUAL_STOP_PCT
    assert watch_settings(site)["main"].idle_l is None


def test_the_word_of_a_zone_stands_before_its_supply(loaded):
    supply = 'watch = {stop_above = "40 %", on_suspicion = "stop", grace = "20 s", idle_limit = "0.3 m3"}'
    site = loaded(supply, 'watch = {stop_above = "55 %", on_suspicion = "tell"}').site
    settings = watch_settings(site)["main"]
    limits = settings.limits_of("lawn")
    assert (limits.break_factor, limits.suspicion_stops, limits.grace_s) == (1.55, False, 20.0)
    assert settings.idle_l == 300.0


@pytest.mark.parametrize(
    ("supply", "words"),
    [
        ('watch = {stop_above = "10 %"}', "stop_above.*must lie between 20 and 300 %.*50 % over"),
        ('watch = {stop_above = "400 %"}', "stop_above.*must lie between 20 and 300 %"),
        ('watch = {grace = "10 min"}', "grace.*must lie between 0 and 300 s"),
        ('watch = {idle_limit = "0.5 L"}', "idle_limit.*must lie between 1 and 100000 L"),
        ('watch = {on_suspicion = "block"}', "on_suspicion.*(tell|stop)"),
        ("watch = {blink = 3}", "blink"),
        ('watch = {idle_limit = "1.5 L"}', "less than two pulses of 1 L.*proves nothing.*allow more"),
        ('watch = {idle_limit = "50 L"}\nshared_with_house = true', "shared with a house.*take it out"),
    ],
)
def test_what_is_out_of_bounds_is_refused_with_limit_and_remedy(loaded, supply, words):
    report = loaded(supply)
    text = " | ".join(problem.sentence() for problem in report.errors)
    assert report.site is None
    assert re.search(words, text), text


def test_an_idle_limit_needs_a_meter_to_count_and_a_master_to_close(loaded):
    text = said(loaded('watch = {idle_limit = "50 L"}', head="").errors)
    assert "no meter counts it" in text
    assert "no master valve" in text


def test_check_tells_what_a_looser_watch_would_miss(loaded):
    text = said(loaded('watch = {stop_above = "80 %", grace = "3 min"}').findings)
    assert "a head that is gone may add less" in text
    assert "first 180 s of every opening" in text
    text = said(loaded("", 'watch = {stop_above = "150 %", on_suspicion = "stop"}').findings)
    assert "a broken lateral may add less" in text
    assert "its plants go dry until a person has looked" in text
    blind = said(loaded("", 'watch = {stop_above = "40 %"}', head="").findings)
    assert "there is no meter" in blind
    assert said(loaded('watch = {stop_above = "40 %"}').findings) == ""
