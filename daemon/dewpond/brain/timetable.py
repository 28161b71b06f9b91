"""Packing openings into the night: as many at once as ``max_open`` and the supply's capacity allow, no more.

Chains (one zone's openings with soaking rests between) are placed by an event-driven rule, the longest remaining
chain first, which packs within a few percent of the lower bound. The night is packed backwards from the end of the
window, so that the newest weather can still change it and leaves dry soon after; programs with start times are
placed forwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

Interval = tuple[float, float]
GUARD_S = 30.0  # kept free at the end of each allowed interval, so that a late closing still keeps it


@dataclass(frozen=True, slots=True)
class Chain:
    """One zone's openings of the night. ``release_s`` is the earliest start of the first one (forward placing)."""

    zone: str
    openings_s: tuple[float, ...]
    rest_s: float
    flow_l_min: float
    allowed: tuple[Interval, ...]
    release_s: float = float("-inf")


@dataclass(frozen=True, slots=True)
class Placed:
    """One placed opening; ``latest_end_s`` ends the allowed interval it stands in."""

    zone: str
    number: int  # of the chain, from 0
    start_s: float
    seconds: float
    flow_l_min: float
    latest_end_s: float

    @property
    def end_s(self) -> float:
        return self.start_s + self.seconds


@dataclass(frozen=True, slots=True)
class Limits:
    """What one supply allows at once."""

    max_open: int
    capacity_l_min: float | None


def pack_forward(chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed] = ()) -> list[Placed]:
    """Place chains as early as they fit; what does not fit before the last interval ends is left out."""
    return _Packer(chains, limits, taken).run()


def pack_backward(chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed] = ()) -> list[Placed]:
    """Place chains as late as they fit: the same packing with time reversed."""
    mirrored = [
        Chain(c.zone, c.openings_s[::-1], c.rest_s, c.flow_l_min, tuple((-b, -a) for a, b in reversed(c.allowed)))
        for c in chains
    ]
    mirrored_taken = [Placed(p.zone, p.number, -p.end_s, p.seconds, p.flow_l_min, -p.start_s) for p in taken]
    counts = {c.zone: len(c.openings_s) for c in chains}
    intervals = {c.zone: c.allowed for c in chains}
    placed = []
    for p in _Packer(mirrored, limits, mirrored_taken).run():
        start_s = -p.end_s
        latest_end_s = next(b for a, b in intervals[p.zone] if a <= start_s < b)
        placed.append(Placed(p.zone, counts[p.zone] - 1 - p.number, start_s, p.seconds, p.flow_l_min, latest_end_s))
    return sorted(placed, key=lambda item: (item.start_s, item.zone))


class _Packer:
    """One event-driven pass over time; see the module's text for the rule."""

    def __init__(self, chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed]) -> None:
        self._chains = list(chains)
        self._limits = limits
        self._taken = sorted(taken, key=lambda item: item.start_s)
        self._next = [0] * len(self._chains)
        self._ready_s = [chain.release_s for chain in self._chains]
        self._left_s = [sum(c.openings_s) + c.rest_s * (len(c.openings_s) - 1) for c in self._chains]
        self._open: list[Placed] = []
        self._placed: list[Placed] = []

    def run(self) -> list[Placed]:
        at_s = self._first_instant()
        while at_s is not None:
            self._open = [item for item in self._open if item.end_s > at_s]
            self._start_what_fits(at_s)
            at_s = self._next_instant(at_s)
        return sorted(self._placed, key=lambda item: (item.start_s, item.zone))

    def _first_instant(self) -> float | None:
        starts = [max(a, chain.release_s) for chain in self._chains for a, b in chain.allowed if b > chain.release_s]
        return min(starts, default=None)

    def _start_what_fits(self, at_s: float) -> None:
        order = sorted(
            (
                n
                for n, chain in enumerate(self._chains)
                if self._next[n] < len(chain.openings_s) and self._ready_s[n] <= at_s
            ),
            key=lambda n: (-self._left_s[n], self._chains[n].zone),
        )
        for n in order:
            if len(self._open) >= self._limits.max_open:
                return
            interval = self._interval(n, at_s)
            if interval is not None and self._room(n, at_s):
                self._start(n, at_s, interval)

    def _interval(self, n: int, at_s: float) -> Interval | None:
        seconds = self._chains[n].openings_s[self._next[n]]
        for start_s, end_s in self._chains[n].allowed:
            if start_s <= at_s and at_s + seconds <= end_s:
                return start_s, end_s
        return None

    def _room(self, n: int, at_s: float) -> bool:
        chain = self._chains[n]
        end_s = at_s + chain.openings_s[self._next[n]]
        meanwhile = [item for item in self._taken if item.start_s < end_s and item.end_s > at_s]
        if any(item.zone == chain.zone for item in meanwhile):
            return False
        instants = [at_s, *(item.start_s for item in meanwhile if item.start_s > at_s)]
        return all(self._fits(chain, instant, meanwhile) for instant in instants)

    def _fits(self, chain: Chain, at_s: float, meanwhile: Sequence[Placed]) -> bool:
        running = [item for item in (*self._open, *meanwhile) if item.start_s <= at_s < item.end_s]
        if len(running) + 1 > self._limits.max_open:
            return False
        capacity = self._limits.capacity_l_min
        flow_l_min = sum(item.flow_l_min for item in running) + chain.flow_l_min
        return capacity is None or flow_l_min <= capacity + 1e-9

    def _start(self, n: int, at_s: float, interval: Interval) -> None:
        chain = self._chains[n]
        seconds = chain.openings_s[self._next[n]]
        item = Placed(chain.zone, self._next[n], at_s, seconds, chain.flow_l_min, interval[1])
        self._open.append(item)
        self._placed.append(item)
        self._next[n] += 1
        self._ready_s[n] = at_s + seconds + chain.rest_s
        self._left_s[n] -= seconds + chain.rest_s

    def _next_instant(self, at_s: float) -> float | None:
        """The next instant at which something that could not start may start; None when all is placed or hopeless."""
        waiting = [n for n, chain in enumerate(self._chains) if self._next[n] < len(chain.openings_s)]
        instants = [item.end_s for item in (*self._open, *self._taken)] if waiting else []
        for n in waiting:
            instants.append(self._ready_s[n])
            instants += [start_s for start_s, _ in self._chains[n].allowed]
        return min((instant for instant in instants if instant > at_s), default=None)
