"""Attended tests: a person keeps a master valve open while working beside it, and says so again every few minutes.

The only case in which a main is under water with every zone shut. What the person draws is announced to the pipe
watch; a flow the size of a break closes all the same. A test ends when somebody says so, when its person has said
nothing for five minutes, or after a quarter of an hour. It is journalled as maintenance.
"""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from dewpond.brain import alarms, locks, pumps
from dewpond.brain.attended_state import Attended
from dewpond.brain.ground import Ground
from dewpond.brain.openings import ASK_AGAIN_S, ON_TIME_S
from dewpond.brain.state import PipeBlock, State
from dewpond.model import events as ev
from dewpond.model.commands import CloseValve, Command, NoteMaintenance, OpenValve, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.site import Supply

RUN = "attended/"  # how the run ids begin
RENEW_S = 300.0  # the person says so again at least this often
LONGEST_S = 900.0  # no test goes on for longer; a fresh one may follow
BREAK_S = 30.0  # a main that fills draws much for a moment; common practice, no source
AFTER_S = 60.0  # water still runs on and drains after the valve has shut
SPANS_KEPT = 4
LATE_S = 3600.0  # meter rows that come later than this are not sorted out
PUMP = "pump"  # how the run id of a pump ends
DRY_S = 60.0  # a pump against shut hand valves is ruined within minutes; common practice, no source
LEAST_DRAWN_L_MIN = 1.0  # less than this a meter may show for a leaking packing
Told = tuple[State, list[Command]]


def is_attended(run_id: str) -> bool:
    """Whether a run is an attended test's."""
    return run_id.startswith(RUN)


def holding(state: State, supply: str) -> str:
    """Why no zone opens on a supply, or ""."""
    test = state.attended.tests.get(supply)
    return "" if test is None else f"{test.who} attends a test of {supply}, which ends within a quarter of an hour"


def wanted_runs(state: State) -> set[str]:
    """Runs that should be open."""
    return {run for test in state.attended.tests.values() if not test.closing for run in test.held}


def words(ground: Ground, state: State, supply: str, now: Now) -> str:
    """A test as a person reads it on a screen, or ""."""
    test = state.attended.tests.get(supply)
    if test is None:
        return ""
    until = clock_at(ground, test.until_s, now)
    return f"attended test by {test.who} until {until}: what is drawn by hand is announced, {break_words(test)}"


def pump_words(state: State, supply: str) -> str:
    """What a pump does for a test, as a sentence for people, or ""."""
    test = state.attended.tests.get(supply)
    runs = test is not None and any(run.endswith(f"/{PUMP}") for run in test.held)
    return "The pump runs for an attended test." if runs else ""


def break_words(test: Attended) -> str:
    """What becomes of a flow the size of a break, as a clause."""
    if math.isinf(test.break_l_min):
        return "no meter sees a break here"
    return f"more than {test.break_l_min:.0f} L/min closes it"


def clock_at(ground: Ground, elapsed_s: float, now: Now) -> str:
    """An elapsed time as a clock time of the site."""
    at = now.wall + timedelta(seconds=elapsed_s - now.elapsed_s)
    return f"{at.astimezone(ground.days.zone):%H:%M:%S}"


def parts(supply: Supply) -> tuple[tuple[str, int], ...]:
    """What a test opens, in order: name and output. A pump alone is none: nothing would end its way to the main."""
    if supply.master_output is None:
        return ()
    pump = () if supply.pump is None else ((PUMP, supply.pump.output),)
    return (("master", supply.master_output), *pump)


def locked(ground: Ground, state: State, supply: Supply) -> str:
    """The words of a lock on the site or on what a test would open, or ""."""
    outputs = {output for _, output in parts(supply)}
    for lock in state.locks:
        if lock.target == locks.SITE or outputs.intersection(lock.outputs):
            return locks.words(ground, lock)
    return ""


def last_s(test: Attended) -> float:
    """Elapsed time at which a test ends whatever is said: its main is under water for a quarter of an hour at most."""
    return (test.began_s if test.opened_s is None else test.opened_s) + LONGEST_S


def renewed(state: State, supply: str, now: Now) -> Told:
    """Its person has said so again: a test goes on for five minutes more, as far as it may."""
    test = state.attended.tests[supply]
    until_s = min(now.elapsed_s + RENEW_S, last_s(test))
    if test.closing or until_s <= test.until_s + ON_TIME_S:
        return state, []
    test = replace(test, until_s=until_s)
    return remember(state, supply, test), openings(test, now)


def openings(test: Attended, now: Now) -> list[Command]:
    """Have what is open of a test open until its end; the same runs again are extended."""
    planned_s = test.until_s - now.elapsed_s
    return [
        OpenValve(run_id=run, output=output, zone=None, planned_s=planned_s, follows=True)
        for output, run in test.runs
        if run in test.held
    ]


def remember(state: State, supply: str, test: Attended) -> State:
    """The state with this test of a supply."""
    return replace(state, attended=replace(state.attended, tests={**state.attended.tests, supply: test}))


