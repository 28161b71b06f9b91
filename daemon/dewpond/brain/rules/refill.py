"""The ``refill`` rule: a zone that cannot wait for its next chance is refilled to field capacity."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.rules.question import Depth, Question
from dewpond.science.lookahead import SPARE_MM, safe_depletion

FloatArray = NDArray[np.float64]


def decide(question: Question, zones: NDArray[np.int64]) -> list[Depth]:
    """Refill to field capacity where waiting would take a zone past its readily available water."""
    safe_mm = safe_tonight(question, zones)
    missing_mm = question.depletion_mm[zones]
    net_mm = np.where((missing_mm > safe_mm) & (missing_mm > 0.0), missing_mm, 0.0)
    columns = (net_mm, question.raw_mm[zones] - safe_mm, least_tonight(question, zones, safe_mm))
    return [Depth(float(net), float(until), float(least)) for net, until, least in zip(*columns, strict=True)]


def safe_tonight(question: Question, zones: NDArray[np.int64], *, surely: bool = False) -> FloatArray:
    """Depletion up to which each zone can be left tonight; ``surely`` in every future, were there no rain. [mm]"""
    chance, days = question.chance[:, zones], 1
    while days < len(chance) and not chance[days].all():
        days += 1
    etc_mm, rain_mm = question.etc_mm[:days, zones], question.rain_of(zones)[:days]
    misses = question.misses[zones]
    if surely:
        rain_mm, misses = np.zeros(rain_mm.shape), np.zeros(misses.shape, dtype=int)
    safe_mm = safe_depletion(etc_mm, rain_mm, question.raw_of(zones, days), chance[:days], misses)[0]
    doubted_mm: FloatArray = np.maximum(safe_mm - question.doubt_mm[zones], 0.0)
    return doubted_mm


def least_tonight(question: Question, zones: NDArray[np.int64], safe_mm: FloatArray) -> FloatArray:
    """What each zone cannot do without until its next chance. [mm]"""
    missing_mm = question.depletion_mm[zones]
    wanted_mm = np.maximum(missing_mm - safe_mm + SPARE_MM, question.least_mm[zones])
    least_mm: FloatArray = np.minimum(wanted_mm, np.maximum(missing_mm, 0.0))
    return least_mm
