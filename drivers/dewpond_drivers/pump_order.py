"""A pump and the valves that let its water out: it never starts against shut valves, and stops before the last one.

The keeper asks here before it opens or closes anything, so the order holds for everybody who closes: the daemon, a
person past the daemon, a lease that ends, a fault, the keeper's own end. An electric valve takes some seconds to shut
after its relay has dropped and a pump stops within one or two, so order alone is enough where no time is left (common
practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from dewpond_drivers.layout import Layout, read_layout

AHEAD_S = 2.0  # a pump's lease ends this much before the last of its valves'
HANDOVER_S = 2.0  # a pump may outlast a zone that the daemon closes by this much, until the next one opens


@dataclass(frozen=True, slots=True)
class PumpHead:
    """One pump's output, the outputs of the zones it feeds, and of the master valve between them."""

    pump: int
    valves: frozenset[int]
    master: int | None = None

    def flows(self, running: Collection[int], attended: Collection[int]) -> bool:
        """Whether water finds a way out while these outputs are on: by a zone, or by the hand of who attends a test."""
        return bool(self.ways_out(attended).intersection(running)) and (self.master is None or self.master in running)

    def ways_out(self, attended: Collection[int]) -> frozenset[int]:
        """Outputs that let water out, the master among them while a person holds it open."""
        return self.valves | {output for output in attended if output == self.master}


class PumpOrder:
    """What must stop before what. Outputs that are ``running`` are on and not being closed.

    ``attended`` are those of them that a person keeps open who draws water by hand.
    """

    def __init__(self, heads: Iterable[PumpHead] = ()) -> None:
        self._heads = {head.pump: head for head in heads}

    @property
    def pumps(self) -> tuple[int, ...]:
        """The outputs of all pumps."""
        return tuple(self._heads)

    def refusal(self, output: int, running: Collection[int], attended: Collection[int] = ()) -> str:
        """Why a pump may not start now, or ""; every other output has no reason here."""
        head = self._heads.get(output)
        if head is None or head.flows(running, attended):
            return ""
        return f"output {output} is a pump, and no valve lets its water out; open a zone of its supply first"

    def left_alone(self, shutting: int, running: Collection[int], attended: Collection[int] = ()) -> tuple[int, ...]:
        """Pumps that run and have no way out any more once this output is shut."""
        left = set(running) - {shutting}
        return tuple(pump for pump, head in self._heads.items() if pump in left and not head.flows(left, attended))

    def fed_through(self, output: int) -> tuple[int, ...]:
        """Pumps whose water this zone's valve lets out."""
        return tuple(pump for pump, head in self._heads.items() if output in head.valves)

    def lease_end_s(
        self,
        output: int,
        wanted_s: float,
        before_s: float,
        lease_ends_s: Mapping[int, float],
        attended: Collection[int] = (),
    ) -> float:
        """The end of a lease, for a pump no later than shortly before the last of its valves, or its master, shuts.

        ``lease_ends_s`` by running output; without an open valve the pump keeps ``before_s``.
        """
        head = self._heads.get(output)
        if head is None:
            return wanted_s
        ways_out = head.ways_out(attended)
        ends_s = [end_s for valve, end_s in lease_ends_s.items() if valve in ways_out]
        if not ends_s:
            return min(wanted_s, before_s)
        master_s = math.inf if head.master is None else lease_ends_s.get(head.master, math.inf)
        return min(wanted_s, max(ends_s) - AHEAD_S, master_s - AHEAD_S)


def order_of(layout: Layout) -> PumpOrder:
    """The order for the pumps of a site file's supplies."""
    heads = []
    for supply, pump in layout.pumps.items():
        valves = frozenset(output for output, fed_by in layout.zones.values() if fed_by == supply)
        heads.append(PumpHead(pump, valves, layout.masters.get(supply)))
    return PumpOrder(heads)


def read_order(site_file: Path) -> PumpOrder:
    """The order by a site file; a file that cannot be read has no pumps, and the daemon refuses it."""
    try:
        return order_of(read_layout(site_file))
    except (OSError, ValueError):
        return PumpOrder()
