"""Effect size: a difference in standard deviations of pieces, and the correction for many differences.

Problem: 0.2 N/mm is much for one quantity and nothing for another, and among twenty quantities one differs by
chance. Plan: the difference over the pieces' own spread, its bias taken off (Hedges' g), with the interval
that the noncentral t distribution gives; and Holm's correction of all chances together. Cost: two equations
solved for each difference.

References
----------
L. V. Hedges, Distribution theory for Glass's estimator of effect size and related estimators, J. Educ. Stat.
6, 1981. J. H. Steiger and R. T. Fouladi, Noncentrality interval estimation, 1997: the interval (recalled).
S. Holm, A simple sequentially rejective multiple test procedure, Scand. J. Stat. 6, 1979.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, lgamma, log, sqrt

import numpy as np
import scipy

from rig.core.measured import LEVEL, coverage_factor
from rig.samples import FloatArray

LARGEST_T = 35.0
"""Beyond it the noncentral t distribution is out of its tables' reach, and a normal interval is as good."""


@dataclass(frozen=True, slots=True)
class EffectSize:
    """Hedges' g with its interval, of the level that was asked for.

    `g`, `low`, `high`: in standard deviations of pieces.
    """

    g: float
    low: float
    high: float


def hedges_g(first: FloatArray, second: FloatArray, *, level: float = LEVEL) -> EffectSize | None:
    """Return second less first, over their common standard deviation, for independent groups.

    Parameters
    ----------
    first, second
        One value a piece, two or more each.

    Returns
    -------
    None where nothing spreads.
    """
    n1, n2 = len(first), len(second)
    freedom = n1 + n2 - 2
    # pooled standard deviation; root is that of a difference of means in units of it, so t = d / root
    sd = sqrt(((n1 - 1) * first.var(ddof=1) + (n2 - 1) * second.var(ddof=1)) / freedom)
    if not sd > 0:
        return None
    root = sqrt(1 / n1 + 1 / n2)
    d, correction = float(second.mean() - first.mean()) / sd, small_sample_correction(freedom)
    if abs(d / root) > LARGEST_T:
        away = coverage_factor(np.inf, level) * sqrt(root**2 + d**2 / (2 * freedom))
        return EffectSize(correction * d, correction * (d - away), correction * (d + away))
    # parts of the distribution below the observed value at the low and the high end
    low, high = (
        _noncentrality(d / root, freedom, tail) * root for tail in (1 - (1 - level) / 2, (1 - level) / 2)
    )
    return EffectSize(correction * d, correction * low, correction * high)


def paired_g(first: FloatArray, second: FloatArray, *, level: float = LEVEL) -> EffectSize | None:
    """Return the same pieces before and after: mean change over the mean standard deviation of both.

    Parameters
    ----------
    first, second
        Of the same pieces in the same order, three or more.

    Returns
    -------
    None where nothing spreads, or there are too few.

    Notes
    -----
    The interval is the large-sample one: with r the correlation of before and after, the variance is
    var(change)/sd^2/n + g^2 (1 + r^2)/(4 (n - 1)).
    """
    count = len(first)
    square = (first.var(ddof=1) + second.var(ddof=1)) / 2
    if count < 3 or not square > 0:
        return None
    change = second - first
    d, correction = float(change.mean()) / sqrt(square), small_sample_correction(count - 1)
    # correlation of before and after: what makes a change better known than a difference
    likeness = float(np.cov(first, second)[0, 1]) / square
    variance = change.var(ddof=1) / square / count + d**2 * (1 + likeness**2) / (4 * (count - 1))
    away = coverage_factor(count - 1, level) * sqrt(variance)
    return EffectSize(correction * d, correction * (d - away), correction * (d + away))


def small_sample_correction(freedom: float) -> float:
    """Return what a standardised difference of few pieces is too large by, as a factor below one.

    J = gamma(f/2) / (sqrt(f/2) gamma((f-1)/2)), exact (Hedges 1981); as logarithms, which do not overflow.
    """
    return exp(lgamma(freedom / 2) - log(sqrt(freedom / 2)) - lgamma((freedom - 1) / 2))


def holm(chances: Sequence[float]) -> list[float]:
    """Return chances corrected for their number, in the order in which they came.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(chances, float)
    order, count = np.argsort(values, kind="stable"), len(values)
    # the smallest times n, the next times n - 1 ..., none below one that was smaller before
    raised = np.maximum.accumulate(values[order] * np.arange(count, 0, -1))
    corrected = np.empty(count)
    corrected[order] = np.minimum(raised, 1.0)
    return [float(p) for p in corrected]


def _noncentrality(t: float, freedom: float, below: float) -> float:
    """Return the noncentrality that leaves this part of the distribution below t."""

    def excess(noncentrality: float) -> float:
        return float(scipy.stats.nct.cdf(t, freedom, noncentrality)) - below

    # t lies within a few standard deviations of its noncentrality; widened until both ends enclose the root
    reach = 4 + abs(t) / 2
    while excess(t - reach) < 0 or excess(t + reach) > 0:
        reach *= 1.5
    return float(scipy.optimize.brentq(excess, t - reach, t + reach, xtol=1e-6))
