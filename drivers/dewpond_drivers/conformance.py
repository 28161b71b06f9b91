"""What every relay driver must do, as checks that any package can run against its own board or a stand-in for it.

A ``Bench`` puts the driver and its counterpart together. With pytest::

    @pytest.mark.parametrize("check", conformance.CHECKS)
    def test_conforms(bench, check):
        check(bench)

Each check raises NotConforming with a sentence, or returns. A check that a bench cannot stage says so by ``can``.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable, ValveDriver
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.latching import LatchingRelays
from dewpond_drivers.valves import Valves, two_wire_fault

PATIENCE_S = 5.0  # the keeper waits no longer for one call
ABILITIES = frozenset({"see", "cut", "jam", "break"})


class NotConforming(AssertionError):
    """Raised when a driver does not do what the keeper relies on."""


class Bench(Protocol):
    """A driver and its counterpart on one table.

    ``can`` names what the bench is able to stage: "cut" the line, "jam" a relay (the board says yes and does nothing),
    "break" a relay (the board says no); and "see" where the driver reads the true state back.
    """

    outputs: int
    can: Collection[str]

    def make(self) -> ValveDriver:
        """A new driver for the same board; the bench closes it at its own end."""
        ...

    def relays(self) -> Mapping[int, bool]:
        """What the relays really do, by the counterpart's own word."""
        ...

    def force(self, output: int, on: bool) -> None:
        """Set a relay behind the driver's back."""
        ...

    def cut(self) -> None: ...

    def mend(self) -> None: ...

    def jam(self, output: int) -> None: ...

    def break_relay(self, output: int) -> None: ...

    def heal(self) -> None:
        """Undo every jam and break."""
        ...


def everything_is_off_after_connect(bench: Bench) -> None:
    """A board that was left on is off as soon as the driver has reached it, and again after a second connect."""
    bench.force(1, True)
    bench.force(bench.outputs, True)
    driver = bench.make()
    driver.connect()
    _all_off(bench, "after connect")
    driver.set_output(1, True)
    driver.connect()
    _all_off(bench, "after a second connect")
    driver.close()


def everything_is_off_after_close(bench: Bench) -> None:
    """Letting go of the board switches everything off; doing so twice is no fault."""
    driver = _connected(bench)
    driver.set_output(1, True)
    driver.set_output(2, True)
    driver.close()
    _all_off(bench, "after close")
    driver.close()


def each_output_switches_its_own_relay(bench: Bench) -> None:
    """Output n moves relay n and no other."""
    driver = _connected(bench)
    for output in range(1, bench.outputs + 1):
        driver.set_output(output, True)
        _expect(bench, {output}, f"with output {output} on")
        driver.set_output(output, False)
    driver.close()


def switching_is_idempotent(bench: Bench) -> None:
    """Saying the same twice changes nothing: a lost answer may be asked again. Nothing ever toggles."""
    driver = _connected(bench)
    for _ in range(3):
        driver.set_output(2, True)
        _expect(bench, {2}, "after the same on again")
    for _ in range(3):
        driver.set_output(2, False)
        _expect(bench, set(), "after the same off again")
    driver.close()


def all_off_switches_everything_off(bench: Bench) -> None:
    """Also what was switched on behind the driver's back."""
    driver = _connected(bench)
    driver.set_output(1, True)
    bench.force(bench.outputs, True)
    driver.all_off()
    _all_off(bench, "after all_off")
    driver.close()


def read_back_is_true_or_says_nothing(bench: Bench) -> None:
    """Every output is named; what is said is what the relays do, and None where the board cannot tell."""
    driver = _connected(bench)
    driver.set_output(2, True)
    bench.force(1, True)
    said, true = driver.read_back(), bench.relays()
    _require(set(said) == set(range(1, bench.outputs + 1)), f"read_back names {sorted(said)}, not every output")
    for output, on in said.items():
        _require(on is None or on == true[output], f"read_back says {on} for output {output}, which is {true[output]}")
    _require("see" not in bench.can or None not in said.values(), f"read_back cannot tell: {dict(said)}")
    driver.close()


def a_driver_that_is_not_connected_says_so(bench: Bench) -> None:
    """Before connect and after close every call but close raises DriverUnreachable."""
    driver = bench.make()
    _unreachable(driver, "before connect")
    driver.connect()
    driver.close()
    _unreachable(driver, "after close")


