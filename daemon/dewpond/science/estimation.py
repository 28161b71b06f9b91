"""Each zone's root-zone water as an estimate with its doubt, corrected by what probes see.

Four numbers a zone are estimated together: the depletion, the logarithm of its true water use over the tabulated one,
the offset of its probe (field capacity is never the textbook's), and by how much that offset drifts in a day. An
extended Kalman filter carries them from day to day; all functions take arrays with one row a zone and broadcast.

The drift is why an old probe teaches less than a fresh one: between two soakings its level may have wandered, so what
it says of the level fades, while what it says of each day's use stays.

References
----------
R. E. Kalman, A New Approach to Linear Filtering and Prediction Problems, J. Basic Eng. 82, 1960.
G. Evensen, Data Assimilation, Springer 2009, ch. 4, for states joined with parameters.
C. M. Stein, Estimation of the Mean of a Multivariate Normal Distribution, Ann. Stat. 9, 1981, lemma 1 (from memory),
for the covariance of a quantity that is cut off at zero.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

DEPLETION, USE, OFFSET, DRIFT = range(4)  # [mm, ln of a factor, mm, mm a day]
NUMBERS = 4
LEAST_DEPLETION_SD_MM = 0.5  # of a zone just filled to field capacity: drainage is never sharp
SEEN = np.array([1.0, 0.0, 1.0, 0.0])  # a probe sees the depletion and its own offset


class Estimate(NamedTuple):
    """Mean (zones x 4) and covariance (zones x 4 x 4): depletion [mm], ln use factor, offset [mm], drift [mm/day]."""

    mean: Any
    cov: Any


class Seen(NamedTuple):
    """What a probe added: the estimate after it, the surprise and the standard deviation that was expected of it."""

    estimate: Estimate
    surprise_mm: Any
    expected_sd_mm: Any


def begin(depletion_mm, depletion_sd_mm, use_sd, offset_sd_mm, drift_sd_mm=0.0):
    """The estimate before anything was seen; arguments are arrays of one length. [mm, mm, -, mm, mm/day]"""
    depletion_mm = np.asarray(depletion_mm, dtype=float)
    zones = len(depletion_mm)
    mean = np.zeros((zones, 4))
    mean[:, DEPLETION] = depletion_mm
    cov = np.zeros((zones, 4, 4))
    spreads = ((DEPLETION, depletion_sd_mm), (USE, use_sd), (OFFSET, offset_sd_mm), (DRIFT, drift_sd_mm))
    for place, sd in spreads:
        cov[:, place, place] = np.square(sd)
    return Estimate(mean, cov)


def predict(
    estimate,
    depletion_mm,
    etc_mm,
    spilled_mm,
    noise_mm,
    use_noise,
    offset_noise_mm,
    drift_sd_mm=0.0,
    drift_kept=1.0,
    watched=False,
    since_mm=0.0,
    since_sd_mm=0.0,
):
    """One day on.

    Parameters
    ----------
    estimate : Estimate
        At the evening before.
    depletion_mm : array, zones
        Where the day's balance takes the mean depletion, at least 0. [mm]
    etc_mm : array, zones
        Water used in the day, which grows with the use factor. [mm]
    spilled_mm : array, zones
        Water of the day beyond field capacity if the mean is right; NaN where no water came. [mm]
    noise_mm : array, zones
        Standard deviation of the day's own amounts: reference ET, rain, irrigation. [mm]
    use_noise, offset_noise_mm : float or array
        How much use factor and probe offset may wander in a day, as standard deviations. [-, mm]
    drift_sd_mm, drift_kept : float or array, float
        Standard deviation of a probe's drift in the long run, and the share of a drift that is there a day later.
        [mm/day, -]
    watched : bool array, zones, or bool
        Where a probe will tell of water that is still missing from a zone thought full.
    since_mm, since_sd_mm : array, zones, or float
        Water used since the last of the day's water fell, which is missing in the evening from a zone that was full
        then, and its standard deviation, since the hour of rain is often not known. [mm]
    """
    zones = len(estimate.mean)
    mean = estimate.mean.copy()
    mean[:, DEPLETION] = depletion_mm
    mean[:, OFFSET] += mean[:, DRIFT]
    mean[:, DRIFT] *= drift_kept
    step = np.tile(np.eye(4), (zones, 1, 1))
    step[:, DEPLETION, USE] = etc_mm
    step[:, OFFSET, DRIFT] = 1.0
    step[:, DRIFT, DRIFT] = drift_kept
    cov = step @ estimate.cov @ step.transpose(0, 2, 1)
    cov[:, DEPLETION, DEPLETION] += np.square(noise_mm)
    cov[:, USE, USE] += np.square(use_noise)
    cov[:, OFFSET, OFFSET] += np.square(offset_noise_mm)
    cov[:, DRIFT, DRIFT] += np.square(drift_sd_mm) * (1.0 - drift_kept**2)
    spilled_mm = np.asarray(spilled_mm, dtype=float)
    return _cut_at_field_capacity(Estimate(mean, cov), spilled_mm, watched, since_mm, since_sd_mm)


def _cut_at_field_capacity(estimate, spilled_mm, watched, since_mm, since_sd_mm):
    """The estimate once water beyond field capacity drained away, and with it what was not known of the depletion.

    The depletion without a limit is normal; what is left of it above zero keeps the share of its covariances that is
    the chance of not being full (Stein's lemma). Its mean lies above the balance's own word by the water that may still
    be missing; where nobody watches the balance's word stands, which is the median. All this holds at the moment the
    water fell; what was used since then is missing in the evening also from a zone that was full.
    """
    depletion_mm, cov = estimate.mean[:, DEPLETION], estimate.cov
    sd_mm = np.sqrt(np.maximum(cov[:, DEPLETION, DEPLETION], 1e-12))
    free_mm = depletion_mm - np.nan_to_num(spilled_mm) - since_mm
    ratio = free_mm / sd_mm
    unfilled = np.where(np.isnan(spilled_mm), 1.0, 0.5 * _erfc(-ratio / math.sqrt(2.0)))
    density = np.where(np.isnan(spilled_mm), 0.0, np.exp(-0.5 * np.square(ratio)) / math.sqrt(2.0 * math.pi))
    left_mm = free_mm * unfilled + sd_mm * density
    variance = (np.square(free_mm) + np.square(sd_mm)) * unfilled + free_mm * sd_mm * density - np.square(left_mm)
    cut = cov.copy()
    cut[:, DEPLETION, :] *= unfilled[:, None]
    cut[:, :, DEPLETION] *= unfilled[:, None]
    full_sq = LEAST_DEPLETION_SD_MM**2 + np.square(since_sd_mm)
    cut[:, DEPLETION, DEPLETION] = np.maximum(variance, 0.0) + (1.0 - unfilled) * full_sq
    mean = estimate.mean.copy()
    mean[:, DEPLETION] = np.where(np.logical_and(watched, ~np.isnan(spilled_mm)), since_mm + left_mm, depletion_mm)
    return Estimate(mean, cut)


_erfc = np.vectorize(math.erfc, otypes=[float])


def expect(estimate, seen_sd_mm, sees=SEEN):
    """What a probe should see, and the standard deviation of its surprise; ``sees`` are its weights. [mm]"""
    expected_mm = estimate.mean @ sees
    variance = np.einsum("i,zij,j->z", sees, estimate.cov, sees) + np.square(seen_sd_mm)
    return expected_mm, np.sqrt(variance)


def correct(estimate, seen_mm, seen_sd_mm, used, most_mm, most_ln_use, sees=SEEN):
    """The estimate after what the probes saw.

    Parameters
    ----------
    estimate : Estimate
    seen_mm : array, zones
        Depletion as the probe has it, its own offset included; of no account where not ``used``. [mm]
    seen_sd_mm : array, zones
        Standard deviation of what one probe says of the whole zone. [mm]
    used : bool array, zones
        Where there is a reading to be believed.
    most_mm, most_ln_use : array, zones; float
        Bounds: depletion 0 to ``most_mm``, logarithm of the use factor within +- ``most_ln_use``. [mm, -]
    sees : array, 4
        What is seen as a sum of the four numbers.

    Returns
    -------
    Seen
    """
    used = np.asarray(used, dtype=bool)
    expected_mm, sd_mm = expect(estimate, seen_sd_mm, sees)
    surprise_mm = np.where(used, seen_mm - expected_mm, 0.0)
    gain = (estimate.cov @ sees) / np.square(sd_mm)[:, None] * used[:, None]
    mean = estimate.mean + gain * surprise_mm[:, None]
    # The symmetric form of Joseph keeps the covariance positive whatever rounding does.
    keep = np.eye(4) - gain[:, :, None] * sees
    noise = gain[:, :, None] * gain[:, None, :] * np.square(seen_sd_mm)[:, None, None]
    cov = keep @ estimate.cov @ keep.transpose(0, 2, 1) + noise
    mean[:, DEPLETION] = np.clip(mean[:, DEPLETION], 0.0, most_mm)
    mean[:, USE] = np.clip(mean[:, USE], -most_ln_use, most_ln_use)
    return Seen(Estimate(mean, cov), surprise_mm, sd_mm)


def reset_use(estimate, zones, depletion_mm, ln_use, use_sd, depletion_sd_mm):
    """The estimate with depletion and ln use factor of these zones set to other words on them; drift ends. [mm, -]"""
    mean, cov = estimate.mean.copy(), estimate.cov.copy()
    mean[zones, DEPLETION] = depletion_mm
    mean[zones, USE] = ln_use
    mean[zones, DRIFT] = 0.0
    for place in (DEPLETION, USE, DRIFT):
        cov[zones, place, :] = 0.0
        cov[zones, :, place] = 0.0
    cov[zones, DEPLETION, DEPLETION] = depletion_sd_mm**2
    cov[zones, USE, USE] = use_sd**2
    return Estimate(mean, cov)
