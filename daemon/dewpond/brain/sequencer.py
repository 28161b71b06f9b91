"""Runs the plan: opens what is due, closes what is done, and accounts for every second a valve was open.

Durations count elapsed time, never the wall clock. Where it is not known how long a valve was open, the water counts as
applied. An opening that ended early without a person's wish is taken up again once, for its remainder.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from dewpond.brain import attended, caps, closing, headworks, locks, place_record, proving_words, pumps, weather_holds
from dewpond.brain.ground import Ground
from dewpond.brain.openings import (
    ASK_AGAIN_S,
    DONE,
    ON_TIME_S,
    active,
    close_now,
    swap,
    without,
)
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import Opening, State
from dewpond.brain.supply_bounds import least_flow_l_min
from dewpond.brain.water_need import LEAST_OPENING_S
from dewpond.model.commands import CloseValve, Command, OpenValve
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.states import CLOSING, OPEN, OPENING, WAITING, Ending, advance

MADE_WAY = "made way for water by hand"
TOO_LATE = "not given: its hours ended before it could begin"
HANDOVER_S = 1.0  # an opening due so soon after the last takes the pump over
Told = tuple[State, list[Command]]


def run_due(ground: Ground, state: State, now: Now) -> Told:
    """Close what is done, then open what is due and has room."""
    state, commands = _close_done(state, now)
    for ending in (_end_for_locks, _end_for_weather, pumps.end_for_low_water, _open_due):
        state, told = ending(ground, state, now)
        commands += told
    state, stopped = pumps.stop_pumps(ground, state, now, partial(_follows, ground, state, now))
    state, tended = headworks.tend(ground, state, now)
    return state, pumps.pumps_first(commands + stopped + tended)


def next_wake_s(ground: Ground, state: State, now: Now) -> float:
    """Elapsed time at which ``run_due`` has something to do again."""
    wake_s = math.inf
    wall_s = now.wall.timestamp()
    for item in state.openings:
        if item.state is OPEN:
            wake_s = min(wake_s, item.opened_elapsed_s + item.seconds)
        elif item.state in (CLOSING, OPENING):
            wake_s = min(wake_s, item.asked_elapsed_s + ASK_AGAIN_S)
        elif item.state is WAITING:
            # One that is due and still waits lacks room or a keeper; an event brings its turn, or another look. The
            # end of what runs is a wake of its own, so nothing is looked at before that lacks room beside it.
            due_s = max(_not_before_s(state, item), now.elapsed_s + _start_s(item) - wall_s)
            due_s = due_s if due_s > now.elapsed_s + ON_TIME_S else now.elapsed_s + ASK_AGAIN_S
            if due_s < wake_s and (item.by_hand or _fits(ground, item, active(state, item.supply))):
                wake_s = due_s
    return wake_s


def _start_s(item: Opening) -> float:
    """The wall time an opening waits for; what a person asked for or a fault left over waits for none."""
    return -math.inf if item.by_hand or item.resumed else item.start_s


def _not_before_s(state: State, item: Opening) -> float:
    """The elapsed time before which an opening waits; after many starts of the daemon the schedule's do for longer."""
    return item.not_before_elapsed_s if item.by_hand else max(item.not_before_elapsed_s, state.calm_from_s)


def _close_done(state: State, now: Now) -> Told:
    commands: list[Command] = []
    for item in state.openings:
        if item.state is OPEN and now.elapsed_s >= item.opened_elapsed_s + item.seconds - ON_TIME_S:
            state, told = close_now(state, item, DONE, now, Ending.DONE)
            commands += told
        elif item.state in (CLOSING, OPENING) and now.elapsed_s >= item.asked_elapsed_s + ASK_AGAIN_S - ON_TIME_S:
            cause = item.close_cause or "the keeper did not answer"
            again = replace(item, state=CLOSING, asked_elapsed_s=now.elapsed_s, close_cause=cause)
            state = swap(state, again)
            commands.append(CloseValve(run_id=item.run_id, output=item.output, cause=cause))
    return state, commands


def _open_due(ground: Ground, state: State, now: Now) -> Told:
    commands: list[Command] = []
    wall_s = now.wall.timestamp()
    due = [
        item
        for item in state.openings
        if item.state is WAITING
        and now.elapsed_s >= _not_before_s(state, item) - ON_TIME_S
        and _start_s(item) <= wall_s + ON_TIME_S
    ]
    for item in sorted(due, key=lambda item: not item.by_hand):  # people first
        state, told = _try_open(ground, state, item, now)
        commands += told
    return state, commands


