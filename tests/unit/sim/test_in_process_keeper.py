"""The keeper in this process speaks with the same events as the one behind the socket."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import pytest

from dewpond.model.events import KeeperFound, Now, ValveClosed, ValveOpened, ValveRefused
from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings
from dewpond_sim.in_process_keeper import InProcessKeeper

START = datetime(2027, 6, 1, tzinfo=UTC)


def at(elapsed_s: float) -> Now:
    return Now(wall=START + timedelta(seconds=elapsed_s), elapsed_s=elapsed_s)


class Relays(SimulatedDriver):
    """Simulated relays that can be unplugged."""

    unplugged = False

    def set_output(self, output: int, on: bool) -> None:
        if self.unplugged:
            raise DriverUnreachable("nobody answers")
        super().set_output(output, on)

    def on(self) -> list[int]:
        states: Mapping[int, bool | None] = self._on
        return [output for output, state in states.items() if state]


@pytest.fixture
def relays() -> Relays:
    return Relays(SimulatedSettings(), 4)


def test_the_keeper_is_found_first_and_then_opens_and_closes(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4), lease_s=math.inf, renew_s=math.inf)
    assert keeper.next_renewal_s() == -math.inf
    (found,) = keeper.renew(at(0))
    assert isinstance(found, KeeperFound) and found.ready and found.open_outputs == {}
    assert keeper.next_renewal_s() == math.inf
    assert keeper.open("r1", 2, 600.0, at(10)) == [ValveOpened(at=at(10).wall, run_id="r1", output=2)]
    assert relays.on() == [2] and keeper.next_renewal_s() == 615.0
    closed = ValveClosed(at=at(610).wall, run_id="r1", output=2, open_s=600.0, why="done")
    assert keeper.close("r1", 2, at(610), "done") == [closed]
    assert keeper.close("r1", 2, at(620), "done") == [closed], "asked again, the same answer"
    assert relays.on() == []


def test_opening_before_the_first_renewal_works(relays: Relays) -> None:
    found, opened = InProcessKeeper(KeeperCore(relays, 4)).open("r1", 2, 600.0, at(10))
    assert isinstance(found, KeeperFound) and isinstance(opened, ValveOpened)


def test_what_nobody_closes_ends_5_s_after_the_plan(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4), lease_s=math.inf, renew_s=math.inf)
    keeper.open("r1", 2, 600.0, at(0))
    (closed,) = keeper.renew(at(keeper.next_renewal_s()))
    assert isinstance(closed, ValveClosed) and closed.open_s == 605.0 and relays.on() == []


def test_leases_are_renewed_only_by_being_asked(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4), lease_s=90.0, renew_s=20.0)
    keeper.open("r1", 2, 600.0, at(0))
    assert keeper.next_renewal_s() == 20.0
    assert keeper.renew(at(20)) == [] and keeper.next_renewal_s() == 40.0
    (closed,) = keeper.renew(at(110))
    assert isinstance(closed, ValveClosed) and "lease ended" in closed.why


def test_a_master_is_extended_and_open_since_its_first_opening(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4), lease_s=math.inf, renew_s=math.inf)
    keeper.open("master", 1, 60.0, at(0))
    assert keeper.open("master", 1, 300.0, at(50)) == [ValveOpened(at=at(0).wall, run_id="master", output=1)]
    assert keeper.next_renewal_s() == 355.0


def test_refusals_and_unknown_runs(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4))
    keeper.renew(at(0))
    (refused,) = keeper.open("r1", 9, 600.0, at(0))
    assert isinstance(refused, ValveRefused) and "no output 9" in refused.why
    (closed,) = keeper.close("never", 1, at(5), "done")
    assert isinstance(closed, ValveClosed) and closed.open_s == 0.0


def test_relays_that_vanish_make_the_keeper_not_ready_until_they_are_back(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4))
    keeper.open("r1", 2, 600.0, at(0))
    relays.unplugged = True
    (lost,) = keeper.close("r1", 2, at(10), "done")
    assert isinstance(lost, KeeperFound) and not lost.ready and lost.open_outputs == {2: "r1"}
    relays.unplugged = False
    now = at(keeper.next_renewal_s())
    closed, found = keeper.renew(now)
    assert isinstance(closed, ValveClosed) and closed.open_s == now.elapsed_s and closed.why == "done"
    assert isinstance(found, KeeperFound) and found.ready


def test_close_all_reports_every_run(relays: Relays) -> None:
    keeper = InProcessKeeper(KeeperCore(relays, 4))
    keeper.open("r1", 1, 600.0, at(0))
    keeper.open("r2", 2, 600.0, at(5))
    events = keeper.close_all(at(30), "stop")
    assert {event.run_id: event.open_s for event in events if isinstance(event, ValveClosed)} == {
        "r1": 30.0,
        "r2": 25.0,
    }
    assert keeper.next_renewal_s() == math.inf
