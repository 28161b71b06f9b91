"""A supply's pump: it runs only while water can flow, and as its maker and its well allow.

It starts once the zones that the keeper holds open take its least flow, and stops ``stops_before_s`` ahead of the last
zone's end; from one zone to the next it runs on. Rest, starts an hour, litres a day and the low-water switch let an
opening wait; what cannot wait is given up with a reason. A zone below the least flow waits for company.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from dewpond.brain.alarms import cleared, raised
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.brain.openings import ASK_AGAIN_S, ON_TIME_S, close_now, close_supply, live
from dewpond.brain.pump_state import PumpState
from dewpond.brain.state import Opening, State
from dewpond.model.commands import CloseValve, Command, OpenValve
from dewpond.model.copying import replace
from dewpond.model.events import KeeperFound, Now, ValveClosed, ValveOpened, ValveRefused
from dewpond.model.site import Pump, Supply
from dewpond.model.states import OPEN, WAITING, Ending

Told = tuple[State, list[Command]]
Follows = Callable[[str, float], bool]  # whether zones of this supply open by that elapsed time, for the pump to run on
PUMP = "pump/"  # how the run ids of pumps begin
SPARE_S = 30.0  # a pump is planned so far beyond the last zone's end; it is stopped before, or the keeper does it
THIN_S = 10.0  # so long a pump may be left with less than its least flow, from one zone to the next
AGAIN_S = 60.0  # a pump that would not start, or stopped by itself, is tried again no sooner
HOUR_S = 3600.0
LOOK_AGAIN_S = 60.0
LATEST_COMPANY_S = 300.0  # how long water by hand waits for a second zone
OFF = PumpState()


@dataclass(frozen=True, slots=True)
class Wait:
    """Why an opening waits, as the start of a sentence, the elapsed time to look again, and how long a person waits."""

    text: str
    until_s: float
    patience_s: float = math.inf


def is_pump(run_id: str) -> bool:
    """Whether a run is a pump's."""
    return run_id.startswith(PUMP)


def pumps_first(commands: list[Command]) -> list[Command]:
    """The commands with the stopping of pumps ahead of every closing."""
    first = [command for command in commands if isinstance(command, CloseValve) and is_pump(command.run_id)]
    if not first:
        return commands
    return [*first, *(command for command in commands if command not in first)]


def low_water(ground: Ground, state: State, supply: Supply) -> str:
    """The start of a sentence while the low-water switch of a supply's pump tells of too little water, or "".

    A switch may speak only when it changes, so its last word stands however old it is.
    """
    last = state.sensors.get(supply.pump.low_water or "") if supply.pump is not None else None
    if last is None or last.at_s <= 0.0 or not last.value > 0.5:
        return ""
    since = utc(last.at_s).astimezone(ground.days.zone)
    return f"Held by low water at the pump of {supply.id}: told {since:%a %H:%M}"


def wait(ground: Ground, state: State, item: Opening, beside: Iterable[Opening], now: Now) -> Wait | None:
    """What of the pump keeps an opening that is due from beginning now, or None.

    ``beside`` are others that are due and may open; what is open already counts anyway.
    """
    supply = ground.site.supply(item.supply)
    pump = supply.pump
    if pump is None:
        return None
    low = low_water(ground, state, supply)
    if low:
        return Wait(low, now.elapsed_s + LOOK_AGAIN_S, patience_s=0.0)
    memory = state.pumps.get(supply.id, OFF)
    free_s = now.elapsed_s + max(pump.rest_s, 1.0) if memory.closing else _free_s(pump, memory, now)
    if not _runs(memory) and free_s > now.elapsed_s + ON_TIME_S:
        return Wait(f"Held while the pump rests ({_rest_words(pump)})", free_s)
    flows = {each.zone: each.flow_l_min for each in (*beside, *live(state, item.supply), item)}
    if math.fsum(flows.values()) < pump.least_flow_l_min:
        text = f"Held for company: it takes {item.flow_l_min:.3g} L/min, the pump needs {pump.least_flow_l_min:.3g}"
        return Wait(text, now.elapsed_s, patience_s=LATEST_COMPANY_S)
    return None


def due_beside(state: State, item: Opening, now: Now) -> list[Opening]:
    """Openings of other zones of the same supply that are due as well."""
    at_s = now.wall.timestamp() + ON_TIME_S
    return [
        other
        for other in state.openings
        if other.state is WAITING
        and other.start_s <= at_s
        and other.not_before_elapsed_s <= now.elapsed_s + ON_TIME_S
        and other.supply == item.supply
        and other.zone != item.zone
    ]


