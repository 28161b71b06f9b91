"""A rain switch wired in the common of the valves: nothing can be read of it, but in wet weather no zone passes water.

A zone whose meter shows nothing within 48 h of rain is then taken as held, not as dead: its opening books nothing and
nobody is alarmed. At its next opening it is told as dead after all, if meanwhile another zone of its supply has passed
water or the rain is longer ago (the spans are common practice, no source). Without a meter the depth stays booked by
the site's numbers, and record and reason say that it is not certain.
"""

from __future__ import annotations

from dewpond.brain.ground import Ground
from dewpond.brain.state import State
from dewpond.model.copying import replace
from dewpond.model.site import Zone

KINDS = frozenset({"no_flow"})
WET_DAYS = 2
WET_RAIN_MM = 2.0  # switches are usually set to 3 to 6 mm, some trip earlier
PASSED_S = 12 * 3600.0


def holds(ground: Ground, state: State, supply: str, kind: str, at_s: float) -> bool:
    """Whether a zone that passes no water is held by the switch rather than dead."""
    if kind not in KINDS or not ground.site.supply(supply).rain_switch_in_common:
        return False
    return _rained(ground, state, at_s) and not _another_passed(state, supply, at_s)


def doubt(ground: Ground, state: State, supply: str, at_s: float) -> str:
    """After rain, that a depth booked on a supply with such a switch and no meter is not certain; else empty."""
    found = ground.site.supply(supply)
    if not found.rain_switch_in_common or found.meter is not None or not _rained(ground, state, at_s):
        return ""
    return "a rain switch in the valve common may have held it, so the depth is not certain"


def holding(ground: Ground, state: State, zone: Zone, at_s: float) -> bool:
    """Whether the zone's last opening passed no water and nothing has shown since that the switch is closed again."""
    if not ground.site.supply(zone.supply).rain_switch_in_common or not _rained(ground, state, at_s):
        return False
    last = next((item for item in reversed(state.finished) if item.zone == zone.id), None)
    return last is not None and last.unfed and not _another_passed(state, zone.supply, at_s)


def said(ground: Ground, state: State, zone: Zone) -> tuple[str, ...]:
    """What the zone's reason says of a watering that the switch may have held, its last one."""
    last = state.last_runs.get(zone.id)
    if last is None or not doubt(ground, state, zone.supply, last[0]):
        return ()
    told = "The last watering came after rain, and a rain switch in the valve common may have held it"
    return (f"{told}: how much is missing is not certain.",)


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
