"""Holds an ordeal against the promises, by what the relays really did and when. Knows nothing of the brain.

I1 to I10 are the invariants that DEVELOPERS.md lists. All times are true elapsed seconds; ``excuse`` is what a fault
makes impossible for software: a board that does not answer cannot be closed until it does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dewpond.model.hours import DayRule, Hours
from dewpond.model.site import Site, Zone
from dewpond_sim.ordeal.faults import Fault

TOLERANCE_S = 10.0
AFTER_FAULT_S = 120.0  # a valve may stay open this long after a fault
BACK_S = 25.0  # all shut this long after a board or a keeper is back: retries come every 5 s, then 15 s to close all
CEILING_S = {"spray": 3600.0, "rotor": 7200.0, "drip": 43_200.0, "bubbler": 43_200.0}
UNCLOSABLE = ("board away", "will not close", "keeper killed")
CLOCKS = ("clock set", "clock a little off")
BY_HAND = "by-hand/"
REMAINDER = "/remainder"
MOST_WRONG = 20


@dataclass(slots=True)
class Opened:
    """One output really on from ``on_s`` to ``off_s`` for a run, whose planned end was ``until_s``."""

    output: int
    run: str
    on_s: float
    until_s: float
    off_s: float = math.inf

    @property
    def base(self) -> str:
        """The run's name without the mark of a remainder."""
        return self.run.removesuffix(REMAINDER)


