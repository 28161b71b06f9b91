"""The usual flow of a set of zones, learned from runs judged good: a small regression with a memory of its own doubt.

ln q = level + exponent (ln p - ref): the exponent is near 0.5 for plain heads, near 0 for regulated heads and
compensating drip, and is learned. Conjugate Bayesian regression (normal-inverse-gamma; Gelman et al., Bayesian Data
Analysis, 3rd ed., ch. 14), one run at a time, so that three runs give an honest, wide uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.copying import replace
from dewpond.science.change_detection import cusum_step, student_width

# What is believed before a run was seen. Common practice, no source: a zone repeats within 0.6 % once pressure is
# accounted for and within 2 % where it is not known; belief as strong as 12 runs.
SCATTER_WITH_PRESSURE = 0.006
SCATTER_WITHOUT = 0.02
BELIEF_RUNS = 12.0
EXPONENT, EXPONENT_SD = 0.4, 0.2
# Repeatability of a meter and of a whole run that scatter can never beat; half of ISO 4064-1 class 2 (from memory).
REPEATABILITY = 0.01
# A level may wander this much without a person's word. [1/week]
DRIFT_A_WEEK = 0.01
WEEK_S = 7 * 86_400.0
# Run-level cumulative sum: allowance and limit in standard deviations; one-sided run length 107,000 runs.
RUN_ALLOWANCE, RUN_LIMIT = 1.0, 5.0


@dataclass(frozen=True, slots=True)
class Run:
    """Steady part of one run: flow [L/min], mean ln kPa (None without a sensor), and relative sd of the counting."""

    flow_l_min: float
    ln_kpa: float | None
    counting_sd: float


def first_run(run: Run, at_s: float, shared: bool) -> UsualFlow:
    """The belief after a first run."""
    scatter = SCATTER_WITHOUT if shared or run.ln_kpa is None else SCATTER_WITH_PRESSURE
    level = math.log(run.flow_l_min)
    return UsualFlow(
        runs=1,
        level=level,
        exponent=0.0 if run.ln_kpa is None else EXPONENT,
        ref_ln_kpa=run.ln_kpa or 0.0,
        c00=scatter**2 + run.counting_sd**2,
        c01=0.0,
        c11=0.0 if run.ln_kpa is None else EXPONENT_SD**2,
        scatter_sq=scatter**2,
        degrees=BELIEF_RUNS,
        anchor=level,
        anchor_s=at_s,
    )


def offset(usual: UsualFlow, ln_kpa: float | None) -> float:
    """Distance of a pressure from the reference, in ln kPa."""
    return 0.0 if ln_kpa is None else ln_kpa - usual.ref_ln_kpa


def expected_l_min(usual: UsualFlow, ln_kpa: float | None) -> float:
    """Flow to expect at a pressure. [L/min]"""
    return math.exp(usual.level + usual.exponent * offset(usual, ln_kpa))


def doubt_sq(usual: UsualFlow, ln_kpa: float | None) -> float:
    """Variance of the line itself at a pressure, of ln q."""
    x = offset(usual, ln_kpa)
    return usual.c00 + 2.0 * x * usual.c01 + x * x * usual.c11


def run_sd(usual: UsualFlow, run: Run) -> float:
    """Standard deviation of ln q that this run may have about its expectation."""
    spread = usual.scatter_sq + doubt_sq(usual, run.ln_kpa) + run.counting_sd**2
    return math.sqrt(spread + (0.5 * REPEATABILITY) ** 2)


def allowance(usual: UsualFlow, ln_kpa: float | None, width: float) -> float:
    """Share of the expected flow that one run may be off without being odd. [-]"""
    sd = math.sqrt(usual.scatter_sq + doubt_sq(usual, ln_kpa))
    return REPEATABILITY + math.expm1(student_width(width, usual.degrees) * sd)


def residual(usual: UsualFlow, run: Run) -> float:
    """ln(seen/expected) of a run."""
    return math.log(max(run.flow_l_min, 1e-9)) - math.log(expected_l_min(usual, run.ln_kpa))


def learn(usual: UsualFlow, run: Run, at_s: float) -> UsualFlow:
    """The belief after one more good run, its level held within the drift limit."""
    x = offset(usual, run.ln_kpa)
    gap = residual(usual, run)
    noise_sq = usual.scatter_sq + run.counting_sd**2
    total_sq = doubt_sq(usual, run.ln_kpa) + noise_sq
    gain0 = (usual.c00 + x * usual.c01) / total_sq
    gain1 = (usual.c01 + x * usual.c11) / total_sq
    degrees = usual.degrees + usual.scatter_sq / noise_sq
    scatter_sq = (usual.degrees + (gap * gap / total_sq) * usual.scatter_sq / noise_sq) * usual.scatter_sq / degrees
    room = 0.5 * REPEATABILITY + DRIFT_A_WEEK * max(at_s - usual.anchor_s, 0.0) / WEEK_S
    level = min(max(usual.level + gain0 * gap, usual.anchor - room), usual.anchor + room)
    learning = usual.runs < BELIEF_RUNS
    fresh_level = usual.level + gain0 * gap if learning else level
    return replace(
        usual,
        runs=usual.runs + 1,
        level=fresh_level,
        anchor=fresh_level if learning else usual.anchor,
        anchor_s=at_s if learning else usual.anchor_s,
        exponent=usual.exponent + gain1 * gap,
        c00=max(usual.c00 - gain0 * (usual.c00 + x * usual.c01), 0.0),
        c01=usual.c01 - gain0 * (usual.c01 + x * usual.c11),
        c11=max(usual.c11 - gain1 * (usual.c01 + x * usual.c11), 0.0),
        scatter_sq=scatter_sq,
        degrees=degrees,
    )


def with_score(usual: UsualFlow, score: float) -> UsualFlow:
    """The run-level sums after a run that came out ``score`` standard deviations from its expectation."""
    return replace(
        usual,
        above=float(cusum_step(usual.above, score, RUN_ALLOWANCE)),
        below=float(cusum_step(usual.below, -score, RUN_ALLOWANCE)),
    )
