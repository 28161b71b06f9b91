"""A watering asked for once, as after fertiliser: given whatever the balance says, counted by it, and then gone."""

from __future__ import annotations

from datetime import date

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.model.site import Program

TONIGHT = date(2026, 6, 1)
TOMORROW = date(2026, 6, 2)
MORNING = 30.0


def net_mm(world):
    return sum(run.gross_mm for run in world.runs()) * 0.75


def wet_world(**changes):
    world = SmallWorld(site(zone(**changes)), depletion_share=0.0)
    world.until(12.0)
    return world


def test_it_is_given_in_the_next_night_though_the_balance_needs_none_and_then_is_gone():
    world = wet_world()
    assert world.ask("water-in", zone="lawn", depth_mm=6.0) == (
        True,
        "Lawn is given 6 mm in the next allowed night.",
    )
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    assert net_mm(world) == pytest.approx(6.0, abs=0.1)
    assert "Ana asked for one watering, whatever the balance says" in world.state.reasons["lawn"].summary
    assert not world.state.water_ins
    world.weather(TONIGHT, eto_mm=0.5)
    world.until(44.8)
    world.plan(TOMORROW)
    world.until(24.0 + MORNING)
    assert net_mm(world) == pytest.approx(6.0, abs=0.1)


def test_the_balance_counts_it():
    world = wet_world()
    world.ask("water-in", zone="lawn", depth_mm=6.0)
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    for day in (TONIGHT, TOMORROW):
        world.until(24.0 * (2 if day == TOMORROW else 1.3))
        world.weather(day, eto_mm=5.0)
    assert sum(row.net_irrigation_mm for row in world.days()) == pytest.approx(6.0, abs=0.1)


def test_a_zone_that_needs_more_gets_its_need_and_no_more():
    world = SmallWorld(site())
    world.until(12.0)
    world.ask("water-in", zone="lawn", depth_mm=3.0)
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    assert net_mm(world) == pytest.approx(15.5, abs=0.1)
    assert not world.state.water_ins


def test_a_treatment_hold_stands_against_it_and_wins():
    world = wet_world()
    world.ask("hold", zone="lawn", until=world.in_hours(30.0), kind="treatment", reason="label says dry")
    accepted, text = world.ask("water-in", zone="lawn", depth_mm=6.0, until=world.in_hours(20.0))
    assert accepted
    assert "a hold for treatment until" in text
    assert "past the time it is wanted by" in text
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    assert world.runs() == []
    assert world.state.reasons["lawn"].decision == "held"
    assert "Ana asked for 6.0 mm once." in world.state.reasons["lawn"].limits
    world.until(36.0)
    assert not world.state.water_ins


@pytest.mark.parametrize("depth_mm", [0.0, -3.0, 40.0, None])
def test_depths_no_root_zone_takes_are_refused(depth_mm):
    accepted, text = wet_world().ask("water-in", zone="lawn", depth_mm=depth_mm)
    assert not accepted
    assert "17 mm in one night" in text


def test_a_zone_that_runs_by_programs_is_refused_with_the_remedy():
    program = Program(name="Front", zone_minutes={"lawn": 5.0}, starts=(), days=site().watering.days)
    world = SmallWorld(site(zone(rule="calendar"), programs=(program,)))
    accepted, text = world.ask("water-in", zone="lawn", depth_mm=5.0)
    assert not accepted
    assert "by hand instead" in text


def test_an_unknown_zone_is_refused():
    accepted, text = wet_world().ask("water-in", zone="moon", depth_mm=5.0)
    assert not accepted
    assert "no zone 'moon'" in text
