"""What a person should do and look at in each step of a guided test, with the cautions that belong to it."""

from __future__ import annotations

from dewpond.brain.guided_state import AFTER, ISOLATE, LOOK, OPEN, RUN, SHUT, UNDER_WATER, Guided
from dewpond.model.site import Supply

LABELS = {
    "leak": "leak test",
    "weeping": "test for a weeping valve",
    "drainage": "drainage test",
    "pump": "pump check",
}
_LOCAL = "Local codes and licensed practice come first."
_PRESSURE = "Everything up to the zone valves is under pressure: open hand valves slowly and stand clear of fittings."
_WET = "Keep off wet ground near electrics, and off paving that water may have washed out."
_BACKFLOW = "Leave the backflow unit and its test cocks alone; its relief opening may spill."
CAUTIONS = {
    "leak": f"{_PRESSURE} {_WET} {_BACKFLOW} {_LOCAL}",
    "weeping": f"{_PRESSURE} {_WET} Valve boxes hold wires, insects and snakes: look first. {_BACKFLOW} {_LOCAL}",
    "drainage": f"{_PRESSURE} {_WET} Keep clear of the heads while the zone runs. {_LOCAL}",
    "pump": (
        "A pump that runs dry or against shut valves is ruined within minutes. Keep clear of shaft and coupling, leave "
        f"guards on; its motor is on mains current and is opened by a licensed electrician only. {_WET} {_LOCAL}"
    ),
}
_EYE = {
    SHUT: "Is water to be seen, heard, or turning the house's own meter",
    OPEN: "Is water to be seen or heard anywhere along the main or at any zone",
    ISOLATE: "Does water stand or run at {zone}'s lowest head or in its valve box",
    AFTER: "Does the lowest head of {zone} still run",
    RUN: "Was there air, knocking, heat, or water where it does not belong",
}


def task(test: Guided, supply: Supply, zone: str, *, by_eye: bool, waits: bool) -> str:
    """What to do now, as sentences. ``zone`` is a name; ``waits`` while something is to be done first."""
    text = _what(test, supply, zone, by_eye=by_eye, waits=waits)
    if supply.pump is None or test.step.name not in UNDER_WATER:
        return text
    return f"{text} With the pump off only the pressure left in the main drives a leak."


def _what(test: Guided, supply: Supply, zone: str, *, by_eye: bool, waits: bool) -> str:
    name = test.step.name
    eye = f"{_EYE[name].format(zone=zone)}? Say yes or no." if name in _EYE else ""
    if name == SHUT:
        text = "The master valve is shut, and so is every zone. Leave all taps behind the meter shut."
    elif name == OPEN:
        valve = "The main is always under water here" if supply.master_output is None else "The master valve is open"
        text = f"{valve}, every zone shut, the pump off. Draw no water; walk along the main."
    elif name == ISOLATE and by_eye:
        text = f"Go to the lowest head and the valve box of {zone}, with every valve shut."
    elif name == ISOLATE and waits:
        return f"Shut {zone} by hand at its isolation valve or flow control, open the one before again, then go on."
    elif name == ISOLATE:
        return f"{zone} is shut by hand; leave it so while the meter is read."
    elif name == LOOK:
        return (
            f"Before the pump runs: is there water above the intake, is it primed, is every hand valve towards {zone} "
            "open, are all guards on? Go on only then; it starts with that zone open and stops before it shuts."
        )
    elif name == RUN:
        text = f"{zone} runs for a moment; stay beside it."
        return f"{text} {eye}" if test.kind == "pump" else text
    else:
        text = f"{zone} is shut and the main under water. Look at its lowest head and say again what it does."
    return f"{text} {eye}" if by_eye or name == AFTER else text
