"""Pauses of a pump in a night's timetable: long enough for its rest, and no more starts an hour than it takes.

The night is packed from its end, so what comes too close before a later start is moved earlier, all of it together:
order, company and soaking rests stay. Where that is not allowed, it stays where it is, and the pump lets it wait.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dewpond.brain.timetable import Interval, Placed
from dewpond.model.copying import replace
from dewpond.model.site import Pump

HOUR_S = 3600.0
TOUCHING_S = 1.0  # a pause this short is none: the pump runs on
Allowed = Mapping[str, Sequence[Interval]]  # by zone


def spaced(movable: Sequence[Placed], fixed: Sequence[Placed], pump: Pump, allowed: Allowed) -> list[Placed]:
    """The movable openings with pauses as the pump needs them, as far as they may be moved."""
    placed = sorted(movable, key=lambda item: (item.start_s, item.zone))
    later: list[float] = []  # starts of the pump after the present one, the nearest first
    stop_s = max((item.end_s for item in (*placed, *fixed)), default=0.0)
    while True:
        begins = _blocks([*placed, *fixed], stop_s)
        if not begins:
            return placed
        begin_s, end_s = begins[-1]
        shift_s = _shift_s(begin_s, end_s, later, pump)
        if shift_s > 0.0:
            moved = _moved(placed, fixed, end_s, shift_s, allowed)
            placed, begin_s = (moved, begin_s - shift_s) if moved is not None else (placed, begin_s)
        later.insert(0, begin_s)
        stop_s = begin_s - TOUCHING_S


def _blocks(placed: Sequence[Placed], stop_s: float) -> list[Interval]:
    """Spans in which the pump runs, of what starts before an instant."""
    spans: list[Interval] = []
    for item in sorted(placed, key=lambda item: item.start_s):
        if item.start_s > stop_s:
            break
        if spans and item.start_s <= spans[-1][1] + TOUCHING_S:
            spans[-1] = (spans[-1][0], max(spans[-1][1], item.end_s))
        else:
            spans.append((item.start_s, item.end_s))
    return spans


def _shift_s(begin_s: float, end_s: float, later: Sequence[float], pump: Pump) -> float:
    """How much earlier a block must be for the starts after it."""
    shift_s = pump.rest_s - (later[0] - end_s) if later and pump.rest_s else 0.0
    most = pump.starts_an_hour
    if most is not None and len(later) >= most:
        shift_s = max(shift_s, begin_s + HOUR_S - later[most - 1])
    return shift_s


def _moved(
    placed: Sequence[Placed], fixed: Sequence[Placed], until_s: float, shift_s: float, allowed: Allowed
) -> list[Placed] | None:
    """Everything that starts before ``until_s`` this much earlier; None where something may not be moved so."""
    if any(item.start_s < until_s for item in fixed):
        return None
    moved = []
    for item in placed:
        if item.start_s >= until_s:
            moved.append(item)
            continue
        start_s = item.start_s - shift_s
        room = [
            end_s for begin_s, end_s in allowed[item.zone] if begin_s <= start_s and start_s + item.seconds <= end_s
        ]
        if not room:
            return None
        moved.append(replace(item, start_s=start_s, latest_end_s=room[0]))
    return moved
