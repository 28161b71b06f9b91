"""A rain switch wired in the common of the valves: nothing can be read of it, but in wet weather no zone passes water.

A zone whose meter shows nothing within 48 h of rain is then taken as held, not as dead: its opening books nothing and
nobody is alarmed. At its next opening it is told as dead after all, if meanwhile another zone of its supply has passed
water or the rain is longer ago (the spans are common practice, no source). Without a meter the depth stays booked by
the site's numbers.
"""

from __future__ import annotations

from dataclasses import replace

from dewpond.brain.ground import Ground
from dewpond.brain.state import State

KINDS = frozenset({"no_flow"})
WET_DAYS = 2
WET_RAIN_MM = 2.0  # switches are usually set to 3 to 6 mm, some trip earlier
PASSED_S = 12 * 3600.0


def holds(ground: Ground, state: State, supply: str, kind: str, at_s: float) -> bool:
    """Whether a zone that passes no water is held by the switch rather than dead."""
    if kind not in KINDS or not ground.site.supply(supply).rain_switch_in_common:
        return False
    return _rained(ground, state, at_s) and not _another_passed(state, supply, at_s)


def untold(state: State, supply: str, kind: str, zone: str | None) -> State:
    """The watch without this incident, so that it speaks up again at the next opening."""
    memory = state.pipes[supply]
    left = tuple(item for item in memory.watch.incidents if (item.kind, item.zone) != (kind, zone))
    watch = replace(memory.watch, incidents=left)
    return replace(state, pipes={**state.pipes, supply: replace(memory, watch=watch)})


def _rained(ground: Ground, state: State, at_s: float) -> bool:
    today = ground.days.date_at(at_s)
    return any(
        rain_mm >= WET_RAIN_MM
        for day, rain_mm in state.soil.rain.items()
        if 0 <= (today - day).days <= WET_DAYS and day not in state.soil.rain_missing
    )


def _another_passed(state: State, supply: str, at_s: float) -> bool:
    """Water that any zone of the supply passed lately proves the common closed."""
    return any(
        item.supply == supply and not item.unfed and item.metered_l > 0.0 and item.start_s > at_s - PASSED_S
        for item in state.finished
    )
