"""What is on record of an opening that ended while nobody looked, or that gave nothing."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sites import DayRule, Hours, Program, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.brain.closing import finish
from dewpond.brain.openings import DONE
from dewpond.model.commands import RecordRun
from dewpond.model.copying import replace
from dewpond.model.events import KeeperFound, KeeperLost, ValveClosed
from dewpond.model.states import Ending, ValveState

LEASE_WORD = "its lease ended without renewal"


def running(seconds: float = 600.0):
    """A world in which a watering by hand has just begun, and that opening."""
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=seconds)
    (item,) = world.state.openings
    return world, item


def record_of(told) -> RecordRun:
    (row,) = (command for command in told[1] if isinstance(command, RecordRun))
    return row


def test_an_opening_found_past_its_end_that_shut_before_it_is_not_called_done():
    world, item = running()
    closing = replace(item, state=ValveState.CLOSING, close_cause=DONE, ending=Ending.DONE)
    short = finish(world.brain.ground, world.state, closing, 180.0, LEASE_WORD, world.now)
    assert LEASE_WORD in record_of(short).note
    assert [left.seconds for left in short[0].openings] == [420.0], "the rest is taken up again"
    whole = finish(world.brain.ground, world.state, closing, 599.5, LEASE_WORD, world.now)
    assert record_of(whole).note == "" and whole[0].openings == ()


@pytest.mark.parametrize("told", ["closed", "found"])
def test_an_opening_that_nobody_heard_begin_is_recorded_when_it_was_and_not_when_it_was_learnt(told):
    world, item = running()
    asked, ended = world.now.wall, world.now.wall + timedelta(seconds=90.0)
    unheard = replace(item, state=ValveState.OPENING, opened_at=None)
    world.runner.state = replace(world.state, openings=(unheard,))
    held, _ = world.keeper.open_now.pop(item.output)
    world.clock.wait(world.now.elapsed_s + 3000.0)
    if told == "closed":
        world.tell(ValveClosed(at=ended, run_id=held, output=item.output, open_s=90.0, why=LEASE_WORD))
    else:
        known = {"closed": {held: 90.0}, "closed_at": {held: ended}}
        world.tell(KeeperFound(at=world.now.wall, session="one", ready=True, **known))
    assert (world.runs()[0].start, world.runs()[0].end) == (asked, ended)


def test_water_that_was_promised_and_never_given_leaves_a_record_that_says_why():
    world, item = running()
    world.tell(
        ValveClosed(
            at=world.now.wall, run_id=item.run_id, output=item.output, open_s=0.0, why="stopped: by Ana", wished=True
        )
    )
    (row,) = world.runs()
    assert (row.seconds, row.litres, row.note) == (0.0, 0.0, "stopped: by Ana")


def test_an_opening_cut_by_a_cap_says_so_on_record():
    world = SmallWorld(site(zone(day_cap_s=600.0)))
    world.until(20.8)
    world.plan()
    world.until(24.5)
    world.runner.state = replace(world.state, ran={"lawn": ((world.now.wall.timestamp(), 300.0),)})
    world.until(30.0)
    cut = [run for run in world.runs() if "cut from" in run.cause]
    assert cut and "by the day's cap of 10 min" in cut[-1].cause


def test_an_opening_whose_begin_was_not_heard_and_that_is_found_open_runs_to_its_own_end():
    world, item = running()
    began = world.now.wall
    unheard = replace(item, state=ValveState.OPENING, opened_at=None, opened_elapsed_s=0.0)
    world.runner.state = replace(world.state, openings=(unheard,))
    world.clock.wait(world.now.elapsed_s + 50.0)
    held = {"open_outputs": {item.output: item.run_id}, "opened_at": {item.run_id: began}}
    world.tell(KeeperFound(at=world.now.wall, session="one", ready=True, **held))
    world.until(12.0)
    (run,) = world.runs()
    assert (run.start, run.seconds, run.note) == (began, 600.0, "")


def test_openings_whose_hours_end_while_the_keeper_is_away_leave_a_row_each_with_the_reason():
    beds = Program(name="Beds", zone_minutes={"a": 6.0, "b": 10.0}, starts=(time(5), time(9)), days=DayRule())
    zones = (zone("a", output=1, rule="calendar"), zone("b", output=2, rule="calendar"))
    whole_day = Watering(window=Hours(start=time(0), end=time(0)), days=DayRule())
    world = SmallWorld(site(*zones, programs=(beds,), watering=whole_day))
    world.plan()
    world.tell(KeeperLost(at=world.now.wall, why="it is dead"))
    world.until(25.0)
    world.tell(KeeperFound(at=world.now.wall, session="two", ready=True))
    world.until(26.0)
    rows = [(run.zone, run.seconds, run.litres, run.note) for run in world.runs()]
    late = "not given: its hours ended before it could begin"
    assert sorted(rows) == [("a", 0.0, 0.0, late), ("a", 0.0, 0.0, late), ("b", 0.0, 0.0, late), ("b", 0.0, 0.0, late)]


@pytest.mark.parametrize("why", ["stopped answering", "stop bit missing on the serial line"])
def test_words_of_a_fault_that_begin_like_a_stop_take_nothing_from_the_plants(why):
    world, item = running()
    told = finish(world.brain.ground, world.state, item, 180.0, why, world.now)
    assert [left.seconds for left in told[0].openings] == [420.0]


def test_what_the_keeper_shut_for_a_person_is_not_given_whatever_its_words_are():
    world, item = running()
    told = finish(world.brain.ground, world.state, item, 180.0, "Ana pressed the red button", world.now, wished=True)
    assert told[0].openings == ()
