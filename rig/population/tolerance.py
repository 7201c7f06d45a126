"""Tolerance intervals: between which limits most pieces lie, not only those that were pressed.

Problem: mean and standard deviation of a few pieces say where those pieces lie; a builder needs limits for
the many. Plan: mean plus and minus k standard deviations, where k makes the interval hold a stated share of
all pieces in a stated share of all batches. Exactly by an integral over the error of the mean, or by Howe's
formula. Cost: an integral of some dozens of points, solved for k.

References
----------
W. G. Howe, Two-sided tolerance limits for normal populations, J. Am. Stat. Assoc. 64, 1969 (recalled).
K. Krishnamoorthy and T. Mathew, Statistical Tolerance Regions, 2009, ch. 2: the exact factor (recalled).
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, log, sqrt

import numpy as np
import scipy

from rig.errors import InputError

CONTENT, CONFIDENCE = 0.90, 0.95
"""Nine of ten pieces with 95 % confidence: what a drawing can ask of a dozen pieces. Higher contents need far
more pieces before they say anything."""

NODES = 64
REACH = 8.0
"""Standard deviations of the error of the mean to integrate over; beyond lies less than 1e-14."""


def howe_factor(count: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """Return the two-sided tolerance factor by Howe's formula: within a per cent from ten pieces on.

    Parameters
    ----------
    count
        Pieces, two or more.
    content
        Share of all pieces that the interval is to hold.
    confidence
        How often it is to hold them.

    Raises
    ------
    InputError
        If there are too few pieces, or a share is not between 0 and 1.

    Examples
    --------
    >>> round(howe_factor(43, 0.90, 0.99), 3)
    2.217
    """
    _check(count, content, confidence)
    z = float(scipy.special.ndtri((1 + content) / 2))
    return z * sqrt((count - 1) * (1 + 1 / count) / float(scipy.special.chdtri(count - 1, confidence)))


@lru_cache(maxsize=256)
def tolerance_factor(count: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """Return the two-sided tolerance factor for normal values, exact.

    Parameters and errors are those of `howe_factor`.

    Notes
    -----
    Where the mean is off by z standard deviations, an interval of half width r holds the content if r squared
    is the quantile of the noncentral chi-square of one degree of freedom with noncentrality z squared. The
    chance that k standard deviations of the pieces exceed r is a chi-square's; its mean over z, which is
    normal with variance 1/n, is the confidence.
    """
    _check(count, content, confidence)
    freedom = count - 1
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    # z >= 0 alone, twice: the integrand is even
    z = (nodes + 1) / 2 * REACH / sqrt(count)
    density = 2 * np.exp(-count * z**2 / 2) * sqrt(count / (2 * np.pi)) * weights * REACH / (2 * sqrt(count))
    reach2 = np.asarray(scipy.stats.ncx2.ppf(content, 1, z**2))

    def confident(log_factor: float) -> float:
        held = scipy.special.chdtrc(freedom, freedom * reach2 / exp(2 * log_factor))
        return float(np.sum(density * held)) - confidence

    # solved for log k, which stays above zero; Howe's factor lies within a per cent or so
    near = log(howe_factor(count, content, confidence))
    return exp(float(scipy.optimize.brentq(confident, near - 1, near + 1, xtol=1e-12)))


def _check(count: int, content: float, confidence: float) -> None:
    if count < 2:
        raise InputError(f"tolerance interval: found {count} pieces, expected two or more")
    for name, found in (("content", content), ("confidence", confidence)):
        if not 0 < found < 1:
            raise InputError(f"tolerance interval: {name}: found {found}, expected a number between 0 and 1")
