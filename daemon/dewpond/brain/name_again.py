"""Names of openings on dates that come again, after the wall clock was set back: none is used twice.

A run's record is kept by its name, and a row of the plan by zone, source, date and start number. A clock that was days
ahead has watered nights that are still to come; when they do, their starts are numbered on from the next hundred.
"""

from __future__ import annotations

from datetime import date, timedelta

from dewpond.brain.ground import Ground
from dewpond.brain.state import State, TurnedBack
from dewpond.model.events import Now

A_HUNDRED = 100  # more starts than any night has
WORTH_A_NAME_S = 3600.0  # a smaller step back leads into no night whose openings are forgotten


def on_stepped(ground: Ground, state: State, step_s: float, now: Now) -> TurnedBack:
    """What is known of dates that come again, after a step of the wall clock."""
    if step_s > -WORTH_A_NAME_S:
        return state.turned_back
    before = ground.days.date_at((now.wall - timedelta(seconds=step_s)).timestamp())
    named = before if state.night is None else max(before, state.night.window_date)
    known = state.turned_back
    fresh = known.until is None or ground.days.date_at(now.wall.timestamp()) > known.until
    return TurnedBack(times=1 if fresh else known.times + 1, until=named if fresh else max(named, known.until or named))


def first_number(state: State, day: date) -> int:
    """What start numbers of a night begin after: 0, or hundreds on a date that comes again."""
    turned = state.turned_back
    return A_HUNDRED * turned.times if turned.until is not None and day <= turned.until else 0
