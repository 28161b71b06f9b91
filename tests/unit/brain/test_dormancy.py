"""A dormant zone gets nothing but the crown-saving water that its site file asks for."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

from sites import site, zone
from small_world import SmallWorld

from dewpond.model.commands import RecordReason
from dewpond.model.site import Dormancy

FIRST = date(2026, 6, 1)
RESTING = Dormancy(first=(5, 1), last=(7, 31), depth_mm=6.0, every_days=10.0)


def season(dormant, days, rain_mm=0.0, **changes):
    """Days of 5 mm of reference ET, planned every evening."""
    world = SmallWorld(site(zone(dormant=dormant, **changes)), depletion_share=0.2)
    for n in range(days):
        world.until(24.0 * n + 20.8)
        world.plan(FIRST + timedelta(days=n))
        world.until(24.0 * (n + 1) + 0.1)
        world.weather(FIRST + timedelta(days=n), eto_mm=5.0, rain_mm=rain_mm)
    world.until(24.0 * days + 7.0)
    return world


def nights(world):
    return sorted({(run.start - timedelta(hours=17)).date() for run in world.runs()})


def test_it_gets_the_depth_once_in_its_interval_and_nothing_else():
    world = season(RESTING, 12)
    watered = nights(world)
    assert len(watered) == 2
    assert all((b - a).days >= 10 for a, b in pairwise(watered))
    net_mm = sum(run.gross_mm for run in world.runs()) * 0.75
    assert abs(net_mm - 6.0 * len(watered)) < 0.1 * len(watered)


def test_the_reason_says_what_the_water_is_for_and_when_it_is_not_due():
    world = season(RESTING, 3)
    told = [row.reason for row in world.store.recorded(RecordReason)]
    watered = [reason for reason in told if reason.decision == "water"]
    assert "to save its crowns" in watered[0].summary
    assert "not due" in " ".join(world.state.reasons["lawn"].sentences())


def test_rain_saves_the_crowns_as_well():
    assert season(RESTING, 12, rain_mm=8.0).runs() == []


def test_without_a_depth_it_stays_dry_however_dry_it_is():
    assert season(Dormancy(first=(5, 1), last=(7, 31)), 12).runs() == []


def test_a_person_s_wish_waits_until_it_wakes():
    world = SmallWorld(site(zone(dormant=replace(RESTING, depth_mm=20.0))), depletion_share=0.1)
    assert "dormant" in world.ask("water-in", zone="lawn", depth_mm=8.0)[1]
    world.until(20.8)
    world.plan(FIRST)
    world.until(30.5)
    assert world.runs() == []
