"""The valve's states and the only moves between them."""

from __future__ import annotations

from enum import Enum


class ValveState(Enum):
    """Where one opening stands."""

    WAITING = "waiting"
    OPENING = "opening"
    OPEN = "open"
    CLOSING = "closing"
    CLOSED = "closed"
    REFUSED = "refused"


class Ending(Enum):
    """What kind of end an opening has; the text of its cause is for people and decides nothing."""

    DONE = "done"  # at its planned end
    WISHED = "wished"  # a person, or a person's lock: what is left is not given
    RULED = "ruled"  # weather, a rule of the place, the pipe watch or the end of a test: what is left is not given
    BROKEN_OFF = "broken off"  # a fault: what is left is given once


# By themselves, because each look-up in an enumeration's class costs as much as a few lines of code.
WAITING, OPENING, OPEN, CLOSING, CLOSED, REFUSED = ValveState
NEXT = {
    WAITING: {OPENING, CLOSED},
    OPENING: {OPEN, CLOSING, CLOSED, REFUSED},
    OPEN: {CLOSING, CLOSED},
    CLOSING: {CLOSED},
    CLOSED: set(),
    REFUSED: {WAITING},
}


class IllegalTransition(RuntimeError):
    """Raised when a valve is moved to a state that cannot follow its present one: a programmer's fault."""


def advance(old: ValveState, new: ValveState) -> ValveState:
    """The new state, if it may follow the old one. Raises IllegalTransition otherwise."""
    if new not in NEXT[old]:
        allowed = sorted(state.name for state in NEXT[old])
        raise IllegalTransition(f"valve cannot go {old.name} -> {new.name}; allowed: {allowed}")
    return new