@dataclass(slots=True, kw_only=True)
class Watch:
    """Gathers what happens; ``wrong`` is what broke a promise, in words."""

    site: Site
    start: datetime
    faults: Sequence[Fault]
    wrong: list[str] = field(default_factory=list)
    opened: list[Opened] = field(default_factory=list)
    dead: list[tuple[float, float]] = field(default_factory=list)  # no daemon, or one that does nothing
    asked_first: dict[str, float] = field(default_factory=dict)  # planned seconds of each run, as first asked
    passes: int = 0
    _on: dict[int, Opened] = field(default_factory=dict)
    _asked: dict[int, tuple[str, float]] = field(default_factory=dict)
    _locked: Callable[[int], bool] = lambda _output: False
    _held: Callable[[int], bool] = lambda _output: False
    _moved_s: dict[int, float] = field(default_factory=dict)
    _alone_since: float | None = None
    _dry_since: float | None = None
    _same: tuple[float, int] = (-1.0, 0)
    _zones: dict[int, Zone] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._zones = {zone.output: zone for zone in self.site.zones}

    def people_say(self, locked: Callable[[int], bool], held: Callable[[int], bool]) -> None:
        """How to know whether an output is locked, or its zone held from the schedule, at this moment."""
        self._locked, self._held = locked, held

    def stopped(self, output: int, at_s: float) -> None:
        """A person was told that this zone is stopped: it shuts within seconds."""
        held = self._on.get(output)
        if held is not None:
            held.until_s = min(held.until_s, at_s)

    def asked(self, run: str, output: int, planned_s: float, at_s: float, *, durable: bool) -> None:
        """The daemon asks the keeper to open."""
        if not durable:
            self._say(at_s, f"I5: output {output} is asked to open for {run} and its intent is not durable")
        self.asked_first.setdefault(run, planned_s)
        self._asked[output] = (run, at_s + planned_s)
        if output in self._on and self._on[output].run == run:
            held = self._on[output]
            held.until_s = max(held.until_s, at_s + planned_s)

    def moved(self, output: int, on: bool, at_s: float) -> None:
        """A relay really moved."""
        self._moved_s[output] = at_s
        if on:
            self._went_on(output, at_s)
        else:
            self._went_off(output, at_s)
        self._mains(at_s)

    def passed(self, at_s: float, queued: int) -> None:
        """The daemon ended a pass."""
        self.passes += 1
        since_s, count = self._same
        self._same = (at_s, count + 1) if since_s == at_s else (at_s, 1)
        if self._same[1] == 200:
            self._say(at_s, "I10: 200 passes at one instant, and time stands still")
        if queued > 1000:
            self._say(at_s, f"I10: {queued} events wait after a pass")

    def ended(self, at_s: float) -> None:
        """The ordeal is over: nothing may be open but what is planned to be."""
        self._mains(at_s)
        for held in self._on.values():
            if at_s > held.until_s + TOLERANCE_S and not self._excused(held.until_s + TOLERANCE_S, at_s):
                self._say(at_s, f"I1: output {held.output} is still on for {held.run} when all is over")
        self.opened += self._on.values()

    def seconds(self, run_base: str, end_s: float) -> float:
        """How long a run and its remainder really were on."""
        return sum(min(item.off_s, end_s) - item.on_s for item in self.opened if item.base == run_base)

    def local(self, at_s: float) -> datetime:
        """True site time."""
        return (self.start + timedelta(seconds=at_s)).astimezone(ZoneInfo(self.site.timezone))

    def hindered(self, output: int) -> bool:
        """Whether this output was ever on longer than planned because its board or keeper was away."""
        return any(item.output == output and item.off_s > item.until_s + TOLERANCE_S for item in self.opened)

    def say(self, at_s: float, text: str) -> None:
        """A promise that somebody else found broken."""
        self._say(at_s, text)

    def _went_on(self, output: int, at_s: float) -> None:
        run, until_s = self._asked.get(output, ("nobody", at_s))
        self._on[output] = Opened(output, run, at_s, until_s)
        if self._locked(output):
            self._say(at_s, f"I8: output {output} goes on for {run} while it is locked")
        zones = [held for held in self._on.values() if held.output in self._zones]
        stuck = [held for held in zones if held.output != output and self._excused(held.on_s, at_s)]
        if output in self._zones and len(zones) - len(stuck) > self.site.watering.max_open:
            self._say(at_s, f"I3: {len(zones)} zones on, {self.site.watering.max_open} allowed")
        if output in self._zones and not run.startswith(BY_HAND) and run != "nobody":
            self._within_rules(self._zones[output], run, at_s)
            if self._held(output):
                self._say(at_s, f"I8: {run} began while its zone is held")

    def _went_off(self, output: int, at_s: float) -> None:
        held = self._on.pop(output)
        held.off_s = at_s
        self.opened.append(held)
        zone = self._zones.get(output)
        self._bound(held, held.until_s + TOLERANCE_S, "after its planned end")
        if zone is not None:
            self._bound(held, held.on_s + CEILING_S[zone.method] + TOLERANCE_S, "beyond its ceiling", mark="I2")
        self._inside_hours(held, zone)
        for died_s, back_s in self.dead:
            if held.on_s < back_s:
                self._bound(held, died_s + AFTER_FAULT_S, "and nobody was in charge", until_s=back_s)

    def _bound(self, held: Opened, limit_s: float, what: str, *, mark: str = "I1", until_s: float = math.inf) -> None:
        if held.off_s > limit_s and limit_s < until_s and not self._excused(limit_s, held.off_s):
            late_s = held.off_s - limit_s
            self._say(held.off_s, f"{mark}: output {held.output} for {held.run} was on {late_s:.1f} s too long {what}")

    def _excused(self, limit_s: float, off_s: float) -> bool:
        """Whether a board or keeper could not have been closed at the limit, and was closed soon after it could."""
        return any(
            fault.at_s <= off_s and fault.until_s + BACK_S >= min(limit_s, off_s) and off_s <= fault.until_s + BACK_S
            for fault in self.faults
            if fault.kind in UNCLOSABLE and fault.at_s - BACK_S <= limit_s + AFTER_FAULT_S
        )

    def _mains(self, at_s: float) -> None:
        """A master never on over shut zones, nor a zone behind a shut master, for more than 10 s without a fault."""
        supply = self.site.supplies[0]
        if supply.master_output is None:
            return
        zones, master = any(output in self._zones for output in self._on), supply.master_output in self._on
        if self._lied_to(supply.master_output, at_s):
            self._alone_since = self._dry_since = None
            return
        self._alone_since = self._timed(self._alone_since, master and not zones, at_s, "I3: the master was on alone")
        self._dry_since = self._timed(self._dry_since, zones and not master, at_s, "I3: a zone was on, its master off")

    def _lied_to(self, output: int, at_s: float) -> bool:
        """Whether the board said of an output what is not so, and the output has not really moved since."""
        lies = (fault for fault in self.faults if fault.kind == "liar" and fault.target == str(output))
        return any(fault.at_s <= at_s and self._moved_s.get(output, -1.0) < fault.until_s for fault in lies)

    def _timed(self, since_s: float | None, is_so: bool, at_s: float, what: str) -> float | None:
        if is_so:
            return at_s if since_s is None else since_s
        if since_s is not None and at_s - since_s > TOLERANCE_S and not self._fault_near(since_s, at_s):
            self._say(at_s, f"{what} for {at_s - since_s:.1f} s")
        return None

    def _fault_near(self, from_s: float, to_s: float) -> bool:
        """Whether any fault was at work, or ended, within the two minutes before or during a span."""
        spans = [(fault.at_s, fault.until_s) for fault in self.faults if not fault.kind.startswith("feed")]
        return any(at_s <= to_s and until_s >= from_s - AFTER_FAULT_S for at_s, until_s in [*spans, *self.dead])

    def _within_rules(self, zone: Zone, run: str, at_s: float, what: str = "began") -> None:
        """A scheduled opening begins within hours and days, where the wall clock was never set wrong."""
        if any(fault.kind in CLOCKS for fault in self.faults):
            return
        local = self.local(at_s)
        watering = self.site.watering
        if not within(watering.window, local):
            self._say(at_s, f"I8: {run} {what} outside the window, at {local:%H:%M:%S}")
        if not day_allowed(watering.days, local):
            self._say(at_s, f"I8: {run} {what} on a day that is not allowed, {local:%Y-%m-%d}")
        for rule in self.site.restrictions:
            if zone.overhead and rule.hours is not None and not within(rule.hours, local):
                self._say(at_s, f"I8: {run} {what} against {rule.name}, at {local:%H:%M:%S}")

    def _inside_hours(self, held: Opened, zone: Zone | None) -> None:
        """A scheduled opening also ends within hours; the two minutes after a fault are forgiven."""
        if zone is None or held.run.startswith(BY_HAND) or held.run == "nobody":
            return
        early_s = held.off_s - TOLERANCE_S
        if early_s > held.on_s and not self._fault_near(held.on_s, held.off_s):
            self._within_rules(zone, held.run, early_s, "was on")

    def _say(self, at_s: float, text: str) -> None:
        if len(self.wrong) < MOST_WRONG:
            self.wrong.append(f"{self.local(at_s):%m-%d %H:%M:%S} {text}")


def within(hours: Hours, local: datetime) -> bool:
    """Whether a local clock time lies in the hours, which may pass midnight."""
    at, start, end = local.time(), hours.start, hours.end
    if start == end:
        return True
    return start <= at < end if start < end else at >= start or at < end


def day_allowed(rule: DayRule, local: datetime) -> bool:
    """Whether the calendar date of a moment is one on which water may flow."""
    if rule.kind in ("odd", "even"):
        return (local.day % 2 == 1) is (rule.kind == "odd")
    return True
