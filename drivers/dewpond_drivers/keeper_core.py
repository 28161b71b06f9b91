"""The rules of the valve keeper, over any driver and on any clock: an opening is a lease, and every close is kept at.

Time is an argument, in seconds of an elapsed clock. Nothing here sleeps, reads a clock or starts a thread.

While it is uncertain whether an output is off, the core is *not ready*: it refuses every opening and tries to switch
everything off, at 1, 2, 5, 5, ... s, for ever. It begins so, and falls back to it when a close fails.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Collection
from typing import cast

from dewpond_drivers.close_again import CloseAgain
from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable, Relays, TimedRelays
from dewpond_drivers.keeper_facts import Answer, Closing, Opening
from dewpond_drivers.pump_order import HANDOVER_S, PumpOrder

RETRY_S = (1.0, 2.0, 5.0)  # then every 5 s, for ever
OVERRUN_S = 5.0  # a lease may end this long after the planned end, never later
LONGEST_S = 86_400.0  # no opening is planned for longer than a day, whatever was asked
REMEMBERED = 200  # closings kept for a daemon that comes back
LONGEST_RUN_ID = 500


_DONE = Answer(True)
NO_PUMPS = PumpOrder()
ATTENDED = "attended/"  # how the runs of attended tests begin


def _never(_output: int) -> str | None:
    return None


class KeeperCore:
    """Leases over one driver.

    Parameters
    ----------
    driver : Relays        The relays; the core is its only user.
    outputs : int          How many outputs, counted from 1.
    refuse : callable      Asked before each opening with the output; returns why it may not open, or None.
    verify : bool          Compare with the driver's read-back after each switching.
    again : collection     Outputs that are closed several times, since nobody can see whether they are shut.
    pumps : PumpOrder      Which outputs are pumps: they never run against shut valves.
    look_s : float         How often the read-back is looked at while nothing is open; inf for never. [s]
    """

    def __init__(
        self,
        driver: Relays,
        outputs: int,
        *,
        refuse: Callable[[int], str | None] = _never,
        verify: bool = True,
        again: Collection[int] = (),
        pumps: PumpOrder = NO_PUMPS,
        look_s: float = math.inf,
    ) -> None:
        self.outputs = outputs
        self.ready = False
        self.alarm = ""  # why it is not ready, once that has been tried
        self.all_off_s = -math.inf  # when everything was last known to be off after not being ready
        self.moves = 0  # how often the relays were told something
        self.closings: OrderedDict[str, Closing] = OrderedDict()
        self._driver = driver
        self._refuse = refuse
        self._verifies = verify
        self._again = CloseAgain(again)
        self._pumps = pumps
        self._look_s = look_s
        self._look_due_s = -math.inf if math.isfinite(look_s) else math.inf
        self._open: dict[int, Opening] = {}
        self._fresh: list[Closing] = []
        self._connected = False
        self._attempt = 0
        self._retry_s = -math.inf

    @property
    def openings(self) -> tuple[Opening, ...]:
        """Every output that is, or may still be, open."""
        return tuple(self._open.values())

    def opening(self, output: int) -> Opening:
        """What holds this output. Raises KeyError where nothing does."""
        return self._open[output]

    def open(self, output: int, run: str, lease_s: float, planned_s: float, now_s: float) -> Answer:
        """Open an output on a lease, or extend the planned end of the run that holds it."""
        why = self._why_not(output, run, lease_s, planned_s)
        if why:
            return Answer(False, why)
        held = self._open.get(output)
        if held is not None:
            held.planned_end_s = max(held.planned_end_s, now_s + planned_s)
            return self.renew(output, run, lease_s, now_s)
        planned_end_s = now_s + planned_s
        lease_end_s = self._lease_end_s(output, min(now_s + lease_s, planned_end_s + OVERRUN_S), now_s)
        opening = Opening(run, output, now_s, planned_end_s, lease_end_s)
        self._open[output] = opening
        self.closings.pop(run, None)  # of an earlier opening by that name, which must not be told as this one's end
        self._again.opened(output)
        try:
            self._switch_on(opening, now_s)
            self._let_pumps_run_on(opening, now_s)
        except DriverFault as fault:
            return self._abandon(opening, now_s, fault)
        return _DONE

    def renew(self, output: int, run: str, lease_s: float, now_s: float) -> Answer:
        """Lengthen the lease of a run to ``lease_s`` from now, within the planned end + 5 s."""
        opening = self._open.get(output)
        if opening is None or opening.run != run:
            return Answer(False, f"run {run} does not hold output {output}")
        if opening.closing:
            return Answer(False, f"output {output} is being closed: {opening.closing}")
        if not lease_s > 0.0:
            return Answer(False, f"a lease of {lease_s} s; it must be above 0")
        if now_s >= opening.lease_end_s:
            return self._end(opening, now_s, _lease_word(opening))
        wanted_s = min(now_s + lease_s, opening.planned_end_s + OVERRUN_S)
        opening.lease_end_s = self._lease_end_s(output, wanted_s, opening.lease_end_s)
        try:
            self._keep_on(opening, now_s)
        except DriverFault as fault:
            self._note_loss(fault)
            return self._end(opening, now_s, str(fault))
        return _DONE

    def close(self, output: int, run: str | None, now_s: float, why: str) -> Answer:
        """Close an output; with a run, only if that run holds it. Idempotent, and kept at until the driver takes it."""
        if not self._has(output):
            return Answer(False, f"there is no output {output}; outputs are 1 to {self.outputs}")
        opening = self._open.get(output)
        if opening is None:
            return self._close_unheld(output, run, now_s)
        if run is not None and opening.run != run:
            return Answer(False, f"output {output} is held by run {opening.run}, not by {run}")
        if opening.closing:
            return Answer(False, self.alarm)
        return self._told(self._shut(opening, now_s, why, hands_over=run is not None))

    def wished(self, outputs: Collection[int]) -> None:
        """A person wants these shut: whatever closes them next, their closings say so."""
        for opening in self._open.values():
            opening.wished = opening.wished or opening.output in outputs

    def close_all(self, now_s: float, why: str) -> Answer:
        """Close every output now, also those thought to be closed. Kept at until the driver takes it."""
        return self._told(self._shut_all(now_s, why))

    def expire(self, now_s: float) -> tuple[Closing, ...]:
        """Do what is due: close where the lease has ended, retry to switch everything off, close once more.

        Returns the closings. One closing is repeated at a time, so that nobody's stop waits for many.
        """
        if not self.ready and now_s >= self._retry_s:
            self._shut_all(now_s, "the relays were switched off")
        for opening in list(self._open.values()):
            if now_s >= opening.lease_end_s and not opening.closing:
                self._shut(opening, now_s, _lease_word(opening))
        if self.ready:
            self._shut_again(now_s)
            self._look_around(now_s)
        return self._take_fresh()

    def next_deadline_s(self) -> float:
        """Elapsed time of the next ``expire`` that ends a lease or retries; inf when nothing is open."""
        due_s = self._retry_s if not self.ready else math.inf if self._open else self._look_due_s
        for opening in self._open.values():
            if not opening.closing and opening.lease_end_s < due_s:
                due_s = opening.lease_end_s
        return due_s

    def next_repeat_s(self) -> float:
        """Elapsed time of the next closing that is repeated, which can wait for people's requests; inf when none is."""
        return self._again.next_s() if self.ready else math.inf

    def _why_not(self, output: int, run: str, lease_s: float, planned_s: float) -> str:
        if not self._has(output):
            return f"there is no output {output}; outputs are 1 to {self.outputs}"
        if not self.ready:
            return self._trouble()
        if not (lease_s > 0.0 and 0.0 < planned_s <= LONGEST_S):
            return f"lease {lease_s} s, planned {planned_s} s; both must be above 0, planned at most {LONGEST_S:.0f} s"
        if not 0 < len(run) <= LONGEST_RUN_ID:
            return f"a run needs a name of 1 to {LONGEST_RUN_ID} characters"
        held = self._open.get(output)
        if held is not None and held.run != run:
            return f"output {output} is held by run {held.run}; close that first"
        return self._refuse(output) or ("" if held else self._pumps.refusal(output, self._running(), self._attended()))

    def _has(self, output: int) -> bool:
        return 1 <= output <= self.outputs

    def _running(self) -> dict[int, float]:
        """Lease ends of what is on and not being closed, by output."""
        return {opening.output: opening.lease_end_s for opening in self._open.values() if not opening.closing}

    def _lease_end_s(self, output: int, wanted_s: float, before_s: float) -> float:
        return self._pumps.lease_end_s(output, wanted_s, before_s, self._running(), self._attended())

    def _attended(self) -> frozenset[int]:
        """What a person keeps open for a test."""
        return frozenset(opening.output for opening in self._open.values() if opening.run.startswith(ATTENDED))

    def _let_pumps_run_on(self, valve: Opening, now_s: float) -> None:
        """A valve has opened: a pump that feeds it and had only the time of a handover left has its lease again."""
        for output in self._pumps.fed_through(valve.output):
            pump = self._open.get(output)
            if pump is not None and not pump.closing:
                wanted_s = min(valve.lease_end_s, pump.planned_end_s + OVERRUN_S)
                pump.lease_end_s = max(pump.lease_end_s, self._lease_end_s(output, wanted_s, pump.lease_end_s))
                self._keep_on(pump, now_s)

    def _stop_pumps_before(self, valve: Opening, now_s: float, *, hands_over: bool) -> bool:
        """Stop pumps that would be left without a way out, or give them the time of a handover; False when unsure."""
        sure = True
        for output in self._pumps.left_alone(valve.output, self._running(), self._attended()):
            pump = self._open[output]
            if not (hands_over and self._pumps.fed_through(valve.output)):
                sure = self._shut(pump, now_s, "its last valve closes") and sure
                continue
            pump.lease_end_s = min(pump.lease_end_s, now_s + HANDOVER_S)
            try:
                self._keep_on(pump, now_s)
            except DriverFault as fault:
                self._note_loss(fault)
                sure = self._shut(pump, now_s, str(fault)) and sure
        return sure

    def _switch_on(self, opening: Opening, now_s: float) -> None:
        self.moves += 1
        if self._driver.timed_on:
            self._open_timed(opening, now_s)
        else:
            self._driver.set_output(opening.output, True)
        self._check()

    def _keep_on(self, opening: Opening, now_s: float) -> None:
        if self._driver.timed_on:
            self._open_timed(opening, now_s)
        self._check()

    def _open_timed(self, opening: Opening, now_s: float) -> None:
        cast(TimedRelays, self._driver).open_for(opening.output, opening.lease_end_s - now_s)

    def _check(self) -> None:
        """Raise DriverRefused where the board says other than it was told; what it cannot tell is let pass."""
        if not self._verifies:
            return
        held = self._open
        for output, on in self._driver.read_back().items():
            if on is not None and on != (output in held and not held[output].closing):
                raise DriverRefused(f"output {output} is found {'on' if on else 'off'} against what it was told")

    def _abandon(self, opening: Opening, now_s: float, fault: DriverFault) -> Answer:
        """An opening failed, so the output may be on: close it first. Closed at once, it never was open."""
        self._note_loss(fault)
        why = f"output {opening.output} would not open: {fault}"
        if self._shut(opening, now_s, why):
            del self.closings[opening.run]
            self._fresh = [closing for closing in self._fresh if closing.run != opening.run]
        return Answer(False, why, self._take_fresh())

    def _end(self, opening: Opening, now_s: float, why: str) -> Answer:
        """Close instead of renewing."""
        self._shut(opening, now_s, why)
        return Answer(False, why, self._take_fresh())

    def _close_unheld(self, output: int, run: str | None, now_s: float) -> Answer:
        """Close what nobody holds: nothing to do for a run that has ended; a person's wish reaches the relay anyway."""
        if not self.ready:
            return Answer(False, self._trouble())
        if run is not None:
            return _DONE
        self.moves += 1
        self._again.closed(output, now_s)
        try:
            self._driver.set_output(output, False)
            self._check()
        except DriverFault as fault:
            self._note_loss(fault)
            return self._told(self._shut_all(now_s, f"output {output} would not close: {fault}"))
        return _DONE

    def _shut_again(self, now_s: float) -> None:
        """Close one output once more that was closed before."""
        output = self._again.take(now_s)
        if output is None:
            return
        self.moves += 1
        try:
            self._driver.set_output(output, False)
            self._check()
        except DriverFault as fault:
            self._note_loss(fault)
            self._shut_all(now_s, f"output {output} would not close again: {fault}")

    def _look_around(self, now_s: float) -> None:
        """Shut relays are compared too: their board may have lost its power, or somebody else have switched one."""
        if self._open or now_s < self._look_due_s:
            return
        self._look_due_s = now_s + self._look_s
        try:
            self._check()
        except DriverFault as fault:
            self._note_loss(fault)
            self._shut_all(now_s, str(fault))

    def _shut(self, opening: Opening, now_s: float, why: str, *, hands_over: bool = False) -> bool:
        """Close one output, pumps before it; if that fails, all of them. False leaves it to the retries."""
        sure = self._stop_pumps_before(opening, now_s, hands_over=hands_over)
        if opening.output not in self._open or not sure:
            return sure
        opening.closing = why
        self.moves += 1
        try:
            self._driver.set_output(opening.output, False)
            self._check()
        except DriverFault as fault:
            self._note_loss(fault)
            return self._shut_all(now_s, f"output {opening.output} would not close: {fault}")
        self._book(opening, now_s)
        return True

    def _shut_all(self, now_s: float, why: str) -> bool:
        """Switch everything off. On success all is known to be off; on failure the core is not ready and retries."""
        for opening in self._open.values():
            opening.closing = opening.closing or why
        self.moves += 1
        try:
            if not self._connected:
                self._driver.connect()
                self._connected = True
            self._pumps_off()
            self._driver.all_off()
            self._check()
        except DriverFault as fault:
            self._note_loss(fault)
            self._close_what_goes(now_s)
            self._postpone(now_s, str(fault))
            return False
        self._settle(now_s)
        return True

    def _pumps_off(self) -> None:
        """Pumps ahead of all valves; one that will not stop keeps no valve open, and is among what is tried again."""
        for output in self._pumps.pumps:
            if output in self._open:
                try:
                    self._driver.set_output(output, False)
                except DriverFault as fault:
                    self._note_loss(fault)

    def _close_what_goes(self, now_s: float) -> None:
        """The board answers but will not switch everything off: book those outputs that it does switch off."""
        for opening in sorted(self._open.values(), key=lambda held: held.output not in self._pumps.pumps):
            if not self._connected:
                return
            try:
                self._driver.set_output(opening.output, False)
                found = self._driver.read_back().get(opening.output)
            except DriverFault as fault:
                self._note_loss(fault)
                continue
            if not found:
                self._book(opening, now_s)

    def _postpone(self, now_s: float, fault: str) -> None:
        self.ready = False
        self.alarm = f"the relays could not be switched off: {fault}; trying again for ever"
        self._retry_s = now_s + RETRY_S[min(self._attempt, len(RETRY_S) - 1)]
        self._attempt += 1

    def _settle(self, now_s: float) -> None:
        for opening in list(self._open.values()):
            self._book(opening, now_s)
        self._again.all_closed(now_s)
        if not self.ready:
            self.ready, self.alarm, self._attempt, self.all_off_s = True, "", 0, now_s

    def _note_loss(self, fault: DriverFault) -> None:
        if isinstance(fault, DriverUnreachable):
            self._connected = False

    def _book(self, opening: Opening, now_s: float) -> None:
        del self._open[opening.output]
        self._again.closed(opening.output, now_s)
        closing = Closing(opening.run, opening.output, now_s - opening.opened_s, now_s, opening.closing, opening.wished)
        self._fresh.append(closing)
        self.closings.pop(opening.run, None)
        self.closings[opening.run] = closing
        if len(self.closings) > REMEMBERED:
            self.closings.popitem(last=False)

    def _take_fresh(self) -> tuple[Closing, ...]:
        fresh, self._fresh = tuple(self._fresh), []
        return fresh

    def _trouble(self) -> str:
        return self.alarm or "the relays have not been switched off yet"

    def _told(self, done: bool) -> Answer:
        return Answer(done, "" if done else self.alarm, self._take_fresh())


def _lease_word(opening: Opening) -> str:
    at_plan = opening.lease_end_s >= opening.planned_end_s + OVERRUN_S
    return "the planned end has passed" if at_plan else "its lease ended without renewal"
