"""What the brain remembers of hints: signs of lost water where no meter counts it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dewpond.brain.pipes.state import WatchState


@dataclass(frozen=True, slots=True)
class ProbeHint:
    """One soil probe: readings of the last hours, (time [s since 1970], m3/m3) each, oldest first.

    ``rise`` is what it rose without a watering, at ``rise_at_s``, while it is not known yet whether it rained;
    ``back_to`` the reading below which a hint that was told is over.
    """

    recent: tuple[tuple[float, float], ...] = ()
    rise: float = 0.0
    rise_at_s: float = 0.0
    back_to: float = 0.0


@dataclass(frozen=True, slots=True)
class PressureHint:
    """One supply's pressure with every valve shut: what is usual, when it was last taken, and since when it is low."""

    usual: WatchState = field(default_factory=WatchState)
    taken_s: float = 0.0
    low_since_s: float = float("inf")
    fine_since_s: float = float("inf")


@dataclass(frozen=True, kw_only=True)
class HintState:
    """Probes by sensor id, pressures by supply id, and the last moment at which it is known to have rained."""

    probes: Mapping[str, ProbeHint] = field(default_factory=dict)
    pressures: Mapping[str, PressureHint] = field(default_factory=dict)
    rained_s: float = float("-inf")
