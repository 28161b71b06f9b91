"""The pipe watch in the daemon's own loop over simulated pipes: what breaks is told once, and the right valve moves."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from piped_yard import MASTER, Yard

from dewpond.brain import pipe_watch, rain_common
from dewpond.brain.ground import ground_of
from dewpond.model.commands import ClearAlarm
from dewpond.model.site import PipeLimits
from dewpond.runner.look import Look


@pytest.fixture(scope="module")
def sound() -> Yard:
    return Yard()


def test_sound_pipes_are_watched_and_nothing_is_said(sound):
    assert sound.alarms() == []
    memory = sound.state.pipes["main"]
    assert set(memory.watch.flows) == {"lawn", "bank", "hedge"}


def test_before_enough_runs_it_says_how_much_is_watched_and_never_that_nothing_leaks():
    yard = Yard(known=False)
    yard.water("lawn")
    watching = pipe_watch.watching(yard.brain.ground, yard.state, "main")
    assert watching.startswith("not watching yet: none of 3 zones is known")
    for _ in range(3):
        yard.water("lawn")
    watching = pipe_watch.watching(yard.brain.ground, yard.state, "main")
    assert watching.startswith("watching 1 of 3 zones, not watching the others")


def test_a_broken_lateral_stops_its_zone_within_a_minute_and_keeps_it_shut_by_schedule():
    yard = Yard()
    yard.pipes.conductance[1] *= 3.0
    yard.pipes.changed()
    yard.ask("water", zone="bank", seconds=900.0)
    yard.later(15.0)
    (alarm,) = yard.alarms()
    assert (alarm.kind, alarm.zone) == ("lateral_break", "bank")
    assert alarm.detail.startswith("Bank takes far more water than it usually does")
    assert "The zone was stopped" in alarm.detail and "L beyond usual" in alarm.detail
    run = yard.runs()[-1]
    assert run.zone == "bank" and run.seconds <= 90.0
    assert yard.state.block_on("bank", "main") is not None and yard.state.block_on("lawn", "main") is None
    yard.plan()
    assert yard.state.reasons["bank"].decision in ("held", "left dry")


def test_a_repaired_lateral_is_proved_by_one_run_by_hand():
    yard = Yard()
    sound_before = float(yard.pipes.conductance[1])
    yard.pipes.conductance[1] = 3.0 * sound_before
    yard.pipes.changed()
    yard.water("bank")
    yard.pipes.conductance[1] = sound_before
    yard.pipes.changed()
    yard.water("bank")
    yard.water("lawn")
    assert yard.state.blocked == {} and not yard.state.alarms
    assert [item.key for item in yard.store.recorded(ClearAlarm)] == ["pipes/main/lateral_break/bank"]


def test_a_zone_that_passes_nothing_is_closed_and_books_nothing():
    yard = Yard()
    yard.pipes.conductance[2] = 0.0
    yard.pipes.changed()
    booked = len(yard.state.soil.bookings)
    yard.water("hedge", 10.0)
    (alarm,) = yard.alarms()
    assert (alarm.kind, alarm.zone) == ("no_flow", "hedge")
    run = yard.runs()[-1]
    assert run.zone == "hedge" and run.seconds <= 120.0 and run.metered_litres == 0.0
    assert "nothing is booked" in run.note and len(yard.state.soil.bookings) == booked
    yard.water("lawn")
    assert yard.runs()[-1].seconds == 360.0, "the next zone goes on"


def test_a_valve_that_sticks_open_is_named_and_nothing_else_opens_there_by_schedule():
    yard = Yard()
    yard.keeper.stuck = {1}
    yard.water("lawn", 3.0)
    alarm = yard.alarms()[0]
    assert (alarm.kind, alarm.zone) == ("stuck_open", "lawn")
    block = yard.state.block_on("hedge", "main")
    assert block is not None and not block.behind_master
    yard.plan()
    assert yard.state.openings == ()


def test_a_broken_main_shuts_everything_until_a_person_clears_it():
    yard = Yard(master=MASTER)
    yard.later(15.0)
    yard.pipes.leak_conductance = 5.0
    yard.pipes.changed()
    yard.later(3.0)
    (alarm,) = yard.alarms()
    assert alarm.kind == "main_break" and "Shut the supply by hand" in alarm.detail
    assert yard.keeper.open_now == {}
    yard.pipes.leak_conductance = 0.0
    yard.pipes.changed()
    yard.later(30.0)
    assert yard.state.block_on("lawn", "main") is not None, "silence behind a closed master proves no repair"
    yard.plan()
    assert yard.state.openings == ()
    taken, _ = yard.ask("clear", reason=alarm.key)
    assert taken and yard.state.blocked == {} and not yard.state.alarms


def test_a_person_takes_a_changed_flow_as_usual():
    yard = Yard()
    yard.pipes.conductance[0] *= 0.7
    yard.pipes.changed()
    yard.water("lawn")
    assert [item.kind for item in yard.alarms()] == ["low_flow"]
    taken, text = yard.ask("as-usual", zone="lawn")
    assert taken and "Lawn" in text
    assert not yard.state.alarms
    for _ in range(4):
        yard.water("lawn")
    assert len(yard.alarms()) == 1


def rainy(rain_mm: float = 12.0, in_common: bool = True) -> Yard:
    """A yard with every zone known, after rain, whose valves' common may be cut by a rain switch."""
    yard = Yard()
    (supply,) = yard.site.supplies
    site = replace(yard.site, supplies=(replace(supply, rain_switch_in_common=in_common),))
    yard.brain.ground = ground_of(site)
    yard.runner.longest_sleep_s = 600.0
    yard.later(13 * 60.0)  # the good runs are half a day old
    yard.runner.longest_sleep_s = 10.0
    soil = replace(yard.state.soil, rain={date(2026, 6, 1): rain_mm})
    yard.runner.state = replace(yard.state, soil=soil)
    return yard


