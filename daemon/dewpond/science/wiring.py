"""Resistances met when a valve circuit is tested with a meter. Functions are elementwise; NaN stays NaN.

Measure with the control off: the field side carries 24 V, the supply side of the transformer mains voltage.
"""

from __future__ import annotations

import numpy as np

# A sound solenoid of 24 V reads between these [ohm]; below is a short, far above a broken coil or splice (common
# practice, no source).
COIL_OHM = (20.0, 60.0)


def parallel_ohm(resistances_ohm):
    """Resistance of coils wired in parallel, as of two valves on one output: 1/sum(1/R).

    ``resistances_ohm`` : array of shape (..., n), > 0. [ohm] Returns a float or an array of shape (...). Common
    practice, no source.
    """
    return 1.0 / np.sum(1.0 / np.asarray(resistances_ohm, dtype=float), axis=-1)
