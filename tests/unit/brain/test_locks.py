"""Locks as the brain knows them: nothing is planned, tried or promised where the keeper would refuse it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import KeeperFound, KeeperLock, LocksKnown, ServiceStarted
from dewpond.runner.look import Look

SINCE = datetime(2026, 6, 1, 14, 30, tzinfo=UTC)
ADA = KeeperLock(target="lawn", kind="work", who="Ada", reason="new lateral", since=SINCE, outputs=(3,))
WINTER = replace(ADA, target="site", kind="winter", reason="", outputs=())
WORDS = "Locked for work by Ada since 2026-06-01 09:30: new lateral"


@pytest.fixture
def world():
    world = SmallWorld(site(zone(output=3), zone("beds", output=4)))
    world.until(16.0)
    return world


def lock(world, *locks):
    world.tell(LocksKnown(at=world.now.wall, locks=locks))


def ran(world):
    return {run.zone for run in world.runs()}


def seen(world, zone_id):
    view = Look(world.brain)(world.state, world.now)
    return next(item for item in view.zones if item.id == zone_id), view


def test_a_locked_zone_is_held_by_the_plan_and_its_neighbour_runs(world):
    lock(world, ADA)
    world.plan()
    reason = world.state.reasons["lawn"]
    assert reason.decision == "held" and reason.summary.startswith(f"{WORDS}; ")
    world.until(30.0)
    assert ran(world) == {"beds"}


def test_a_planned_opening_is_dropped_when_the_lock_comes(world):
    world.plan()
    assert {item.zone for item in world.state.openings} == {"lawn", "beds"}
    lock(world, ADA)
    assert {item.zone for item in world.state.openings} == {"beds"}
    world.until(30.0)
    assert ran(world) == {"beds"}


def test_an_unlocked_zone_is_watered_in_the_same_night(world):
    lock(world, ADA)
    world.plan()
    lock(world)
    world.until(30.0)
    assert ran(world) == {"lawn", "beds"}


@pytest.mark.parametrize("locks", [(ADA,), (WINTER,)])
def test_what_runs_is_closed_and_does_not_resume(world, locks):
    assert world.ask("water", zone="lawn", seconds=600.0)[0]
    world.until(16.1)
    assert 3 in world.keeper.open_now
    lock(world, *locks)
    assert world.keeper.open_now == {}
    (run,) = world.runs()
    assert run.note.startswith("stopped: locked for work by Ada" if locks == (ADA,) else "stopped: closed for winter")
    assert not world.state.openings


def test_a_remainder_is_dropped_and_never_tried(world):
    world.plan()
    while 3 not in world.keeper.open_now:
        world.until((world.now.elapsed_s + 60.0) / 3600.0)
    world.keeper.open_now.clear()
    world.tell(KeeperFound(at=world.now.wall, session="two", ready=False))
    assert any(item.resumed and item.zone == "lawn" for item in world.state.openings)
    lock(world, ADA)
    world.tell(KeeperFound(at=world.now.wall, session="two", ready=True))
    assert not any(item.zone == "lawn" for item in world.state.openings)
    assert 3 not in world.keeper.open_now


def test_water_by_hand_is_refused_with_the_words_of_the_lock(world):
    lock(world, ADA)
    accepted, text = world.ask("water", zone="lawn", seconds=600.0)
    assert not accepted and WORDS in text
    assert world.ask("water", zone="beds", seconds=600.0)[0]


def test_winter_holds_every_zone(world):
    lock(world, WINTER)
    world.plan()
    assert {reason.decision for reason in world.state.reasons.values()} == {"held"}
    assert "Closed for winter by Ada since 2026-06-01 09:30" in world.state.reasons["beds"].summary
    assert not world.ask("water", zone="beds", seconds=60.0)[0]
    world.until(30.0)
    assert not world.runs()


def test_a_locked_master_keeps_its_zones_shut():
    base = site(zone(output=3))
    supply = replace(base.supplies[0], master_output=1)
    world = SmallWorld(replace(base, supplies=(supply,)))
    lock(world, replace(ADA, outputs=(1,)))
    assert not world.ask("water", zone="lawn", seconds=60.0)[0]


def test_screens_show_the_lock(world):
    lock(world, ADA)
    lawn, view = seen(world, "lawn")
    assert lawn.held == f"l{WORDS[1:]}" and seen(world, "beds")[0].held == ""
    assert [(item.target, item.who, item.sentence) for item in view.locks] == [("lawn", "Ada", WORDS)]
    topic, body = next(item for item in reversed(world.bus.published) if item[0].endswith("locks"))
    assert topic == "locks" and body["locks"][0]["text"] == WORDS


def test_locks_survive_a_restart_of_the_daemon_before_the_keeper_is_heard(world):
    lock(world, ADA)
    again = from_plain(State, to_plain(world.state))
    assert again.locks == (ADA,)
    event = LocksKnown(at=SINCE, locks=(ADA, WINTER))
    assert from_plain(LocksKnown, to_plain(event)) == event
    world.tell(ServiceStarted(at=world.now.wall, site_digest="", version="", first=False))
    assert world.state.locks == (ADA,)


def test_locks_that_the_keeper_has_lost_are_an_alarm_until_they_are_in_order(world):
    lock(world, replace(ADA, target="site", kind="damaged", who="the keeper", reason="locks.json is damaged"))
    assert "locks.json is damaged" in world.state.alarms["locks"].sentence
    lock(world, ADA)
    assert "locks" not in world.state.alarms
