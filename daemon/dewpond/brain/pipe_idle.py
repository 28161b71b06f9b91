"""Water that flows with every valve shut, counted against the litres that the owner allows before all is closed."""

from __future__ import annotations

from collections.abc import Sequence

from dewpond.brain import alarms
from dewpond.brain.ground import Ground
from dewpond.brain.openings import active
from dewpond.brain.pipes.verdict import Verdict
from dewpond.brain.state import PipeBlock, State
from dewpond.model.commands import CloseValve, Command
from dewpond.model.copying import replace
from dewpond.model.events import Now

IDLE = frozenset({"idle_flow"})
Told = tuple[State, list[Command]]


def count(ground: Ground, state: State, supply: str, litres: float, verdicts: Sequence[Verdict], now: Now) -> Told:
    """Add a block's litres while an idle flow is told and no valve is open; beyond the limit close the master."""
    memory, limit_l = state.pipes[supply], ground.watch[supply].idle_l
    if memory.watch.incident(IDLE) is None:
        return _remember(state, supply, 0.0), []
    told_l = sum(verdict.lost_l for verdict in verdicts if verdict.kind in IDLE and not verdict.over)
    more_l = told_l or (0.0 if active(state, supply) else litres)
    state = _remember(state, supply, memory.idle_l + more_l)
    key = key_of(supply)
    if limit_l is None or memory.idle_l + more_l < limit_l or key in state.alarms:
        return state, []
    return _closed(ground, state, supply, key, now)


def cleared(state: State, key: str) -> State:
    """A person has dealt with an alarm: where it was this one, the count begins again."""
    for supply in state.pipes:
        if key == key_of(supply):
            state = _remember(state, supply, 0.0)
    return state


def key_of(supply: str) -> str:
    """The key of a supply's alarm."""
    return f"pipes/{supply}/idle_limit/"


def _remember(state: State, supply: str, idle_l: float) -> State:
    memory = state.pipes[supply]
    if memory.idle_l == idle_l:
        return state
    return replace(state, pipes={**state.pipes, supply: replace(memory, idle_l=idle_l)})


def _closed(ground: Ground, state: State, supply: str, key: str, now: Now) -> Told:
    seen_l, limit_l = state.pipes[supply].idle_l, ground.watch[supply].idle_l or 0.0
    text = (
        f"{seen_l:.0f} L flowed at {supply} with every valve shut; the site file allows {limit_l:.0f} L. Its master "
        "valve is closed and nothing opens there by schedule until a person clears this. Look along the main, and keep "
        "off wet ground near electrics and off paving that water may have washed out from below."
    )
    block = PipeBlock(alarm=key, why="water flows there with every valve shut", behind_master=True)
    state = replace(state, blocked={**state.blocked, f"supply/{supply}": block})
    commands: list[Command] = []
    master, held = ground.site.supply(supply).master_output, state.masters.get(supply)
    if master is not None and not active(state, supply):
        run_id = held.run_id if held is not None else f"again/{supply}"
        commands.append(CloseValve(run_id=run_id, output=master, cause="closed for water that flows with no zone open"))
    facts = {"supply": supply, "lost_l": round(seen_l, 1), "limit_l": limit_l}
    state, told = alarms.raised(state, key, "idle_flow", text, now, None, facts)
    return state, commands + told
