"""Intervals for sums and differences of mean squares, and for the share that one sum has of another.

Problem: a variance component is a combination of mean squares, and only a lone mean square has an exact
interval. Plan: chi-square for one; the modified large-sample method for sums (Graybill and Wang) and for
a difference (Ting et al.), which is exact wherever all but one of the mean squares are known; generalised
pivots for shares. Cost: nothing but quantiles; everything works on many studies at once.

References
----------
R. K. Burdick and F. A. Graybill, Confidence Intervals on Variance Components, 1992, ch. 3 (recalled).
N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu, Confidence intervals on linear
combinations of variance components that are unrestricted in sign, J. Stat. Comput. Simul. 35, 1990
(recalled). R. K. Burdick, C. M. Borror and D. C. Montgomery, Design and Analysis of Gauge R and R Studies,
2005 (recalled).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from rig.core.measured import effective_freedom
from rig.samples import FloatArray

CHI_SQUARE = "chi-square"
LARGE_SAMPLE = "modified large-sample"

DRAWS_LOG2 = 13
"""Draws, evenly spread instead of random: the same on every machine, and the ends settle to 0.2 %."""


@dataclass(frozen=True, slots=True)
class Term:
    """One mean square of a combination.

    `mean_square`: of one study, or of many: any shape.
    """

    factor: float
    mean_square: FloatArray
    degrees_of_freedom: float

    @property
    def part(self) -> FloatArray:
        """Factor times mean square."""
        return self.factor * self.mean_square


def combined(terms: Sequence[Term]) -> FloatArray:
    """Return the value of a combination, shape of the mean squares; below zero where it comes out so."""
    value: FloatArray = np.sum([term.part for term in terms], axis=0)
    return value


def degrees_of_freedom(terms: Sequence[Term]) -> FloatArray:
    """Return the degrees of freedom of a combination (Satterthwaite 1946); not-a-number for zero."""
    below = np.sum([term.part**2 / term.degrees_of_freedom for term in terms], axis=0)
    return np.where(below > 0, effective_freedom(np.asarray(combined(terms)), np.asarray(below)), np.nan)


def combination_interval(terms: Sequence[Term], level: float) -> tuple[FloatArray, FloatArray, str]:
    """Return the interval of a combination of mean squares.

    `terms`: one, several that are all added, or two of which the second is taken off.
    `level`: of confidence, two-sided, such as 0.95.

    Returns
    -------
    low, high
        Of the variance, shape of the mean squares; never below zero.
    how
        Name of the method.
    """
    tail = (1 - level) / 2
    value = combined(terms)
    if len(terms) == 1:
        df = terms[0].degrees_of_freedom
        return (
            value * df / scipy.stats.chi2.isf(tail, df),
            value * df / scipy.stats.chi2.ppf(tail, df),
            CHI_SQUARE,
        )
    if all(term.factor >= 0 for term in terms):
        # Graybill and Wang: each term's own way down and up, added in squares
        down = sum((_narrow(term, tail) * term.part) ** 2 for term in terms)
        up = sum((_wide(term, tail) * term.part) ** 2 for term in terms)
    else:
        down, up = _difference(terms[0], terms[1], tail)
    low, high = value - np.sqrt(np.maximum(down, 0)), value + np.sqrt(np.maximum(up, 0))
    return np.maximum(low, 0), np.maximum(high, 0), LARGE_SAMPLE


def share_interval(
    mean_squares: Mapping[str, tuple[FloatArray, float]],
    share: Callable[[Mapping[str, FloatArray]], FloatArray],
    level: float,
    *,
    draws_log2: int = DRAWS_LOG2,
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of any function of the expected mean squares, by generalised pivots.

    `mean_squares`: mean square, of shape (...), and its degrees of freedom, by name.
    `share`: takes the pivots of all mean squares, of shape (..., draws), and gives the value of each draw.

    Returns
    -------
    low, high
        Shape (...).
    """
    # Sobol's points, moved to the middle of their cells: no point at zero, where chi-squared has its end
    points = (
        scipy.stats.qmc.Sobol(len(mean_squares), scramble=False).random_base2(draws_log2)
        + 0.5 / 2**draws_log2
    )
    # generalised pivot: mean square times f over a chi-squared of f degrees of freedom
    pivots = {
        name: mean_square[..., np.newaxis] * df / scipy.stats.chi2.ppf(points[:, axis], df)
        for axis, (name, (mean_square, df)) in enumerate(mean_squares.items())
    }
    tail = (1 - level) / 2
    low, high = np.quantile(share(pivots), [tail, 1 - tail], axis=-1)
    return low, high


def _narrow(term: Term, tail: float) -> float:
    """Return how far the lower end of a lone mean square lies below it, as a share of it."""
    return float(1 - term.degrees_of_freedom / scipy.stats.chi2.isf(tail, term.degrees_of_freedom))


def _wide(term: Term, tail: float) -> float:
    """Return how far the upper end of a lone mean square lies above it, as a share of it."""
    return float(term.degrees_of_freedom / scipy.stats.chi2.ppf(tail, term.degrees_of_freedom) - 1)


def _difference(plus: Term, minus: Term, tail: float) -> tuple[FloatArray, FloatArray]:
    """Return the squares of the ways down and up from a difference of two mean squares (Ting et al. 1990)."""
    a, b = plus.part, -minus.part
    high_f = scipy.stats.f.isf(tail, plus.degrees_of_freedom, minus.degrees_of_freedom)
    low_f = scipy.stats.f.ppf(tail, plus.degrees_of_freedom, minus.degrees_of_freedom)
    g_plus, g_minus = _narrow(plus, tail), _narrow(minus, tail)
    h_plus, h_minus = _wide(plus, tail), _wide(minus, tail)
    # the mixed terms make the ends exact where one of both mean squares is known, by way of F
    g_both = ((high_f - 1) ** 2 - (g_plus * high_f) ** 2 - h_minus**2) / high_f
    h_both = ((1 - low_f) ** 2 - (h_plus * low_f) ** 2 - g_minus**2) / low_f
    down = (g_plus * a) ** 2 + (h_minus * b) ** 2 + g_both * a * b
    up = (h_plus * a) ** 2 + (g_minus * b) ** 2 + h_both * a * b
    return down, up