def end(state: State, supply: str, why: str, now: Now) -> Told:
    """Have a test's valves closed; it is over once the keeper says that they are shut."""
    test = state.attended.tests[supply]
    test = replace(test, closing=test.closing or why, asked_s=now.elapsed_s)
    if not test.held:
        return _over(state, supply, test, now)
    return remember(state, supply, test), _closings(test)


def due(ground: Ground, state: State, now: Now) -> Told:
    """End tests that were not renewed, ask again where the keeper has not closed yet, start pumps, forget old spans."""
    commands: list[Command] = []
    recent_s = now.wall.timestamp() - LATE_S
    if any(spans[-1][1] < recent_s for spans in state.attended.spans.values()):
        spans = {supply: kept for supply, kept in state.attended.spans.items() if kept[-1][1] >= recent_s}
        state = replace(state, attended=replace(state.attended, spans=spans))
    for supply, test in state.attended.tests.items():
        why = _why_end(ground, state, ground.site.supply(supply), test, now)
        if why:
            state, told = end(state, supply, why, now)
        elif not test.closing and now.elapsed_s >= test.pump_from_s - ON_TIME_S:
            state, told = _start_pump(state, supply, test, now)
        else:
            continue
        commands += told
    return state, commands


def next_wake_s(state: State) -> float:
    """Elapsed time at which a test wants something."""
    wakes = [
        test.asked_s + ASK_AGAIN_S if test.closing else min(test.until_s, test.pump_from_s, test.drawn_s + DRY_S)
        for test in state.attended.tests.values()
    ]
    return min(wakes, default=math.inf)


def on_valve(ground: Ground, state: State, event: ev.ValveOpened | ev.ValveClosed | ev.ValveRefused, now: Now) -> Told:
    """What the keeper did to a valve of a test; with the last one shut the test is over."""
    supply = event.run_id.split("/")[1]
    test = state.attended.tests.get(supply)
    if test is None or event.run_id not in test.held:
        late = isinstance(event, ev.ValveOpened)
        return state, [CloseValve(run_id=event.run_id, output=event.output, cause="its test is over")] if late else []
    if isinstance(event, ev.ValveOpened):
        return (state, []) if test.closing else _opened(ground, state, supply, test, event.run_id, now)
    if isinstance(event, ev.ValveRefused):
        return end(state, supply, f"the keeper refused: {event.why}", now)
    test = replace(test, held=test.held - {event.run_id})
    if event.run_id.endswith(f"/{PUMP}") and supply in {each.id for each in ground.site.supplies}:
        state = pumps.stopped_by_hand(state, ground.site.supply(supply), now)
    state = remember(state, supply, test)
    return (state, []) if test.closing and test.held else end(state, supply, event.why, now)


def on_keeper_found(state: State, event: ev.KeeperFound, now: Now) -> Told:
    """What the keeper does not hold is shut."""
    held, commands = set(event.open_outputs.values()), list[Command]()
    for supply, test in state.attended.tests.items():
        if test.held - held:
            state = remember(state, supply, replace(test, held=test.held & held))
            state, told = end(state, supply, "the keeper does not hold it open", now)
            commands += told
    return state, commands


def on_started(state: State, now: Now) -> Told:
    """The daemon came up: nobody has said anything to this one, so every test is over."""
    commands: list[Command] = []
    for supply, before in state.attended.tests.items():
        test = replace(before, began_s=min(before.began_s, now.elapsed_s), closing="the daemon was restarted")
        state, told = _over(state, supply, test, now)
        commands += [*_closings(test), *told]
    return state, commands


def announces(state: State, supply: str) -> bool:
    """Whether any meter row of a supply may be of water drawn by hand."""
    return supply in state.attended.tests or supply in state.attended.spans


def by_hand(state: State, supply: str, block: ev.ReadingsArrived) -> NDArray[np.bool_]:
    """Which rows of a meter's block lie, wholly or in part, in a test: their water is announced."""
    rows = np.zeros(len(block.time_s), dtype=np.bool_)
    test = state.attended.tests.get(supply)
    spans = [*state.attended.spans.get(supply, ()), *([(test.began_at.timestamp(), math.inf)] if test else [])]
    if not spans or block.window_s is None:
        return rows
    for from_s, to_s in spans:
        rows |= (block.time_s > from_s) & (block.time_s - block.window_s < to_s)
    return rows


def on_meter(state: State, supply: str, block: ev.ReadingsArrived, now: Now) -> Told:
    """Meter increments [L] while a test goes on: count them, and close where they show a break."""
    test = state.attended.tests.get(supply)
    if test is None or block.window_s is None:
        return state, []
    rows, seen_l_min = by_hand(state, supply, block), 0.0
    for litres, window_s in zip(block.value[rows].tolist(), block.window_s[rows].tolist(), strict=True):
        flow_l_min = litres * 60.0 / window_s if window_s > 0.0 else 0.0
        above = flow_l_min > test.break_l_min
        test = replace(test, litres=test.litres + litres, above_s=test.above_s + window_s if above else 0.0)
        if flow_l_min >= max(test.least_l_min, LEAST_DRAWN_L_MIN) and math.isfinite(test.drawn_s):
            test = replace(test, drawn_s=now.elapsed_s)
        seen_l_min = max(seen_l_min, flow_l_min) if test.above_s >= BREAK_S else seen_l_min
    state = remember(state, supply, test)
    return _broken(state, supply, test, seen_l_min, now) if seen_l_min and not test.closing else (state, [])