def cut(yard: Yard, *zones: int) -> None:
    for z in zones:
        yard.pipes.conductance[z] = 0.0
    yard.pipes.changed()


def test_zones_that_pass_nothing_after_rain_are_held_and_book_nothing():
    yard = rainy()
    cut(yard, 0, 1, 2)
    booked = len(yard.state.soil.bookings)
    yard.water("hedge", 10.0)
    yard.water("bank", 10.0)
    assert yard.alarms() == []
    assert len(yard.state.soil.bookings) == booked
    assert "rain switch holding" in yard.runs()[-1].note
    (hedge,) = (item for item in yard.site.zones if item.id == "hedge")
    assert rain_common.holding(yard.brain.ground, yard.state, hedge, yard.now.wall.timestamp())
    shown = {zone.id: zone.held for zone in Look(yard.brain)(yard.state, yard.now).zones}
    assert "rain switch holding" in shown["hedge"]


def test_without_rain_the_same_is_a_dead_zone():
    yard = rainy(rain_mm=0.0)
    cut(yard, 2)
    yard.water("hedge", 10.0)
    assert [alarm.kind for alarm in yard.alarms()] == ["no_flow"]


def test_without_a_switch_in_the_common_rain_excuses_nothing():
    yard = rainy(in_common=False)
    cut(yard, 2)
    yard.water("hedge", 10.0)
    assert [alarm.kind for alarm in yard.alarms()] == ["no_flow"]


def test_a_zone_that_is_dry_while_another_passes_water_is_told_at_its_next_opening():
    yard = rainy()
    cut(yard, 2)
    yard.water("hedge", 10.0)
    assert yard.alarms() == []
    yard.water("lawn")
    yard.water("hedge", 10.0)
    assert [(alarm.kind, alarm.zone) for alarm in yard.alarms()] == [("no_flow", "hedge")]


def limited(limits: PipeLimits, master: int | None = None) -> Yard:
    """A yard with every zone known, whose bank and supply have limits of their own."""
    yard = Yard(master=master)
    (supply,) = yard.site.supplies
    zones = tuple(replace(item, watch=limits) if item.id == "bank" else item for item in yard.site.zones)
    yard.brain.ground = ground_of(replace(yard.site, zones=zones, supplies=(replace(supply, watch=limits),)))
    return yard


def widened(yard: Yard, share: float) -> None:
    """More water for the bank: as from a crack or a head that is gone."""
    yard.pipes.conductance[1] *= share
    yard.pipes.changed()
    yard.water("bank", 10.0)


def test_an_owner_may_have_a_zone_run_on_with_what_would_usually_stop_it():
    yard = limited(PipeLimits(stop_above=3.0))
    widened(yard, 3.0)
    assert [(item.kind, item.facts["done"]) for item in yard.alarms()] == [("high_flow", "none")]
    assert yard.runs()[-1].seconds == 600.0 and yard.state.blocked == {}


def test_a_suspicion_stops_nothing_unless_the_owner_wants_it():
    told = limited(PipeLimits())
    widened(told, 1.3)
    assert [item.kind for item in told.alarms()] == ["high_flow"] and told.runs()[-1].seconds == 600.0
    stopped = limited(PipeLimits(suspicion_stops=True))
    widened(stopped, 1.3)
    (alarm,) = stopped.alarms()
    assert alarm.kind == "high_flow" and "The zone was stopped" in alarm.detail
    assert stopped.runs()[-1].seconds < 300.0 and stopped.state.block_on("bank", "main") is not None


def test_beyond_the_litres_an_owner_allows_an_idle_flow_closes_everything_until_it_is_cleared():
    yard = limited(PipeLimits(idle_l=40.0), master=MASTER)
    yard.later(15.0)
    yard.pipes.leak_conductance = 0.15
    yard.pipes.changed()
    yard.later(20.0)
    first, second = yard.alarms()
    assert first.kind == second.kind == "idle_flow" and first.facts["done"] == "none"
    assert "the site file allows 40 L" in second.detail and 40.0 <= second.facts["lost_l"] < 60.0
    yard.plan()
    assert yard.state.openings == () and yard.state.block_on("lawn", "main") is not None
    assert yard.ask("clear", reason=second.key)[0] and yard.state.blocked == {}
    assert yard.state.pipes["main"].idle_l == 0.0
