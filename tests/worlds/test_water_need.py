"""Recorded seasons on the six zones of the published controller test: enough water, and little more than the least.

Acceptance level of the test: adequacy and excess of each zone and the mean excess of all. The published level is 80 %
adequacy, 10 % excess in any zone and 5 % in the mean (test protocol for climatologically based controllers, 8th draft,
2008, from memory); ours is stricter. The least water is that of a linear programme that knew the whole season.
"""

from __future__ import annotations

import json
from datetime import date
from functools import cache
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest

from dewpond.adapters.weather.season_files import read_season
from dewpond.settings.site_file import require_site
from dewpond_sim.controller_test import judge
from dewpond_sim.replay.run import reference_et

DATA = Path(__file__).parents[1] / "data"
SITE = DATA / "sites" / "controller-test.toml"
SEASONS = {
    "fallon": ("fallon-nv-2015", 2015),
    "newark": ("newark-nj-2013", 2013),
    "de bilt": ("de-bilt-nl-2017-2019", 2018),
}
MOST_OF_BOUND = {"fallon": 1.03, "newark": 1.20, "de bilt": 1.12}
MOST_WITH_FORECAST = 1.10
RULES = ("lookahead", "refill", "calendar")


pytestmark = pytest.mark.timeout(300)  # a season takes some seconds alone, much longer on a busy machine


@cache
def judged(name, rule, forecast="none"):
    folder, year = SEASONS[name]
    season = read_season(DATA / "seasons" / folder)
    return next(judge(require_site(SITE), season, date(year, 4, 1), date(year, 10, 31), (rule,), forecast))


@pytest.fixture(params=list(SEASONS))
def season(request):
    return request.param


@pytest.fixture
def zones(season):
    return judged(season, "lookahead").zones


def total_mm(result) -> float:
    return sum(zone.net_mm for zone in result.zones.values())


def test_every_zone_gets_what_it_needs(zones):
    assert len(zones) == 6
    for name, zone in zones.items():
        assert zone.adequacy >= 0.98, name
        assert zone.stress_days <= 2, name


def test_little_is_given_in_excess_or_runs_off(zones):
    excess = [zone.excess for zone in zones.values() if not np.isnan(zone.excess)]
    assert max(excess) <= 0.02
    assert np.mean(excess) <= 0.01
    assert max(zone.runoff_share for zone in zones.values()) <= 0.02


def test_a_season_takes_little_more_than_with_perfect_foresight(season):
    assert 1.0 - 1e-9 <= judged(season, "lookahead").of_bound <= MOST_OF_BOUND[season]


def test_a_dry_season_is_watered_deep_and_seldom():
    fallon = judged("fallon", "lookahead").zones.values()
    waterings = sum(zone.waterings for zone in fallon)
    assert sum(zone.mean_depth_of_raw * zone.waterings for zone in fallon) / waterings >= 0.4


def test_looking_ahead_takes_no_more_than_refilling_and_both_far_less_than_a_calendar(season):
    look, refill, calendar = (total_mm(judged(season, rule)) for rule in RULES)
    assert look <= 1.005 * refill
    assert max(look, refill) <= (0.98 if season == "fallon" else 0.75) * calendar
    worst = {rule: max(zone.stress_days for zone in judged(season, rule).zones.values()) for rule in RULES}
    if season == "fallon":  # minutes for the season's mean do not water its summer
        assert worst["calendar"] > 10 * max(1, worst["lookahead"], worst["refill"])


def test_a_usual_forecast_saves_water_in_a_humid_season():
    told = judged("newark", "lookahead", "synthetic")
    assert total_mm(told) < total_mm(judged("newark", "lookahead"))
    assert told.of_bound <= MOST_WITH_FORECAST
    assert max(zone.stress_days for zone in told.zones.values()) <= 2
    assert min(zone.adequacy for zone in told.zones.values()) >= 0.98


# Conditions of the test: ASCE EWRI 2009 abstract (30 days, 63.5 mm of ETo, 10.2 mm of rain) and University of Florida
# project abstract, 2010 (at most 3 days of weather missing, 2 in a row), both read. Fallon's record has no rain at all:
# it stands for a dry summer and is no season of the published test.
WITHOUT_RAIN = {"fallon"}


def test_a_judged_season_fulfils_the_conditions_of_the_test(season):
    practice = json.loads((DATA / "reference" / "landscape_practice.json").read_text(encoding="utf-8"))
    asked = {row["item"]: row["value"] for row in practice["tables"]["test_protocol_pass_criteria"]["data"]}
    folder, year = SEASONS[season]
    recorded, first, last = read_season(DATA / "seasons" / folder), date(year, 4, 1), date(year, 10, 31)
    rain_mm = [day.rain_mm for day in recorded.days if first <= day.date <= last]
    eto_mm = [value.eto_mm for value in reference_et(recorded) if first <= value.date <= last]
    assert len(rain_mm) == len(eto_mm) == (last - first).days + 1 >= asked["consecutive days of test, minimum"]
    assert sum(value or 0.0 for value in eto_mm) >= asked["ETo in the period, minimum"]
    if season in WITHOUT_RAIN:
        assert set(rain_mm) == {None}
        rain_mm = [0.0] * len(rain_mm)
    else:
        assert sum(value or 0.0 for value in rain_mm) >= asked["rain in the period, minimum"]
    gone = [rain is None or eto is None for rain, eto in zip(rain_mm, eto_mm, strict=True)]
    runs = [sum(group) for missing, group in groupby(gone) if missing]
    most, most_in_a_row = asked["missing weather days, maximum / consecutive maximum"]
    assert sum(runs) <= most and max(runs, default=0) <= most_in_a_row
