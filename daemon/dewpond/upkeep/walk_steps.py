"""The steps of a walk-round in their right order, (a) to (g): what to do, what to mind, what may be found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dewpond.model.site import Supply, Zone
from dewpond.upkeep.fault import Fault
from dewpond.upkeep.fault_table import FAULTS

SITE = "site"  # the place of what is looked at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. ``at`` is what it is done at: each "supply", each "zone", or the "site" once."""

    key: str
    letter: str
    title: str
    at: str
    how: tuple[str, ...]
    cautions: tuple[str, ...] = ()


_STEPS = (
    Step(
        key="leak-test",
        letter="a",
        title="System off: the leak test at the meter",
        at="supply",
        how=(
            "Every valve shut, nobody drawing water. Read the meter, wait, read again; or let `dewpond walk leak-test` "
            "read what the daemon's meter saw. Two hours are the published time; a quarter of an hour shows big ones.",
            "Look at the backflow device, and on reclaimed water at signs and purple parts.",
        ),
        cautions=("backflow-local",),
    ),
    Step(
        key="valves-dry",
        letter="a",
        title="System off: valve and box dry",
        at="zone",
        how=(
            "Open the box. Valve, joints and the lowest heads are dry; nothing seeps. "
            "Water at the lowest head just after a run is low-head drainage, not the valve.",
        ),
        cautions=("valve-box",),
    ),
    Step(
        key="by-hand",
        letter="b",
        title="Supply on: the valve by hand",
        at="zone",
        how=(
            "Where a master valve or a pump stands before it, have the main under water first: `dewpond attend`.",
            "Solenoid about a quarter turn: the zone opens. Back until snug: it shuts. "
            "A little water at first is normal; a leak while it runs is a fault.",
        ),
        cautions=("valve-box", "valve-snug", "pressure-live", "water-hammer", "people-traffic"),
    ),
    Step(
        key="repair",
        letter="c",
        title="Repair, apart from the running check",
        at="zone",
        how=(
            "Lock the zone (`dewpond lock`), shut the supply by hand, let the pressure out through a zone, power off.",
            "Then clean, tighten the joint, or replace. Supply on slowly, look again, unlock.",
        ),
        cautions=("valve-supply-off", "valve-power-off", "valve-box", "water-hammer"),
    ),
    Step(
        key="run",
        letter="d",
        title="The zone on for a minute, from the phone",
        at="zone",
        how=(
            "`dewpond walk run ZONE` opens it for a minute; flow and read-back show that it came on and off.",
            "Write down what it waters, and a gauge's pressure if you have one at a head.",
        ),
        cautions=("people-traffic", "restrictions-win"),
    ),
    Step(
        key="ground",
        letter="e",
        title="The ground",
        at="zone",
        how=("Soft or wet spots, puddles, brown or lush patches: pin each where it is.",),
        cautions=("dig-locate", "dig-private", "dig-by-hand"),
    ),
    Step(
        key="heads",
        letter="f",
        title="The heads",
        at="zone",
        how=(
            "While it runs, look at every head: there, whole, top flush with the ground or just above, square to the "
            "slope, up, clean, turned right, throwing to the next head, nothing on paving.",
        ),
        cautions=("people-traffic", "heads-lift"),
    ),
    Step(
        key="program",
        letter="g",
        title="Timer and program",
        at=SITE,
        how=(
            "Date, time and zone; extra starts; a zone in two programs; percent left over; forgotten holds; window.",
            "Batteries: a timer's back-up every six months, sensors by level. Wet the rain switch and see it stop.",
        ),
    ),
)
STEPS: Mapping[str, Step] = {step.key: step for step in _STEPS}
ORDER = tuple(STEPS)


def cautions_of(step: Step, supply: Supply | None) -> tuple[str, ...]:
    """What is to be minded at a step, more where the water is reclaimed or pumped."""
    keys = list(step.cautions)
    if supply is not None and supply.source == "reclaimed" and step.at != SITE:
        keys += ["reclaimed-signs", "reclaimed-apart"] if step.key == "leak-test" else ["reclaimed-hands"]
    if supply is not None and supply.pump is not None and step.key in ("by-hand", "repair"):
        keys += ["pump-dry", "pump-wiring"]
    return tuple(dict.fromkeys(keys))


def faults_at(step: Step, zone: Zone | None, supply: Supply | None) -> tuple[Fault, ...]:
    """What may be found at a step of this zone or supply."""
    return tuple(fault for fault in FAULTS.values() if fault.step == step.key and _fits(fault, zone, supply))


def _fits(fault: Fault, zone: Zone | None, supply: Supply | None) -> bool:
    if fault.key in ("sign-missing", "cross-connection"):
        return supply is not None and supply.source == "reclaimed"
    if fault.on in ("overhead", "drip"):
        return zone is not None and zone.overhead == (fault.on == "overhead")
    return True
