"""Each zone's root-zone water as an estimate with its doubt, corrected by what probes see.

Three numbers a zone are estimated together: the depletion, the logarithm of its true water use over the tabulated one,
and the offset of its probe (field capacity is never the textbook's). An extended Kalman filter carries them from day to
day; all functions take arrays with one row a zone and broadcast.

References
----------
R. E. Kalman, A New Approach to Linear Filtering and Prediction Problems, J. Basic Eng. 82, 1960.
G. Evensen, Data Assimilation, Springer 2009, ch. 4, for states joined with parameters.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

DEPLETION, USE, OFFSET = range(3)  # [mm, ln of a factor, mm]
LEAST_DEPLETION_SD_MM = 0.5  # of a zone just filled to field capacity: drainage is never sharp
SEEN = np.array([1.0, 0.0, 1.0])  # a probe sees the depletion and its own offset
DEPLETION_ALONE = np.array([1.0, 0.0, 0.0])


class Estimate(NamedTuple):
    """Mean (zones x 3) and covariance (zones x 3 x 3) of depletion [mm], ln use factor and probe offset [mm]."""

    mean: Any
    cov: Any


class Seen(NamedTuple):
    """What a probe added: the estimate after it, the surprise and the standard deviation that was expected of it."""

    estimate: Estimate
    surprise_mm: Any
    expected_sd_mm: Any


def begin(depletion_mm, depletion_sd_mm, use_sd, offset_sd_mm):
    """The estimate before anything was seen; arguments are arrays of one length. [mm, mm, -, mm]"""
    depletion_mm = np.asarray(depletion_mm, dtype=float)
    zones = len(depletion_mm)
    mean = np.zeros((zones, 3))
    mean[:, DEPLETION] = depletion_mm
    cov = np.zeros((zones, 3, 3))
    for place, sd in ((DEPLETION, depletion_sd_mm), (USE, use_sd), (OFFSET, offset_sd_mm)):
        cov[:, place, place] = np.square(sd)
    return Estimate(mean, cov)


def predict(estimate, depletion_mm, etc_mm, drained, noise_mm, use_noise, offset_noise_mm):
    """One day on.

    Parameters
    ----------
    estimate : Estimate
        At the evening before.
    depletion_mm : array, zones
        Where the day's balance takes the mean depletion. [mm]
    etc_mm : array, zones
        Water used in the day, which grows with the use factor. [mm]
    drained : bool array, zones
        Zones that were filled beyond field capacity: what was not known of their depletion drained away.
    noise_mm : array, zones
        Standard deviation of the day's own amounts: reference ET, rain, irrigation. [mm]
    use_noise, offset_noise_mm : float or array
        How much use factor and probe offset may wander in a day, as standard deviations. [-, mm]
    """
    zones = len(estimate.mean)
    mean = estimate.mean.copy()
    mean[:, DEPLETION] = depletion_mm
    step = np.tile(np.eye(3), (zones, 1, 1))
    step[:, DEPLETION, USE] = etc_mm
    cov = step @ estimate.cov @ step.transpose(0, 2, 1)
    cov[:, DEPLETION, DEPLETION] += np.square(noise_mm)
    cov[:, USE, USE] += np.square(use_noise)
    cov[:, OFFSET, OFFSET] += np.square(offset_noise_mm)
    filled = np.asarray(drained, dtype=bool)
    cov[filled, DEPLETION, :] = 0.0
    cov[filled, :, DEPLETION] = 0.0
    cov[filled, DEPLETION, DEPLETION] = LEAST_DEPLETION_SD_MM**2
    return Estimate(mean, cov)


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
    sees : array, 3
        What is seen as a sum of the three numbers: ``SEEN`` by a probe, ``DEPLETION_ALONE`` where something else tells
        the depletion.

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
    keep = np.eye(3) - gain[:, :, None] * sees
    noise = gain[:, :, None] * gain[:, None, :] * np.square(seen_sd_mm)[:, None, None]
    cov = keep @ estimate.cov @ keep.transpose(0, 2, 1) + noise
    mean[:, DEPLETION] = np.clip(mean[:, DEPLETION], 0.0, most_mm)
    mean[:, USE] = np.clip(mean[:, USE], -most_ln_use, most_ln_use)
    return Seen(Estimate(mean, cov), surprise_mm, sd_mm)


def reset_use(estimate, zones, depletion_mm, ln_use, use_sd, depletion_sd_mm):
    """The estimate with depletion and ln use factor of these zones set to other words on them. [mm, -]"""
    mean, cov = estimate.mean.copy(), estimate.cov.copy()
    mean[zones, DEPLETION] = depletion_mm
    mean[zones, USE] = ln_use
    for place in (DEPLETION, USE):
        cov[zones, place, :] = 0.0
        cov[zones, :, place] = 0.0
    cov[zones, DEPLETION, DEPLETION] = depletion_sd_mm**2
    cov[zones, USE, USE] = use_sd**2
    return Estimate(mean, cov)
