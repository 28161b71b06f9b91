"""Tonight's openings inside the state, and what is told of the valve of one."""

from __future__ import annotations

from datetime import timedelta

from dewpond.brain.state import Opening, State
from dewpond.model.commands import PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.states import ValveState

ACTIVE = frozenset({ValveState.OPENING, ValveState.OPEN, ValveState.CLOSING})
DONE = "done"  # the cause of an opening that closed at its planned end


def active(state: State, supply: str | None = None) -> list[Opening]:
    """Openings whose valve is open or on its way, of one supply or of all."""
    return [item for item in state.openings if item.state in ACTIVE and supply in (None, item.supply)]


def find(state: State, run_id: str) -> Opening | None:
    return next((item for item in state.openings if item.run_id == run_id), None)


def swap(state: State, item: Opening) -> State:
    return replace(state, openings=tuple(item if old.run_id == item.run_id else old for old in state.openings))


def without(state: State, item: Opening) -> State:
    return replace(state, openings=tuple(old for old in state.openings if old.run_id != item.run_id))


def open_topic(item: Opening) -> PublishState:
    assert item.opened_at is not None  # noqa: S101
    until = item.opened_at + timedelta(seconds=item.seconds)
    body = {"at": item.opened_at.isoformat(), "valve": "open", "until": until.isoformat(), "cause": item.cause}
    return PublishState(topic=f"zone/{item.zone}/state", body=body)


def zone_topic(item: Opening, now: Now, why: str) -> PublishState:
    body = {"at": now.wall.isoformat(), "valve": item.state.value, "until": None, "cause": why}
    return PublishState(topic=f"zone/{item.zone}/state", body=body)