def day_left_l(ground: Ground, state: State, supply: Supply, now: Now) -> float:
    """What a pump may still give on this date, beyond what its open zones will take. [L]"""
    if supply.pump is None or supply.pump.daily_l is None:
        return math.inf
    at_s = now.wall.timestamp()
    day = ground.days.date_at(at_s)
    used_l = used_on_l(ground, state, supply, ground.days.start_s(day), ground.days.end_s(day))
    used_l += math.fsum(item.flow_l_min * item.seconds / 60.0 for item in live(state, supply.id))
    return max(0.0, supply.pump.daily_l - used_l)


def used_on_l(ground: Ground, state: State, supply: Supply, from_s: float, to_s: float) -> float:
    """Litres that finished openings of a supply took between two instants, by the zones' own flows."""
    return math.fsum(
        zone.flow_l_min / 60.0 * max(0.0, min(start_s + open_s, to_s) - max(start_s, from_s))
        for zone in ground.site.zones
        if zone.supply == supply.id
        for start_s, open_s in state.ran.get(zone.id, ())
    )


def resting(ground: Ground, state: State, supply: Supply, now: Now) -> str:
    """Why a pump may not start for somebody who draws by hand, as the start of a sentence, or ""."""
    if supply.pump is None:
        return ""
    wait_s = _free_s(supply.pump, state.pumps.get(supply.id, OFF), now) - now.elapsed_s
    return low_water(ground, state, supply) or (
        f"The pump of {supply.id} rests for another {wait_s / 60.0:.1f} min" if wait_s > ON_TIME_S else ""
    )


def started_by_hand(state: State, supply: str, now: Now) -> State:
    """Remember a start that no zone asked for: it counts among the starts an hour."""
    memory = state.pumps.get(supply, OFF)
    recent = tuple(start_s for start_s in memory.starts_s if start_s > now.elapsed_s - HOUR_S)
    return _remember(state, supply, replace(memory, starts_s=(*recent, now.elapsed_s)))


def stopped_by_hand(state: State, supply: Supply, now: Now) -> State:
    """Let a pump rest that somebody had run by hand."""
    rest_s = supply.pump.rest_s if supply.pump is not None else 0.0
    memory = state.pumps.get(supply.id, OFF)
    return _remember(state, supply.id, replace(memory, free_s=max(memory.free_s, now.elapsed_s + rest_s)))


def stop_pumps(ground: Ground, state: State, now: Now, follows: Follows) -> Told:
    """Stop every pump whose last zone is about to close, that takes too little, or whose water is low."""
    commands: list[Command] = []
    supplies = {supply.id: supply for supply in ground.site.supplies} if state.pumps else {}
    for supply_id, memory in state.pumps.items():
        supply = supplies.get(supply_id)
        if supply is None or supply.pump is None:  # the site file has changed; the keeper is asked what it holds
            state = replace(state, pumps={k: v for k, v in state.pumps.items() if k != supply_id})
            continue
        unheard = memory.closing and now.elapsed_s >= memory.asked_s + ASK_AGAIN_S - ON_TIME_S
        why = memory.closing if unheard else "" if memory.closing else _why_stop(ground, state, supply, now, follows)
        if memory.run_id and why:
            state = _remember(state, supply_id, replace(memory, closing=why, asked_s=now.elapsed_s))
            commands.append(CloseValve(run_id=memory.run_id, output=supply.pump.output, cause=why))
    return state, commands


def tend_pumps(ground: Ground, state: State, now: Now) -> Told:
    """Start pumps that may start, plan running ones on, and end what a pump cannot serve."""
    commands: list[Command] = []
    for supply in ground.site.supplies:
        if supply.pump is not None:
            state, told = _tend_pump(state, supply, supply.pump, now)
            commands += told
    return state, commands


def end_for_low_water(ground: Ground, state: State, now: Now) -> Told:
    """Tell of low water, and end what runs there, by hand as well: a pump that runs dry is lost."""
    commands: list[Command] = []
    for supply in ground.site.supplies:
        if supply.pump is None or supply.pump.low_water is None:
            continue
        low, key = low_water(ground, state, supply), f"{PUMP}{supply.id}/low water"
        if not low:
            state, told = cleared(state, key, now, "the low-water switch tells of enough water")
            commands += told
            continue
        text = f"{low}. The pump is kept off; look at the level, the intake and the switch."
        state, told = raised(state, key, "no_supply", text, now)
        commands += told
        for item in live(state, supply.id):
            state, told = close_now(state, item, f"stopped: low water at the pump of {supply.id}", now, Ending.RULED)
            commands += told
    return state, commands


