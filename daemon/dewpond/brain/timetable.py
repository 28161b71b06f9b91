"""Packing openings into the night: as many at once as ``max_open`` and the supply's capacity allow, no more.

Chains (one zone's openings with soaking rests between) are placed by a parallel schedule-generation scheme, the longest
remaining chain first, which packs within a few percent of the lower bound. The night is packed backwards from the end
of the window, so that the newest weather can still change it and leaves dry soon after; programs with start times are
placed forwards.

Where the window is too small, ``search`` goes on: the night is packed backwards and forwards in turn, each pass
in the order the one before came to, from orders that are shaken anew each round. The count of passes is bounded by the
size of the night and the shaking is seeded, so that the same night always gives the same timetable.

Sources (from memory): R. Kolisch and S. Hartmann, Heuristic algorithms for the resource-constrained project scheduling
problem, in Project Scheduling, 1999; V. Valls, F. Ballestin and S. Quintanilla, Justification and RCPSP, European
Journal of Operational Research 165, 2005.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from dewpond.model.copying import replace

Interval = tuple[float, float]
Ranks = list[list[float]]  # of each opening of each chain; the smaller goes first
Starts = list[list[float]]  # of each chain's openings that found a place, in order
GUARD_S = 30.0  # kept free at the end of each allowed interval, so that a late closing still keeps it
SLACK_L_MIN = 1e-9  # rounding of summed flows is no lack of capacity
CLOSE_OPENINGS = 30_000.0  # a night of n openings is searched until it is within n / 30,000 of the lower bound
LONG_SEARCH = 20_000  # openings placed in one search, all passes together
AHEAD_S = 1e7  # longer than any night: such a rank goes before every other
SHAKES = (0.0, 0.15, 0.3, 0.6, 1.2)  # of the remaining length, round by round


@dataclass(frozen=True)
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


def pack_forward(
    chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed] = (), *, search: int = 0
) -> list[Placed]:
    """Place chains as early as they fit; what does not fit before the last interval ends is left out."""
    ready = [released(chain) for chain in chains]
    starts = _search(ready, limits, taken, search)
    placed = [
        _placed(chain, number, start_s)
        for chain, row in zip(ready, starts, strict=True)
        for number, start_s in enumerate(row)
    ]
    return sorted(placed, key=lambda item: (item.start_s, item.zone))


def pack_backward(
    chains: Sequence[Chain],
    limits: Limits,
    taken: Sequence[Placed] = (),
    *,
    search: int = 0,
    last: Collection[str] = (),
) -> list[Placed]:
    """Place chains as late as they fit: the same packing with time reversed. Zones of ``last`` come nearest the end."""
    mirrored, mirrored_taken = _mirror(chains, taken)
    starts = _search(mirrored, limits, mirrored_taken, search, last)
    placed = []
    for chain, back, row in zip(chains, mirrored, starts, strict=True):
        for number, start_s in enumerate(row):
            end_s = -start_s
            placed.append(_placed(chain, len(chain.openings_s) - 1 - number, end_s - back.openings_s[number]))
    return sorted(placed, key=lambda item: (item.start_s, item.zone))


def _placed(chain: Chain, number: int, start_s: float) -> Placed:
    latest_end_s = next(end_s for begin_s, end_s in chain.allowed if begin_s <= start_s < end_s)
    return Placed(chain.zone, number, start_s, chain.openings_s[number], chain.flow_l_min, latest_end_s)


def released(chain: Chain) -> Chain:
    """The release of the first opening as the beginning of what is allowed."""
    if chain.release_s == float("-inf"):
        return chain
    left = ((max(start_s, chain.release_s), end_s) for start_s, end_s in chain.allowed)
    return replace(chain, allowed=tuple((start_s, end_s) for start_s, end_s in left if end_s > start_s))


def _mirror(chains: Sequence[Chain], taken: Sequence[Placed]) -> tuple[list[Chain], list[Placed]]:
    """The same night with time running backwards."""
    mirrored = [
        Chain(c.zone, c.openings_s[::-1], c.rest_s, c.flow_l_min, tuple((-b, -a) for a, b in reversed(c.allowed)))
        for c in chains
    ]
    return mirrored, [Placed(p.zone, p.number, -p.end_s, p.seconds, p.flow_l_min, -p.start_s) for p in taken]


def _search(
    chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed], search: int, lead: Collection[str] = ()
) -> Starts:
    """The best of one pass and as many more as ``search`` openings allow: most water placed, then the earliest end."""
    usual = _longest_first(chains)
    if lead:
        usual = [
            [rank - AHEAD_S for rank in row] if c.zone in lead else row for row, c in zip(usual, chains, strict=True)
        ]
    best = _Pass(chains, limits, taken, usual).run()
    if not search:
        return best
    openings = sum(len(chain.openings_s) for chain in chains)
    aim = (0.0, (1.0 + openings / CLOSE_OPENINGS) * bound_s(chains, limits))
    if _cost(chains, best) <= aim:
        return best
    mirrored, mirrored_taken = _mirror(chains, taken)
    shaken = random.Random(openings)  # noqa: S311 - a search, nothing secret
    for number in range(search // max(1, 3 * openings)):
        if _cost(chains, best) <= aim:
            break
        share, found = SHAKES[number % len(SHAKES)], best
        if share:
            ranks = [[rank * (1.0 + share * (shaken.random() - 0.5)) for rank in row] for row in usual]
            found = _Pass(chains, limits, taken, ranks).run()
        back = _Pass(mirrored, limits, mirrored_taken, _latest_first(chains, found)).run()
        again = _Pass(chains, limits, taken, _latest_first(mirrored, back)).run()
        best = min((best, found, again), key=lambda starts: _cost(chains, starts))
    return best


def _longest_first(chains: Sequence[Chain]) -> Ranks:
    """By what is left of the chain, soaking rests included."""
    return [
        [
            -sum(c.openings_s[number:]) - c.rest_s * (len(c.openings_s) - 1 - number)
            for number in range(len(c.openings_s))
        ]
        for c in chains
    ]


def _latest_first(chains: Sequence[Chain], starts: Starts) -> Ranks:
    """Ranks for the mirrored chains: what ended last in this timetable begins first; what found no place leads."""
    return [
        [-(s + d) for s, d in zip(row, c.openings_s, strict=False)][::-1]
        if len(row) == len(c.openings_s)
        else [float("-inf")] * len(c.openings_s)
        for row, c in zip(starts, chains, strict=True)
    ]


def _cost(chains: Sequence[Chain], starts: Starts) -> tuple[float, float]:
    """Seconds without a place, and how long the night gets."""
    unplaced_s = sum(sum(chain.openings_s[len(row) :]) for chain, row in zip(chains, starts, strict=True))
    ends_s = [row[-1] + c.openings_s[len(row) - 1] for c, row in zip(chains, starts, strict=True) if row]
    first_s = min((c.allowed[0][0] for c in chains if c.allowed), default=0.0)
    return unplaced_s, max(ends_s, default=first_s) - first_s


def bound_s(chains: Sequence[Chain], limits: Limits) -> float:
    """No timetable is shorter: its longest chain, its flow by the capacity, its openings by the count."""
    longest_s = max((sum(c.openings_s) + c.rest_s * (len(c.openings_s) - 1) for c in chains), default=0.0)
    open_s = sum(sum(c.openings_s) for c in chains)
    least_s = max(longest_s, open_s / max(1, limits.max_open))
    if limits.capacity_l_min:
        least_s = max(least_s, sum(sum(c.openings_s) * c.flow_l_min for c in chains) / limits.capacity_l_min)
    return least_s


class _Pass:
    """One pass over time: at every instant the ready opening of smallest rank starts, while there is room."""

    def __init__(self, chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed], ranks: Ranks) -> None:
        self._chains, self._limits, self._ranks = chains, limits, ranks
        self._taken = sorted(taken, key=lambda item: item.end_s)
        self._starts: Starts = [[] for _ in chains]
        self._flows = [chain.flow_l_min for chain in chains]
        self._ready: list[tuple[float, int, float]] = []  # rank, chain, latest start
        self._later: list[tuple[float, int]] = []  # when it can start at the earliest, chain
        self._running: list[tuple[float, int]] = []  # end, chain
        self._free_l_min = float("inf") if limits.capacity_l_min is None else limits.capacity_l_min + SLACK_L_MIN
        self._free_count = limits.max_open
        self._at_s = float("-inf")

    def run(self) -> Starts:
        for n, chain in enumerate(self._chains):
            if chain.openings_s:
                self._wait(n, float("-inf"))
        while self._later or self._running or (self._ready and self._taken):
            self._move_on()
            if self._ready:
                self._start_what_fits()
        return self._starts

    def _wait(self, n: int, from_s: float) -> None:
        """Have the chain's next opening wait for its first allowed instant; without one the chain ends here."""
        chain = self._chains[n]
        seconds = chain.openings_s[len(self._starts[n])]
        for start_s, end_s in chain.allowed:
            if max(start_s, from_s) + seconds <= end_s:
                heapq.heappush(self._later, (max(start_s, from_s), n))
                return

    def _move_on(self) -> None:
        """On to the next instant at which something ends or may start."""
        taken, running, later = self._taken, self._running, self._later
        at_s = min(running[0][0] if running else float("inf"), later[0][0] if later else float("inf"))
        if self._ready and taken:
            at_s = min(at_s, taken[0].end_s)
        self._at_s = at_s
        while taken and taken[0].end_s <= at_s:
            taken.pop(0)
        while running and running[0][0] <= at_s:
            end_s, n = heapq.heappop(running)
            chain = self._chains[n]
            self._free_l_min += chain.flow_l_min
            self._free_count += 1
            if len(self._starts[n]) < len(chain.openings_s):
                self._wait(n, end_s + chain.rest_s)
        if later and later[0][0] <= at_s:
            while later and later[0][0] <= at_s:
                self._make_ready(heapq.heappop(later)[1])
            self._ready.sort()

    def _make_ready(self, n: int) -> None:
        chain, number = self._chains[n], len(self._starts[n])
        seconds = chain.openings_s[number]
        latest_s = next(b - seconds for a, b in chain.allowed if a <= self._at_s and self._at_s + seconds <= b)
        self._ready.append((self._ranks[n][number], n, latest_s))

    def _start_what_fits(self) -> None:
        at_s, flows, taken, waiting = self._at_s, self._flows, self._taken, []
        for place in self._ready:
            _, n, latest_s = place
            if at_s > latest_s:
                self._wait(n, at_s)
            elif flows[n] > self._free_l_min or not self._free_count or (taken and not self._room(n)):
                waiting.append(place)
            else:
                self._start(n, at_s)
        self._ready = waiting

    def _start(self, n: int, at_s: float) -> None:
        row = self._starts[n]
        heapq.heappush(self._running, (at_s + self._chains[n].openings_s[len(row)], n))
        row.append(at_s)
        self._free_l_min -= self._flows[n]
        self._free_count -= 1

    def _room(self, n: int) -> bool:
        """Whether openings that are already placed leave room until this one's end."""
        chain = self._chains[n]
        end_s = self._at_s + chain.openings_s[len(self._starts[n])]
        meanwhile = [item for item in self._taken if item.start_s < end_s]
        if any(item.zone == chain.zone for item in meanwhile):
            return False
        instants = [self._at_s, *(item.start_s for item in meanwhile if item.start_s > self._at_s)]
        return all(self._fits_beside(chain, instant, meanwhile) for instant in instants)

    def _fits_beside(self, chain: Chain, at_s: float, taken: Sequence[Placed]) -> bool:
        flows = [item.flow_l_min for item in taken if item.start_s <= at_s < item.end_s]
        flows += [self._chains[n].flow_l_min for end_s, n in self._running if end_s > at_s]
        capacity = self._limits.capacity_l_min
        if len(flows) + 1 > self._limits.max_open:
            return False
        return capacity is None or sum(flows) + chain.flow_l_min <= capacity + SLACK_L_MIN
