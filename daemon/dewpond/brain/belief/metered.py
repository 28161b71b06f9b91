"""The meter's word on what a zone really applies: run by run for the books, slowly for the run times."""

from __future__ import annotations

import numpy as np

from dewpond.brain.belief.state import BeliefState, FloatArray
from dewpond.brain.ground import Ground
from dewpond.brain.state import Opening
from dewpond.model.copying import replace

METERED_S = 120.0  # a shorter opening mostly fills its pipe
COUNTED_PULSES = 20.0  # fewer say too little
PLAUSIBLE = (0.4, 2.5)  # of the file's flow; beyond it something is broken, which is the pipe watch's to say
METER_CLASS = 0.02  # ISO 4064 class 2 (from memory): nearer to the file than this is the file
RATE_WEIGHT = 0.2
RATE_RUNS = 5
MOST_RATE = 1.4


def metered_share(ground: Ground, item: Opening, open_s: float) -> float | None:
    """What the meter counted over what the file says, of an opening it saw alone and long enough; else None.

    A count within its own error of the file's word is the file's word, 1: the meter's class, one pulse, and the report
    during which the valve shut.
    """
    settings = ground.watch.get(item.supply)
    if settings is None or settings.meter.shared or open_s < METERED_S:
        return None
    pulses = item.metered_l / settings.meter.pulse_l
    share = item.metered_l / (item.flow_l_min * open_s / 60.0)
    if pulses < COUNTED_PULSES or not PLAUSIBLE[0] <= share <= PLAUSIBLE[1]:
        return None
    doubt = METER_CLASS + 1.0 / pulses + settings.meter.row_s / open_s
    return 1.0 if abs(share - 1.0) <= doubt else share


def with_metered(belief: BeliefState, z: int, share: float | None) -> BeliefState:
    """Learn a zone's application from one run's metered share of what the file says; None teaches nothing."""
    if share is None:
        return belief
    factor, runs = belief.rate_factor.copy(), belief.rate_runs.copy()
    weight = max(RATE_WEIGHT, 1.0 / (runs[z] + 1.0))
    factor[z] = min(max(factor[z] + weight * (share - factor[z]), 1.0 / MOST_RATE), MOST_RATE)
    runs[z] += 1.0
    return replace(belief, rate_factor=factor, rate_runs=runs)


def rate_factors(belief: BeliefState) -> FloatArray:
    """True application over the file's, where enough runs have shown it and it is more than the meter's own error."""
    known = (belief.rate_runs >= RATE_RUNS) & (np.abs(belief.rate_factor - 1.0) > METER_CLASS)
    return np.where(known, belief.rate_factor, 1.0)
