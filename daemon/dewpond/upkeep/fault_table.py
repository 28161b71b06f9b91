"""All that can be found on a walk-round, by key, and which of its causes the signs speak for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dewpond.upkeep.fault import Fault
from dewpond.upkeep.faults_of_heads import HEADS, PROGRAM
from dewpond.upkeep.faults_of_pipes import GROUND, RUNNING, VALVES

FAULTS: Mapping[str, Fault] = {fault.key: fault for fault in (*VALVES, *RUNNING, *GROUND, *HEADS, *PROGRAM)}


@dataclass(frozen=True, slots=True)
class Likely:
    """A cause as told for one finding; ``because`` are the signs that speak for it."""

    text: str
    remedy: str
    because: tuple[str, ...] = ()


def likely(fault: Fault, signs: frozenset[str]) -> tuple[Likely, ...]:
    """The causes of a fault, those first that most signs speak for; without a sign, the table's order stays."""
    told = [Likely(c.text, c.remedy, tuple(sign for sign in c.when if sign in signs)) for c in fault.causes]
    return tuple(sorted(told, key=lambda cause: -len(cause.because)))


def sign_words(sign: str) -> str:
    """A sign as a clause for people."""
    if sign in FAULTS:
        return FAULTS[sign].words
    return {
        "several": "three heads or more show it",
        "slope": "the zone slopes",
        "opens-by-hand": "the valve opens by hand",
    }[sign]
