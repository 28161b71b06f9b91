"""Stops that people gave past the daemon: nothing that they meant is resumed or begun, whatever had become of it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.model.events import KeeperFound, PersonsStop, ServiceStarted, StopsTold, ValveClosed


def world_of(**changes) -> SmallWorld:
    return SmallWorld(site(zone("a", output=1), zone("b", output=2), **changes), depletion_share=0.0)


def told(world: SmallWorld, ago_s: float = 0.0, *, zone: str = "", output: int = 0, number: str = "k/1") -> StopsTold:
    now = world.now
    stop = PersonsStop(
        id=number, zone=zone, output=output, who="stopped by Ana", at=now.wall - timedelta(seconds=ago_s)
    )
    return StopsTold(at=now.wall, stops=(stop,))


def closed_at_keeper(world: SmallWorld, output: int, why: str) -> ValveClosed:
    """The keeper has shut a valve by itself, as a stop past the daemon has it do."""
    run_id = world.keeper.open_now.pop(output)[0]
    return ValveClosed(at=world.now.wall, run_id=run_id, output=output, open_s=60.0, why=why)


@pytest.mark.parametrize("which", [{}, {"zone": "a"}, {"output": 1}])
def test_what_a_person_shut_at_the_keeper_is_not_resumed(which):
    world = world_of()
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.02)
    world.tell(told(world, **which), closed_at_keeper(world, 1, "stopped by Ana"))
    world.until(12.0)
    assert not world.keeper.open_now
    assert [run.zone for run in world.runs()] == ["a"]


def test_without_a_persons_wish_the_same_closing_is_a_fault_and_the_rest_is_given():
    world = world_of()
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.02)
    world.tell(closed_at_keeper(world, 1, "its lease ended without renewal"))
    world.until(12.0)
    assert [run.zone for run in world.runs()] == ["a", "a"]


def test_a_stop_given_while_no_daemon_ran_holds_when_the_next_one_finds_the_keeper():
    world = world_of()
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.02)
    found = KeeperFound(at=world.now.wall, session="life", ready=True, open_outputs={}, closed={"by-hand/1/a": 30.0})
    world.keeper.open_now.clear()
    started = ServiceStarted(at=world.now.wall, site_digest="", version="1", first=False)
    world.tell(started, told(world, ago_s=30.0), found)
    world.until(12.0)
    assert [run.seconds for run in world.runs()] == [30.0]
    assert not world.keeper.open_now


def test_the_master_that_closes_first_leaves_no_rest_to_its_zone():
    supply = Supply(
        id="main", capacity_l_min=60.0, static_pressure_kpa=400.0, source="potable", meter=None, master_output=3
    )
    world = SmallWorld(site(zone("a", output=1), supplies=(supply,)), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.05)
    assert sorted(world.keeper.open_now) == [1, 3]
    master = closed_at_keeper(world, 3, "stopped by Ana")
    world.tell(told(world, zone="a"), master, closed_at_keeper(world, 1, "stopped by Ana"))
    world.until(12.0)
    assert [run.zone for run in world.runs()] == ["a"]
    assert not world.keeper.open_now


def test_what_was_asked_after_the_stop_stays_and_a_stop_counts_once():
    world = world_of()
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.02)
    late = told(world, ago_s=3600.0)
    world.tell(late)
    world.until(10.03)
    assert list(world.keeper.open_now) == [1], "asked an hour after it"
    world.tell(told(world, number="k/2"))
    world.until(10.04)
    assert not world.keeper.open_now
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.05)
    world.tell(told(world, number="k/2"))
    world.until(10.06)
    assert list(world.keeper.open_now) == [1], "its number is known"


def test_a_stop_in_the_window_leaves_the_night_dry_and_one_at_noon_does_not():
    for hours, runs in ((27.0, 0), (12.0, 1)):
        world = SmallWorld(site())
        world.until(min(hours, 20.8))
        if hours > 20.8:
            world.plan()
        world.until(hours)
        world.tell(told(world))
        world.until(20.8)
        if hours < 20.8:
            world.plan()
        world.until(30.0)
        assert bool(world.runs()) == bool(runs), hours


def test_a_damaged_note_counts_as_a_stop_whatever_its_words_are():
    """Also for what is closing just then: the keeper's word for a damaged note names no person."""
    world = world_of()
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.02)
    at = world.now.wall
    stop = PersonsStop(id="damaged/1", zone="", output=0, who="the keeper, for stops.json is damaged", at=at)
    world.tell(StopsTold(at=at, stops=(stop,)))
    world.until(12.0)
    assert [run.zone for run in world.runs()] == ["a"]
    assert not world.keeper.open_now


@pytest.mark.parametrize("how", ["closed", "found"])
def test_the_keepers_own_word_that_a_person_wished_it_is_enough(how):
    world = world_of()
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.02)
    run_id = world.keeper.open_now.pop(1)[0]
    at = world.now.wall
    if how == "closed":
        world.tell(ValveClosed(at=at, run_id=run_id, output=1, open_s=60.0, why="Ana was here", wished=True))
    else:
        world.tell(KeeperFound(at=at, session="life", ready=True, closed={run_id: 60.0}, wished=(run_id,)))
    world.until(12.0)
    assert [run.seconds for run in world.runs()] == [60.0]
    assert not world.keeper.open_now
