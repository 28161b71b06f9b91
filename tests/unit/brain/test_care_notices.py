"""Reminders of the calendar of care on the way of every notice: topic, status, list, until they are done."""

from __future__ import annotations

from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import PublishState
from dewpond.model.events import CareTold
from dewpond.runner.look import Look

TEST = {"device/backflow-main": "Backflow test is due on 2026-06-30."}


def told(world, due):
    """What the brain publishes on hearing the calendar's word."""
    step = world.brain.step(world.state, [CareTold(at=world.now.wall, due=due)], world.now)
    world.tell(CareTold(at=world.now.wall, due=due))
    return [command.body for command in step.commands if isinstance(command, PublishState) and command.topic == "alarm"]


def sentences(world):
    return [alarm.sentence for alarm in Look(world.brain)(world.state, world.now).alarms if alarm.kind == "care_due"]


def test_a_reminder_is_told_once_and_stands_until_it_is_done():
    world = SmallWorld(site(zone()))
    first = told(world, TEST)
    assert [body["text"] for body in first] == list(TEST.values())
    assert sentences(world) == list(TEST.values())
    assert told(world, TEST) == []
    assert told(world, {"device/backflow-main": "Backflow test is due since 2026-06-30."}) == []
    assert sentences(world) == ["Backflow test is due since 2026-06-30."]
    over = told(world, {})
    assert [body["kind"] for body in over] == ["cleared"]
    assert sentences(world) == []


def test_a_reminder_keeps_no_zone_from_its_water_and_outlives_a_restart():
    world = SmallWorld(site(zone()))
    world.tell(CareTold(at=world.now.wall, due=TEST))
    world.until(16.0)
    world.plan()
    world.until(30.0)
    assert world.runs()
    kept = from_plain(State, to_plain(world.state))
    assert kept.alarms["care/device/backflow-main"].sentence == TEST["device/backflow-main"]
