"""The ``lookahead`` rule: of the zones that cannot wait, each gets the depth that costs least over many futures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.rules.question import Depth, Question, Weighed
from dewpond.brain.rules.refill import least_tonight, safe_tonight
from dewpond.science.lookahead import Judged, judge_depths, safe_depletion

GOOD_RAIN_MM = 5.0  # in the reasons' words only
GOOD_RAIN_DAYS = 7


def decide(question: Question, zones: NDArray[np.int64]) -> list[Depth]:
    """Leave a zone dry while it can wait; else water to the depth of least expected cost."""
    safe_mm = safe_tonight(question, zones)
    missing_mm = question.depletion_mm[zones]
    until_mm = question.raw_mm[zones] - safe_mm
    due = np.flatnonzero((missing_mm > safe_mm) & (missing_mm > 0.0))
    depths = [Depth(0.0, float(until)) for until in until_mm]
    if not len(due):
        return depths
    judged = _judge(question, zones[due])
    best = judged.cost_mm[:, :-1].argmin(axis=1)
    least_mm = least_tonight(question, zones, safe_mm)
    weather = (question.source, _rain_chance(question))
    for n, (place, choice) in enumerate(zip(due, best, strict=True)):
        saved_mm = float(judged.water_mm[n, -1] - judged.water_mm[n, choice])
        weighed = _weighed(question, *weather, float(missing_mm[place]), saved_mm)
        depths[place] = Depth(
            float(judged.tonight_mm[n, choice]), float(until_mm[place]), float(least_mm[place]), weighed
        )
    return depths


def _judge(question: Question, zones: NDArray[np.int64]) -> Judged:
    etc_mm, chance = question.etc_mm[:, zones], question.chance[:, zones]
    raw_mm = np.broadcast_to(question.raw_ahead_mm, question.etc_mm.shape)[:, zones]
    safe_mm = safe_depletion(etc_mm, question.rain_of(zones), raw_mm, chance, question.misses[zones])
    safe_mm[0] = np.maximum(safe_mm[0] - question.doubt_mm[zones], 0.0)
    judged: Judged = judge_depths(
        question.depletion_mm[zones],
        etc_mm,
        question.rain_of(zones),
        raw_mm,
        question.taw_mm[zones],
        question.storage_mm[zones],
        question.least_mm[zones],
        chance,
        safe_mm,
    )
    return judged


def _rain_chance(question: Question) -> float:
    soon_mm = question.futures.rain_mm[:, :GOOD_RAIN_DAYS]
    return float((soon_mm.sum(axis=1) >= GOOD_RAIN_MM).mean())


def _weighed(question: Question, source: str, chance: float, full_mm: float, saved_mm: float) -> Weighed:
    futures, days = question.futures.eto_mm.shape
    return Weighed(futures, days, source, chance, GOOD_RAIN_MM, GOOD_RAIN_DAYS, full_mm, saved_mm)