def a_cut_line_is_noticed_in_time(bench: Bench) -> None:
    """Every call ends within the keeper's patience with DriverUnreachable; no old state is told as a new one."""
    if "cut" not in bench.can:
        return
    driver = _connected(bench)
    driver.set_output(1, True)
    bench.cut()
    _raises_in_time(lambda: driver.set_output(1, False), "set_output with the line cut")
    _raises_in_time(driver.all_off, "all_off with the line cut")
    _raises_in_time(driver.connect, "connect with the line cut")
    try:
        said = driver.read_back()
    except DriverFault:
        said = {}
    _require(not any(on is not None for on in said.values()), f"read_back with the line cut says {dict(said)}")
    _in_time(driver.close, "close with the line cut")
    bench.mend()


def a_line_that_is_back_begins_with_everything_off(bench: Bench) -> None:
    """After the cut, connect works again and leaves every relay off."""
    if "cut" not in bench.can:
        return
    driver = _connected(bench)
    driver.set_output(1, True)
    bench.cut()
    _raises_in_time(lambda: driver.set_output(2, True), "set_output with the line cut")
    bench.mend()
    bench.force(1, True)
    driver.connect()
    _all_off(bench, "after the line was back")
    driver.set_output(2, True)
    _expect(bench, {2}, "after the line was back")
    driver.close()


def a_broken_relay_does_not_keep_the_others_on(bench: Bench) -> None:
    """all_off tries all outputs before it tells that one refused."""
    if "break" not in bench.can:
        return
    driver = _connected(bench)
    for output in (1, 2, bench.outputs):
        driver.set_output(output, True)
    bench.break_relay(2)
    try:
        driver.all_off()
    except DriverRefused:
        pass
    else:
        raise NotConforming("all_off does not tell that output 2 refused")
    _expect(bench, {2}, "after all_off with output 2 broken")
    bench.heal()
    driver.close()


def a_relay_that_does_not_act_is_found_out(bench: Bench) -> None:
    """A board that says yes and does nothing: the keeper, by the driver's word, refuses to open, and closes all."""
    if "jam" not in bench.can:
        return
    driver = bench.make()
    core = KeeperCore(driver, bench.outputs)
    core.expire(0.0)
    _require(core.ready, f"the keeper could not switch everything off: {core.alarm}")
    bench.jam(2)
    _require(not core.open(2, "run", 90.0, 600.0, 1.0).ok, "a relay that did not act passes for open")
    _all_off(bench, "after the opening that failed")
    bench.heal()
    _require(core.open(2, "run", 90.0, 600.0, 2.0).ok, "a healed relay does not open")
    bench.jam(2)
    _require(not core.close(2, "run", 3.0, "done").ok and not core.ready, "a relay stuck open passes for closed")
    bench.heal()
    core.expire(core.next_deadline_s())
    _require(core.ready, f"the keeper does not recover: {core.alarm}")
    _all_off(bench, "after the relay was healed")
    driver.close()


def a_word_on_cut_cables_is_given(bench: Bench) -> None:
    """The driver declares what its relays do when they are cut off, and whether they keep time themselves."""
    driver = bench.make()
    _require(driver.holds_when_cut_off in (True, False, None), "holds_when_cut_off must be True, False or None")
    _require(not driver.timed_on or hasattr(driver, "open_for"), "timed_on without open_for")


def latching_valves_get_one_pulse_at_a_time(bench: Bench) -> None:
    """Relay 1 gives the opening pulse and relay 2 the closing one; neither stays on, and both are never on at once."""
    pulses, core, driver = _latching(bench)
    _require(pulses == [{2}], f"at start the pulses are {pulses}; it should be one close pulse")
    _require(core.open(1, "run", 90.0, 600.0, 1.0).ok, f"a latching valve does not open: {core.alarm}")
    _require(pulses[1:] == [{1}], f"opening pulses {pulses[1:]}; it should be relay 1 alone")
    _all_off(bench, "after the opening pulse")
    core.expire(91.0)
    _require(pulses[2:] == [{2}], f"at the end of the lease the pulses are {pulses[2:]}; it should be relay 2 alone")
    core.expire(core.next_repeat_s())
    _require(pulses[3:] == [{2}], "the close pulse is not given again")
    _require(core.open(1, "run", 90.0, 600.0, 200.0).ok, "a latching valve does not open again")
    driver.close()
    _require(pulses[-1] == {2}, "letting go of the board gives no close pulse")
    _all_off(bench, "after close")


