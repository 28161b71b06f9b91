"""Sentences for every verdict: what is the matter, and what a person should do next, with the usual cautions."""

from __future__ import annotations

from dataclasses import dataclass

from dewpond.brain.pipes.verdict import (
    CLOSE_AGAIN,
    CLOSE_MASTER,
    GO_ON,
    NOTHING_DONE,
    STOP_SUPPLY,
    STOP_ZONE,
)

_WET = (
    "Keep off wet ground near electrics, and off paving that water may have washed out from below. "
    "Have buried services located before digging."
)


@dataclass(frozen=True, slots=True)
class Words:
    """The text of one kind; ``{zone}`` is filled in."""

    what: str
    next_step: str
    action: str


WORDS = {
    "lateral_break": Words(
        "Zone {zone} takes far more water than it usually does: a broken lateral or a head that is gone.",
        f"Look for standing water or a jet along zone {{zone}}; repair it, then let the zone run once. {_WET}",
        STOP_ZONE,
    ),
    "high_flow": Words(
        "Zone {zone} takes more water than it usually does: a cracked pipe or fitting, a head that is gone, or a "
        "second valve that opens with it.",
        f"Walk zone {{zone}} while it runs and look for wet spots and for other zones that spray. {_WET}",
        NOTHING_DONE,
    ),
    "low_flow": Words(
        "Zone {zone} takes less water than it usually does: clogged nozzles or filter, or a valve that opens only "
        "partly.",
        "Clean the filter and nozzles of zone {zone}; only what the meter counts is booked for it.",
        NOTHING_DONE,
    ),
    "no_flow": Words(
        "No water passes although zone {zone} is commanded open: its valve does not open, or a wire is broken.",
        "Check wire, coil and hand valve of zone {zone}. Nothing is booked as applied. Have mains-powered controls "
        "opened by a licensed person only.",
        GO_ON,
    ),
    "no_flow_anywhere": Words(
        "No water passes in any zone that was opened: supply shut, the valves' common wire open (perhaps by a rain "
        "switch in it), or a dead meter.",
        "Open a tap behind the meter: no water means the supply; water that the meter does not count means the meter; "
        "else check the common wire.",
        NOTHING_DONE,
    ),
    "idle_flow": Words(
        "Water flows although every valve is closed: a leaking main, a weeping valve, or somebody using water.",
        f"Shut the master valve and read the meter twice: still turning means before it, else behind it. {_WET}",
        NOTHING_DONE,
    ),
    "stuck_open": Words(
        "Zone {zone} was closed but water goes on flowing at about its rate: the valve sticks open.",
        f"Shut the zone's hand valve or the master valve; clean or renew the valve's diaphragm. {_WET}",
        CLOSE_AGAIN,
    ),
    "main_break": Words(
        "A very large flow with every valve closed: the main is broken or a hydrant is open.",
        f"Shut the supply by hand if the master valve did not. {_WET}",
        CLOSE_MASTER,
    ),
    "low_pressure": Words(
        "The supply gives less pressure than it usually does; zones take less water because of it, none of them is at "
        "fault.",
        "Compare with a neighbour or the supplier; check strainer, regulator and pump. Missing depth is topped up "
        "later.",
        NOTHING_DONE,
    ),
    "no_supply": Words(
        "The supply has no pressure.",
        "Check the stop valve, the supplier or the pump. Never run a pump dry: it stays off until a person has looked.",
        STOP_SUPPLY,
    ),
    "meter_fault": Words(
        "Zones that have nothing to do with each other are off by the same factor, or the pressure says that the count "
        "is wrong: the meter, or a filter before all of them, not a zone's pipes.",
        "Compare the meter with a measured can of water and check its wiring; where less is counted, clean the filter "
        "that all zones share. Watering goes on by time.",
        NOTHING_DONE,
    ),
    "wrong_zone": Words(
        "Zones {zone} take each other's usual flow: their wires are swapped.",
        "Open both zones by hand, one after the other, and see which ground gets wet; correct wires or names.",
        NOTHING_DONE,
    ),
    "clock_jump": Words(
        "The clock leapt, or reports were lost: what was being counted is dropped.",
        "Check the time service; no action on the pipes is needed.",
        NOTHING_DONE,
    ),
}
