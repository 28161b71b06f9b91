"""A pump in an attended test: only behind a master that the person holds open, and never longer than that."""

from __future__ import annotations

import pytest

from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.pump_order import AHEAD_S, PumpHead, PumpOrder
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings

ZONE, MASTER, PUMP = 1, 2, 3
BY_HAND = "attended/well/2027-06-01T04:00:00Z/master"


@pytest.fixture
def core() -> KeeperCore:
    order = PumpOrder([PumpHead(PUMP, frozenset({ZONE}), MASTER)])
    core = KeeperCore(SimulatedDriver(SimulatedSettings(), 3), 3, pumps=order)
    core.expire(0.0)
    return core


def test_a_master_that_nobody_attends_lets_no_pump_start(core: KeeperCore) -> None:
    assert core.open(MASTER, "master/well/run", 90.0, 300.0, 1.0).ok
    assert "no valve lets its water out" in core.open(PUMP, "attended/well/x/pump", 90.0, 300.0, 2.0).why


def test_an_attended_master_does_and_the_pump_stops_before_it(core: KeeperCore) -> None:
    assert core.open(MASTER, BY_HAND, 90.0, 300.0, 1.0).ok
    assert core.open(PUMP, "attended/well/x/pump", 90.0, 300.0, 3.0).ok
    assert core.next_deadline_s() == 91.0 - AHEAD_S
    assert core.renew(MASTER, BY_HAND, 90.0, 21.0).ok and core.renew(PUMP, "attended/well/x/pump", 90.0, 21.0).ok
    closed = [closing.output for moment_s in (109.0, 111.0) for closing in core.expire(moment_s)]
    assert closed == [PUMP, MASTER]


def test_a_closed_master_stops_its_pump_first(core: KeeperCore) -> None:
    core.open(MASTER, BY_HAND, 90.0, 300.0, 1.0)
    core.open(PUMP, "attended/well/x/pump", 90.0, 300.0, 3.0)
    assert [closing.output for closing in core.close(MASTER, BY_HAND, 9.0, "ended").closings] == [PUMP, MASTER]
