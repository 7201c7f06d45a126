"""A measured value: a number with its standard uncertainty, the degrees of freedom of that, and its sources.

Problem: numbers that were read with one calibration are wrong together, so what is computed of several is not
known as well, or better, than the squares of their uncertainties say; and few readings leave few degrees of
freedom to every interval. Plan: a value keeps what is its own apart from what it shares with others, which
stands under the name of its source with a sign; a formula moves one source at a time, in all its inputs
at once (JCGM 100:2008, 5.1.3 note 2 and F.1.2.3), and the sum of the squares has the degrees of freedom of
Welch and Satterthwaite (G.4.1). Cost: two evaluations of the formula per source.

References
----------
JCGM 100:2008 (GUM), 5.1.2, 5.1.3, 5.2.2, G.3.2 and G.4.1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import reduce
from math import inf, isfinite, log
from typing import Any, overload

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.core.rounding import rounded
from rig.errors import InputError

FloatArray = NDArray[np.float64]

LEVEL = 0.95
"""Confidence of intervals unless something else is asked for."""

CALIBRATION = "calibration"
"""Source of the part that all values have in common that were read with one calibration."""

MANY = 1e12
"""Degrees of freedom that stand for no limit: the special functions take no infinity."""


@overload
def coverage_factor(freedom: float, level: float = LEVEL) -> float: ...
@overload
def coverage_factor(freedom: FloatArray | list[float], level: float = LEVEL) -> FloatArray: ...
def coverage_factor(freedom: ArrayLike, level: float = LEVEL) -> float | FloatArray:
    """Return half the width of a two-sided interval over the standard uncertainty, by Student's t.

    `freedom`: degrees of freedom, of any shape; infinite for the normal distribution, and at least one
    counts.

    Examples
    --------
    >>> coverage_factor([4.0, np.inf]).round(3).tolist()
    [2.776, 1.96]

    References
    ----------
    JCGM 100:2008, G.3.2.
    """
    factor: FloatArray = np.asarray(
        scipy.special.stdtrit(np.clip(freedom, 1.0, MANY), (1 + level) / 2), np.float64
    )
    return factor if factor.ndim else float(factor)


@overload
def effective_freedom(variance: float, fourth: float) -> float: ...
@overload
def effective_freedom(variance: FloatArray, fourth: FloatArray) -> FloatArray: ...
def effective_freedom(variance: ArrayLike, fourth: ArrayLike) -> float | FloatArray:
    """Return the degrees of freedom of a sum of independent parts, after Welch and Satterthwaite.

    `variance`: sum of the squares of the parts' standard uncertainties, of any shape.
    `fourth`: sum of their fourth powers, each over its degrees of freedom; where it is zero nothing limits
    them.

    References
    ----------
    JCGM 100:2008, G.4.1.
    """
    variance, fourth = np.asarray(variance, np.float64), np.asarray(fourth, np.float64)
    freedom = np.full(np.broadcast_shapes(variance.shape, fourth.shape), inf)
    np.divide(variance**2, fourth, out=freedom, where=fourth > 0)
    return freedom if freedom.ndim else float(freedom)


def combined(parts: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Return the standard uncertainty of a sum of independent parts, and its degrees of freedom.

    `parts`: standard uncertainty and degrees of freedom of each.

    Examples
    --------
    >>> combined([(3.0, 4.0), (4.0, inf)])  # 5^4 / (3^4 / 4)
    (5.0, 30.864197530864196)

    References
    ----------
    JCGM 100:2008, 5.1.2 and G.4.1.
    """
    known = list(parts)
    largest = max((u for u, _ in known), default=0.0)
    if not largest > 0:
        return largest, inf
    # Relative to the largest part, so that no fourth power leaves the range of numbers.
    share = [((u / largest) ** 2, freedom) for u, freedom in known]
    variance = sum(square for square, _ in share)
    fourth = sum(square**2 / freedom for square, freedom in share)
    return largest * variance**0.5, effective_freedom(variance, fourth)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty.

    Raises InputError if the value or an uncertainty is not finite, or the value's own uncertainty is below
    zero.

    `own_u`: standard uncertainty that no other value shares; zero for a number that is taken as exact.
    `parts`: by source: the signed change of the value for one standard uncertainty of the source. Two values
    share the sources of the same name.
    `freedoms`: degrees of freedom by source; those that are not named have no limit.

    Examples
    --------
    >>> Measured(12.3456, 0.03, 4.0, {CALIBRATION: 0.04})
    Measured 12.346 (u 0.050, 30.9 degrees of freedom)
    """

    value: float
    own_u: float = 0.0
    freedom: float = inf
    parts: Mapping[str, float] = field(default_factory=dict)
    freedoms: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (all(map(isfinite, (self.value, self.own_u, *self.parts.values()))) and self.own_u >= 0):
            raise InputError(
                f"found {self.value!r} with an uncertainty of {self.own_u!r}, expected finite numbers, "
                "the uncertainty not below zero"
            )

    def __repr__(self) -> str:
        u, freedom = self.u, self.effective_freedom
        limit = f", {freedom:.3g} degrees of freedom" if isfinite(freedom) else ""
        return f"Measured {rounded(self.value, u)} (u {rounded(u, u)}{limit})"

    @property
    def shared_u(self) -> float:
        """Standard uncertainty from all named sources."""
        return float(reduce(np.hypot, self.parts.values(), 0.0))

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return float(np.hypot(self.own_u, self.shared_u))

    @property
    def effective_freedom(self) -> float:
        """Degrees of freedom of the combined uncertainty."""
        shared = ((abs(part), self.freedoms.get(source, inf)) for source, part in self.parts.items())
        return combined([(self.own_u, self.freedom), *shared])[1]

    def covariance(self, other: Measured) -> float:
        """Return the covariance that shared sources leave between this value and another (F.1.2.3)."""
        return sum(part * other.parts.get(source, 0.0) for source, part in self.parts.items())

    def interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Return the ends of the two-sided interval, by Student's t."""
        reach = self.reach(level)
        return self.value - reach, self.value + reach

    def reach(self, level: float = LEVEL) -> float:
        """Return half the width of that interval."""
        return coverage_factor(self.effective_freedom, level) * self.u

    def chance_above(self, bound: float) -> float:
        """Return the probability that chance gives a value this high or higher where the truth is `bound`."""
        if self.u > 0:
            return student_below(self.effective_freedom, (bound - self.value) / self.u)
        return float(self.value <= bound)

    def chance_below(self, bound: float) -> float:
        """Return the probability that chance gives a value this low or lower where the truth is `bound`."""
        if self.u > 0:
            return student_below(self.effective_freedom, (self.value - bound) / self.u)
        return float(self.value >= bound)

    def scaled(self, factor: float) -> Measured:
        """Return the value times an exact number, such as in another unit."""
        parts = {source: factor * part for source, part in self.parts.items()}
        return Measured(factor * self.value, abs(factor) * self.own_u, self.freedom, parts, self.freedoms)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping; with interval and parts where the value was computed from sources."""
        if not self.parts:
            return {"value": self.value, "u": self.u}
        low, high = self.interval()
        return {"value": self.value, "u": self.u, "low95": low, "high95": high, "parts": dict(self.parts)}


def propagate(formula: Callable[..., float], inputs: Mapping[str, Measured]) -> Measured:
    """Return the value of a formula with the uncertainty that its inputs leave it.

    `formula`: takes the inputs by their names.
    `inputs`: what is an input's own becomes a source of the result by the input's name; what inputs share
    moves all of them at once.

    Examples
    --------
    >>> inputs = {"mu": Measured(0.6, 0.05), "force_n": Measured(80, 3)}
    >>> propagate(lambda mu, force_n: mu * force_n, inputs)
    Measured 48.0 (u 4.4)
    """
    values = {name: given.value for name, given in inputs.items()}
    # By source, how far each input moves with it: the own part of an input moves that input alone.
    moves: dict[str, dict[str, float]] = {}
    freedoms = {}
    for name, given in inputs.items():
        if given.own_u:
            moves[name] = {name: given.own_u}
            if isfinite(given.freedom):
                freedoms[name] = given.freedom
    for name, given in inputs.items():
        for source, part in given.parts.items():
            moves.setdefault(source, {})[name] = part
            if source in given.freedoms:
                freedoms[source] = given.freedoms[source]
    parts = {}
    for source, moved in moves.items():
        above = formula(**(values | {name: values[name] + part for name, part in moved.items()}))
        below = formula(**(values | {name: values[name] - part for name, part in moved.items()}))
        # Half the difference of both ways: exact to the second order of the formula.
        parts[source] = (above - below) / 2
    return Measured(formula(**values), parts=parts, freedoms=freedoms)


def line_slope(x: FloatArray, y: FloatArray, *, lines: int = 1) -> Measured:
    """Return the slope of the line of least squares, with what the scatter about it leaves open.

    Parameters
    ----------
    x, y
        Shape (n,). For several parallel lines each about its own means, one after the other.
    lines
        How many such lines there are: each takes a degree of freedom.

    Returns
    -------
    Measured
        Without degrees of freedom, and an uncertainty of zero, where no point is left over to tell it.

    Examples
    --------
    >>> line_slope(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 1.0]))  # residuals -1/6, 1/3, -1/6
    Measured 0.50 (u 0.29, 1 degrees of freedom)
    """
    x, y = x - x.mean(), y - y.mean()
    spread = float(x @ x)
    slope = float(x @ y) / spread
    freedom = len(x) - lines - 1
    left = y - slope * x
    u = (float(left @ left) / freedom / spread) ** 0.5 if freedom > 0 else 0.0
    return Measured(slope, u, freedom)


def student_below(freedom: float, t: float) -> float:
    """Return the part of Student's distribution below t."""
    return float(scipy.special.stdtr(min(freedom, MANY), t))


def bartlett_chance(variances: FloatArray, degrees_of_freedom: NDArray[np.float64 | np.int64]) -> float:
    """Return the chance that equal variances come out as different as these.

    `variances`, `degrees_of_freedom`: of each group, shape (groups,); all above zero.

    References
    ----------
    M. S. Bartlett, Properties of sufficiency and statistical tests, Proc. R. Soc. A 160, 1937 (recalled).
    """
    freedom, groups = degrees_of_freedom, len(variances)
    whole = float(freedom.sum())
    # log of the pooled variance against the mean of the logs: zero where all variances are equal
    statistic = whole * log(float(freedom @ variances) / whole) - float(freedom @ np.log(variances))
    # Bartlett's correction, which brings few repeats nearer to the chi-squared distribution
    correction = 1 + (float((1 / freedom).sum()) - 1 / whole) / (3 * (groups - 1))
    return float(scipy.special.chdtrc(groups - 1, max(statistic, 0.0) / correction))
