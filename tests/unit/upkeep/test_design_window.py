"""Whether the hottest week fits into the nights the rules leave."""

from __future__ import annotations

from datetime import date, time

import numpy as np
import pytest
from tests.unit.sites import DayRule, Hours, Restriction, Supply, Watering, site, zone
from tests.unit.upkeep.cup_tables import CASES

from dewpond.brain.local_time import LocalDays
from dewpond.brain.rules_of_place import PlaceRules
from dewpond.upkeep.design import HotWeek, assumed_week, hottest_week, review
from dewpond.upkeep.design.window import need_of

WEEK = HotWeek(first=date(2027, 7, 5), eto_mm_d=7.0, source="test")  # a Monday


def watering(**changes):
    return Watering(**{"window": Hours(start=time(21), end=time(6)), "days": DayRule(), **changes})


def need(ground):
    return need_of(PlaceRules(ground, LocalDays(ground.timezone)), ground.zones[0], WEEK)


def window_codes(found):
    return [each.code for each in found if each.code.startswith("window")]


def test_the_published_window_leaves_fourteen_hours_a_night():
    """WW-01, 23 CCR 492.10: overhead from 8 p.m. to 10 a.m., 14 h."""
    i, expected = CASES["WW-01"]["inputs"], CASES["WW-01"]["expected"]
    hours = Hours(start=time.fromisoformat(i["start"]), end=time.fromisoformat(i["end"]))
    ground = site(zone(), watering=watering(window=hours))
    found = need(ground)
    assert found.room_s == pytest.approx(7 * expected["window_h"] * 3600)
    assert found.nights == 7


def test_a_week_is_refilled_by_rate_and_efficiency():
    """49 mm of ETo x 0.8 / 0.75 at 36 mm/h, and rests on every night."""
    ground = site(zone(intake_mm_h=40.0))
    found = need(ground)
    assert found.water_s == pytest.approx(3600 * 49 * 0.8 / 0.75 / 36)
    assert found.with_rests_s == found.water_s
    soaked = need(site(zone(intake_mm_h=3.0)))
    assert soaked.with_rests_s > soaked.water_s + 7 * 600


def test_enough_hours_are_not_told():
    assert window_codes(review(site(zone(), zone("bed", output=2)), week=WEEK)) == []


def test_two_nights_a_week_may_be_too_few_for_one_zone_with_its_rests():
    days = DayRule(kind="weekdays", weekdays=frozenset({0, 3}))
    ground = site(zone(intake_mm_h=3.0), watering=watering(window=Hours(start=time(1), end=time(5)), days=days))
    (found,) = [each for each in review(ground, week=WEEK) if each.code == "window_zone"]
    assert found.limit == pytest.approx(8.0)
    assert found.number > 8.0
    assert "2 nights" in found.what
    assert "a night" in found.remedy


def test_a_zone_that_no_night_is_left_to_is_told():
    closed = Restriction(
        name="closed",
        applies_to=frozenset({"all"}),
        days=DayRule(kind="weekdays"),
        hours=None,
        from_date=None,
        until_date=None,
    )
    (found,) = [each for each in review(site(zone(), restrictions=(closed,)), week=WEEK) if each.code == "window_zone"]
    assert "allow a night" in found.remedy


def test_many_zones_one_at_a_time_want_more_at_once_or_more_flow():
    zones = [zone(f"z{n}", output=n + 1, intake_mm_h=40.0, flow_l_min=20.0) for n in range(8)]
    short = watering(window=Hours(start=time(3), end=time(4)))
    big = Supply(id="main", source="well", capacity_l_min=200.0)
    (found,) = [
        each
        for each in review(site(*zones, watering=short, supplies=(big,)), week=WEEK)
        if each.code == "window_supply"
    ]
    assert found.number == pytest.approx(8 * 49 * 0.8 / 0.75 / 36)
    assert found.limit == pytest.approx(7.0)
    assert "raise max_open to 2" in found.remedy
    wider = watering(window=Hours(start=time(3), end=time(4)), max_open=2)
    assert window_codes(review(site(*zones, watering=wider, supplies=(big,)), week=WEEK)) == []
    small = Supply(id="main", source="well", capacity_l_min=25.0)
    (thin,) = [
        each
        for each in review(site(*zones, watering=wider, supplies=(small,)), week=WEEK)
        if each.code == "window_supply"
    ]
    assert "times the flow" in thin.remedy


def test_the_hottest_week_is_the_mean_of_each_years_hottest():
    days = np.array([(date(2026, 7, 1) - date(1970, 1, 1)).days + n for n in range(20)], dtype=float)
    eto = np.full(20, 4.0)
    eto[5:12] = 8.0
    later = days + 365
    found = hottest_week(np.concatenate([days, later]), np.concatenate([eto, eto - 1.0]), "a record")
    assert found.eto_mm_d == pytest.approx(7.5)
    assert found.first == date(2026, 7, 6)
    assert found.source == "hottest week of 2 years of a record"


def test_a_week_with_a_gap_is_no_week():
    days = np.arange(20000.0, 20013.0)
    eto = np.full(13, 5.0)
    eto[6] = np.nan
    assert hottest_week(days, eto, "a record") is None
    assert hottest_week(np.delete(days, 6), np.full(12, 5.0), "a record") is None
    assert assumed_week(site(zone())).first.month == 7
    assert assumed_week(site(zone(), latitude_deg=-30.0)).first.month == 1