def on_pump_opened(state: State, event: ValveOpened, now: Now) -> Told:
    """A pump runs."""
    supply, memory = _of_run(state, event.run_id)
    if memory is None:
        return state, []
    state = _remember(state, supply, replace(memory, on=True))
    return cleared(state, f"{PUMP}{supply}", now, "the pump has started")


def on_pump_closed(ground: Ground, state: State, event: ValveClosed, now: Now) -> State:
    """A pump has stopped; it rests, and one that was not told to is not started again at once."""
    supply, memory = _of_run(state, event.run_id)
    if memory is None:
        return state
    late_s = max(0.0, (now.wall - event.at).total_seconds())
    free_s = now.elapsed_s - late_s + _rest_s(ground, supply)
    return _remember(state, supply, _off(memory, free_s if memory.closing else max(free_s, now.elapsed_s + AGAIN_S)))


def on_pump_refused(ground: Ground, state: State, event: ValveRefused, now: Now) -> Told:
    """A pump would not start: it is tried again later, and what is open behind it is closed."""
    supply, memory = _of_run(state, event.run_id)
    if memory is None:
        return state, []
    memory = replace(memory, starts_s=memory.starts_s[:-1])
    state = _remember(state, supply, _off(memory, now.elapsed_s + max(AGAIN_S, _rest_s(ground, supply))))
    text = f"The pump of {supply} would not start: {event.why}. Nothing is watered there before it does."
    state, commands = raised(state, f"{PUMP}{supply}", "no_supply", text, now)
    state, told = close_supply(state, supply, f"the pump would not start: {event.why}", now)
    return state, commands + told


def on_keeper_found(ground: Ground, state: State, event: KeeperFound, now: Now) -> State:
    """A pump that the keeper does not hold has stopped, nobody knows when."""
    held = set(event.open_outputs.values())
    for supply, memory in state.pumps.items():
        if memory.run_id and memory.run_id not in held:
            state = _remember(state, supply, _off(memory, now.elapsed_s + max(AGAIN_S, _rest_s(ground, supply))))
    return state


def on_started(state: State, now: Now) -> State:
    """The daemon came up: after a reboot, times of the old elapsed clock count as now, so that no pump starts early."""
    pumps = {
        supply: replace(
            memory,
            starts_s=tuple(min(start_s, now.elapsed_s) for start_s in memory.starts_s),
            free_s=min(memory.free_s, now.elapsed_s + HOUR_S),
            asked_s=min(memory.asked_s, now.elapsed_s),
            thin_since_s=math.inf,
        )
        for supply, memory in state.pumps.items()
    }
    return replace(state, pumps=pumps) if pumps else state


def wakes_s(ground: Ground, state: State, now: Now) -> list[float]:
    """Elapsed times at which pumps want something, past ones among them."""
    wakes: list[float] = []
    for supply in ground.site.supplies:
        memory = state.pumps.get(supply.id)
        if supply.pump is None or memory is None:
            continue
        wakes += [memory.asked_s + ASK_AGAIN_S] if memory.closing else []
        wakes.append(memory.thin_since_s + THIN_S)
        wakes += [_end_s(item, now) - supply.pump.stops_before_s for item in live(state, supply.id)]
    return wakes


def _why_stop(ground: Ground, state: State, supply: Supply, now: Now, follows: Follows) -> str:
    """Why a running pump must stop now, or ""."""
    running, memory = live(state, supply.id), state.pumps[supply.id]
    if low_water(ground, state, supply):
        return "low water"
    if not running:
        return "" if follows(supply.id, now.elapsed_s) else "no zone is open"
    if now.elapsed_s >= memory.thin_since_s + THIN_S - ON_TIME_S:
        return "less than its least flow is taken"
    end_s = max(_end_s(item, now) for item in running)
    stops_before_s = supply.pump.stops_before_s if supply.pump else 0.0
    ending = now.elapsed_s >= end_s - stops_before_s - ON_TIME_S
    return "its last zone is about to close" if ending and not follows(supply.id, end_s) else ""


