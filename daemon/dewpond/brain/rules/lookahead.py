"""The ``lookahead`` rule: of the zones that cannot wait, each gets the depth that costs least over many futures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.rules.question import Depth, Question, Weighed
from dewpond.brain.rules.refill import least_tonight, safe_tonight
from dewpond.brain.zone_table import FloatArray
from dewpond.science.lookahead import Judged, judge_depths

GOOD_RAIN_MM = 5.0  # in the reasons' words only
GOOD_RAIN_DAYS = 7
WORTH_OPENING_MM = 0.01  # watering tonight must save so much against waiting; less hangs on rounding


def decide(question: Question, zones: NDArray[np.int64]) -> list[Depth]:
    """Leave a zone dry where no future stresses it before its next chance; else find the depth that costs least."""
    safe_mm = safe_tonight(question, zones)
    missing_mm = question.depletion_mm[zones]
    until_mm = question.raw_mm[zones] - safe_mm
    doubtful = ((missing_mm > safe_tonight(question, zones, surely=True)) & (missing_mm > 0.0)).nonzero()[0]
    depths = [Depth(0.0, until) for until in until_mm.tolist()]
    if not len(doubtful):
        return depths
    least_mm = least_tonight(question, zones, safe_mm)
    judged = _judge(question, zones[doubtful], least_mm[doubtful])
    best = judged.cost_mm[:, :-1].argmin(axis=1)
    waits = judged.cost_mm[:, 0] <= judged.cost_mm.min(axis=1) + WORTH_OPENING_MM
    best[waits] = 0
    weather = (question.source, _rain_chance(question))
    for n, (place, choice) in enumerate(zip(doubtful, best, strict=True)):
        net_mm = min(float(judged.tonight_mm[n, choice]), float(missing_mm[place]))
        if net_mm > 0.0:
            saved_mm = max(0.0, float(judged.cost_mm[n, -1] - judged.cost_mm[n, choice]))
            weighed = _weighed(question, *weather, float(missing_mm[place]), saved_mm)
            depths[place] = Depth(net_mm, float(until_mm[place]), float(min(least_mm[place], net_mm)), weighed)
    return depths


def _judge(question: Question, zones: NDArray[np.int64], carry_mm: FloatArray) -> Judged:
    judged: Judged = judge_depths(
        question.depletion_mm[zones] + question.doubt_mm[zones],
        question.etc_mm[:, zones],
        question.rain_of(zones),
        question.raw_of(zones, len(question.etc_mm)),
        question.storage_mm[zones],
        question.least_mm[zones],
        carry_mm,
        question.chance[:, zones],
        question.care[zones],
    )
    return judged


def _rain_chance(question: Question) -> float:
    soon_mm = question.futures.rain_mm[:, :GOOD_RAIN_DAYS].sum(axis=1)
    return np.count_nonzero(soon_mm >= GOOD_RAIN_MM) / len(soon_mm)


def _weighed(question: Question, source: str, chance: float, full_mm: float, saved_mm: float) -> Weighed:
    futures, days = question.futures.eto_mm.shape
    return Weighed(futures, days, source, chance, GOOD_RAIN_MM, GOOD_RAIN_DAYS, full_mm, saved_mm)
