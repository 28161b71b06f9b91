"""A wall clock that cannot be believed: nothing starts by schedule until it is right again, and people are told.

Whether to believe it is judged outside, by the clock's own adapter; here it is only acted upon. Durations go on by
elapsed time, so what runs ends as planned, and water by hand is a person's own.
"""

from __future__ import annotations

from dewpond.brain.alarms import cleared, raised
from dewpond.brain.ground import Ground
from dewpond.brain.holds import replan
from dewpond.brain.state import State
from dewpond.model.commands import Command, PublishState
from dewpond.model.events import ClockJudged, Now

ALARM = "clock"
Told = tuple[State, list[Command]]


def on_judged(ground: Ground, state: State, event: ClockJudged, now: Now) -> Told:
    """Take up a judgement: raise or clear the alarm, and decide the night anew once the clock is believed again."""
    body = {"at": now.wall.isoformat(), "trusted": event.trusted, "why": event.why}
    commands: list[Command] = [PublishState(topic="clock", body=body)]
    if event.trusted and ALARM not in state.alarms:
        return state, commands
    if event.trusted:
        state, over = cleared(state, ALARM, now, f"the clock is trusted again: {event.why}")
        state, planned = replan(ground, state, now)
        return state, [*commands, *over, *planned]
    text = (
        f"The clock is not trusted ({event.why}), so nothing starts by schedule; water by hand still runs. It ends by "
        "itself when a time service has set the clock; without one, set it and say so: dewpond clock --right --by NAME."
    )
    state, over = cleared(state, ALARM, now, "there is another reason now")
    state, told = raised(state, ALARM, "clock_not_trusted", text, now)
    return state, [*commands, *over, *told]
