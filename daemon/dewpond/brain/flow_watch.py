"""Follows the meters: litres of every opening, the present flow of every supply.

Detecting faults from unexpected flow builds on these accounts.
"""

from __future__ import annotations

import numpy as np

from dewpond.brain.openings import active
from dewpond.brain.state import Opening, State
from dewpond.model.commands import Command, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now, ReadingsArrived

TELL_EVERY_S = 10.0  # a supply's flow topic is published no more often


def on_meter(state: State, supply: str, event: ReadingsArrived) -> State:
    """Book a block of meter increments [L] to the openings during which they flowed."""
    if event.window_s is None or not len(event.value):
        return state
    running = [item for item in active(state, supply) if item.opened_at is not None]
    openings = _booked(state, running, event) if running else state.openings
    window_s, flows_l_min = float(event.window_s[-1]), state.supply_flow_l_min
    if window_s > 0.0:
        flows_l_min = {**flows_l_min, supply: float(event.value[-1]) * 60.0 / window_s}
    return replace(state, openings=openings, supply_flow_l_min=flows_l_min)


def tell_flow(state: State, supply: str, now: Now) -> tuple[State, list[Command]]:
    """Publish a supply's flow, unless it was told a moment ago."""
    flow_l_min = state.supply_flow_l_min.get(supply)
    wall_s = now.wall.timestamp()
    if flow_l_min is None or wall_s - state.flow_told_s.get(supply, -TELL_EVERY_S) < TELL_EVERY_S:
        return state, []
    body = {"at": now.wall.isoformat(), "flow_l_min": round(flow_l_min, 3)}
    told = replace(state, flow_told_s={**state.flow_told_s, supply: wall_s})
    return told, [PublishState(topic=f"supply/{supply}/flow", body=body)]


def _booked(state: State, running: list[Opening], event: ReadingsArrived) -> tuple[Opening, ...]:
    """Share increments among open zones by expected flow; a window that began before an opening counts in part."""
    assert event.window_s is not None  # noqa: S101 - checked by the caller
    whole_flow = sum(item.flow_l_min for item in running) or 1.0
    windows = np.maximum(event.window_s, 1e-9)
    booked: dict[str, float] = {}
    for item in running:
        assert item.opened_at is not None  # noqa: S101 - the caller took only opened ones
        since_s = item.opened_at.timestamp()
        inside = np.minimum(np.maximum((event.time_s - since_s) / windows, 0.0), 1.0)
        booked[item.run_id] = float((event.value * inside).sum()) * item.flow_l_min / whole_flow
    return tuple(
        [
            replace(item, metered_l=item.metered_l + booked[item.run_id]) if item.run_id in booked else item
            for item in state.openings
        ]
    )
