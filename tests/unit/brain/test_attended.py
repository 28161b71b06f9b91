"""Attended tests: a main kept under water by a named person, for minutes, watched by the meter, and journalled."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.brain.attended import LONGEST_S, RENEW_S
from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import CloseValve, NoteMaintenance
from dewpond.model.events import KeeperFound, KeeperLock, LocksKnown, ReadingsArrived, ServiceStarted, ValveClosed
from dewpond.model.site import Pump, Sensor
from dewpond.runner.look import Look

MASTER = 8
SUPPLY = Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER, meter="main-meter")
METER = Sensor(id="main-meter", kind="flow", topic="yard/meter", mapping={"accumulation": "increment"})
ADA = {"target": "main", "by": "Ada", "reason": "heads looked at"}


@pytest.fixture
def world() -> SmallWorld:
    """One zone of 36 L/min behind a metered master, on a dry afternoon."""
    return SmallWorld(site(zone("lawn"), zone("beds", output=2), supplies=(SUPPLY,), sensors=(METER,)))


def flows(world: SmallWorld, l_min: float, seconds: float, window_s: float = 10.0) -> None:
    """Meter rows every so many seconds, as they come."""
    for _ in range(round(seconds / window_s)):
        world.until((world.now.elapsed_s + window_s) / 3600.0)
        litres = np.array([l_min * window_s / 60.0])
        time_s = np.array([world.now.wall.timestamp()])
        world.tell(
            ReadingsArrived(
                at=world.now.wall, sensor="main-meter", time_s=time_s, value=litres, window_s=np.array([window_s])
            )
        )


def later(world: SmallWorld, seconds: float) -> None:
    world.until((world.now.elapsed_s + seconds) / 3600.0)


def is_open(world: SmallWorld) -> bool:
    return MASTER in world.keeper.open_now


def notes(world: SmallWorld) -> list[NoteMaintenance]:
    wanted = [command for _, commands in world.store.commands for command in commands]
    return [command for command in wanted if isinstance(command, NoteMaintenance)]


def test_a_master_opens_for_a_named_person_and_closes_when_nothing_more_is_said(world: SmallWorld) -> None:
    accepted, text = world.ask("attend", **ADA)
    assert accepted and is_open(world)
    assert "opens for Ada until 00:05:00" in text and "more than 45 L/min closes it" in text and "Stay there" in text
    later(world, RENEW_S - 1.0)
    assert is_open(world)
    later(world, 2.0)
    assert not is_open(world)
    (note,) = notes(world)
    assert (note.who, note.target, note.reason) == ("Ada", "main", "heads looked at")
    assert note.outcome == "not said again within 5 min" and note.seconds == pytest.approx(RENEW_S, abs=1.0)


def test_said_again_it_stays_open_but_no_longer_than_a_quarter_of_an_hour(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    later(world, 240.0)
    assert "stays open for Ada until 00:09:00" in world.ask("attend", **ADA)[1]
    later(world, 240.0)
    assert world.ask("attend", **ADA)[0]
    later(world, 240.0)
    assert world.ask("attend", **ADA)[0]
    accepted, text = world.ask("attend", **ADA)
    assert not accepted and "ends at 00:15:00, 15 min after it began" in text
    later(world, LONGEST_S - 721.0)
    assert is_open(world)
    later(world, 2.0)
    assert not is_open(world) and notes(world)[0].outcome == "a quarter of an hour is over"


def test_only_its_person_renews_and_anybody_ends(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    accepted, text = world.ask("attend", **{**ADA, "by": "Bert"})
    assert not accepted and "Ada attends" in text
    assert world.ask("end-attended", target="main", by="Bert")[0] and not is_open(world)
    assert notes(world)[0].outcome == "ended by Bert (Ana)"
    assert world.ask("end-attended", target="main") == (False, "no attended test is on at main")


def test_what_is_drawn_by_hand_is_announced_to_the_pipe_watch(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    flows(world, 20.0, 120.0)
    world.ask("end-attended", target="main", by="Ada")
    flows(world, 20.0, 30.0)  # what still drains
    assert world.state.alarms == {} and world.state.blocked == {}
    assert notes(world)[0].litres == pytest.approx(40.0)


def test_the_same_flow_without_a_word_is_an_alarm(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    world.ask("end-attended", target="main", by="Ada")
    flows(world, 0.0, 120.0)
    flows(world, 20.0, 60.0)
    assert [alarm.kind for alarm in world.state.alarms.values()] == ["idle_flow"]


def test_a_flow_the_size_of_a_break_closes_all_the_same(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    flows(world, 60.0, 20.0)
    assert is_open(world)  # the main fills
    flows(world, 60.0, 10.0)
    assert not is_open(world)
    (alarm,) = world.state.alarms.values()
    assert alarm.kind == "main_break" and "60 L/min flowed during an attended test" in alarm.sentence
    assert world.state.block_on("lawn", "main") is not None
    assert notes(world)[0].outcome == "stopped: a flow the size of a break"
    assert world.ask("clear", reason=alarm.key)[0] and world.state.block_on("lawn", "main") is None


def test_a_large_draw_that_does_not_last_closes_nothing(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    for _ in range(3):
        flows(world, 60.0, 20.0)
        flows(world, 20.0, 10.0)
    assert is_open(world)


def test_nothing_else_opens_on_the_supply_meanwhile(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    accepted, text = world.ask("water", zone="lawn", seconds=300.0)
    assert not accepted and "Ada attends a test of main" in text
    world.ask("end-attended", target="main", by="Ada")
    assert world.ask("water", zone="lawn", seconds=300.0)[0]
    later(world, 10.0)
    accepted, text = world.ask("attend", **ADA)
    assert not accepted and "Lawn runs at main; stop it" in text


def test_a_stop_of_everything_ends_it(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    world.ask("stop")
    assert not is_open(world) and notes(world)[0].outcome.startswith("stopped by")
    assert world.state.attended.tests == {}


def test_a_lock_ends_it_and_lets_none_begin(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    lock = KeeperLock(target="supply:main", kind="work", who="Bert", reason="digging", since=None, outputs=(MASTER,))
    world.tell(LocksKnown(at=world.now.wall, locks=(lock,)))
    assert not is_open(world) and "Locked for work by Bert" in notes(world)[0].outcome
    accepted, text = world.ask("attend", **ADA)
    assert not accepted and "Locked for work by Bert" in text


def test_a_keeper_that_refuses_or_closes_ends_it(world: SmallWorld) -> None:
    world.keeper.refuses = "the relays do not answer"
    world.ask("attend", **ADA)
    assert not is_open(world)
    world.tell(KeeperFound(at=world.now.wall, session="two", ready=True))
    assert world.state.attended.tests == {} and "the keeper refused" in notes(world)[0].outcome
    world.keeper.refuses = ""
    world.ask("attend", **ADA)
    (run,) = [run for _, run in next(iter(world.state.attended.tests.values())).runs]
    world.tell(ValveClosed(at=world.now.wall, run_id=run, output=MASTER, open_s=5.0, why="its lease ended"))
    assert notes(world)[1].outcome == "its lease ended"


def test_a_restarted_daemon_ends_it(world: SmallWorld) -> None:
    world.ask("attend", **ADA)
    state = world.state
    assert from_plain(State, to_plain(state)).attended == state.attended
    world.tell(ServiceStarted(at=world.now.wall, site_digest="test", version="0", first=False))
    assert not is_open(world) and notes(world)[0].outcome == "the daemon was restarted"


def test_without_a_meter_it_says_that_no_break_is_seen() -> None:
    world = SmallWorld(site(zone("lawn"), supplies=(replace(SUPPLY, meter=None),)))
    assert "no meter sees a break here" in world.ask("attend", **ADA)[1]
    world.ask("end-attended", target="main", by="Ada")
    assert notes(world)[0].litres is None


@pytest.mark.parametrize(
    ("supply", "target", "says"),
    [(SUPPLY, "well", "no supply 'well' here"), (replace(SUPPLY, master_output=None), "main", "no master valve")],
)
def test_where_there_is_nothing_to_open_it_is_refused(supply: Supply, target: str, says: str) -> None:
    world = SmallWorld(site(zone("lawn"), supplies=(supply,), sensors=(METER,)))
    accepted, text = world.ask("attend", **{**ADA, "target": target})
    assert not accepted and says in text


PUMPED = replace(SUPPLY, pump=Pump(output=7, least_flow_l_min=10.0, rest_s=300.0), master_lead_s=2.0)


@pytest.fixture
def pumped() -> SmallWorld:
    return SmallWorld(site(zone("lawn"), supplies=(PUMPED,), sensors=(METER,)))


def test_a_pump_follows_its_master_and_stops_before_it(pumped: SmallWorld) -> None:
    accepted, text = pumped.ask("attend", **ADA)
    assert accepted and "a hand valve must be open" in text
    assert sorted(pumped.keeper.open_now) == [MASTER]
    later(pumped, 3.0)
    assert sorted(pumped.keeper.open_now) == [7, MASTER]
    (supply,) = Look(pumped.brain)(pumped.state, pumped.now).supplies
    assert supply.pump == "The pump runs for an attended test."
    assert supply.watching.startswith("attended test by Ada until 00:05:00: what is drawn by hand is announced")
    flows(pumped, 20.0, 200.0)
    assert pumped.ask("attend", **ADA)[0]
    pumped.ask("end-attended", target="main", by="Ada")
    assert pumped.keeper.open_now == {} and pumped.state.attended.tests == {}
    closed = [c.output for _, commands in pumped.store.commands for c in commands if isinstance(c, CloseValve)]
    assert closed == [7, MASTER]
    accepted, text = pumped.ask("attend", **ADA)
    assert not accepted and "the pump of main rests for another 5.0 min" in text


def test_a_pump_is_stopped_when_nothing_is_drawn(pumped: SmallWorld) -> None:
    pumped.ask("attend", **ADA)
    flows(pumped, 20.0, 30.0)
    flows(pumped, 5.0, 50.0)
    assert 7 in pumped.keeper.open_now
    flows(pumped, 5.0, 20.0)
    assert pumped.keeper.open_now == {} and notes(pumped)[0].outcome == "stopped: too little was drawn for the pump"


def test_a_pump_that_nobody_can_watch_is_not_started() -> None:
    world = SmallWorld(site(zone("lawn"), supplies=(replace(PUMPED, meter=None),)))
    accepted, text = world.ask("attend", **ADA)
    assert not accepted and "a pump and no meter" in text and world.keeper.open_now == {}
