"""The keeper's order of pump and valves, whoever closes and whatever fails."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import pytest

from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.layout import read_layout
from dewpond_drivers.lock_file import Lock
from dewpond_drivers.pump_order import AHEAD_S, HANDOVER_S, PumpHead, PumpOrder, read_order

MASTER, A, B, OTHER, PUMP = 1, 2, 3, 4, 6
ORDER = PumpOrder([PumpHead(PUMP, frozenset({A, B}), MASTER)])
SITE_FILE = """
[relays]
driver = "simulated"
outputs = 6
[[supply]]
id = "well"
master = "relays:1"
[supply.pump]
output = "relays:6"
[[supply]]
id = "city"
[[zone]]
id = "a"
supply = "well"
output = 2
[[zone]]
id = "b"
supply = "well"
output = 3
[[zone]]
id = "c"
supply = "city"
output = 4
"""


class Board:
    """Relays that write their moves down; single ones refuse to move, or the whole board is unplugged."""

    def __init__(self, timed_on: bool = False) -> None:
        self.on = dict.fromkeys(range(1, 7), False)
        self.moves: list[tuple[int, bool]] = []
        self.refuses: set[int] = set()
        self.unplugged = False
        self.timed_on = timed_on
        self.told_s: dict[int, float] = {}

    def connect(self) -> None:
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        if self.unplugged:
            raise DriverUnreachable("nobody answers")
        if output in self.refuses:
            raise DriverRefused(f"relay {output} is welded")
        if self.on[output] is not on:
            self.on[output] = on
            self.moves.append((output, on))

    def open_for(self, output: int, seconds: float) -> None:
        self.set_output(output, True)
        self.told_s[output] = seconds

    def all_off(self) -> None:
        failed = []
        for output in self.on:
            try:
                self.set_output(output, False)
            except DriverRefused as fault:
                failed.append(fault)
        if failed:
            raise failed[0]

    def read_back(self) -> Mapping[int, bool | None]:
        return dict(self.on)

    def close(self) -> None:
        self.all_off()


class Plant:
    """A keeper core with a pump, its zones a and b, and a zone of another supply."""

    def __init__(self, *, timed_on: bool = False) -> None:
        self.board = Board(timed_on)
        self.core = KeeperCore(self.board, 6, pumps=ORDER)
        self.core.expire(0.0)

    def running(self, *outputs: int, planned_s: float = 600.0) -> Plant:
        for output in outputs:
            assert self.core.open(output, f"run/{output}", 90.0, planned_s, 0.0).ok
        self.board.moves.clear()
        return self

    def offs(self) -> list[int]:
        return [output for output, on in self.board.moves if not on]


def test_a_pump_does_not_start_against_shut_valves() -> None:
    plant = Plant().running(OTHER)
    for opened in ((), (A,), (MASTER,)):
        for output in opened:
            plant.core.open(output, f"run/{output}", 90.0, 600.0, 1.0)
        if set(opened) != {MASTER}:
            refused = plant.core.open(PUMP, "pump/well", 90.0, 600.0, 1.0)
            assert not refused.ok and "no valve lets its water out" in refused.why
    assert plant.core.open(PUMP, "pump/well", 90.0, 600.0, 1.0).ok


@pytest.mark.parametrize("who", ["person", "everything", "lease", "master", "lock"])
def test_the_pump_stops_before_its_last_valve_whoever_closes_it(who: str) -> None:
    plant = Plant().running(MASTER, A, PUMP)
    core = plant.core
    if who == "person":
        core.close(A, None, 10.0, "stopped by Ana")
    elif who == "everything":
        core.close_all(10.0, "stopped by Ana")
    elif who == "lease":
        core.expire(90.0)
    elif who == "master":
        core.close(MASTER, "run/1", 10.0, "done")
    else:
        lock = Lock(target="site", kind="winter", who="Ada", reason="", since="2027-11-01T00:00:00Z")
        core.close_all(10.0, lock.words())
    assert plant.offs()[0] == PUMP and len(plant.offs()) >= 2
    assert f"run/{PUMP}" in core.closings


def test_a_pump_goes_on_while_another_of_its_valves_is_open() -> None:
    plant = Plant().running(MASTER, A, B, PUMP)
    plant.core.close(A, None, 10.0, "stopped by Ana")
    assert plant.offs() == [A]
    plant.core.close(B, None, 11.0, "stopped by Ana")
    assert plant.offs() == [A, PUMP, B]


def test_from_zone_to_zone_the_pump_runs_on_and_no_longer_than_a_handover() -> None:
    plant = Plant().running(MASTER, A, PUMP)
    core = plant.core
    core.close(A, f"run/{A}", 10.0, "done")
    assert plant.offs() == [A]
    assert core.next_deadline_s() == 10.0 + HANDOVER_S
    assert core.open(B, "run/b", 90.0, 600.0, 10.5).ok
    assert core.opening(PUMP).lease_end_s == 90.0 - AHEAD_S  # as long as the master's lets it
    core.close(B, "run/b", 20.0, "done")
    core.expire(20.0 + HANDOVER_S)
    assert plant.offs() == [A, B, PUMP]


def test_the_lease_of_a_pump_ends_before_that_of_its_last_valve() -> None:
    plant = Plant().running(MASTER, A, PUMP)
    core = plant.core
    core.renew(PUMP, f"run/{PUMP}", 90.0, 20.0)
    assert core.opening(PUMP).lease_end_s == 90.0 - AHEAD_S
    core.renew(A, f"run/{A}", 90.0, 20.0)
    core.renew(PUMP, f"run/{PUMP}", 90.0, 20.0)
    assert core.opening(PUMP).lease_end_s == 90.0 - AHEAD_S  # the master's lease ends first
    core.renew(MASTER, f"run/{MASTER}", 90.0, 20.0)
    core.renew(PUMP, f"run/{PUMP}", 90.0, 20.0)
    assert core.opening(PUMP).lease_end_s == 110.0 - AHEAD_S
    core.expire(110.0 - AHEAD_S)
    assert plant.offs() == [PUMP]


def test_a_board_that_keeps_time_stops_the_pump_first_when_the_keeper_is_dead() -> None:
    plant = Plant(timed_on=True).running(MASTER, A, PUMP)
    assert plant.board.told_s[PUMP] < plant.board.told_s[A]
    plant.core.close(A, f"run/{A}", 10.0, "done")
    assert plant.board.told_s[PUMP] == HANDOVER_S


def test_a_pump_that_will_not_stop_keeps_no_valve_open_and_is_tried_again() -> None:
    plant = Plant().running(MASTER, A, PUMP)
    plant.board.refuses.add(PUMP)
    answer = plant.core.close(A, None, 10.0, "stopped by Ana")
    assert not answer.ok and "welded" in plant.core.alarm
    assert not plant.board.on[A] and not plant.core.ready
    plant.board.refuses.clear()
    plant.core.expire(plant.core.next_deadline_s())
    assert not any(plant.board.on.values()) and plant.core.ready


def test_an_unplugged_board_is_switched_off_when_it_is_back() -> None:
    plant = Plant().running(MASTER, A, PUMP)
    plant.board.unplugged = True
    assert not plant.core.close(A, None, 10.0, "stopped by Ana").ok
    plant.board.unplugged = False
    plant.core.expire(plant.core.next_deadline_s())
    assert not any(plant.board.on.values()) and plant.core.openings == ()


def test_a_valve_that_fails_to_open_leaves_no_pump_running_for_it() -> None:
    plant = Plant().running(MASTER, A, PUMP)
    plant.core.close(A, f"run/{A}", 10.0, "done")
    plant.board.refuses.add(B)
    assert not plant.core.open(B, "run/b", 90.0, 600.0, 10.5).ok
    assert PUMP in plant.offs() and not plant.board.on[PUMP]


def test_the_order_is_read_from_the_site_file_and_a_broken_one_has_no_pump(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE_FILE)
    order = read_order(path)
    assert order.pumps == (PUMP,)
    assert order.refusal(PUMP, {A: math.inf}) and not order.refusal(PUMP, {A: math.inf, MASTER: math.inf})
    assert not order.refusal(A, {})
    layout = read_layout(path)
    assert layout.outputs_of("supply:well") == (MASTER, A, B, PUMP)
    assert layout.outputs_of("site") == (MASTER, A, B, OTHER, PUMP)
    path.write_text("no site file [")
    assert read_order(path).pumps == ()
