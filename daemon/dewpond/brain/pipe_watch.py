"""The pipe watch at work: meter rows to the tests of each supply, and what a verdict makes the valves do.

A suspicion never leaves plants dry: only a break, a zone that passes nothing, a valve that will not close and a lost
supply stop anything. What was stopped stays stopped by schedule until evidence or a person ends it; a person may
always water by hand, which is also how a repair is proved.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime, timedelta

from dewpond.brain import alarms, attended, pipe_idle, rain_common
from dewpond.brain.ground import Ground
from dewpond.brain.openings import active, close_now
from dewpond.brain.pipes import accepted, columns_of_block, first, knows, step_block
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Incident
from dewpond.brain.pipes.usual import expected_l_min
from dewpond.brain.pipes.verdict import (
    CLOSE_AGAIN,
    CLOSE_MASTER,
    GO_ON,
    NOTHING_DONE,
    STOP_SUPPLY,
    STOP_ZONE,
    Verdict,
)
from dewpond.brain.state import Opening, PipeBlock, PipeMemory, State
from dewpond.model.commands import CloseValve, Command
from dewpond.model.copying import replace
from dewpond.model.events import Now, ReadingsArrived
from dewpond.model.states import Ending

Told = tuple[State, list[Command]]
Blocks = tuple[ReadingsArrived, Sequence[ReadingsArrived]]  # the meter's, and all of this step

RETRY_S = 900.0  # a lost supply is tried again no sooner
RETRIES = 3
# Where the site file names no master valve.
DONE_WITHOUT_MASTER = {
    CLOSE_AGAIN: "It was told to close again, and nothing else opens here by schedule; there is no master to close.",
    CLOSE_MASTER: "Everything here was told to close; there is no master valve, so the water may go on. Nothing opens "
    "by schedule until a person clears this.",
}
LOST = re.compile(r"\d+ L beyond usual so far")
FED_SHARE = 0.5  # of what was to be expected; an opening that passed less before it was stopped gave nothing
CLOCK_SET_S = 3600.0  # a leap of the rows this long after the clock was set is the clock's
DONE_WORDS = {
    NOTHING_DONE: "Watering goes on.",
    GO_ON: "The zone was closed; the next zone goes on. It is tried three more times at most.",
    STOP_ZONE: "The zone was stopped and runs no more by schedule until a person clears this.",
    CLOSE_AGAIN: "It was told to close again, the master valve as well, and nothing else opens here by schedule.",
    CLOSE_MASTER: "Everything here was closed, its master too; nothing opens by schedule until a person clears this.",
    STOP_SUPPLY: "Everything here was stopped; it is tried again after 15 minutes, three times at most.",
}


def on_meter(ground: Ground, state: State, supply: str, blocks: Blocks, now: Now) -> Told:
    """Take up one block of a supply's meter: tests, alarms, and what they make the valves do."""
    settings = ground.watch.get(supply)
    block, together = blocks
    if settings is None or block.window_s is None or not len(block.value):
        return state, []
    memory = state.pipes.get(supply) or PipeMemory(watch=first(settings))
    time_s, litres, window_s = block.time_s, block.value, block.window_s
    if attended.announces(state, supply) or not time_s.min() > memory.last_row_s:
        fresh = (time_s > memory.last_row_s) & ~attended.by_hand(state, supply, block)
        if not fresh.any():
            return state, []
        time_s, litres, window_s = time_s[fresh], litres[fresh], window_s[fresh]
    pressure_id = ground.site.supply(supply).pressure
    pressure = next(((item.time_s, item.value) for item in together if item.sensor == pressure_id), None)
    rows = columns_of_block(time_s, litres, window_s, pressure)
    begin_s = float(time_s[0] - window_s[0])
    watch, verdicts = step_block(settings, memory.watch, rows, _openings(state, supply, begin_s))
    memory = replace(memory, watch=watch, last_row_s=float(time_s[-1]))
    state = replace(state, pipes={**state.pipes, supply: memory})
    commands: list[Command] = []
    for verdict in verdicts:
        state, told = _act(ground, state, supply, _as_limited(ground, settings, supply, verdict), now)
        commands += told
    if settings.idle_l is not None:
        state, told = pipe_idle.count(ground, state, supply, float(litres.sum()), verdicts, now)
        commands += told
    return state, commands