def _why_end(ground: Ground, state: State, supply: Supply, test: Attended, now: Now) -> str:
    """Why a test is to be closed now, for the first time or again, or ""."""
    if test.closing:
        return test.closing if now.elapsed_s >= test.asked_s + ASK_AGAIN_S - ON_TIME_S else ""
    words_of_lock = locked(ground, state, supply)
    if words_of_lock:
        return f"stopped: {words_of_lock}"
    if now.elapsed_s >= test.drawn_s + DRY_S - ON_TIME_S:
        return "stopped: too little was drawn for the pump"
    low = pumps.low_water(ground, state, supply)
    if low:
        return f"stopped: {low[:1].lower()}{low[1:]}"
    if now.elapsed_s < test.until_s - ON_TIME_S:
        return ""
    longest = test.until_s >= last_s(test) - ON_TIME_S
    return "a quarter of an hour is over" if longest else f"not said again within {RENEW_S / 60.0:.0f} min"


def _opened(ground: Ground, state: State, supply: str, test: Attended, run_id: str, now: Now) -> Told:
    """The keeper holds a valve of a test open: a pump may follow its master after the lead."""
    commands: list[Command] = [_topic(supply, test, "open", now)]
    waits = run_id == test.runs[0][1] and len(test.runs) > 1 and len(test.held) == 1
    if waits and math.isinf(test.pump_from_s):
        lead_s = ground.site.supply(supply).master_lead_s
        state = remember(state, supply, replace(test, pump_from_s=now.elapsed_s + lead_s))
    return state, commands


def _start_pump(state: State, supply: str, test: Attended, now: Now) -> Told:
    output, run = test.runs[-1]
    test = replace(test, held=test.held | {run}, pump_from_s=math.inf, drawn_s=now.elapsed_s)
    state = pumps.started_by_hand(remember(state, supply, test), supply, now)
    planned_s = test.until_s - now.elapsed_s
    return state, [OpenValve(run_id=run, output=output, zone=None, planned_s=planned_s, follows=True)]


def _broken(state: State, supply: str, test: Attended, seen_l_min: float, now: Now) -> Told:
    """More water than any zone takes, with every zone shut: close, tell, and let nothing open by schedule there."""
    key = f"{RUN}{supply}/break"
    text = (
        f"{seen_l_min:.0f} L/min flowed during an attended test of {supply}, more than a person draws. Its master was "
        "closed; nothing opens there by schedule until a person clears this. Look along the main for water."
    )
    block = PipeBlock(alarm=key, why="its main seems broken", behind_master=True)
    state = replace(state, blocked={**state.blocked, f"supply/{supply}": block})
    state, commands = end(state, supply, "stopped: a flow the size of a break", now)
    facts = {"supply": supply, "by": test.who, "seen_l_min": seen_l_min}
    state, told = alarms.raised(state, key, "main_break", text, now, None, facts)
    return state, commands + told


def _closings(test: Attended) -> list[Command]:
    """What opened last closes first."""
    return [
        CloseValve(run_id=run, output=output, cause=test.closing)
        for output, run in reversed(test.runs)
        if run in test.held
    ]


def _over(state: State, supply: str, test: Attended, now: Now) -> Told:
    span = (test.began_at.timestamp(), now.wall.timestamp() + AFTER_S)
    spans = {**state.attended.spans, supply: (*state.attended.spans.get(supply, ()), span)[-SPANS_KEPT:]}
    tests = {key: other for key, other in state.attended.tests.items() if key != supply}
    note = NoteMaintenance(
        at=now.wall,
        work="attended test",
        target=supply,
        who=test.who,
        reason=test.reason,
        began=test.began_at,
        seconds=max(0.0, now.elapsed_s - test.began_s),
        litres=None if math.isinf(test.break_l_min) else test.litres,
        outcome=test.closing,
    )
    ended = {**state.attended.ended, supply: test.closing}
    state = replace(state, attended=replace(state.attended, tests=tests, spans=spans, ended=ended))
    return state, [note, _topic(supply, test, "closed", now)]


def _topic(supply: str, test: Attended, valve: str, now: Now) -> PublishState:
    left_s = round(max(0.0, test.until_s - now.elapsed_s)) if valve == "open" else 0
    body = {"at": now.wall.isoformat(), "master": valve, "by": test.who, "reason": test.reason, "left_s": left_s}
    return PublishState(topic=f"supply/{supply}/attended", body={**body, "cause": test.closing})
