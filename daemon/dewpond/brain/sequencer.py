"""Runs the plan: opens what is due, closes what is done, and accounts for every second a valve was open.

Durations count elapsed time, never the wall clock. Where it is not known how long a valve was open, the water counts as
applied. An opening that ended early without a person's wish is taken up again once, for its remainder.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from dewpond.brain import caps, locks, weather_holds
from dewpond.brain.closing import finish
from dewpond.brain.ground import Ground
from dewpond.brain.openings import ACTIVE, DONE, active, find, open_topic, swap, without, zone_topic
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import MasterState, Opening, State
from dewpond.brain.water_need import LEAST_OPENING_S
from dewpond.model.commands import CloseValve, Command, OpenValve, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import KeeperFound, Now, ValveClosed, ValveOpened, ValveRefused
from dewpond.model.states import ValveState, advance

S = ValveState
MADE_WAY = "made way for water by hand"
ASK_AGAIN_S = 5.0  # an unanswered closing is asked again, a refused opening tried again
REFUSALS_S = 60.0  # how long a refused opening is tried again before it is given up
ON_TIME_S = 1e-6
LONGEST_MASTER_S = 43_200.0  # the longest ceiling of any method; a master's end further away is of another boot
Told = tuple[State, list[Command]]


def on_opened(state: State, event: ValveOpened, now: Now) -> Told:
    """The keeper holds the valve open: the run's time counts from the event's own moment."""
    late_s = max(0.0, (now.wall - event.at).total_seconds())
    return _change(
        state,
        event.run_id,
        lambda item: (
            replace(
                item,
                state=advance(item.state, S.OPEN),
                opened_at=event.at,
                opened_elapsed_s=now.elapsed_s - late_s,
            )
            if item.state is S.OPENING
            else item
        ),
        "running",
    )


def on_closed(ground: Ground, state: State, event: ValveClosed, now: Now) -> Told:
    """The valve is shut: book its water, record the run, and queue the remainder if it ended early by a fault."""
    item = find(state, event.run_id)
    if item is None or item.state not in ACTIVE:
        return state, []
    return finish(ground, state, item, event.open_s, event.why, now)


def on_refused(state: State, event: ValveRefused, now: Now) -> Told:
    """The keeper would not open: try again for a while, then give the opening up and say so."""
    if event.run_id.startswith("master/"):
        return _close_supply_of(state, event.run_id.split("/")[1], f"the master valve would not open: {event.why}")
    item = find(state, event.run_id)
    if item is None or item.state is not S.OPENING:
        return state, []
    first_s = item.asked_elapsed_s or now.elapsed_s
    if now.elapsed_s - first_s >= REFUSALS_S:
        given_up = replace(item, state=S.REFUSED, close_cause=event.why)
        return without(state, given_up), [plan_row(given_up, "dropped"), zone_topic(given_up, now, event.why)]
    waiting = replace(item, state=S.WAITING, asked_elapsed_s=first_s, not_before_elapsed_s=now.elapsed_s + ASK_AGAIN_S)
    return swap(state, waiting), []


def on_keeper_found(ground: Ground, state: State, event: KeeperFound, now: Now) -> Told:
    """Compare what the keeper holds open with what should be open, and settle every difference on the dry side."""
    commands: list[Command] = []
    held = dict(event.open_outputs)
    for item in active(state):
        if held.get(item.output) == item.run_id:
            state = swap(state, replace(item, state=S.OPEN)) if item.state is S.OPENING else state
            continue
        open_s, why = _how_long(state, event, item, now)
        state, told = finish(ground, state, item, open_s, why, now)
        commands += told
    wanted = {item.run_id for item in active(state)} | {master.run_id for master in state.masters.values()}
    for output, run_id in sorted(held.items()):
        if run_id not in wanted:
            commands.append(CloseValve(run_id=run_id, output=output, cause="nobody asked for it"))
    return replace(state, keeper_session=event.session, keeper_ready=event.ready), commands


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
        if item.state is S.WAITING
        else item
        for item in state.openings
    )
    rebooted = any(master.until_elapsed_s - now.elapsed_s > LONGEST_MASTER_S for master in state.masters.values())
    return replace(state, openings=openings, masters={} if rebooted else state.masters, keeper_ready=False)


def run_due(ground: Ground, state: State, now: Now) -> Told:
    """Close what is done, then open what is due and has room."""
    state, commands = _close_done(state, now)
    state, locked = _end_for_locks(ground, state, now)
    commands += locked
    state, ended = _end_for_weather(ground, state, now)
    commands += ended
    state, opened = _open_due(ground, state, now)
    state, masters = _shut_idle_masters(state)
    return state, commands + opened + masters


def close_now(state: State, item: Opening, cause: str, now: Now) -> Told:
    """Have an opening closed for a stated cause; one that waits is dropped instead."""
    if item.state is S.WAITING:
        return without(state, item), [plan_row(item, "dropped")]
    if item.state is S.CLOSING:
        return state, []
    closing = replace(item, state=advance(item.state, S.CLOSING), close_cause=cause, asked_elapsed_s=now.elapsed_s)
    return swap(state, closing), [CloseValve(run_id=item.run_id, output=item.output, cause=cause)]


def next_wake_s(state: State, now: Now) -> float:
    """Elapsed time at which ``run_due`` has something to do again."""
    wake_s = math.inf
    wall_s = now.wall.timestamp()
    for item in state.openings:
        if item.state is S.OPEN:
            wake_s = min(wake_s, item.opened_elapsed_s + item.seconds)
        elif item.state in (S.CLOSING, S.OPENING):
            wake_s = min(wake_s, item.asked_elapsed_s + ASK_AGAIN_S)
        elif item.state is S.WAITING:
            # One that is due and still waits lacks room or a keeper; an event brings its turn, or another look.
            due_s = max(item.not_before_elapsed_s, now.elapsed_s + item.start_s - wall_s)
            wake_s = min(wake_s, due_s if due_s > now.elapsed_s + ON_TIME_S else now.elapsed_s + ASK_AGAIN_S)
    return wake_s


def _close_done(state: State, now: Now) -> Told:
    commands: list[Command] = []
    for item in state.openings:
        if item.state is S.OPEN and now.elapsed_s >= item.opened_elapsed_s + item.seconds - ON_TIME_S:
            state, told = close_now(state, item, DONE, now)
            commands += told
        elif item.state in (S.CLOSING, S.OPENING) and now.elapsed_s >= item.asked_elapsed_s + ASK_AGAIN_S - ON_TIME_S:
            cause = item.close_cause or "the keeper did not answer"
            again = replace(item, state=S.CLOSING, asked_elapsed_s=now.elapsed_s, close_cause=cause)
            state = swap(state, again)
            commands.append(CloseValve(run_id=item.run_id, output=item.output, cause=cause))
    return state, commands


def _open_due(ground: Ground, state: State, now: Now) -> Told:
    commands: list[Command] = []
    wall_s = now.wall.timestamp()
    people_first = sorted(state.openings, key=lambda item: not item.by_hand)
    for item in people_first:
        if item.state is not S.WAITING or now.elapsed_s < item.not_before_elapsed_s - ON_TIME_S:
            continue
        if item.start_s > wall_s + ON_TIME_S:
            continue
        state, told = _try_open(ground, state, item, now)
        commands += told
    return state, commands


def _try_open(ground: Ground, state: State, item: Opening, now: Now) -> Told:
    if locks.on(ground, state, ground.zones[item.zone]) is not None:
        return without(state, item), [plan_row(item, "dropped")]
    left_s = item.latest_end_s - now.wall.timestamp()
    weather = "" if item.by_hand else weather_holds.held(ground, state, ground.zones[item.zone], now.wall.timestamp())
    if left_s < min(item.seconds, LEAST_OPENING_S) or weather_holds.drops(weather):
        return _given_up(ground, state, item, weather, now)
    if weather:
        return swap(state, replace(item, not_before_elapsed_s=now.elapsed_s + weather_holds.LOOK_AGAIN_S)), []
    if not item.by_hand:
        capped_s, cap = caps.left(ground, state, ground.zones[item.zone], now.wall.timestamp())
        left_s = min(left_s, capped_s)
        if left_s < min(item.seconds, LEAST_OPENING_S):
            return _given_up(ground, state, item, f"Held by {cap}, which is reached", now)
    if not state.keeper_ready or not (now.trusted or item.by_hand):
        return state, []
    if not item.by_hand and (state.block_on(item.zone, item.supply) is not None or _on_hold(state, item, now)):
        return without(state, item), [plan_row(item, "dropped")]
    if not _room(ground, state, item):
        return _make_way(state, item, now) if item.by_hand else (state, [])
    opening = replace(
        item,
        state=advance(item.state, S.OPENING),
        seconds=float(min(item.seconds, math.floor(left_s))) if math.isfinite(left_s) else item.seconds,
        asked_elapsed_s=item.asked_elapsed_s or now.elapsed_s,
    )
    state, commands = _open_master(ground, swap(state, opening), opening, now)
    intent = OpenValve(run_id=opening.run_id, output=opening.output, zone=opening.zone, planned_s=opening.seconds)
    return state, [*commands, intent]


def _on_hold(state: State, item: Opening, now: Now) -> bool:
    """Whether a person holds the zone now: starts by day are not planned again when a hold comes after the window."""
    hold = state.hold_on(item.zone)
    return hold is not None and now.wall < hold.until


def _given_up(ground: Ground, state: State, item: Opening, why: str, now: Now) -> Told:
    """Drop an opening that may not or cannot run any more; the next planning decides what becomes of its water."""
    state = without(state, item)
    told: list[Command] = []
    if why:
        state, told = weather_holds.given_up(ground, state, item, why, now.wall.timestamp())
    return state, [plan_row(item, "dropped"), *told]


def _end_for_locks(ground: Ground, state: State, now: Now) -> Told:
    """Drop what waits where a lock stands; the keeper has shut what ran: ask for it too, to hear of it at once."""
    if not state.locks:
        return state, []
    commands: list[Command] = []
    for item in state.openings:
        why = locks.held(ground, state, ground.zones[item.zone])
        if why and item.state is not S.CLOSING:
            state, told = close_now(state, item, f"stopped: {why[:1].lower()}{why[1:]}", now)
            commands += told
    return state, commands


def _end_for_weather(ground: Ground, state: State, now: Now) -> Told:
    """Close what runs by schedule into rain, frost or strong wind."""
    commands: list[Command] = []
    for item in active(state):
        if item.by_hand or item.state is S.CLOSING:
            continue
        zone = ground.zones[item.zone]
        why = weather_holds.held(ground, state, zone, now.wall.timestamp(), weather_holds.RUNNING_SHARE)
        if why:
            state, told = close_now(state, item, f"stopped: {why[:1].lower()}{why[1:]}", now)
            commands += told
    return state, commands


def _room(ground: Ground, state: State, item: Opening) -> bool:
    running = active(state, item.supply)
    limits = ground.limits[item.supply]
    if len(running) >= limits.max_open or any(other.zone == item.zone for other in running):
        return False
    flow_l_min = sum(other.flow_l_min for other in running) + item.flow_l_min
    return limits.capacity_l_min is None or flow_l_min <= limits.capacity_l_min + 1e-9


def _make_way(state: State, item: Opening, now: Now) -> Told:
    """A person's watering wins: the opening that started first is closed, then the next, until there is room."""
    running = sorted(active(state, item.supply), key=lambda other: (other.by_hand, other.opened_elapsed_s))
    if not running or any(other.state is S.CLOSING for other in running):
        return state, []
    same_zone = [other for other in running if other.zone == item.zone]
    first = (same_zone or running)[0]
    return close_now(state, first, f"stopped: {MADE_WAY}" if first.by_hand else MADE_WAY, now)


