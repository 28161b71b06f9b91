"""Tonight's openings inside the state, and what is told of the valve of one."""

from __future__ import annotations

from datetime import timedelta

from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import Opening, State
from dewpond.model.commands import CloseValve, Command, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.states import CLOSING, OPEN, OPENING, WAITING, Ending, advance

ACTIVE = (OPENING, OPEN, CLOSING)
DONE = "done"  # the cause of an opening that closed at its planned end
ASK_AGAIN_S = 5.0  # an unanswered closing is asked again, a refused opening tried again
ON_TIME_S = 1e-6


def active(state: State, supply: str | None = None) -> list[Opening]:
    """Openings whose valve is open or on its way, of one supply or of all."""
    running = [item for item in state.openings if item.state in ACTIVE]
    return running if supply is None else [item for item in running if item.supply == supply]


def live(state: State, supply: str) -> list[Opening]:
    """Openings of a supply that are open, or on their way to it."""
    return [item for item in active(state, supply) if item.state is not CLOSING]


def find(state: State, run_id: str) -> Opening | None:
    return next((item for item in state.openings if item.run_id == run_id), None)


def swap(state: State, item: Opening) -> State:
    return replace(state, openings=tuple([item if old.run_id == item.run_id else old for old in state.openings]))


def without(state: State, item: Opening) -> State:
    return replace(state, openings=tuple(old for old in state.openings if old.run_id != item.run_id))


def close_now(
    state: State, item: Opening, cause: str, now: Now, ending: Ending = Ending.BROKEN_OFF
) -> tuple[State, list[Command]]:
    """Have an opening closed for a stated cause; one that waits is dropped instead.

    ``ending`` alone says whether what is left of it may still be given.
    """
    if item.state is WAITING:
        return without(state, item), [plan_row(item, "dropped")]
    if item.state is CLOSING:
        return state, []
    state_now = advance(item.state, CLOSING)
    closing = replace(item, state=state_now, close_cause=cause, ending=ending, asked_elapsed_s=now.elapsed_s)
    return swap(state, closing), [CloseValve(run_id=item.run_id, output=item.output, cause=cause)]


def close_supply(state: State, supply: str, cause: str, now: Now) -> tuple[State, list[Command]]:
    """Close every open zone of a supply for a stated cause."""
    commands: list[Command] = []
    for item in live(state, supply):
        state, told = close_now(state, item, cause, now)
        commands += told
    return state, commands


def open_topic(item: Opening) -> PublishState:
    assert item.opened_at is not None  # noqa: S101
    until = item.opened_at + timedelta(seconds=item.seconds)
    body = {"at": item.opened_at.isoformat(), "valve": "open", "until": until.isoformat(), "cause": item.cause}
    return PublishState(topic=f"zone/{item.zone}/state", body=body)


def zone_topic(item: Opening, now: Now, why: str) -> PublishState:
    body = {"at": now.wall.isoformat(), "valve": item.state.value, "until": None, "cause": why}
    return PublishState(topic=f"zone/{item.zone}/state", body=body)
