"""Zones that take less than a pump's least flow: they run beside others, or several together, never alone.

A small zone first rides along with what is placed already, in the hours in which all together take enough; an opening
may be cut to fit them, since shorter openings never run off. What is left is joined in groups that run for the same
time, as long as the member that needs least; the others' remainder looks for company again. What finds none is carried.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from dewpond.brain.timetable import SLACK_L_MIN, Chain, Interval, Limits, Placed
from dewpond.brain.water_need import LEAST_OPENING_S

Spot = tuple[float, float]  # start, seconds


@dataclass(slots=True)
class _Small:
    """One chain that needs company: ``index`` in what was asked for, ``left_s`` of watering still without a place."""

    index: int
    chain: Chain
    left_s: float


def with_company(
    chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed], least_l_min: float, *, late: bool
) -> list[tuple[int, Placed]]:
    """Place small chains beside ``taken`` and each other, as late as they fit or as early: (index of the chain, place).

    Chains come in order of urgency; each takes less than ``least_l_min``.
    """
    waiting = [_Small(index, chain, sum(chain.openings_s)) for index, chain in enumerate(chains)]
    found: list[tuple[int, Placed]] = []

    def placed(group: Sequence[_Small]) -> bool:
        return bool(group) and _place(group, limits, taken, found, least_l_min, late=late) > 0.0

    gained = True
    while gained:
        gained = sum(placed([small]) for small in waiting) > 0
        waiting = [small for small in waiting if small.left_s >= LEAST_OPENING_S]
        while any(placed(_group(waiting[first:], limits, least_l_min)) for first in range(len(waiting))):
            gained = True
            waiting = [small for small in waiting if small.left_s >= LEAST_OPENING_S]
    return found


def _group(waiting: Sequence[_Small], limits: Limits, least_l_min: float) -> list[_Small]:
    """The first that waits with as few others as bring it to the least flow, the largest first; none if they cannot."""
    group = [waiting[0]]
    flow_l_min = waiting[0].chain.flow_l_min
    most_l_min = math.inf if limits.capacity_l_min is None else limits.capacity_l_min + SLACK_L_MIN
    for other in sorted(waiting[1:], key=lambda small: (-small.chain.flow_l_min, small.index)):
        if flow_l_min >= least_l_min or len(group) >= limits.max_open:
            break
        apart = all(other.chain.zone != member.chain.zone for member in group)
        if apart and flow_l_min + other.chain.flow_l_min <= most_l_min:
            group.append(other)
            flow_l_min += other.chain.flow_l_min
    return group if flow_l_min >= least_l_min else []


def _place(
    group: Sequence[_Small],
    limits: Limits,
    taken: Sequence[Placed],
    found: list[tuple[int, Placed]],
    least_l_min: float,
    *,
    late: bool,
) -> float:
    """Add openings of the whole group to ``found``; returns the seconds that found a place."""
    beside = [*taken, *(placed for _, placed in found)]
    rest_s = max(small.chain.rest_s for small in group)
    spans = _spans(group, limits, beside, least_l_min, rest_s)
    wanted_s = min(small.left_s for small in group)
    longest_s = min(max(small.chain.openings_s, default=0.0) for small in group)
    spots = _spots(wanted_s, longest_s, rest_s, spans, late=late)
    for start_s, seconds in spots:
        for small in group:
            found.append((small.index, _placed(small.chain, start_s, seconds)))
            small.left_s -= seconds
    return sum(seconds for _, seconds in spots)


def _placed(chain: Chain, start_s: float, seconds: float) -> Placed:
    latest_end_s = next(end_s for begin_s, end_s in chain.allowed if begin_s <= start_s < end_s)
    return Placed(chain.zone, 0, start_s, seconds, chain.flow_l_min, latest_end_s)


def _spans(
    group: Sequence[_Small], limits: Limits, beside: Sequence[Placed], least_l_min: float, rest_s: float
) -> list[Interval]:
    """When the whole group may run: allowed to all, room for all, and enough flow all together."""
    zones = {small.chain.zone for small in group}
    flow_l_min = sum(small.chain.flow_l_min for small in group)
    most_l_min = math.inf if limits.capacity_l_min is None else limits.capacity_l_min + SLACK_L_MIN
    own = [(item.start_s - rest_s, item.end_s + rest_s) for item in beside if item.zone in zones]
    edges = {edge for item in beside for edge in (item.start_s, item.end_s)}
    edges |= {edge for span in own for edge in span}
    edges |= {edge for small in group for span in small.chain.allowed for edge in span}
    spans: list[Interval] = []
    ordered = sorted(edges)
    for begin_s, end_s in itertools.pairwise(ordered):
        running = [item.flow_l_min for item in beside if item.start_s <= begin_s < item.end_s]
        fits = len(running) + len(group) <= limits.max_open
        enough = least_l_min - SLACK_L_MIN <= sum(running) + flow_l_min <= most_l_min
        resting = any(start_s < end_s and begin_s < stop_s for start_s, stop_s in own)
        allowed = all(
            any(start_s <= begin_s and end_s <= stop_s for start_s, stop_s in small.chain.allowed) for small in group
        )
        if not (fits and enough and allowed) or resting:
            continue
        if spans and spans[-1][1] == begin_s:
            spans[-1] = (spans[-1][0], end_s)
        else:
            spans.append((begin_s, end_s))
    return spans


def _spots(wanted_s: float, longest_s: float, rest_s: float, spans: Sequence[Interval], *, late: bool) -> list[Spot]:
    """Whole seconds of openings in these spans, from the last backwards or from the first on, with rests between."""
    if late:
        mirrored = [(-end_s, -begin_s) for begin_s, end_s in reversed(spans)]
        back = _spots(wanted_s, longest_s, rest_s, mirrored, late=False)
        return sorted((-start_s - seconds, seconds) for start_s, seconds in back)
    spots: list[Spot] = []
    free_s = -math.inf
    for begin_s, end_s in spans:
        at_s = max(begin_s, free_s)
        while wanted_s >= LEAST_OPENING_S:
            seconds = float(math.floor(min(wanted_s, longest_s, end_s - at_s)))
            if seconds < LEAST_OPENING_S:
                break
            spots.append((at_s, seconds))
            wanted_s -= seconds
            free_s = at_s = at_s + seconds + rest_s
    return spots
