"""The head of a supply at work: its master valve opens before the zones and closes after them.

Opening: the master, then after its lead the zone, then the pump (``pumps``). Closing: the pump first, then the zone,
and after its lag the master. The keeper keeps pumps in the same order by itself, whatever is asked of it.
"""

from __future__ import annotations

import math

from dewpond.brain import pumps
from dewpond.brain.ground import Ground
from dewpond.brain.openings import ASK_AGAIN_S, DONE, ON_TIME_S, active, close_supply
from dewpond.brain.state import MasterState, Opening, State
from dewpond.model.commands import CloseValve, Command, OpenValve
from dewpond.model.copying import replace
from dewpond.model.events import KeeperFound, Now, ValveClosed, ValveRefused

Told = tuple[State, list[Command]]
MASTER = "master/"  # how the run ids of masters begin


def wanted_runs(state: State) -> set[str]:
    """Runs of masters and pumps that should be open."""
    masters = {master.run_id for master in state.masters.values()}
    return masters | {memory.run_id for memory in state.pumps.values() if memory.run_id}


def open_master(ground: Ground, state: State, item: Opening, now: Now) -> tuple[State, list[Command], float]:
    """Have the master of an opening's supply open to beyond its end; the elapsed time at which the zone may follow."""
    supply = ground.site.supply(item.supply)
    if supply.master_output is None:
        return state, [], now.elapsed_s
    before = state.masters.get(supply.id)
    opened_s = min(before.opened_elapsed_s, now.elapsed_s) if before else now.elapsed_s  # a reboot sets it back
    ready_s = max(now.elapsed_s, opened_s + supply.master_lead_s)
    until_s = ready_s + item.seconds + supply.master_lag_s
    until_s = max(until_s, before.until_elapsed_s) if before else until_s
    master = MasterState(
        run_id=before.run_id if before else _new_run(supply.id, item, now),
        output=supply.master_output,
        until_elapsed_s=until_s,
        opened_elapsed_s=opened_s,
        hold_until_s=ready_s + ASK_AGAIN_S,
    )
    state = replace(state, masters={**state.masters, supply.id: master})
    if before is not None and before.until_elapsed_s >= until_s:
        return state, [], ready_s
    planned_s = until_s - now.elapsed_s
    command = OpenValve(run_id=master.run_id, output=master.output, zone=None, planned_s=planned_s, follows=True)
    return state, [command], ready_s


def _new_run(supply: str, item: Opening, now: Now) -> str:
    """A name that no earlier opening had, so that the late news of one's end is not taken for this one's."""
    return f"{MASTER}{supply}/{now.wall:%Y-%m-%dT%H:%M:%SZ}/{item.run_id}"


def tend(ground: Ground, state: State, now: Now) -> Told:
    """Look after running pumps, and shut masters behind which nothing is open."""
    state, pumped = pumps.tend_pumps(ground, state, now)
    state, shut = _shut_idle_masters(ground, state, now)
    return state, pumped + shut


def on_head_refused(ground: Ground, state: State, event: ValveRefused, now: Now) -> Told:
    """A master or a pump would not open: end what relies on it."""
    if pumps.is_pump(event.run_id):
        return pumps.on_pump_refused(ground, state, event, now)
    masters = {supply: master for supply, master in state.masters.items() if master.run_id != event.run_id}
    cause = f"the master valve would not open: {event.why}"
    return close_supply(replace(state, masters=masters), event.run_id.split("/")[1], cause, now)


def on_master_closed(state: State, event: ValveClosed, now: Now) -> Told:
    """A master is shut: if zones behind it are still open, nothing flows there any more."""
    supply = event.run_id.split("/")[1]
    master = state.masters.get(supply)
    if master is None or master.run_id != event.run_id:
        return state, []
    state = replace(state, masters={k: v for k, v in state.masters.items() if k != supply})
    return close_supply(state, supply, f"its master valve closed: {event.why}", now)


def on_keeper_found(state: State, event: KeeperFound, now: Now) -> Told:
    """A master that the keeper does not hold is shut, whatever was thought: the next zone has it opened anew."""
    held, commands = event.open_outputs, list[Command]()
    lost = [supply for supply, master in state.masters.items() if held.get(master.output) != master.run_id]
    state = replace(state, masters={k: v for k, v in state.masters.items() if k not in lost}) if lost else state
    for supply in lost:
        state, told = close_supply(state, supply, "its master valve was found shut", now)
        commands += told
    return state, commands


def next_wake_s(ground: Ground, state: State, now: Now) -> float:
    """Elapsed time at which a master or a pump wants something again."""
    idle = [master.hold_until_s for supply, master in state.masters.items() if not active(state, supply)]
    wakes = [*idle, *pumps.wakes_s(ground, state, now)]
    return min([wake_s for wake_s in wakes if wake_s > now.elapsed_s + ON_TIME_S], default=math.inf)


def _shut_idle_masters(ground: Ground, state: State, now: Now) -> Told:
    """No master stays open over shut zones beyond its lag: that would only feed a leak."""
    masters, commands = dict(state.masters), list[Command]()
    for supply, master in state.masters.items():
        hold_s = _hold_until_s(ground, state, supply, now)
        if now.elapsed_s >= hold_s - ON_TIME_S:
            del masters[supply]
            commands.append(CloseValve(run_id=master.run_id, output=master.output, cause=DONE))
        elif hold_s != master.hold_until_s:
            masters[supply] = replace(master, hold_until_s=hold_s)
    return (state if masters == state.masters else replace(state, masters=masters)), commands


def _hold_until_s(ground: Ground, state: State, supply: str, now: Now) -> float:
    """Elapsed time to which a master stays open: for ever while a zone behind it is, and its lag longer."""
    if active(state, supply):
        return math.inf
    hold_s = state.masters[supply].hold_until_s
    if math.isfinite(hold_s):
        return hold_s
    return now.elapsed_s + next((each.master_lag_s for each in ground.site.supplies if each.id == supply), 0.0)
