"""Other users behind the same meter: what they draw at most, and whether they are ever quiet.

A leak never stops; people do. So a shared meter is told from a leaking one by its quiet stretches alone, without a
look at the time of day.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Others
from dewpond.model.copying import replace

CLOSING_S = 60.0
KNOW_OTHERS_S = 2.0 * 86_400.0
# No quiet stretch for this long, and twice as long as ever before, is a leak: night-flow practice looks for 2 h.
BUSY_S = 2.0 * 3600.0
BUSY_FACTOR = 2.0
# The largest draw of the others may be beaten by this factor without being a fault. Common practice, no source.
DRAW_MARGIN = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleFlow:
    """Flow that a count proves while every valve is closed; ``zone`` where it is one's own that did not stop."""

    time_s: float
    zone: str | None
    seen_l_min: float
    expected_l_min: float
    lost_l: float


def draw_limit_l_min(settings: WatchSettings, others: Others) -> float:
    """Flow the others behind the meter may draw: 0 on a dedicated meter, anything while they are not known."""
    if not settings.meter.shared:
        return 0.0
    return DRAW_MARGIN * others.draw_l_min if others.watched_s >= KNOW_OTHERS_S else math.inf


def shared_step(settings: WatchSettings, others: Others, row: MeterRow) -> tuple[Others, IdleFlow | None]:
    """The account of the others after an idle row, and flow that cannot be theirs."""
    limit_l_min = draw_limit_l_min(settings, others)
    others = _heard(settings, others, row)
    minute_l_min = sum(litres for _, litres in others.minute)
    if minute_l_min > limit_l_min + settings.meter.verdict_l:
        return others, IdleFlow(
            time_s=row.time_s, zone=None, seen_l_min=minute_l_min, expected_l_min=limit_l_min, lost_l=minute_l_min
        )
    others = replace(others, draw_l_min=max(others.draw_l_min, minute_l_min))
    if others.watched_s >= KNOW_OTHERS_S and others.busy_s > max(BUSY_S, BUSY_FACTOR * others.longest_busy_s):
        seen = others.busy_l * 60.0 / others.busy_s
        return others, IdleFlow(time_s=row.time_s, zone=None, seen_l_min=seen, expected_l_min=0.0, lost_l=others.busy_l)
    return others, None


def quiet_s(settings: WatchSettings) -> float:
    """A stretch without a pulse this long shows that not even Q1 flows. [s]"""
    return max(settings.meter.verdict_l * 60.0 / settings.meter.q1_l_min, CLOSING_S)


def _heard(settings: WatchSettings, others: Others, row: MeterRow) -> Others:
    """The account of the others after a row: draws of the last minute, silence, and time since the last silence."""
    minute = tuple(item for item in others.minute if item[0] > row.time_s - 60.0)
    if row.litres > 0.0:
        minute = (*minute, (row.time_s, row.litres))
    silent_s = 0.0 if row.litres > 0.0 else others.silent_s + row.window_s
    busy_s, longest_s = others.busy_s + row.window_s, others.longest_busy_s
    busy_l = others.busy_l + row.litres
    if silent_s >= quiet_s(settings):
        busy_s, busy_l, longest_s = 0.0, 0.0, max(longest_s, others.busy_s)
    return replace(
        others,
        watched_s=others.watched_s + row.window_s,
        minute=minute,
        silent_s=silent_s,
        busy_s=busy_s,
        busy_l=busy_l,
        longest_busy_s=longest_s,
    )
