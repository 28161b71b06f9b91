"""A person's closing, past the daemon: the master above goes with the last zone, and with no other."""

from __future__ import annotations

import pytest

from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.layout import Layout
from dewpond_drivers.performing import perform
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings
from dewpond_drivers.wire import Request

LAYOUT = Layout(
    {"lawn": (1, "main"), "beds": (2, "main"), "pots": (3, "well")}, frozenset({"main", "well"}), {"main": 4}
)


@pytest.fixture
def core() -> KeeperCore:
    core = KeeperCore(SimulatedDriver(SimulatedSettings(), 4), 4)
    core.expire(0.0)
    for output in (1, 4):
        assert core.open(output, f"r{output}", 90.0, 600.0, 1.0).ok
    return core


def held(core: KeeperCore) -> list[int]:
    return sorted(opening.output for opening in core.openings)


def test_a_person_who_closes_the_last_zone_closes_the_master_too(core: KeeperCore) -> None:
    answer = perform(core, LAYOUT, Request(op="close", output=1, who="stopped by Ada"), 5.0)
    assert answer.ok and held(core) == []
    assert {closing.run: closing.why for closing in answer.closings} == dict.fromkeys(("r1", "r4"), "stopped by Ada")


def test_the_master_stays_while_another_zone_of_its_supply_runs(core: KeeperCore) -> None:
    core.open(2, "r2", 90.0, 600.0, 2.0)
    perform(core, LAYOUT, Request(op="close", output=1, who="stopped by Ada"), 5.0)
    assert held(core) == [2, 4]


def test_a_zone_of_another_supply_does_not_move_this_master(core: KeeperCore) -> None:
    core.open(3, "r3", 90.0, 600.0, 2.0)
    perform(core, LAYOUT, Request(op="close", output=3, who="stopped by Ada"), 5.0)
    assert held(core) == [1, 4]


def test_a_run_that_ends_leaves_the_master_to_the_daemon(core: KeeperCore) -> None:
    perform(core, LAYOUT, Request(op="close", output=1, run="r1"), 5.0)
    assert held(core) == [4]


def test_a_click_is_one_second_and_ends_by_itself() -> None:
    core = KeeperCore(SimulatedDriver(SimulatedSettings(), 4), 4)
    core.expire(0.0)
    assert perform(core, LAYOUT, Request(op="click", output=4), 5.0).ok and held(core) == [4]
    (closing,) = core.expire(core.next_deadline_s())
    assert closing.open_s == 1.0 and held(core) == []


def test_nothing_is_clicked_beside_an_open_valve(core: KeeperCore) -> None:
    answer = perform(core, LAYOUT, Request(op="click", output=2), 5.0)
    assert not answer.ok and "output 1 is open" in answer.why and held(core) == [1, 4]


@pytest.mark.parametrize("output", [1, 2, 3, 4])
def test_nothing_is_clicked_at_a_supply_with_a_pump(output: int) -> None:
    core = KeeperCore(SimulatedDriver(SimulatedSettings(), 4), 4)
    core.expire(0.0)
    layout = Layout({"lawn": (1, "well"), "beds": (2, "well")}, frozenset({"well"}), {"well": 3}, {"well": 4})
    answer = perform(core, layout, Request(op="click", output=output), 5.0)
    assert not answer.ok and "a supply with a pump" in answer.why and held(core) == []


def test_nothing_locked_is_clicked() -> None:
    core = KeeperCore(SimulatedDriver(SimulatedSettings(), 4), 4, refuse=lambda output: f"output {output} is locked")
    core.expire(0.0)
    assert perform(core, LAYOUT, Request(op="click", output=1), 5.0).why == "output 1 is locked"


def test_a_zone_is_closed_by_its_name_and_an_unknown_one_is_told(core: KeeperCore) -> None:
    assert not perform(core, LAYOUT, Request(op="close", target="lawm"), 5.0).ok
    answer = perform(core, LAYOUT, Request(op="close", target="lawn", who="stopped by Ada"), 5.0)
    assert answer.ok and held(core) == []
    assert "zones are beds, lawn, pots" in perform(core, LAYOUT, Request(op="close", target="x"), 6.0).why


def test_only_a_persons_closing_is_told_as_wished(core: KeeperCore) -> None:
    """The daemon gives the rest of what a fault closed, never of what a person did; no text decides that."""
    core.open(3, "r3", 90.0, 600.0, 2.0)
    answer = perform(core, LAYOUT, Request(op="close", output=1, who="stopped answering"), 5.0)
    assert [closing.wished for closing in answer.closings] == [False, False]
    answer = perform(core, LAYOUT, Request(op="close_all", who="Ada", wish=True), 6.0)
    assert [closing.wished for closing in answer.closings] == [True]
