"""A daemon that fails at every opening: the relays stay calm, the night is still watered once it is well."""

from __future__ import annotations

import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain import restarts
from dewpond.model.events import KeeperFound, ServiceStarted

DOWN_S = 8.0  # the service manager's five seconds and the start


def fail_and_start(world: SmallWorld) -> None:
    """The daemon dies, all outputs go off, and a new one comes up."""
    world.keeper.open_now.clear()
    world.clock.wait(world.now.elapsed_s + DOWN_S)
    at = world.now.wall
    started = ServiceStarted(at=at, site_digest="test", version="1", first=False)
    world.tell(started, KeeperFound(at=at, session="one", ready=True))


def test_a_daemon_that_fails_at_every_opening_switches_no_relay_six_times_a_minute():
    """It was down for most of the night, so that all openings are due at once."""
    world = SmallWorld(site(*(zone(f"z{number}", output=number) for number in range(1, 9))))
    world.until(20.8)
    world.plan()
    world.clock.wait(28.0 * 3600.0)
    opened_s: list[float] = []
    while world.now.elapsed_s < 30.0 * 3600.0:
        if world.keeper.open_now:
            opened_s.append(world.now.elapsed_s)
            fail_and_start(world)
        else:
            world.until((world.now.elapsed_s + 5.0) / 3600.0)
    assert len(opened_s) > 8, "it was tried, and each opening failed"
    most = max(sum(0.0 <= later_s - at_s < 60.0 for later_s in opened_s) for at_s in opened_s)
    assert 2 * most < 6, "each opening is a switching on and one off"
    assert "nothing opens by schedule" in world.state.alarms["fault/starts"].sentence


def test_a_daemon_that_is_well_again_waters_the_night():
    world = SmallWorld(site(zone("a", output=1), zone("b", output=2)))
    world.until(20.8)
    world.plan()
    for _ in range(12):
        fail_and_start(world)
    world.until(30.0)
    assert {run.zone for run in world.runs()} == {"a", "b"}


def test_a_person_does_not_wait():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    for _ in range(6):
        fail_and_start(world)
    assert world.ask("water", zone="lawn", seconds=60.0)[0] and world.keeper.open_now


def test_a_reboot_forgets_starts_of_another_elapsed_clock():
    world = SmallWorld(site())
    world.until(10.0)
    for _ in range(6):
        fail_and_start(world)
    later = restarts.replace(world.state, starts_s=tuple(start_s + 1e6 for start_s in world.state.starts_s))
    state, told = restarts.on_started(later, world.now)
    assert len(state.starts_s) == 1 and state.calm_from_s == world.now.elapsed_s and not told


@pytest.mark.parametrize(("starts", "pause_s"), [(1, 0), (2, 60), (3, 120), (4, 240), (5, 480), (6, 480), (5000, 480)])
def test_the_pause_doubles_up_to_its_limit(starts, pause_s):
    assert restarts.pause_after(starts) == pause_s
