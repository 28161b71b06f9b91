"""The percent of a program: by hand, by a person, from ET; days and starts stay."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sites import DayRule, Program, site, time, zone
from small_world import SmallWorld

from dewpond.brain.ground import ground_of
from dewpond.brain.rules import percent
from dewpond.model.codec import from_plain, to_plain
from dewpond.runner.look import Look

TONIGHT = date(2026, 6, 1)
EPOCH = date(1970, 1, 1)
# Washington State University Extension Grant-Adams, Monthly Sprinkler Runtime Adjustment for Colville, WA; the 30 min
# base is ours (SA-01 of the reference file).
PUBLISHED = [(51, 15.3), (68, 20.4), (79, 23.7), (100, 30.0), (92, 27.6), (63, 18.9), (31, 9.3)]


def program(**changes):
    values = {"name": "Front", "zone_minutes": {"lawn": 30.0}, "starts": (time(4),), "days": DayRule()}
    return Program(**{**values, **changes})


def world(**changes):
    lawn = zone(rule="calendar", intake_mm_h=100.0, raw_mm=30.0, taw_mm=60.0)
    return SmallWorld(site(lawn, programs=(program(**changes),)))


def planned_min(small):
    small.plan()
    return sum(item.seconds for item in small.state.openings) / 60.0


def with_record(small, eto_mm, last=TONIGHT - timedelta(days=1), days=30):
    day = np.arange((last - EPOCH).days - days + 1, (last - EPOCH).days + 1, dtype=float)
    soil = replace(small.state.soil, record_day=day, record_eto_mm=np.full(days, eto_mm), record_rain_mm=np.zeros(days))
    small.runner.state = replace(small.state, soil=soil)
    return small


@pytest.mark.parametrize(("pct", "minutes"), PUBLISHED)
def test_published_percents_of_a_base_run_time(pct, minutes):
    assert planned_min(world(percent=float(pct))) == pytest.approx(minutes, abs=0.05)


def test_from_et_is_recent_use_against_what_the_minutes_were_set_for():
    small = with_record(world(percent_from_et=True, set_for_eto_mm_d=7.0), 3.5)
    assert planned_min(small) == pytest.approx(15.0, abs=0.05)
    said = " ".join(small.state.reasons["lawn"].sentences())
    assert '"Front" runs at 50 % of its minutes, from ET: its zones used 2.8 mm/d (the last 7 known days)' in said
    assert "set for 5.6 mm/d (reference ET of 7.0 mm/d, by the site file)" in said


def test_only_the_last_seven_known_days_count():
    small = with_record(world(percent_from_et=True, set_for_eto_mm_d=5.0), 1.0)
    eto_mm = small.state.soil.record_eto_mm.copy()
    eto_mm[-7:] = 5.0
    small.runner.state = replace(small.state, soil=replace(small.state.soil, record_eto_mm=eto_mm))
    assert planned_min(small) == pytest.approx(30.0, abs=0.05)


def test_a_month_is_the_sites_own_once_it_was_measured_and_assumed_before():
    small = with_record(world(percent_from_et=True, set_for_month=5), 4.0)
    told = percent.today(small.brain.ground, small.state.soil, {}, TONIGHT)["Front"]
    assert told.percent == pytest.approx(100.0)
    assert "May: mean of 30 measured days here" in told.why
    july = world(percent_from_et=True, set_for_month=7)
    told = percent.today(july.brain.ground, with_record(july, 4.0).state.soil, {}, TONIGHT)["Front"]
    assumed_mm = july.brain.ground.mild_eto_mm(date(2001, 7, 15))
    assert told.percent == pytest.approx(100.0 * 4.0 / assumed_mm, abs=0.1)
    assert "July: assumed, mild days by Hargreaves" in told.why


def test_without_any_weather_it_follows_the_seasons_and_says_so():
    small = world(percent_from_et=True, set_for_month=7)
    june = percent.today(small.brain.ground, small.state.soil, {}, TONIGHT)["Front"]
    november = percent.today(small.brain.ground, small.state.soil, {}, date(2026, 11, 1))["Front"]
    assert june.percent > 2.0 * november.percent
    assert "no day was measured lately" in june.why


def test_zones_count_by_area_and_by_their_plants_of_the_month():
    beds = zone("beds", output=2, area_m2=180.0, rule="calendar", crop_coefficient=(0.2,) * 6 + (0.4,) * 6)
    ground = ground_of(site(zone(rule="calendar"), beds))
    both = program(zone_minutes={"lawn": 30.0, "beds": 10.0}, percent_from_et=True, set_for_month=7)
    small = with_record(SmallWorld(replace(ground.site, programs=(both,))), 5.0)
    told = percent.today(small.brain.ground, small.state.soil, {}, TONIGHT)["Front"]
    june, july = (60 * 0.8 + 180 * 0.2) / 240, (60 * 0.8 + 180 * 0.4) / 240
    assumed_mm = ground.mild_eto_mm(date(2001, 7, 15))
    assert told.percent == pytest.approx(100.0 * 5.0 * june / (assumed_mm * july), abs=0.1)


def test_twice_the_minutes_is_the_limit_and_told():
    small = with_record(world(percent_from_et=True, set_for_eto_mm_d=1.0), 4.0)
    told = percent.today(small.brain.ground, small.state.soil, {}, TONIGHT)["Front"]
    assert told.percent == 200.0
    assert "ET alone would make it 400 %; 200 % is the limit." in told.why


def test_one_action_changes_the_percent_while_days_and_starts_stay():
    small = world()
    before = planned_min(small)
    assert small.ask("percent", program="Front", percent=80.0) == (
        True,
        "Front runs at 80 % of its minutes from the next planning on; days and starts stay.",
    )
    assert sum(item.seconds for item in small.state.openings) / 60.0 == before
    starts = [item.start_s for item in small.state.openings]
    assert planned_min(small) == pytest.approx(24.0, abs=0.02)
    assert [item.start_s for item in small.state.openings] == starts
    (shown,) = Look(small.brain)(small.state, small.now).programs
    assert (shown.percent, shown.changed_by, shown.changed_at) == (80.0, "Ana", small.now.wall)
    assert "set by Ana on 2026-06-01" in " ".join(small.state.reasons["lawn"].sentences())


def test_a_changed_percent_survives_a_restart_and_goes_back_to_the_file():
    small = world(percent=90.0)
    small.ask("percent", program="Front", percent=0.0)
    small.runner.state = from_plain(type(small.state), to_plain(small.state))
    assert planned_min(small) == 0.0
    assert "its program leaves no minutes" in small.state.reasons["lawn"].summary
    assert small.ask("percent", program="Front")[0]
    assert planned_min(small) == pytest.approx(27.0, abs=0.02)


@pytest.mark.parametrize(
    ("fields", "why"),
    [({"program": "Frnt", "percent": 80.0}, "programs are Front"), ({"program": "Front", "percent": 201.0}, "200")],
)
def test_an_unknown_program_or_percent_is_refused(fields, why):
    accepted, text = world().ask("percent", **fields)
    assert not accepted
    assert why in text


def test_a_hold_wins_over_any_percent():
    small = world()
    small.ask("percent", program="Front", percent=150.0)
    small.ask("hold", until=datetime(2026, 6, 5, tzinfo=UTC))
    assert planned_min(small) == 0.0
