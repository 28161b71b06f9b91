"""What all zones share while one night is planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dewpond.brain.rules.percent import PercentToday
from dewpond.brain.rules.plugged import Asked
from dewpond.brain.rules.question import Depth
from dewpond.brain.state import NightState
from dewpond.brain.zone_table import FloatArray
from dewpond.model.reasons import Input


@dataclass(frozen=True, slots=True)
class Tonight:
    """One night and what is known for it. Arrays have one entry a zone."""

    night: NightState
    dates: tuple[tuple[float, float], ...]  # that it touches: first and last instant of each
    now_s: float
    depletion_mm: FloatArray
    depletion_sd_mm: FloatArray
    rate_factor: FloatArray
    raw_mm: FloatArray
    taw_mm: FloatArray  # on the date the window closes
    depths: Mapping[str, Depth]
    inputs: tuple[Input, ...]
    seen: Mapping[str, tuple[Input, ...]]  # by zone id: what its probe and meter say
    asked: Asked
    provisional: frozenset[str]
    etc_next_mm: FloatArray  # expected on the date the window closes
    percents: Mapping[str, PercentToday]