def _try_open(ground: Ground, state: State, item: Opening, now: Now) -> Told:
    if locks.on(ground, state, ground.zones[item.zone]) is not None:
        return without(state, item), [plan_row(item, "dropped")]
    if not (now.trusted or item.by_hand):
        return state, []  # nor is anything dropped as too late by a clock that nobody believes
    left_s, limit = item.latest_end_s - now.wall.timestamp(), "the end of its hours"
    weather = "" if item.by_hand else weather_holds.held(ground, state, ground.zones[item.zone], now.wall.timestamp())
    if left_s < min(item.seconds, LEAST_OPENING_S) or weather_holds.drops(weather):
        return _given_up(ground, state, item, weather, now)
    if weather:
        return swap(state, replace(item, not_before_elapsed_s=now.elapsed_s + weather_holds.LOOK_AGAIN_S)), []
    room = _room(ground, state, item)
    if room and not item.by_hand:
        capped_s, cap = caps.left(ground, state, ground.zones[item.zone], now.wall.timestamp())
        left_s, limit = min((left_s, limit), (capped_s, cap))
        if left_s < min(item.seconds, LEAST_OPENING_S):
            return _given_up(ground, state, item, f"Held by {cap}, which is reached", now)
    if not state.keeper_ready:
        return state, []
    shut = None if item.by_hand else _kept_shut(ground, state, item, now)
    if shut is not None:
        return shut
    left_s, limit = min((left_s, limit), (_day_left_s(ground, state, item, now), "the pump's litres a day"))
    if left_s < min(item.seconds, LEAST_OPENING_S):
        return _given_up(ground, state, item, "Held by the pump's litres a day, which are given", now)
    if not room:
        return _make_way(state, item, now) if item.by_hand else (state, [])
    due, at_s = pumps.due_beside(state, item, now), now.wall.timestamp()
    beside = [other for other in due if _would_open(ground, state, other, at_s, now)]
    wait = pumps.wait(ground, state, item, beside, now)
    if wait is not None:
        return _waits(ground, state, item, wait, now)
    state, commands, ready_s = headworks.open_master(ground, state, item, now)
    if ready_s > now.elapsed_s + ON_TIME_S:
        return swap(state, replace(item, not_before_elapsed_s=ready_s)), commands
    opening = replace(
        _cut(item, left_s, limit),
        state=advance(item.state, OPENING),
        asked_elapsed_s=item.asked_elapsed_s or now.elapsed_s,
    )
    intent = OpenValve(run_id=opening.run_id, output=opening.output, zone=opening.zone, planned_s=opening.seconds)
    return swap(state, opening), [*commands, *place_record.note(ground, state, opening, now), intent]


def _cut(item: Opening, left_s: float, limit: str) -> Opening:
    """The opening no longer than what is left for it; its record says what cut it."""
    if item.seconds <= left_s or not math.isfinite(left_s):
        return item
    cause = f"{item.cause}, cut from {item.seconds / 60.0:.1f} min by {limit}"
    return replace(item, seconds=float(math.floor(left_s)), cause=cause)


def _day_left_s(ground: Ground, state: State, item: Opening, now: Now) -> float:
    """Seconds an opening may last by what the pump may still give today."""
    left_l = pumps.day_left_l(ground, state, ground.site.supply(item.supply), now)
    return left_l / item.flow_l_min * 60.0


def _waits(ground: Ground, state: State, item: Opening, wait: pumps.Wait, now: Now) -> Told:
    """Let an opening wait for the pump, or give it up with the reason where its hours are over before."""
    until_s = now.wall.timestamp() + wait.until_s - now.elapsed_s
    late = item.latest_end_s - until_s < min(item.seconds, LEAST_OPENING_S)
    tired = item.by_hand and now.wall.timestamp() - item.start_s >= wait.patience_s
    if late or tired:
        return _given_up(ground, state, item, wait.text, now)
    return swap(state, replace(item, not_before_elapsed_s=max(item.not_before_elapsed_s, wait.until_s))), []


def _on_hold(state: State, item: Opening, now: Now) -> bool:
    """Whether a person holds the zone now: starts by day are not planned again when a hold comes after the window."""
    hold = state.hold_on(item.zone)
    return hold is not None and now.wall < hold.until


def _kept_shut(ground: Ground, state: State, item: Opening, now: Now) -> Told | None:
    """What becomes of an opening that a fault, a hold or a missing proof keeps shut; None where nothing does."""
    block = state.block_on(item.zone, item.supply)
    if block is not None and block.until is not None:  # a supply that is tried again soon: the opening waits for that
        wait_s = max((block.until - now.wall).total_seconds(), ASK_AGAIN_S)
        return swap(state, replace(item, not_before_elapsed_s=now.elapsed_s + wait_s)), []
    if block is not None:
        note = closing.never_begun(ground, state, item, f"not given: kept shut for a fault, {block.why}", now)
        return without(state, item), [plan_row(item, "dropped"), note]
    if _on_hold(state, item, now) or proving_words.held(ground, state, ground.zones[item.zone]):
        return without(state, item), [plan_row(item, "dropped")]
    return None


def _given_up(ground: Ground, state: State, item: Opening, why: str, now: Now) -> Told:
    """Drop an opening that may not or cannot run any more; the next planning decides what becomes of its water."""
    state = without(state, item)
    told: list[Command] = []
    if why and not item.by_hand:
        state, told = weather_holds.given_up(ground, state, item, why, now.wall.timestamp())
    elif not item.by_hand:
        told = [closing.never_begun(ground, state, item, TOO_LATE, now)]
    return state, [plan_row(item, "dropped"), *told]


