"""Between the cups: depths interpolated over a zone, and how far a figure of so many cups can be trusted."""

from __future__ import annotations

import numpy as np

RESAMPLES = 2000
SEED = 20  # any: the same cups give the same interval
AT_A_CUP_M = 1e-6  # nearer than this a place is the cup's own


def inverse_distance(x_m, y_m, values, at_x_m, at_y_m, power=2.0):
    """Values at places between measured ones, as means weighted by 1/distance^power.

    Parameters
    ----------
    x_m, y_m, values : arrays of shape (cups,)
        Where the cups stood [m] and what they show, in any one unit. No two cups share a place.
    at_x_m, at_y_m : arrays of one shape
        Where to interpolate. [m]
    power : float
        Above 0; higher keeps a cup's word nearer to it. [-]

    Returns
    -------
    array of the places' shape, in the unit of ``values``: never outside the range of the cups, and a cup's own value at
    the cup.

    References
    ----------
    D. Shepard, A two-dimensional interpolation function for irregularly-spaced data, Proc. ACM National Conf., 1968.
    """
    at = np.stack(np.broadcast_arrays(np.asarray(at_x_m, float), np.asarray(at_y_m, float)), axis=-1)
    cups = np.stack([np.asarray(x_m, float), np.asarray(y_m, float)], axis=-1)
    distance = np.maximum(np.sqrt(((at[..., None, :] - cups) ** 2).sum(axis=-1)), AT_A_CUP_M)
    weight = distance**-power
    return (weight * np.asarray(values, float)).sum(axis=-1) / weight.sum(axis=-1)


def resampled_interval(values, figure, share=0.9):
    """Interval that holds a figure of the cups with a given chance, by drawing the cups anew (percentile bootstrap).

    Parameters
    ----------
    values : array of shape (cups,)
        What the cups show, at least two of them.
    figure : callable
        Of arrays (draws, cups) to arrays (draws,), as the functions of ``uniformity``.
    share : float
        The chance. [-]

    Returns
    -------
    (low, high) : floats, in the unit of the figure. Neighbouring cups are alike, so the truth is a little wider.

    References
    ----------
    B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993, ch. 13 (from memory).
    """
    cups = np.asarray(values, float)
    draws = np.random.default_rng(SEED).integers(0, len(cups), size=(RESAMPLES, len(cups)))
    figures = np.asarray(figure(cups[draws]), float)
    low, high = np.nanquantile(figures, [(1.0 - share) / 2.0, (1.0 + share) / 2.0])
    return float(low), float(high)
