"""Change detection on counted water: cumulative tests, control charts and what they can promise.

Two kinds of evidence meet here. A pulse meter's count is off by less than one pulse over any window, so a sum of
litres against what was expected is a test with a *bounded* error: nothing is claimed before two pulses are missing or
too many. Run-to-run values scatter like ordinary measurements; for them there are the cumulative sum (Page 1954), the
exponentially weighted mean (Roberts 1959) and Shewhart's limits, with their run lengths.

Functions of arrays broadcast; run-length functions take one scheme and return one number of samples.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

# A count is wrong by less than one pulse; a second one is the margin that makes a verdict. [pulses]
PULSES_FOR_A_VERDICT = 2.0
_STATES = 400  # of the Markov chain; 200 and 800 give the same run lengths to three digits


@cache
def _normal():
    """The standard normal; its module is loaded only where a width is worked out."""
    from statistics import NormalDist  # noqa: PLC0415

    return NormalDist()


def earliest_verdict_s(pulse_l, difference_l_min):
    """Time before which a difference of flow cannot honestly be told: two pulses of it.

    ``pulse_l`` litres a pulse [L]; ``difference_l_min`` flow against usual, its sign does not matter [L/min]. No
    difference is never told: infinity. [s]
    """
    with np.errstate(divide="ignore"):
        return PULSES_FOR_A_VERDICT * pulse_l * 60.0 / np.abs(np.float64(difference_l_min))


def smallest_difference_l_min(pulse_l, seconds):
    """Smallest difference of flow that can be told within ``seconds`` (> 0): two pulses of it. [L/min]"""
    return PULSES_FOR_A_VERDICT * pulse_l * 60.0 / seconds


def cusum_step(total, value, allowance):
    """One step of a one-sided cumulative sum: max(0, total + value - allowance).

    Parameters
    ----------
    total : float or array
        The sum so far, >= 0, in the unit of ``value``.
    value : float or array
        What was seen less what was expected, in standard deviations or in litres.
    allowance : float or array
        What one step may exceed by without counting: half the shift looked for, or the uncertainty of the expectation.

    References
    ----------
    E. S. Page, "Continuous inspection schemes", Biometrika 41, 1954; NIST/SEMATECH e-Handbook, sec. 6.3.2.3.
    """
    return np.maximum(0.0, total + value - allowance)


def ewma_step(mean, value, weight):
    """One step of an exponentially weighted mean (Roberts 1959): weight x value + (1 - weight) x mean."""
    return weight * value + (1.0 - weight) * mean


def ewma_limit(weight, width):
    """Half-width of the steady control limits of an EWMA of unit-variance values: L sqrt(w/(2-w)).

    Source: NIST/SEMATECH e-Handbook, sec. 6.3.2.4.
    """
    return width * np.sqrt(weight / (2.0 - weight))


def siegmund_run_length(allowance, limit, shift=0.0):
    """Average run length of a one-sided CUSUM of unit normals by Siegmund's approximation. [samples]

    ``(exp(-2 d b) + 2 d b - 1)/(2 d d)`` with d = shift - allowance and b = limit + 1.166 (b b where d is 0). Within
    4 % of the exact value for shifts up to 2; use it to choose ``limit``, not to promise.

    References
    ----------
    D. Siegmund, Sequential Analysis, Springer 1985; as quoted by D. C. Montgomery, Introduction to Statistical Quality
    Control, ch. 9.
    """
    drift, bound = shift - allowance, limit + 1.166
    if abs(drift) < 1e-9:
        return bound * bound
    return (math.exp(-2.0 * drift * bound) + 2.0 * drift * bound - 1.0) / (2.0 * drift * drift)


def cusum_run_length(allowance, limit, shift=0.0, states=_STATES):
    """Average run length of a one-sided CUSUM of unit normals with mean ``shift``, from a sum of zero. [samples]

    References
    ----------
    D. Brook and D. A. Evans, "An approach to the probability distribution of CUSUM run length", Biometrika 59, 1972.
    """
    width = 2.0 * limit / (2 * states - 1)
    centre = np.arange(states) * width
    # Row: the sum now; column: where the next value takes it. The first state gathers everything that falls below it.
    step = centre[None, :] - centre[:, None] + allowance - shift
    chance = _cdf(step + width / 2.0) - _cdf(step - width / 2.0)
    chance[:, 0] = _cdf(step[:, 0] + width / 2.0)
    return _mean_steps(chance, 0)


def ewma_run_length(weight, width, shift=0.0, states=_STATES):
    """Average run length of a two-sided EWMA of unit normals with mean ``shift``, from a mean of zero. [samples]

    Markov chain over the band between the steady limits; method as in J. M. Lucas and M. S. Saccucci, "Exponentially
    weighted moving average control schemes", Technometrics 32, 1990.
    """
    limit = float(ewma_limit(weight, width))
    cells = states | 1  # odd, so that zero is the middle of a cell
    cell = 2.0 * limit / cells
    centre = -limit + (np.arange(cells) + 0.5) * cell
    step = (centre[None, :] - (1.0 - weight) * centre[:, None]) / weight - shift
    half = cell / (2.0 * weight)
    return _mean_steps(_cdf(step + half) - _cdf(step - half), cells // 2)


def shewhart_run_length(width, shift=0.0):
    """Average run length of two-sided limits at ``width`` standard deviations. [samples]"""
    beyond = _normal().cdf(-width - shift) + _normal().cdf(-width + shift)
    return 1.0 / beyond


def width_for_budget(tests, false_alarms):
    """One-sided width, in standard deviations, at which so many tests raise ``false_alarms`` in the mean."""
    return -_normal().inv_cdf(false_alarms / tests)


def student_width(width, degrees):
    """The width a Student t value needs for the same one-sided chance as a normal value of ``width``.

    Parameters
    ----------
    width : float
        Normal standard deviations, > 0.
    degrees : float
        Degrees of freedom of the learned scatter, >= 2.

    References
    ----------
    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.8 turned round to first orders (Wallace's form):
    t = sqrt(v (exp(u u (8 v + 3)^2/(8 v + 1)^2/v) - 1)); within 3 % of tables at a width of 3 for v >= 4.
    """
    adjusted = width * (8.0 * degrees + 3.0) / (8.0 * degrees + 1.0)
    return math.sqrt(degrees * math.expm1(adjusted * adjusted / degrees))


def _cdf(value):
    return np.vectorize(_normal().cdf, otypes=[float])(value)


def _mean_steps(chance, start):
    """Mean steps to absorption of a chain with these transition chances, from ``start``: (I - R) mu = 1."""
    return float(np.linalg.solve(np.eye(len(chance)) - chance, np.ones(len(chance)))[start])
