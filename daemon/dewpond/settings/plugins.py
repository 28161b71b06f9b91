"""What other packages offer by entry point, read without importing more than is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path

from dewpond.model.rule_question import RULES_GROUP

RULES = RULES_GROUP
BUILT_IN_RULES = ("lookahead", "refill", "calendar")  # a plug-in cannot take the name of one
# One function, of a site file's path, that looks at [relays] without touching hardware: it answers with ``faults``, a
# tuple of sentences, ``holds_when_cut_off`` and ``timed_on``.
RELAY_CHECK = "dewpond.relay_check"


def names(group: str) -> tuple[str, ...]:
    """The names in one group."""
    return tuple(sorted({point.name for point in entry_points(group=group)}))


def rule_names() -> tuple[str, ...]:
    """Every rule a zone may run by: those that are built in, then the installed plug-ins."""
    return (*BUILT_IN_RULES, *(name for name in names(RULES) if name not in BUILT_IN_RULES))


@dataclass(frozen=True, slots=True)
class RelayFacts:
    """What the driver package says about the relays: faults, and what happens when this computer is cut off."""

    faults: tuple[str, ...]
    holds_when_cut_off: bool | None
    timed_on: bool


def relay_facts(site_file: Path) -> RelayFacts | None:
    """The driver package's view of ``[relays]``; None where no such package is installed or it cannot be imported."""
    for point in entry_points(group=RELAY_CHECK):
        try:
            examine = point.load()
        except (ImportError, AttributeError):
            return None
        seen = examine(site_file)
        return RelayFacts(tuple(seen.faults), seen.holds_when_cut_off, bool(seen.timed_on))
    return None
