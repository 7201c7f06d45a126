"""Softening: how the force at a fixed deflection changes with the logarithm of the number of cycles."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from rig.core.measured import coverage_factor
from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Softening:
    """Change of force per decade of cycles.

    Parameters
    ----------
    at_mm
        The fixed deflection.
    pct_per_decade, pct_per_decade_u, pct_per_decade_freedom
        Slope over the fitted force of cycle 1, its standard uncertainty from the scatter about the line, and
        the degrees of freedom of that; negative where the specimen softens.
    lost_pct
        Force lost from the first to the last cycle, per cent.
    n
        Cycles used.
    """

    at_mm: float
    pct_per_decade: float
    pct_per_decade_u: float
    pct_per_decade_freedom: int
    lost_pct: float
    n: int

    def interval_pct(self) -> tuple[float, float]:
        """Return the 95 % interval of the slope, wide where few cycles made the uncertainty."""
        half = coverage_factor(self.pct_per_decade_freedom) * self.pct_per_decade_u
        return self.pct_per_decade - half, self.pct_per_decade + half


@dataclass(slots=True)
class SofteningFit:
    """A straight line of force over log10 of the cycle number, as running sums: memory does not grow.

    Notes
    -----
    Deviations count from the first cycle's values, and are merged block by block with the means
    (T. F. Chan, G. H. Golub and R. J. LeVeque, The American Statistician 37, 1983).
    """

    _n: int = 0
    _mean: FloatArray = field(default_factory=lambda: np.zeros(2))
    _products: FloatArray = field(default_factory=lambda: np.zeros((2, 2)))
    _first_n: float = np.nan
    _last_n: float = np.nan

    def take(self, cycle: FloatArray, force_n: FloatArray) -> None:
        """Take further cycles in order, shape (m,); not-a-number is left out."""
        known = np.isfinite(force_n)
        points = np.stack([np.log10(cycle[known]), force_n[known]])
        count = points.shape[1]
        if not count:
            return
        self._first_n = self._first_n if self._n else float(points[1, 0])
        self._last_n = float(points[1, -1])
        mean = points.mean(axis=1)
        apart = points - mean[:, None]
        step = mean - self._mean
        total = self._n + count
        self._products += apart @ apart.T + np.outer(step, step) * (self._n * count / total)
        self._mean = self._mean + step * (count / total)
        self._n = total

    def result(self, at_mm: float) -> Softening | None:
        """Return the line so far; None with fewer than three cycles, or where they begin without force."""
        if self._n < 3:
            return None
        (xx, xy), (_, yy) = self._products.tolist()
        slope = xy / xx
        intercept = float(self._mean[1]) - slope * float(self._mean[0])
        # a share is of a force: of the first cycle's, and of where the line begins
        if not (intercept > 0 and self._first_n > 0):
            return None
        slope_u = sqrt(max(yy - slope * xy, 0.0) / xx / (self._n - 2))
        return Softening(
            at_mm,
            100 * slope / intercept,
            100 * slope_u / intercept,
            self._n - 2,
            100 * (1 - self._last_n / self._first_n),
            self._n,
        )


def softening(cycle: FloatArray, force_n: FloatArray, at_mm: float) -> Softening | None:
    """Fit force against log10 of the cycle number.

    Parameters
    ----------
    cycle, force_n
        Cycle numbers and forces at the fixed deflection, shape (m,); not-a-number is left out.

    Returns
    -------
    None with fewer than three cycles.
    """
    fit = SofteningFit()
    fit.take(cycle, force_n)
    return fit.result(at_mm)