def _open_master(ground: Ground, state: State, item: Opening, now: Now) -> Told:
    output = ground.site.supply(item.supply).master_output
    if output is None:
        return state, []
    until_s = now.elapsed_s + item.seconds
    before = state.masters.get(item.supply)
    run_id = before.run_id if before else f"master/{item.supply}/{item.run_id}"
    until_s = max(until_s, before.until_elapsed_s) if before else until_s
    masters = {**state.masters, item.supply: MasterState(run_id=run_id, output=output, until_elapsed_s=until_s)}
    planned_s = until_s - now.elapsed_s
    command = OpenValve(run_id=run_id, output=output, zone=None, planned_s=planned_s, follows=True)
    return replace(state, masters=masters), [command]


def _shut_idle_masters(state: State) -> Told:
    """No master stays open over shut zones: that would only feed a leak."""
    idle = [supply for supply in state.masters if not active(state, supply)]
    commands: list[Command] = [
        CloseValve(run_id=state.masters[supply].run_id, output=state.masters[supply].output, cause=DONE)
        for supply in idle
    ]
    if not idle:
        return state, commands
    return replace(state, masters={k: v for k, v in state.masters.items() if k not in idle}), commands


def _close_supply_of(state: State, supply: str, cause: str) -> Told:
    commands: list[Command] = []
    for item in active(state, supply):
        closing = replace(item, state=S.CLOSING, close_cause=cause)
        state = swap(state, closing)
        commands.append(CloseValve(run_id=item.run_id, output=item.output, cause=cause))
    return state, commands


def closed_topics(ground: Ground, state: State, now: Now) -> list[Command]:
    """Every shut zone's state, told when the keeper is found: a retained word from before may be wrong."""
    running = {item.zone for item in active(state)}
    body = {"at": now.wall.isoformat(), "valve": ValveState.CLOSED.value, "until": None, "cause": "the keeper says so"}
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