def _tend_pump(state: State, supply: Supply, pump: Pump, now: Now) -> Told:
    memory, running = state.pumps.get(supply.id, OFF), live(state, supply.id)
    if not running:
        return _thin(state, supply.id, memory, math.inf), []
    held = [item for item in running if item.state is OPEN]  # one on its way may be refused for a minute
    taken_l_min = math.fsum(item.flow_l_min for item in held)
    thin_s = min(memory.thin_since_s, now.elapsed_s) if taken_l_min < pump.least_flow_l_min else math.inf
    state = _thin(state, supply.id, memory, thin_s)
    memory = state.pumps.get(supply.id, OFF)
    end_s = max(_end_s(item, now) for item in running)
    if _runs(memory):
        return _plan_on(state, supply.id, pump, memory, end_s, now)
    if end_s - now.elapsed_s <= pump.stops_before_s + ON_TIME_S:
        return state, []  # running down
    if thin_s + THIN_S <= now.elapsed_s + ON_TIME_S:
        return close_supply(state, supply.id, "too little flow for the pump", now)
    if taken_l_min < pump.least_flow_l_min or not held or memory.closing:
        return state, []
    if _free_s(pump, memory, now) > now.elapsed_s + ON_TIME_S:
        return close_supply(state, supply.id, f"the pump must rest ({_rest_words(pump)})", now)
    return _start(state, supply.id, pump, memory, end_s, now)


def _start(state: State, supply: str, pump: Pump, memory: PumpState, end_s: float, now: Now) -> Told:
    number = memory.number + 1
    recent = tuple(start_s for start_s in memory.starts_s if start_s > now.elapsed_s - HOUR_S)
    memory = PumpState(
        run_id=f"{PUMP}{supply}/{now.wall:%Y-%m-%dT%H:%M:%SZ}/{number}",
        number=number,
        asked_s=now.elapsed_s,
        until_s=end_s + SPARE_S,
        starts_s=(*recent, now.elapsed_s),
    )
    return _remember(state, supply, memory), [_open(memory, pump, now)]


def _plan_on(state: State, supply: str, pump: Pump, memory: PumpState, end_s: float, now: Now) -> Told:
    """Have a running pump planned to beyond the last zone's end."""
    if end_s + SPARE_S <= memory.until_s + 1.0:
        return state, []
    memory = replace(memory, until_s=end_s + SPARE_S)
    return _remember(state, supply, memory), [_open(memory, pump, now)]


def _free_s(pump: Pump, memory: PumpState, now: Now) -> float:
    """Elapsed time from which rest and starts an hour let a pump start."""
    recent = sorted(start_s for start_s in memory.starts_s if start_s > now.elapsed_s - HOUR_S + ON_TIME_S)
    most = pump.starts_an_hour
    if most is not None and len(recent) >= most:
        return max(memory.free_s, recent[-most] + HOUR_S)
    return memory.free_s


def _rest_s(ground: Ground, supply: str) -> float:
    """The rest of a supply's pump, 0 where the site file has changed and knows of none. [s]"""
    pump = next((each.pump for each in ground.site.supplies if each.id == supply), None)
    return 0.0 if pump is None else pump.rest_s


def _rest_words(pump: Pump) -> str:
    words = [f"{pump.rest_s / 60.0:.3g} min after each stop"] if pump.rest_s else []
    words += [f"{pump.starts_an_hour} starts an hour"] if pump.starts_an_hour is not None else []
    return ", ".join(words) or "it has just stopped"


def _runs(memory: PumpState) -> bool:
    return bool(memory.run_id) and not memory.closing


def _off(memory: PumpState, free_s: float) -> PumpState:
    return PumpState(number=memory.number, starts_s=memory.starts_s, free_s=free_s)


def _thin(state: State, supply: str, memory: PumpState, since_s: float) -> State:
    return state if memory.thin_since_s == since_s else _remember(state, supply, replace(memory, thin_since_s=since_s))


def _remember(state: State, supply: str, memory: PumpState) -> State:
    return replace(state, pumps={**state.pumps, supply: memory})


def _of_run(state: State, run_id: str) -> tuple[str, PumpState | None]:
    supply = run_id.split("/")[1]
    memory = state.pumps.get(supply)
    return supply, memory if memory is not None and memory.run_id == run_id else None


def _end_s(item: Opening, now: Now) -> float:
    """Elapsed time at which an opening ends by plan."""
    return item.seconds + (item.opened_elapsed_s if item.state is OPEN else now.elapsed_s)


def _open(memory: PumpState, pump: Pump, now: Now) -> OpenValve:
    planned_s = memory.until_s - now.elapsed_s
    return OpenValve(run_id=memory.run_id, output=pump.output, zone=None, planned_s=planned_s, follows=True)
