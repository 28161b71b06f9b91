"""A keeper that cannot switch everything off is an alarm; one that has only begun, or is ready, is none."""

from __future__ import annotations

from sites import site, zone
from small_world import SmallWorld

from dewpond.model.events import KeeperFound, KeeperLost


def found(world: SmallWorld, *, ready: bool, alarm: str = "") -> None:
    world.tell(KeeperFound(at=world.now.wall, session="two", ready=ready, alarm=alarm))


def test_relays_that_could_not_be_switched_off_are_told_once_and_over_when_they_are() -> None:
    world = SmallWorld(site())
    found(world, ready=False)
    assert world.state.alarms == {}
    for _ in range(2):
        found(world, ready=False, alarm="the relays could not be switched off: relay 2 is welded")
    (alarm,) = world.state.alarms.values()
    assert alarm.kind == "relays_unsure" and "relay 2 is welded" in alarm.sentence
    assert "shut the water by hand" in alarm.sentence
    found(world, ready=True)
    assert world.state.alarms == {}


def test_a_lost_keeper_promises_two_minutes_only_where_valves_shut_without_current() -> None:
    for close_output, says in (
        (None, "may stay open until a keeper runs again: look"),
        (2, "a latching one even without power"),
    ):
        world = SmallWorld(site(zone("lawn", close_output=close_output)))
        world.tell(KeeperLost(at=world.now.wall, why="it has hung up"))
        assert says in world.state.alarms["keeper"].sentence
