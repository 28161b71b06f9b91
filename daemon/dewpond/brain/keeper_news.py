"""What the keeper tells of valves: opened, closed, refused, and how things stood when it was found again.

Where it is not known how long a valve was open, the water counts as applied.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from dewpond.brain import attended, forgotten, headworks, pumps
from dewpond.brain.closing import finish
from dewpond.brain.ground import Ground
from dewpond.brain.openings import (
    ACTIVE,
    ASK_AGAIN_S,
    ON_TIME_S,
    active,
    find,
    open_topic,
    swap,
    without,
    zone_topic,
)
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import Opening, State
from dewpond.model.commands import CloseValve, Command, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import KeeperFound, Now, ValveClosed, ValveOpened, ValveRefused
from dewpond.model.states import CLOSED, OPEN, OPENING, REFUSED, WAITING, advance

REFUSALS_S = 60.0  # how long a refused opening is tried again before it is given up
LONGEST_MASTER_S = 43_200.0  # the longest ceiling of any method; a master's end further away is of another boot
Told = tuple[State, list[Command]]


def on_opened(state: State, event: ValveOpened, now: Now) -> Told:
    """The keeper holds the valve open: the run's time counts from the event's own moment."""
    if pumps.is_pump(event.run_id):
        return pumps.on_pump_opened(state, event, now)
    late_s = max(0.0, (now.wall - event.at).total_seconds())
    return _change(
        state,
        event.run_id,
        lambda item: (
            replace(
                item,
                state=advance(item.state, OPEN),
                opened_at=event.at,
                opened_elapsed_s=now.elapsed_s - late_s,
            )
            if item.state is OPENING
            else item
        ),
        "running",
    )


def on_closed(ground: Ground, state: State, event: ValveClosed, now: Now) -> Told:
    """The valve is shut: book its water, record the run, and queue the remainder if it ended early by a fault."""
    if pumps.is_pump(event.run_id):
        return pumps.on_pump_closed(ground, state, event, now), []
    if event.run_id.startswith(headworks.MASTER):
        return headworks.on_master_closed(state, event, now)
    item = find(state, event.run_id)
    if item is None or item.state not in ACTIVE:
        return state, []
    return finish(ground, state, item, event.open_s, event.why, now, event.at, wished=event.wished)


def on_refused(ground: Ground, state: State, event: ValveRefused, now: Now) -> Told:
    """The keeper would not open: try again for a while, then give the opening up and say so."""
    if pumps.is_pump(event.run_id):
        return headworks.on_head_refused(ground, state, event, now)
    if event.run_id.startswith(headworks.MASTER):
        return _master_refused(ground, state, event, now)
    item = find(state, event.run_id)
    if item is None or item.state is not OPENING:
        return state, []
    first_s = item.asked_elapsed_s or now.elapsed_s
    if now.elapsed_s - first_s >= REFUSALS_S:
        given_up = replace(item, state=REFUSED, close_cause=event.why)
        return without(state, given_up), [plan_row(given_up, "dropped"), zone_topic(given_up, now, event.why)]
    waiting = replace(item, state=WAITING, asked_elapsed_s=first_s, not_before_elapsed_s=now.elapsed_s + ASK_AGAIN_S)
    return swap(state, waiting), []


def _master_refused(ground: Ground, state: State, event: ValveRefused, now: Now) -> Told:
    """A master would not open: what waits behind it asks again for a while, then it is given up."""
    state, commands = headworks.on_head_refused(ground, state, event, now)
    supply, at_s = event.run_id.split("/")[1], now.wall.timestamp() + ON_TIME_S
    for item in state.openings:
        if item.state is not WAITING or item.supply != supply or item.start_s > at_s:
            continue
        first_s = item.asked_elapsed_s or now.elapsed_s
        if now.elapsed_s - first_s >= REFUSALS_S:
            state, commands = without(state, item), [*commands, plan_row(item, "dropped")]
        else:
            again_s = now.elapsed_s + ASK_AGAIN_S
            state = swap(state, replace(item, asked_elapsed_s=first_s, not_before_elapsed_s=again_s))
    return state, commands


def on_keeper_found(ground: Ground, state: State, event: KeeperFound, now: Now) -> Told:
    """Compare what the keeper holds open with what should be open, and settle every difference on the dry side."""
    commands: list[Command] = []
    held = dict(event.open_outputs)
    for item in active(state):
        if held.get(item.output) == item.run_id:
            state, told = _found_open(state, event, item, now)
            commands += told
            continue
        open_s, why = _how_long(state, event, item, now)
        state, told = finish(
            ground, state, item, open_s, why, now, event.closed_at.get(item.run_id), wished=item.run_id in event.wished
        )
        commands += told
    state, told = forgotten.booked(ground, state, event, now)
    commands += told
    state = pumps.on_keeper_found(ground, state, event, now)
    state, told = headworks.on_keeper_found(state, event, now)
    commands += told
    wanted = {item.run_id for item in active(state)} | headworks.wanted_runs(state) | attended.wanted_runs(state)
    for output, run_id in sorted(held.items()):
        if run_id not in wanted:
            commands.append(CloseValve(run_id=run_id, output=output, cause="nobody asked for it"))
    return replace(state, keeper_session=event.session, keeper_ready=event.ready), commands


def _found_open(state: State, event: KeeperFound, item: Opening, now: Now) -> Told:
    """The keeper holds an opening whose begin this life never heard of, or one it knows."""
    asked_s = max(0.0, now.elapsed_s - item.asked_elapsed_s)  # it was open no longer than that
    since = event.opened_at.get(item.run_id, now.wall - timedelta(seconds=asked_s))
    return on_opened(state, ValveOpened(at=since, run_id=item.run_id, output=item.output), now)


def _how_long(state: State, event: KeeperFound, item: Opening, now: Now) -> tuple[float, str]:
    """Seconds an opening that is shut now was open, as far as anybody knows. On doubt the water counts as applied."""
    told_s = event.closed.get(item.run_id)
    if told_s is not None:
        return told_s, "interrupted"
    if item.opened_at is None and event.session == state.keeper_session:
        return 0.0, "interrupted before it opened"
    since_s = now.elapsed_s - (item.asked_elapsed_s if item.opened_at is None else item.opened_elapsed_s)
    if since_s < 0.0:
        # The elapsed clock began anew, so the machine was off; only the wall clock knows how long ago it was.
        since_s = item.seconds if item.opened_at is None else (now.wall - item.opened_at).total_seconds()
    why = "interrupted; how long it was open is not known and counted as applied"
    return min(item.seconds, max(0.0, since_s)), why


def on_started(state: State, now: Now) -> State:
    """The daemon came up: what waited by an elapsed clock of before must not wait by this one."""
    openings = tuple(
        replace(item, not_before_elapsed_s=0.0, asked_elapsed_s=min(item.asked_elapsed_s, now.elapsed_s))
        if item.state is WAITING
        else item
        for item in state.openings
    )
    rebooted = any(master.until_elapsed_s - now.elapsed_s > LONGEST_MASTER_S for master in state.masters.values())
    state = pumps.on_started(state, now)
    return replace(state, openings=openings, masters={} if rebooted else state.masters, keeper_ready=False)


def closed_topics(ground: Ground, state: State, now: Now) -> list[Command]:
    """Every shut zone's state, told when the keeper is found: a retained word from before may be wrong."""
    running = {item.zone for item in active(state)}
    body = {"at": now.wall.isoformat(), "valve": CLOSED.value, "until": None, "cause": "the keeper says so"}
    return [PublishState(topic=f"zone/{zone}/state", body=body) for zone in ground.zones if zone not in running]


def _change(state: State, run_id: str, change: Callable[[Opening], Opening], word: str) -> Told:
    item = find(state, run_id)
    if item is None:
        return state, []
    changed = change(item)
    if changed is item:
        return state, []
    assert changed.opened_at is not None  # noqa: S101 - an OPEN opening always has its moment
    return swap(state, changed), [plan_row(changed, word), open_topic(changed)]
