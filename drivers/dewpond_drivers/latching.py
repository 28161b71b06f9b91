"""Latching valves on plain relays: one relay gives the pulse that opens a valve, another the pulse that closes it.

The keeper goes on thinking in open and shut; here that becomes pulses. A latching valve stays as it is when power
fails, and nobody can see how it stands, so its close pulse is given on every occasion.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from functools import partial
from typing import cast

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable, Relays, TimedRelays


def wait_in_real_time(seconds: float) -> None:
    """A coil heats up in real time, whatever clock the keeper runs on."""
    threading.Event().wait(seconds)


class LatchingRelays:
    """The relays of a board, some of them in pairs that pulse latching valves.

    Parameters
    ----------
    relays : Relays        The board; nobody else may use it.
    pairs : mapping        Closing output by opening output. The other outputs are switched as ever.
    pulse_s : float        How long a coil gets current. [s]
    pause : callable       Waits so many seconds.
    """

    def __init__(
        self,
        relays: Relays,
        pairs: Mapping[int, int],
        pulse_s: float,
        pause: Callable[[float], None] = wait_in_real_time,
    ) -> None:
        self._relays = relays
        self._pairs = dict(pairs)
        self._closers = frozenset(pairs.values())
        self._pulse_s = pulse_s
        self._pause = pause
        self._opened: dict[int, None] = {}  # valves that had an opening pulse last, or may have had one
        self._seen: Mapping[int, bool | None] = {}  # the relays when last looked at between two pulses
        self.timed_on = relays.timed_on

    def connect(self) -> None:
        """Reach the board; no relay is on afterwards. The valves are closed by the ``all_off`` that must follow."""
        self._relays.connect()

    def set_output(self, output: int, on: bool) -> None:
        """Pulse a latching valve, or switch a plain one."""
        if output in self._closers and on:
            raise DriverRefused(f"output {output} gives close pulses and cannot be opened")
        if output not in self._pairs:
            self._relays.set_output(output, on)
        elif on:
            self._opened[output] = None
            self._pulse(output, self._pairs[output])
        else:
            self._close(output)

    def open_for(self, output: int, seconds: float) -> None:
        """As the board's own timed switching; a latching valve that was opened already is left alone."""
        if output not in self._pairs:
            cast(TimedRelays, self._relays).open_for(output, seconds)
        elif output not in self._opened:
            self.set_output(output, True)

    def all_off(self) -> None:
        """Every relay off, then a close pulse for every latching valve, those that may be open first."""
        refusals = _refusals(self._relays.all_off)
        self._seen = dict(self._relays.read_back())
        for output in dict.fromkeys([*self._opened, *self._pairs]):
            refusals += _refusals(partial(self._close, output))
        if refusals:
            raise DriverRefused("; ".join(refusals))

    def read_back(self) -> Mapping[int, bool | None]:
        """How the plain outputs are; how a latching valve stands nobody can see, but no pulse may go on and on."""
        self._seen = said = dict(self._relays.read_back())
        for output in (*self._pairs, *self._closers):
            if said.get(output):
                raise DriverRefused(f"relay {output} stays on after its pulse; the coil gets hot")
        return said | dict.fromkeys(self._pairs)

    def close(self) -> None:
        """A last close pulse for every latching valve, as far as the board still obeys, and let go of it."""
        for output in self._pairs:
            try:
                self._close(output)
            except DriverUnreachable:
                break
            except DriverFault:
                continue  # the other valves must be closed all the same, and nobody is there to be told
        self._relays.close()

    def _close(self, output: int) -> None:
        self._pulse(self._pairs[output], output)
        self._opened.pop(output, None)

    def _pulse(self, relay: int, other: int) -> None:
        """Current for a moment, never together with the valve's other relay: both at once are a short circuit.

        A relay that is seen not to act is told; whatever happens, it is switched off again.
        """
        if self._seen.get(other):
            raise DriverRefused(
                f"relay {other} stays on after its pulse, so relay {relay} may give none; cut its power"
            )
        try:
            self._relays.set_output(relay, True)
            if self._relays.read_back().get(relay) is False:
                raise DriverRefused(f"relay {relay} gave no pulse: it is found off after it was told on")
            self._pause(self._pulse_s)
        finally:
            self._relays.set_output(relay, False)


def _refusals(action: Callable[[], object]) -> list[str]:
    """Do it; one relay that refuses keeps no other valve open."""
    try:
        action()
    except DriverRefused as refusal:
        return [str(refusal)]
    return []