def expire(state: State, now: Now) -> State:
    """Let go of what was blocked for a time."""
    if not state.blocked:
        return state
    left = {key: block for key, block in state.blocked.items() if block.until is None or now.wall < block.until}
    return state if len(left) == len(state.blocked) else replace(state, blocked=left)


def next_end(state: State) -> datetime | None:
    """When the next block ends by itself."""
    return min((block.until for block in state.blocked.values() if block.until is not None), default=None)


def clear(state: State, key: str, now: Now, who: str) -> Told:
    """A person says that an incident is dealt with: its alarm is over and what it blocked is free."""
    for supply, memory in state.pipes.items():
        left = tuple(item for item in memory.watch.incidents if not _is_of(supply, item, key))
        if len(left) < len(memory.watch.incidents):
            fresh = replace(memory, watch=replace(memory.watch, incidents=left), lost=0, dead={})
            state = replace(state, pipes={**state.pipes, supply: fresh})
    state = pipe_idle.cleared(state, key)
    free = {target: block for target, block in state.blocked.items() if block.alarm != key}
    return alarms.cleared(replace(state, blocked=free), key, now, f"cleared by {who}")


def take_as_usual(ground: Ground, state: State, zone_id: str, now: Now, who: str) -> Told:
    """A person takes a zone's flow of today as its usual: it is learned afresh, its incidents are over."""
    zone = ground.zones[zone_id]
    memory = state.pipes.get(zone.supply)
    if memory is None:
        return state, []
    state = replace(state, pipes={**state.pipes, zone.supply: replace(memory, watch=accepted(memory.watch, zone_id))})
    commands: list[Command] = []
    for key, alarm in list(state.alarms.items()):
        if alarm.zone == zone_id and key.startswith("pipes/"):
            state, told = clear(state, key, now, who)
            commands += told
    return state, commands


def watching(ground: Ground, state: State, supply: str) -> str:
    """How much of a supply is watched: "watching", or what is missing. Never "no leak"."""
    settings, memory = ground.watch.get(supply), state.pipes.get(supply)
    if settings is None:
        return "not watching: this supply has no flow meter"
    zones = [zone.id for zone in ground.site.zones if zone.supply == supply]
    known = 0 if memory is None else sum(knows(settings, memory.watch, zone) for zone in zones)
    if known == len(zones):
        return "watching"
    needs = f"each needs {settings.runs_to_know} good runs to know its usual flow"
    if known == 0:
        return f"not watching yet: none of {len(zones)} zones is known; {needs}"
    return f"watching {known} of {len(zones)} zones, not watching the others; {needs}"


def usual_l_min(state: State, opening: Opening) -> float:
    """What a zone is known to pass, else what the site file says. [L/min]"""
    memory = state.pipes.get(opening.supply)
    flow = None if memory is None else memory.watch.flows.get(opening.zone)
    return opening.flow_l_min if flow is None else expected_l_min(flow, None)


def _openings(state: State, supply: str, since_s: float) -> list[tuple[str, float, float]]:
    """(zone, from, to) of everything open at or after an instant, as far as the keeper has told."""
    found = []
    for item in state.finished:
        if item.supply == supply and item.opened_at is not None:
            start_s = item.opened_at.timestamp()
            if start_s + item.seconds > since_s:
                found.append((item.zone, start_s, start_s + item.seconds))
    for item in active(state, supply):
        if item.opened_at is not None:
            found.append((item.zone, item.opened_at.timestamp(), math.inf))
    return found


def _as_limited(ground: Ground, settings: WatchSettings, supply: str, verdict: Verdict) -> Verdict:
    """The verdict with what the owner wants done about a suspicion of too much water, and what a pump needs.

    Where no zone passes water a dead meter would not matter; a pump that runs dry, or against shut valves, is lost.
    """
    if verdict.over:
        return verdict
    if verdict.kind == "high_flow" and settings.limits_of(verdict.zone).suspicion_stops:
        return replace(verdict, action=STOP_ZONE)
    if verdict.kind == "no_flow" and verdict.zone is None and ground.site.supply(supply).pump is not None:
        return replace(verdict, action=STOP_SUPPLY)
    return verdict


def _key(supply: str, kind: str, zone: str | None) -> str:
    return f"pipes/{supply}/{kind}/{zone or ''}"


def _is_of(supply: str, item: Incident, key: str) -> bool:
    """Whether an incident stands behind an alarm; crossed wires are one alarm and an incident of each zone."""
    crossed = item.kind == "wrong_zone" and key.startswith(_key(supply, item.kind, None))
    return crossed or _key(supply, item.kind, item.zone) == key