def a_latching_valve_is_not_thought_shut_without_its_pulse(bench: Bench) -> None:
    """A closing relay that says yes and does nothing is found out, and tried again until it obeys."""
    if not {"jam", "see"} <= set(bench.can):
        return
    pulses, core, driver = _latching(bench)
    _require(core.open(1, "run", 90.0, 600.0, 1.0).ok, f"a latching valve does not open: {core.alarm}")
    bench.jam(2)
    _require(not core.close(1, "run", 2.0, "done").ok and not core.ready, "a close pulse that was none passes for one")
    bench.heal()
    pulses.clear()
    core.expire(core.next_deadline_s())
    _require(core.ready and {2} in pulses, f"the valve is not closed once its relay obeys: {core.alarm}")
    driver.close()


def a_two_wire_driver_guarantees_closing(bench: Bench) -> None:
    """A driver for decoders on a two-wire path says how they close when they hear nothing; others need not."""
    fault = two_wire_fault(bench.make(), Valves())
    _require(not fault, fault)


CHECKS: tuple[Callable[[Bench], None], ...] = (
    everything_is_off_after_connect,
    everything_is_off_after_close,
    each_output_switches_its_own_relay,
    switching_is_idempotent,
    all_off_switches_everything_off,
    read_back_is_true_or_says_nothing,
    a_driver_that_is_not_connected_says_so,
    a_cut_line_is_noticed_in_time,
    a_line_that_is_back_begins_with_everything_off,
    a_broken_relay_does_not_keep_the_others_on,
    a_relay_that_does_not_act_is_found_out,
    a_word_on_cut_cables_is_given,
    latching_valves_get_one_pulse_at_a_time,
    a_latching_valve_is_not_thought_shut_without_its_pulse,
    a_two_wire_driver_guarantees_closing,
)


def _latching(bench: Bench) -> tuple[list[set[int]], KeeperCore, LatchingRelays]:
    """A keeper with one latching valve on relays 1 and 2; the list grows by the relays on in each pulse."""
    pulses: list[set[int]] = []

    def in_pulse(_seconds: float) -> None:
        pulses.append({output for output, on in bench.relays().items() if on})

    driver = LatchingRelays(bench.make(), {1: 2}, 0.1, in_pulse)
    core = KeeperCore(driver, bench.outputs, again=(1,))
    core.expire(0.0)
    _require(core.ready, f"the keeper could not close everything: {core.alarm}")
    return pulses, core, driver


def _connected(bench: Bench) -> ValveDriver:
    driver = bench.make()
    driver.connect()
    return driver


def _require(holds: bool, sentence: str) -> None:
    if not holds:
        raise NotConforming(sentence)


def _expect(bench: Bench, on: set[int], when: str) -> None:
    found = {output for output, state in bench.relays().items() if state}
    _require(found == on, f"relays {sorted(found)} are on {when}; it should be {sorted(on)}")


def _all_off(bench: Bench, when: str) -> None:
    _expect(bench, set(), when)


def _unreachable(driver: ValveDriver, when: str) -> None:
    calls: tuple[Callable[[], object], ...] = (lambda: driver.set_output(1, True), driver.all_off, driver.read_back)
    for call in calls:
        try:
            call()
        except DriverUnreachable:
            continue
        raise NotConforming(f"a call {when} does not raise DriverUnreachable")


def _in_time(call: Callable[[], object], what: str) -> list[BaseException]:
    """Make the call in a thread of its own; returns what it raised."""
    raised: list[BaseException] = []

    def work() -> None:
        try:
            call()
        except DriverFault as fault:
            raised.append(fault)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(PATIENCE_S)
    _require(not thread.is_alive(), f"{what} does not return within {PATIENCE_S:.0f} s")
    return raised


def _raises_in_time(call: Callable[[], object], what: str) -> None:
    raised = _in_time(call, what)
    _require(
        bool(raised) and isinstance(raised[0], DriverUnreachable), f"{what} raises {raised}, not DriverUnreachable"
    )
