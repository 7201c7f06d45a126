"""Means of pieces with what is random in them, and what the calibration does to all of them.

Problem: more pieces make a mean better, but not its calibration, so the two parts of its uncertainty must not
be divided by the same number. Plan: keep them apart to the end (`rig.core.measured`). Cost: none.
"""

from __future__ import annotations

from math import inf

import numpy as np

from rig.core.measured import CALIBRATION, Measured
from rig.samples import FloatArray


def estimated(
    value: float, scatter_u: float, freedom: float, shared_u: float = 0.0, shared_freedom: float = inf
) -> Measured:
    """Return a value whose scatter is its own, and whose calibration others share."""
    shared = {CALIBRATION: shared_u} if shared_u else {}
    return Measured(value, scatter_u, freedom, shared, dict.fromkeys(shared, shared_freedom))


def mean_of(values: FloatArray, shared_u: float = 0.0, shared_freedom: float = inf) -> Measured:
    """Return the mean of two pieces or more.

    Parameters
    ----------
    values
        One per piece, shape (n,).
    shared_u
        Part that is the same in all.
    """
    count = len(values)
    scatter_u = float(np.std(values, ddof=1)) / count**0.5
    return estimated(float(np.mean(values)), scatter_u, count - 1, shared_u, shared_freedom)
