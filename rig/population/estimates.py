"""A number with what is random in it, and what the calibration does to all of it alike.

Problem: more pieces make a mean better, but not its calibration, so the two parts of its uncertainty must not
be divided by the same number. Plan: keep them apart to the end, join them by their squares, and give the sum
the degrees of freedom that both parts leave it (Welch and Satterthwaite). Cost: a quantile.

References
----------
JCGM 100:2008 (GUM), annex G.4: the effective degrees of freedom.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, isfinite

import numpy as np
from scipy.special import stdtr, stdtrit

from rig.samples import FloatArray

LEVEL = 0.95
"""Confidence of intervals unless something else is asked for."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its uncertainty.

    Parameters
    ----------
    value
        Of any unit.
    scatter_u
        Standard uncertainty from what differs from piece to piece.
    freedom
        Degrees of freedom of that.
    shared_u
        Standard uncertainty that more pieces do not make smaller.
    shared_freedom
        Degrees of freedom of that; infinite where it counts as known.
    """

    value: float
    scatter_u: float
    freedom: float
    shared_u: float = 0.0
    shared_freedom: float = inf

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return hypot(self.scatter_u, self.shared_u)

    @property
    def effective_freedom(self) -> float:
        """Degrees of freedom of the combined uncertainty."""
        if not self.u > 0:
            return inf
        scatter, shared = self.scatter_u / self.u, self.shared_u / self.u
        left = scatter**4 / self.freedom + shared**4 / self.shared_freedom
        return 1 / left if left > 0 else inf

    def interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Ends of the two-sided interval."""
        away = student_factor(self.effective_freedom, level) * self.u
        return self.value - away, self.value + away

    def chance_above(self, bound: float) -> float:
        """How often chance alone gives a value this high or higher where the truth is `bound`."""
        if self.u > 0:
            return student_below(self.effective_freedom, (bound - self.value) / self.u)
        return float(self.value <= bound)

    def chance_below(self, bound: float) -> float:
        """How often chance alone gives a value this low or lower where the truth is `bound`."""
        if self.u > 0:
            return student_below(self.effective_freedom, (self.value - bound) / self.u)
        return float(self.value >= bound)


def student_factor(freedom: float, level: float) -> float:
    """Half the width of a two-sided interval over its standard uncertainty."""
    return float(stdtrit(_bounded(freedom), 1 - (1 - level) / 2))


def student_below(freedom: float, t: float) -> float:
    """Part of Student's distribution below t."""
    return float(stdtr(_bounded(freedom), t))


def mean_of(values: FloatArray, shared_u: float = 0.0, shared_freedom: float = inf) -> Estimate:
    """Mean of pieces; two or more.

    Parameters
    ----------
    values
        One a piece, shape (n,).
    shared_u
        Part that is the same in all.
    shared_freedom
        Degrees of freedom of that.
    """
    count = len(values)
    scatter_u = float(np.std(values, ddof=1)) / count**0.5
    return Estimate(float(np.mean(values)), scatter_u, count - 1, shared_u, shared_freedom)


def _bounded(freedom: float) -> float:
    """Degrees of freedom that the special functions take: far more than a normal distribution needs."""
    return min(freedom, 1e12) if isfinite(freedom) else 1e12