def lost_so_far(state: State, key: str, sentence: str) -> str:
    """The sentence of an alarm with the litres that were lost by now."""
    for supply, memory in state.pipes.items():
        for item in memory.watch.incidents:
            if _is_of(supply, item, key):
                return LOST.sub(f"{item.lost_l:.0f} L beyond usual so far", sentence)
    return sentence


def _act(ground: Ground, state: State, supply: str, verdict: Verdict, now: Now) -> Told:
    key = _key(supply, verdict.kind, verdict.zone)
    if verdict.over:
        return _over(state, supply, key, verdict, now)
    if verdict.kind == "clock_jump" and now.elapsed_s - state.clock_set_s > CLOCK_SET_S:
        return state, []  # reports were lost on the way: the sensor's age says so
    if rain_common.holds(ground, state, supply, verdict.kind, now.wall.timestamp()):
        state = rain_common.untold(state, supply, verdict.kind, verdict.zone)
        zones = tuple(item.zone for item in active(state, supply) if verdict.zone in (None, item.zone))
        for zone in zones:
            state = _unfed(state, supply, zone, now)
        return _close(state, supply, zones, "stopped: rain switch holding, no water passes", now)
    state, commands = _carry_out(ground, state, supply, verdict, key, now)
    state, told = alarms.raised(
        state, key, verdict.kind, _sentence(ground, supply, verdict), now, verdict.zone, _facts(supply, verdict)
    )
    commands += told
    if verdict.kind == "clock_jump":
        state, told = alarms.cleared(state, key, now, "what was being counted is dropped; nothing else to do")
        commands += told
    return state, commands


def _over(state: State, supply: str, key: str, verdict: Verdict, now: Now) -> Told:
    """Evidence has ended an incident. Silence behind a master valve that was closed for it is none."""
    blocked = [block for block in state.blocked.values() if block.alarm == key]
    if any(block.behind_master for block in blocked) and not verdict.what:
        return state, []
    free = {target: block for target, block in state.blocked.items() if block.alarm != key}
    state = _failed(replace(state, blocked=free), supply, verdict.zone, 0)
    lost = f"; {verdict.lost_l:.0f} L were lost" if verdict.lost_l >= 1.0 else ""
    return alarms.cleared(state, key, now, verdict.what or f"the meter shows the usual flow again{lost}")


def _carry_out(ground: Ground, state: State, supply: str, verdict: Verdict, key: str, now: Now) -> Told:
    """Move the valves as the verdict asks, and block what must not run by schedule."""
    match verdict.action:
        case a if a == STOP_ZONE and verdict.zone is not None:
            state = _blocked(state, verdict.zone, PipeBlock(alarm=key, why="its pipe seems broken"))
            return _close(state, supply, (verdict.zone,), "stopped: takes far more water than usual", now)
        case a if a == GO_ON and verdict.zone is not None:
            state = _unfed(state, supply, verdict.zone, now)
            tries = state.pipes[supply].dead.get(verdict.zone, 0) + 1
            state = _failed(state, supply, verdict.zone, tries)
            if tries > RETRIES:
                state = _blocked(state, verdict.zone, PipeBlock(alarm=key, why="no water passes in it"))
            return _close(state, supply, (verdict.zone,), "stopped: no water passes", now)
        case a if a == CLOSE_AGAIN:
            master = ground.site.supply(supply).master_output is not None
            why = "a valve there does not close"
            state = _blocked(state, f"supply/{supply}", PipeBlock(alarm=key, why=why, behind_master=master))
            return _shut_again(ground, state, supply, verdict.zone)
        case a if a == CLOSE_MASTER:
            master = ground.site.supply(supply).master_output is not None
            block = PipeBlock(alarm=key, why="its main seems broken", behind_master=master)
            state = _blocked(state, f"supply/{supply}", block)
            state, commands = _close(state, supply, None, "stopped: a very large flow with every valve closed", now)
            state, told = _shut_again(ground, state, supply, None)
            return state, commands + told
        case a if a == STOP_SUPPLY:
            lost = state.pipes[supply].lost + 1
            until = now.wall + timedelta(seconds=RETRY_S) if lost <= RETRIES else None
            state = _failed(state, supply, None, lost)
            dry = verdict.kind != "no_supply"
            why = "no water passes there" if dry else "it has no pressure"
            cause = "no water passes in any zone" if dry else "the supply has no pressure"
            state = _blocked(state, f"supply/{supply}", PipeBlock(alarm=key, why=why, until=until))
            for zone in [item.zone for item in active(state, supply)]:
                state = _unfed(state, supply, zone, now)
            return _close(state, supply, None, f"stopped: {cause}", now)
        case _:
            return state, []


