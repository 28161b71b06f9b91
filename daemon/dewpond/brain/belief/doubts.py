"""Telling people of sensors that are not believed any more, and of those that are again."""

from __future__ import annotations

from dewpond.brain import alarms
from dewpond.brain.alarms import Told
from dewpond.brain.belief.daily import Closed
from dewpond.brain.ground import Ground
from dewpond.brain.state import State
from dewpond.model.commands import Command
from dewpond.model.events import Now

KIND = "sensor_doubt"


def tell(ground: Ground, state: State, closed: Closed, now: Now) -> Told:
    """Alarms of the doubts that came, or went, with one closed date."""
    commands: list[Command] = []
    for doubt in closed.doubts:
        where = f"The soil probe {doubt.sensor} in {ground.zones[doubt.zone].name}"
        text = (
            f"{where} is not believed: {doubt.why}. The balance decides there alone. Look at its cable, battery and "
            f"contact with the soil."
        )
        state, told = _tell(state, f"sensor/{doubt.sensor}", doubt.why, text, now, doubt.zone)
        commands += told
    for rain in closed.rain_doubts:
        used = "It is still used, within every zone's caps" if rain.doubted else "The other source of rain is used"
        verb = "is doubted" if rain.doubted else "is not believed"
        text = f"The rain by {rain.source} {verb}: {rain.why}. {used}. Look at the gauge: leaves, level, cable."
        state, told = _tell(state, f"sensor/{rain.source}", rain.why, text, now, None)
        commands += told
    return state, commands


def _tell(state: State, key: str, why: str, text: str, now: Now, zone: str | None) -> Told:
    if not why:
        return alarms.cleared(state, key, now, "it agrees again")
    return alarms.raised(state, key, KIND, text, now, zone)
