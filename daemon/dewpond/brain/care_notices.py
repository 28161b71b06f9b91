"""Reminders of the calendar of care travel as notices do: one each, on every screen and topic, over when it is done."""

from __future__ import annotations

from dewpond.brain.alarms import Told, cleared, raised
from dewpond.brain.state import State
from dewpond.model.commands import Command
from dewpond.model.copying import replace
from dewpond.model.events import CareTold, Now

KEY, KIND = "care/", "care_due"


def on_told(state: State, event: CareTold, now: Now) -> Told:
    """The reminders of today take the place of yesterday's; one that stands is not told again."""
    commands: list[Command] = []
    wanted = {f"{KEY}{duty}": text for duty, text in event.due.items()}
    for key in [key for key in state.alarms if key.startswith(KEY) and key not in wanted]:
        state, told = cleared(state, key, now, "done, or not due any more")
        commands += told
    for key, text in wanted.items():
        if key in state.alarms:  # its day has come nearer, or has passed
            alarm = replace(state.alarms[key], sentence=text)
            state = replace(state, alarms={**state.alarms, key: alarm})
            continue
        state, told = raised(state, key, KIND, text, now)
        commands += told
    return state, commands
