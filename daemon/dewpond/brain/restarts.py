"""A daemon that fails again and again must not make its relays chatter: after many starts the schedule waits.

A person's watering does not wait, and what a fault left of it is given once at most.
"""

from __future__ import annotations

from dewpond.brain.alarms import raised
from dewpond.brain.state import State
from dewpond.model.commands import Command
from dewpond.model.copying import replace
from dewpond.model.events import Now

WITHIN_S = 600.0  # starts that count
FREE_STARTS = 1  # openings at 0 and 8 s, then a minute: four switchings a minute at most
FIRST_PAUSE_S, LONGEST_PAUSE_S = 60.0, 480.0  # doubled with each start
TOLD_FROM = 4  # starts; a person who sets a site up restarts it a few times
Told = tuple[State, list[Command]]


def on_started(state: State, now: Now) -> Told:
    """Count this start; starts of before a reboot, when the elapsed clock stood higher, do not count."""
    before = [start_s for start_s in state.starts_s if now.elapsed_s - WITHIN_S < start_s <= now.elapsed_s]
    starts_s = (*before, now.elapsed_s)
    pause_s = pause_after(len(starts_s))
    state = replace(state, starts_s=starts_s, calm_from_s=now.elapsed_s + pause_s)
    if len(starts_s) < TOLD_FROM:
        return state, []
    text = (
        f"The daemon has started {len(starts_s)} times within {WITHIN_S / 60.0:.0f} minutes; so that no relay "
        f"chatters, nothing opens by schedule for {pause_s / 60.0:.0f} min. Look at its log for what ends it."
    )
    return raised(state, "fault/starts", "service_fault", text, now)


def pause_after(starts: int) -> float:
    """How long the schedule waits after so many starts within ten minutes. [s]"""
    late = starts - FREE_STARTS
    return min(FIRST_PAUSE_S * 2.0 ** (late - 1), LONGEST_PAUSE_S) if 0 < late < 9 else LONGEST_PAUSE_S * (late > 0)
