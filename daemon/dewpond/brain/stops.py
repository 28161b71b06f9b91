"""A person's stop wins over everything that runs or waits, whichever way it reaches the valves.

A stop given past the daemon closes at the keeper first, and is heard of afterwards, maybe by a daemon that was hung or
dead when it was given. It then counts as if it had been heard at its time: nothing it meant is resumed or begun.
"""

from __future__ import annotations

from dewpond.brain.ground import Ground
from dewpond.brain.openings import close_now, swap
from dewpond.brain.state import Opening, State
from dewpond.model.commands import Command
from dewpond.model.copying import replace
from dewpond.model.events import Now, PersonsStop, StopsTold
from dewpond.model.states import Ending, ValveState

KNOWN = 40  # stops remembered as taken up; the keeper keeps fewer
PLANNED_AHEAD_S = 600.0  # by how much a night's plan is older than its window (the calendar's lead)
Told = tuple[State, list[Command]]


def stop_zones(state: State, zones: frozenset[str], cause: str, now: Now, at_s: float | None = None) -> Told:
    """Close and drop what zones have running or waiting, and leave them shut for the window.

    A stop that was given at an earlier ``at_s`` leaves alone what a person asked for after it.
    """
    commands: list[Command] = []
    for item in state.openings:
        if item.zone in zones and not (at_s is not None and _asked_later(item, at_s)):
            state, told = _stop(state, item, cause, now)
            commands += told
    return _not_again_tonight(state, zones, now.wall.timestamp() if at_s is None else at_s), commands


def on_told(ground: Ground, state: State, event: StopsTold, now: Now) -> Told:
    """Take up stops that the keeper tells of, each once."""
    commands: list[Command] = []
    fresh = [stop for stop in event.stops if stop.id not in state.stops_known]
    for stop in fresh:
        state, told = stop_zones(state, _zones(ground, stop), stop.who, now, stop.at.timestamp())
        commands += told
    known = (*state.stops_known, *(stop.id for stop in fresh))[-KNOWN:]
    return (replace(state, stops_known=known) if fresh else state), commands


def _zones(ground: Ground, stop: PersonsStop) -> frozenset[str]:
    """The zones a stop means; a master's output means all behind it."""
    if stop.zone:
        return frozenset({stop.zone})
    if not stop.output:
        return frozenset(ground.zones)
    behind = {supply.id for supply in ground.site.supplies if supply.master_output == stop.output}
    return frozenset(zone.id for zone in ground.site.zones if stop.output == zone.output or zone.supply in behind)


def _stop(state: State, item: Opening, cause: str, now: Now) -> Told:
    """One that is closing for another cause is stopped all the same: its rest must not come."""
    if item.state is ValveState.CLOSING:
        return swap(state, replace(item, close_cause=cause, ending=Ending.WISHED)), []
    return close_now(state, item, cause, now, Ending.WISHED)


def _asked_later(item: Opening, at_s: float) -> bool:
    """Whether a person asked for this after the stop."""
    return item.by_hand and not item.resumed and item.start_s > at_s


def _not_again_tonight(state: State, zones: frozenset[str], at_s: float) -> State:
    """Remember a stop for the window that was open or planned then; the following night is decided as usual."""
    night = state.night
    if night is None or not night.opens_s - PLANNED_AHEAD_S <= at_s < night.closes_s:
        return state
    return replace(state, night=replace(night, stopped_zones=night.stopped_zones | zones))