def _end_for_locks(ground: Ground, state: State, now: Now) -> Told:
    """Drop what waits where a lock stands; the keeper has shut what ran: ask for it too, to hear of it at once."""
    if not state.locks:
        return state, []
    commands: list[Command] = []
    for item in state.openings:
        why = locks.held(ground, state, ground.zones[item.zone])
        if why and item.state is not CLOSING:
            state, told = close_now(state, item, f"stopped: {why[:1].lower()}{why[1:]}", now, Ending.WISHED)
            commands += told
    return state, commands


def _end_for_weather(ground: Ground, state: State, now: Now) -> Told:
    """Close what runs by schedule into rain, frost or strong wind."""
    commands: list[Command] = []
    for item in active(state):
        if item.by_hand or item.state is CLOSING:
            continue
        zone = ground.zones[item.zone]
        why = weather_holds.held(ground, state, zone, now.wall.timestamp(), weather_holds.RUNNING_SHARE)
        if why:
            state, told = close_now(state, item, f"stopped: {why[:1].lower()}{why[1:]}", now, Ending.RULED)
            commands += told
    return state, commands


def _room(ground: Ground, state: State, item: Opening) -> bool:
    return not attended.holding(state, item.supply) and _fits(ground, item, active(state, item.supply))


def _fits(ground: Ground, item: Opening, running: Sequence[Opening]) -> bool:
    """Whether count and flow leave room beside what runs; a zone alone always has it."""
    limits = ground.limits[item.supply]
    if len(running) >= limits.max_open or any(other.zone == item.zone for other in running):
        return False
    flow_l_min = sum(other.flow_l_min for other in running) + item.flow_l_min
    return not running or limits.capacity_l_min is None or flow_l_min <= limits.capacity_l_min + 1e-9


def _make_way(state: State, item: Opening, now: Now) -> Told:
    """A person's watering wins: the opening that gives way first is closed, then the next, until there is room."""
    running = _giving_way(state, item)
    if not running or any(other.state is CLOSING for other in running):
        return state, []
    first = running[0]
    if first.by_hand:
        return close_now(state, first, f"stopped: {MADE_WAY}", now, Ending.WISHED)
    return close_now(state, first, MADE_WAY, now)


def closed_for(ground: Ground, state: State, item: Opening) -> list[Opening]:
    """The openings that run now and will be closed for a person's watering."""
    staying = _giving_way(state, item)
    going = []
    while staying and not _fits(ground, item, staying):
        going.append(staying.pop(0))
    return going


def _giving_way(state: State, item: Opening) -> list[Opening]:
    """Running openings in the order in which they give way: the same zone, then the schedule's, the oldest first."""
    return sorted(
        active(state, item.supply),
        key=lambda other: (other.zone != item.zone, other.by_hand, other.opened_elapsed_s),
    )


def _follows(ground: Ground, state: State, now: Now, supply: str, by_s: float) -> bool:
    """Whether openings of a supply may begin by an elapsed time, enough of them for its pump to run on."""
    by_wall_s = now.wall.timestamp() + by_s - now.elapsed_s + HANDOVER_S
    staying = [
        item
        for item in active(state, supply)
        if item.state is OPENING or (item.state is OPEN and item.opened_elapsed_s + item.seconds > by_s + HANDOVER_S)
    ]
    coming = [
        item
        for item in state.openings
        if item.state is WAITING
        and item.supply == supply
        and item.start_s <= by_wall_s
        and item.not_before_elapsed_s <= by_s + HANDOVER_S
        and _would_open(ground, state, item, by_wall_s, now)
        and _fits(ground, item, staying)
    ]
    flow_l_min = sum(item.flow_l_min for item in (*staying, *coming))
    return bool(coming) and flow_l_min >= least_flow_l_min(ground.site.supply(supply))


def _would_open(ground: Ground, state: State, item: Opening, at_s: float, now: Now) -> bool:
    """Whether neither keeper, locks, faults, holds nor weather keep an opening shut that is due at a wall time."""
    zone = ground.zones[item.zone]
    if not state.keeper_ready or locks.on(ground, state, zone) is not None:
        return False
    if item.latest_end_s - at_s < min(item.seconds, LEAST_OPENING_S):
        return False
    if item.by_hand:
        return True
    return not _stays_shut(ground, state, item, now) and not weather_holds.held(ground, state, zone, at_s)


def _stays_shut(ground: Ground, state: State, item: Opening, now: Now) -> bool:
    """Whether a fault of the pipes, a hold or a missing proof keeps the schedule from opening it."""
    if state.block_on(item.zone, item.supply) is not None or _on_hold(state, item, now):
        return True
    return bool(proving_words.held(ground, state, ground.zones[item.zone]))
