"""What the belief remembers between steps. Plain data, fit for a snapshot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.belief.rain import RainMemory

FloatArray = NDArray[np.float64]


def _empty() -> FloatArray:
    return np.zeros(0)


@dataclass(frozen=True, kw_only=True)
class ProbeState:
    """One soil probe: its readings of open dates, and what is thought of it.

    ``odd_days`` counts days in a row on which it could not be believed, ``good_days`` those on which it was;
    ``still_mm`` is the water its zone used while it did not move. ``given_up`` says why it is not listened to.
    """

    time_s: FloatArray = field(default_factory=_empty)
    value: FloatArray = field(default_factory=_empty)
    odd_days: int = 0
    silent_days: int = 0
    good_days: int = 0
    seen: int = 0
    still_mm: float = 0.0
    last_mm: float | None = None  # depletion it saw the evening before, with its own offset
    shown_mm2: float = 0.0  # what it showed of waterings times what came, summed
    came_mm2: float = 0.0  # what came squared, summed
    settled_mm: float | None = None  # what it reads too dry at field capacity, once that had settled
    moved: int = 0  # to which side that has moved when it was given up: 1 drier, -1 wetter
    bias: float = 0.0  # one-sided sums of surprises in standard deviations: the larger of the two, with its sign
    given_up: str = ""


@dataclass(frozen=True, kw_only=True)
class BeliefState:
    """``mean`` (zones x 4) and ``cov`` (zones x 4 x 4): depletion [mm], ln use factor, offset [mm], drift [mm/day].

    ``rate_factor`` is what the meter says of each zone's application against the file, by ``rate_runs`` good runs.
    """

    zone_ids: tuple[str, ...]
    mean: FloatArray
    cov: FloatArray
    rate_factor: FloatArray
    rate_runs: FloatArray
    learned_days: FloatArray  # accepted probe days behind the use factor
    past_ln_use: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # of the last weeks, days x zones
    past_correction_mm: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # by probes, days x zones
    probes: Mapping[str, ProbeState] = field(default_factory=dict)
    rain: RainMemory = field(default_factory=RainMemory)
