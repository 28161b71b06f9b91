"""Latching valves: what pulses they get, in which order, and what happens when a pulse fails. Nobody waits here."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from dewpond_drivers.close_again import AGAIN_S
from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.latching import LatchingRelays

PAIRS = {1: 5, 2: 6}  # outputs 3 and 4 drive plain valves


class Valves:
    """Six relays, two latching valves behind them, and a record of every pulse as (relay, seconds)."""

    timed_on = False

    def __init__(self) -> None:
        self.on = dict.fromkeys(range(1, 7), False)
        self.open = {1: True, 2: True}  # as power failed
        self.pulses: list[tuple[int, float]] = []
        self.dead: set[int] = set()
        self.stuck: set[int] = set()
        self.unplugged = False
        self.welded = False

    def connect(self) -> None:
        """Reaches the board."""

    def set_output(self, output: int, on: bool) -> None:
        if self.unplugged:
            raise DriverUnreachable("nobody answers")
        if (on and output in self.dead) or (not on and output in self.stuck):
            return
        self.on[output] = on

    def all_off(self) -> None:
        for output in self.on:
            self.set_output(output, False)
        if self.welded:
            raise DriverRefused("relay 3 is welded")

    def read_back(self) -> Mapping[int, bool | None]:
        return dict(self.on)

    def close(self) -> None:
        self.all_off()

    def wait(self, seconds: float) -> None:
        on = [output for output, state in self.on.items() if state and output not in (3, 4)]
        for opening, closing in PAIRS.items():
            assert not (self.on[opening] and self.on[closing]), f"a short circuit through {opening} and {closing}"
            if on[-1] in (opening, closing):
                self.open[opening] = on[-1] == opening
        self.pulses.append((on[-1], seconds))

    def taken(self) -> list[int]:
        relays, self.pulses = [relay for relay, _ in self.pulses], []
        return relays


@pytest.fixture
def valves() -> Valves:
    return Valves()


@pytest.fixture
def relays(valves: Valves) -> LatchingRelays:
    return LatchingRelays(valves, PAIRS, 0.08, valves.wait)


@pytest.fixture
def core(valves: Valves, relays: LatchingRelays) -> KeeperCore:
    core = KeeperCore(relays, 6, again=tuple(PAIRS))
    core.expire(0.0)
    assert core.ready
    return core


def repeat(core: KeeperCore) -> list[float]:
    """Do all that is due to be repeated; when."""
    moments = []
    while math.isfinite(core.next_repeat_s()):
        moments.append(core.next_repeat_s())
        core.expire(moments[-1])
    return moments


def test_every_latching_valve_is_pulsed_shut_at_start(core: KeeperCore, valves: Valves) -> None:
    assert valves.pulses == [(5, 0.08), (6, 0.08)] and valves.open == {1: False, 2: False}
    assert not any(valves.on.values())


def test_close_pulses_are_repeated_a_few_times_and_then_no_more(core: KeeperCore, valves: Valves) -> None:
    valves.taken()
    moments = repeat(core)
    assert sorted(valves.taken()) == sorted([5, 6] * len(AGAIN_S)) and max(moments) == AGAIN_S[-1]


def test_opening_is_one_pulse_and_no_old_close_pulse_follows(core: KeeperCore, valves: Valves) -> None:
    valves.taken()
    assert core.open(1, "run", 90.0, 600.0, 1.0).ok
    assert valves.taken() == [1] and valves.open == {1: True, 2: False}
    repeat(core)
    assert set(valves.taken()) == {6} and valves.open[1]
    assert core.renew(1, "run", 90.0, 60.0).ok and valves.taken() == []


@pytest.mark.parametrize("how", ["lease", "close", "close_all", "by hand"])
def test_every_way_to_close_pulses_at_once_and_again(core: KeeperCore, valves: Valves, how: str) -> None:
    assert core.open(1, "run", 90.0, 600.0, 100.0).ok
    repeat(core)
    valves.taken()
    if how == "lease":
        (closing,) = core.expire(190.0)
    elif how == "close":
        (closing,) = core.close(1, "run", 190.0, "done").closings
    elif how == "close_all":
        (closing,) = core.close_all(190.0, "stopped").closings
    else:
        (closing,) = core.close(1, None, 190.0, "stopped").closings
    assert valves.taken()[0] == 5 and not valves.open[1] and closing.open_s == 90.0
    repeat(core)
    assert valves.taken().count(5) == len(AGAIN_S)


def test_the_open_valve_is_shut_first_of_many(core: KeeperCore, valves: Valves) -> None:
    core.open(2, "run", 90.0, 600.0, 100.0)
    valves.taken()
    core.close_all(101.0, "stopped")
    assert valves.taken() == [6, 5]


def test_a_stop_does_not_wait_for_repeated_pulses(core: KeeperCore, valves: Valves) -> None:
    valves.taken()
    core.expire(1000.0)  # all of them are overdue
    assert len(valves.taken()) == 1
    assert core.next_deadline_s() == math.inf


def test_a_relay_that_gives_no_close_pulse_raises_an_alarm_and_is_tried_for_ever(
    core: KeeperCore, valves: Valves
) -> None:
    core.open(1, "run", 90.0, 600.0, 100.0)
    valves.dead = {5}
    closed = core.close(1, "run", 110.0, "done")
    assert not closed.ok and not core.ready and "gave no pulse" in core.alarm and valves.open[1]
    assert not core.open(3, "other", 90.0, 600.0, 111.0).ok
    for _ in range(20):
        core.expire(core.next_deadline_s())
    assert valves.open[1] and not core.ready
    valves.dead = set()
    (closing,) = core.expire(core.next_deadline_s())
    assert core.ready and closing.run == "run" and not valves.open[1]


def test_a_repeated_pulse_that_fails_makes_the_keeper_close_everything(core: KeeperCore, valves: Valves) -> None:
    valves.dead = {6}
    repeat(core)
    assert not core.ready and "gave no pulse" in core.alarm


def test_a_relay_that_stays_on_is_an_alarm_and_its_counterpart_gives_no_pulse(core: KeeperCore, valves: Valves) -> None:
    valves.stuck = {1}
    assert not core.open(1, "run", 90.0, 600.0, 1.0).ok
    assert not core.ready and "stays on after its pulse" in core.alarm


def test_a_board_that_vanishes_in_a_pulse_is_reached_again_and_everything_closed(
    core: KeeperCore, valves: Valves
) -> None:
    def cut(_seconds: float) -> None:
        valves.unplugged = True

    core._driver._pause = cut  # type: ignore[attr-defined]
    assert not core.open(1, "run", 90.0, 600.0, 1.0).ok and not core.ready
    core._driver._pause = valves.wait  # type: ignore[attr-defined]
    valves.unplugged = False
    valves.taken()
    core.expire(core.next_deadline_s())
    assert core.ready and valves.taken() == [5, 6] and not any(valves.on.values())


def test_a_plain_relay_that_is_welded_keeps_no_latching_valve_open(core: KeeperCore, valves: Valves) -> None:
    core.open(1, "run", 90.0, 600.0, 1.0)
    valves.taken()
    valves.welded = True
    assert not core.close_all(2.0, "stopped").ok and not core.ready
    assert valves.taken()[:2] == [5, 6] and not valves.open[1]


def test_closing_relays_cannot_be_opened(relays: LatchingRelays) -> None:
    with pytest.raises(DriverRefused, match="gives close pulses"):
        relays.set_output(5, True)


def test_plain_valves_beside_latching_ones_keep_their_current(core: KeeperCore, valves: Valves) -> None:
    core.open(3, "plain", 90.0, 600.0, 1.0)
    core.open(1, "latching", 90.0, 600.0, 2.0)
    assert valves.on[3] and not valves.on[1]
    repeat(core)
    core.close(1, "latching", 100.0, "done")
    assert valves.on[3]


def test_letting_go_of_the_board_pulses_every_valve_shut(relays: LatchingRelays, valves: Valves) -> None:
    relays.close()
    assert valves.taken() == [5, 6] and valves.open == {1: False, 2: False}
