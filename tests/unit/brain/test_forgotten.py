"""What the keeper gave tonight and the daemon's memory does not hold is booked once, and told."""

from __future__ import annotations

from datetime import date

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.model.events import KeeperFound

NIGHT = date(2026, 6, 1)
RUN = "2026-06-01/lawn/refill/1"


def _in_the_night(depletion_share=1.0):
    """An hour into the night's window, with its plan made and nothing given yet."""
    world = SmallWorld(site(zone(rule="refill")), depletion_share=depletion_share)
    world.plan(NIGHT)
    world.until(22.0)
    return world


def _found(world, closed, ago_h=0.1, session="one"):
    at = world.in_hours(-ago_h)
    world.tell(
        KeeperFound(at=world.now.wall, session=session, ready=True, closed=closed, closed_at=dict.fromkeys(closed, at))
    )


def test_a_run_that_only_the_keeper_remembers_is_booked_and_told():
    world = _in_the_night()
    before_mm = float(world.state.soil.depletion_mm[0])
    _found(world, {RUN: 600.0})
    (run,) = [run for run in world.runs() if run.run_id == RUN]
    assert run.seconds == 600.0
    assert "put back from a copy" in run.note
    assert float(world.state.soil.depletion_mm[0]) <= before_mm
    (alarm,) = world.state.alarms.values()
    assert "older than its valves" in alarm.sentence


def test_it_is_not_given_again_in_the_same_night():
    world = _in_the_night()
    assert any(item.run_id == RUN for item in world.state.openings)
    _found(world, {RUN: 600.0})
    assert not any(item.run_id == RUN for item in world.state.openings)
    world.plan(NIGHT)
    assert not any(item.run_id == RUN for item in world.state.openings)


def test_it_is_booked_once_however_often_the_keeper_is_found():
    world = _in_the_night()
    _found(world, {RUN: 600.0})
    _found(world, {RUN: 600.0}, session="two")
    assert len([run for run in world.runs() if run.run_id == RUN]) == 1


@pytest.mark.parametrize(
    "run",
    ["2026-05-31/lawn/refill/1", "by-hand/3/lawn", "master/main/x", "2026-06-01/gone/refill/1", "2026-06-01/lawn"],
)
def test_other_nights_other_names_and_zones_that_are_gone_are_left_alone(run):
    world = _in_the_night()
    _found(world, {run: 600.0})
    assert not world.runs()
    assert not world.state.alarms


def test_what_ran_before_the_window_opened_is_no_news():
    world = _in_the_night()
    _found(world, {"2026-06-01/lawn/cooling/1": 60.0}, ago_h=8.0)
    assert not world.runs()


def test_a_run_that_is_on_record_is_not_booked_twice():
    world = _in_the_night()
    world.until(31.0)
    given = len(world.runs())
    assert given
    _found(world, {run.run_id: run.seconds for run in world.runs()}, session="two")
    assert len(world.runs()) == given