def _blocked(state: State, target: str, block: PipeBlock) -> State:
    return replace(state, blocked={**state.blocked, target: block})


def _close(state: State, supply: str, zones: tuple[str, ...] | None, cause: str, now: Now) -> Told:
    commands: list[Command] = []
    for item in active(state, supply):
        if zones is None or item.zone in zones:
            state, told = close_now(state, item, cause, now, Ending.RULED)
            commands += told
    return state, commands


def _shut_again(ground: Ground, state: State, supply: str, zone: str | None) -> Told:
    """Say once more what should be so: this zone's output off, the master's too."""
    commands: list[Command] = []
    if zone is not None:
        output = ground.zones[zone].output
        commands.append(CloseValve(run_id=f"again/{zone}", output=output, cause="closed again: water still flows"))
    master = ground.site.supply(supply).master_output
    if master is not None and not active(state, supply):
        held = state.masters.get(supply)
        run_id = held.run_id if held is not None else f"again/{supply}"
        commands.append(CloseValve(run_id=run_id, output=master, cause="closed for a fault in its pipes"))
    return state, commands


def _failed(state: State, supply: str, zone: str | None, tries: int) -> State:
    """Remember how often in a row a zone, or with None the supply, was opened and passed no water."""
    memory = state.pipes[supply]
    memory = replace(memory, lost=tries) if zone is None else replace(memory, dead={**memory.dead, zone: tries})
    return replace(state, pipes={**state.pipes, supply: memory})


def _unfed(state: State, supply: str, zone: str, now: Now) -> State:
    """Mark a zone's open run as one that passed no water; one that passed its water until a moment ago is booked."""
    beside = active(state, supply)
    running = {item.run_id for item in beside if item.zone == zone and not (len(beside) == 1 and _was_fed(item, now))}
    openings = tuple(replace(item, unfed=True) if item.run_id in running else item for item in state.openings)
    return replace(state, openings=openings)


def _was_fed(item: Opening, now: Now) -> bool:
    if item.opened_at is None:
        return False
    return item.metered_l >= FED_SHARE * item.flow_l_min * (now.wall - item.opened_at).total_seconds() / 60.0


def _done(ground: Ground, supply: str, verdict: Verdict) -> str:
    master = ground.site.supply(supply).master_output is not None
    return DONE_WORDS[verdict.action] if master else {**DONE_WORDS, **DONE_WITHOUT_MASTER}[verdict.action]


def _sentence(ground: Ground, supply: str, verdict: Verdict) -> str:
    """What is the matter, what was lost, what was done, and what a person should do next."""
    text = f"{verdict.what} {_amounts(verdict)}{_done(ground, supply, verdict)} {verdict.next_step}"
    for zone_id in {verdict.zone, *verdict.zones} - {None}:
        zone = ground.zones.get(str(zone_id))
        if zone is not None:
            text = text.replace(f"Zone {zone_id}", zone.name).replace(f"zone {zone_id}", zone.name)
    return text


def _amounts(verdict: Verdict) -> str:
    parts = []
    if verdict.seen_l_min is not None:
        usual = "" if verdict.expected_l_min is None else f", usual {verdict.expected_l_min:.1f}"
        parts.append(f"seen {verdict.seen_l_min:.1f} L/min{usual}")
    if verdict.lost_l > 0.0:
        parts.append(f"{verdict.lost_l:.0f} L beyond usual so far")
    doubt = "" if verdict.sure else " Another cause could look the same."
    return f"({'; '.join(parts)}.){doubt} " if parts else f"{doubt} " if doubt else ""


def _facts(supply: str, verdict: Verdict) -> dict[str, object]:
    return {
        "supply": supply,
        "zones": list(verdict.zones),
        "lost_l": round(verdict.lost_l, 1),
        "expected_l_min": verdict.expected_l_min,
        "seen_l_min": verdict.seen_l_min,
        "sure": verdict.sure,
        "done": verdict.action,
        "next_step": verdict.next_step,
    }
