"""From a standard uncertainty to a 95 % interval."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import stdtrit

from rig.samples import FloatArray

COVERAGE = 0.95
"""Of every interval that is stated."""


def coverage_factor(degrees_of_freedom: Any) -> FloatArray:
    """Half width of a 95 % interval over the standard uncertainty, by Student's t.

    Parameters
    ----------
    degrees_of_freedom
        Of any shape; infinite for the normal distribution, and at least one.

    Examples
    --------
    >>> coverage_factor([4.0, np.inf]).round(3).tolist()
    [2.776, 1.96]

    References
    ----------
    JCGM 100:2008, G.3.2.
    """
    return np.asarray(stdtrit(np.maximum(degrees_of_freedom, 1.0), (1 + COVERAGE) / 2), np.float64)
