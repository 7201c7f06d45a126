"""Polynomials through calibration readings, with what is known about their terms.

Problem: readings of a converter run to millions of counts far from zero, where powers of the raw numbers lose
most of their digits; and a curve that bends more than the readings can tell reads noise into a scale. Plan:
least squares by QR on the readings moved to their middle and divided by their half range; terms and
covariance are carried over to any other zero by the binomial formula. The degree that is enough is found by
the sums of squares that further terms take away. Cost: one small QR for each degree.

References
----------
NIST Statistical Reference Datasets: the tests against certified values. JCGM 100:2008, example H.3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy

from rig.errors import InputError
from rig.samples import FloatArray

HIGHEST_DEGREE = 3
"""A cubic bends twice; more turns within the range of a sensor are noise."""

MOST_READINGS = 5_000
"""Of one fit; bounds the tables that are made for repeats and runs."""

SIGNIFICANT = 0.05
"""A further term is believed where chance would do as well less often than this."""

NO_SCATTER = 1e-12
"""Share of the range below which what is left of a fit is rounding."""

NO_DEPENDENCE = 1e-10
"""Share of the largest diagonal element of R below which a column depends on the others."""


@dataclass(frozen=True, slots=True, eq=False)
class PolynomialFit:
    """A polynomial through readings.

    `centre`, `half_range`: middle of the x of the readings, and half their range: t = (x - centre) /
    half_range.
    `scaled_terms`, `scaled_covariance`: terms in powers of t, constant first, shape (degree + 1,), and their
    covariance.
    `residuals`: y less the polynomial (and less the run's own constant), shape (n,).
    `weights`: relative, with a mean of 1, shape (n,).
    `leverages`: how far the curve follows each reading, 0 to 1, shape (n,).
    `residual_sd`: standard deviation of a reading of weight 1.
    `degrees_of_freedom`: readings less constants and terms.
    """

    degree: int
    centre: float
    half_range: float
    scaled_terms: FloatArray
    scaled_covariance: FloatArray
    residuals: FloatArray
    weights: FloatArray
    leverages: FloatArray
    residual_sd: float
    degrees_of_freedom: int

    @property
    def coefficients(self) -> FloatArray:
        """Terms in powers of x, constant first."""
        return self.about(0.0)[0]

    @property
    def covariance(self) -> FloatArray:
        """Of the coefficients."""
        return self.about(0.0)[1]

    @property
    def standard_uncertainties(self) -> FloatArray:
        """Of the coefficients."""
        return np.sqrt(np.diag(self.covariance))

    def about(self, zero: float) -> tuple[FloatArray, FloatArray]:
        """Return the terms in powers of (x - zero), constant first, and their covariance."""
        # t^k = ((x - zero)/h + offset)^k by the binomial formula: a matrix from the old terms to the new
        offset = (zero - self.centre) / self.half_range
        terms = range(self.degree + 1)
        moved = np.array(
            [
                [math.comb(k, j) * offset ** (k - j) / self.half_range**j if k >= j else 0.0 for k in terms]
                for j in terms
            ]
        )
        # the covariance through that matrix (JCGM 100:2008, 5.2), made symmetric to the last bit
        covariance = moved @ self.scaled_covariance @ moved.T
        return moved @ self.scaled_terms, (covariance + covariance.T) / 2

    def value(self, x: npt.ArrayLike) -> FloatArray:
        """Return the polynomial at x of any shape."""
        result: FloatArray = self._powers(x) @ self.scaled_terms
        return result

    def value_u(self, x: npt.ArrayLike) -> FloatArray:
        """Return the standard uncertainty of `value`, from the scatter of the readings alone."""
        powers = self._powers(x)
        variance = np.einsum("...i,ij,...j->...", powers, self.scaled_covariance, powers)
        result: FloatArray = np.sqrt(np.maximum(variance, 0.0))
        return result

    @property
    def sum_of_squares(self) -> float:
        """Of the weighted residuals."""
        return float(self.weights @ self.residuals**2)

    @property
    def aicc(self) -> float:
        """Akaike's criterion with its correction for few readings; infinite where there are too few."""
        count, known = len(self.residuals), len(self.residuals) - self.degrees_of_freedom + 1
        if count - known - 1 <= 0 or self.sum_of_squares <= 0:
            return math.inf if self.sum_of_squares > 0 else -math.inf
        # n ln(S/n) + 2 p, and the correction 2 p (p + 1)/(n - p - 1) of Hurvich and Tsai, 1989 (recalled)
        fitted = count * math.log(self.sum_of_squares / count)
        return fitted + 2 * known + 2 * known * (known + 1) / (count - known - 1)

    def _powers(self, x: npt.ArrayLike) -> FloatArray:
        t = (np.asarray(x, np.float64) - self.centre) / self.half_range
        return t[..., np.newaxis] ** np.arange(self.degree + 1)


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Whether readings leave the curve by more than repeats of the same reference differ.

    `f`, `p`: variance ratio, and the probability that chance exceeds it.
    """

    f: float
    p: float
    fit_degrees: int
    repeat_degrees: int
    repeat_sd: float


@dataclass(frozen=True, slots=True)
class DegreeChoice:
    """A degree and, in words, why it is enough."""

    degree: int
    reason: str


def fit_polynomial(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    degree: int,
    weights: npt.ArrayLike | None = None,
    *,
    runs: Sequence[Any] | None = None,
) -> PolynomialFit:
    """Fit y = b0 + b1 x + ... by least squares.

    Parameters
    ----------
    x, y
        Readings, shape (n,).
    degree
        1, 2 or 3.
    weights
        Relative weights, such as one over variances, shape (n,); None for equal ones.
    runs
        Labels of runs that each have a constant of their own, shape (n,); the constant of the result is their
        mean. None for one constant.

    Raises
    ------
    InputError
        If the readings cannot carry the degree, or are no finite numbers.

    Notes
    -----
    The covariance comes from the scatter about the curve, with n - degree - (number of constants) degrees of
    freedom.

    Examples
    --------
    >>> fit = fit_polynomial([0, 1, 2, 3], [1.0, 3.1, 4.9, 7.0], 1)
    >>> [round(term, 3) for term in fit.coefficients.tolist()]
    [1.03, 1.98]
    """
    x, y, w = _checked(x, y, weights)
    _refuse_degree(x, degree, runs)
    # t from -1 to 1: powers of counts in millions would lose most of their digits
    centre, half = (float(x.max()) + float(x.min())) / 2, (float(x.max()) - float(x.min())) / 2
    t = (x - centre) / half
    constants = _dummies(runs if runs is not None else np.zeros(len(x)))
    design = np.hstack([constants, t[:, np.newaxis] ** np.arange(1, degree + 1)])
    freedom = len(x) - design.shape[1]
    if freedom < 1:
        raise InputError(
            f"{len(x)} reading{'' if len(x) == 1 else 's'} for {design.shape[1]} unknowns of degree {degree} "
            f"leave no scatter to judge by; expected {design.shape[1] + 1} or more"
        )
    # rows times the roots of their weights; QR keeps the digits that normal equations would square away
    root = np.sqrt(w)
    q, r = np.linalg.qr(design * root[:, np.newaxis])
    # a small element of the diagonal: its column hardly differs from those before it
    diagonal = np.abs(np.diag(r))
    if diagonal.min() <= NO_DEPENDENCE * diagonal.max():
        raise InputError("the runs have too few references in common to tell their zeros from the curve")
    inverse = np.linalg.solve(r, np.eye(len(r)))
    solution = np.linalg.solve(r, q.T @ (y * root))
    residuals = y - design @ solution
    variance = float(w @ residuals**2) / freedom
    # the mean constant of the runs, then the terms
    gather = np.zeros((degree + 1, design.shape[1]))
    gather[0, : constants.shape[1]] = 1 / constants.shape[1]
    gather[1:, constants.shape[1] :] = np.eye(degree)
    # (A'A)^-1 = R^-1 R^-T
    spread = gather @ inverse
    return PolynomialFit(
        degree,
        centre,
        half,
        gather @ solution,
        variance * (spread @ spread.T),
        residuals,
        w,
        np.sum(q**2, axis=1),  # the diagonal of A (A'A)^-1 A'
        math.sqrt(variance),
        freedom,
    )


def highest_degree(x: npt.ArrayLike, runs: Sequence[Any] | None = None) -> int:
    """Return the highest degree that leaves a reference more than it needs, so that a misfit can show."""
    x = np.asarray(x, np.float64)
    runs_count = 1 if runs is None else len(set(runs))
    return max(1, min(HIGHEST_DEGREE, len(np.unique(x)) - 2, len(x) - runs_count - 1))


def recommend_degree(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    weights: npt.ArrayLike | None = None,
    *,
    references: npt.ArrayLike | None = None,
    runs: Sequence[Any] | None = None,
    y_u: float = 0.0,
    unit: str = "",
) -> DegreeChoice:
    """Return the lowest degree that no higher one improves on by more than chance would.

    Parameters
    ----------
    x, y, weights, runs
        As for `fit_polynomial`.
    references
        What repeats share, shape (n,), where it is not x itself: it limits the degree.
    y_u
        Standard uncertainty of a single reading, from what it was averaged over; 0 where it is not known.

    Notes
    -----
    Nested F tests of each degree against every higher one that the readings can carry, at 5 %; Akaike's
    corrected criterion is quoted beside them. Few readings can lie on a curve by chance far closer than each
    of them is known: further terms have to take away more than `y_u` explains, too (chi-squared, at 5 %).
    """
    most = min(highest_degree(x if references is None else references, runs), highest_degree(x, runs))
    fits = [fit_polynomial(x, y, degree, weights, runs=runs) for degree in range(1, most + 1)]
    span = float(np.ptp(np.asarray(y, np.float64)))
    for fit in fits:
        higher = fits[fit.degree :]
        exact = fit.residual_sd <= NO_SCATTER * span
        chances = [1.0 if exact else _chance(fit, other, y_u) for other in higher]
        if all(chance >= SIGNIFICANT for chance in chances):
            return DegreeChoice(fit.degree, _reason(fits, fit, chances, y_u, unit))
    raise AssertionError("the highest degree has none above it")


def lack_of_fit(
    fit: PolynomialFit, references: npt.ArrayLike, runs: Sequence[Any] | None = None
) -> LackOfFit | None:
    """Compare what the curve leaves with what repeats of a reference leave.

    Parameters
    ----------
    references
        What repeats share, shape (n,): the load, or x itself.

    Returns
    -------
    None where nothing was repeated, or where the curve goes through each mean.
    """
    # a mean for each reference, and a constant for each further run: what these leave is pure repeat
    labels = np.asarray(references)
    design = _dummies(labels)
    if runs is not None:
        design = np.hstack([design, _dummies(runs)[:, 1:]])
    root = np.sqrt(fit.weights)
    weighted = fit.residuals * root
    solution, _, rank, _ = np.linalg.lstsq(design * root[:, np.newaxis], weighted, rcond=None)
    left = weighted - (design * root[:, np.newaxis]) @ solution
    repeat_degrees = len(labels) - int(rank)
    fit_degrees = fit.degrees_of_freedom - repeat_degrees
    if repeat_degrees < 1 or fit_degrees < 1:
        return None
    repeats = float(left @ left)
    misfit = max(fit.sum_of_squares - repeats, 0.0)
    repeat_sd = math.sqrt(repeats / repeat_degrees)
    if repeats <= NO_SCATTER * fit.sum_of_squares:
        return None
    ratio = (misfit / fit_degrees) / (repeats / repeat_degrees)
    chance = float(scipy.special.fdtrc(fit_degrees, repeat_degrees, ratio))
    return LackOfFit(ratio, chance, fit_degrees, repeat_degrees, repeat_sd)


def _checked(
    x: npt.ArrayLike, y: npt.ArrayLike, weights: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    w = np.ones(len(xs)) if weights is None else np.asarray(weights, np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape or xs.shape != w.shape:
        raise InputError(f"readings of shapes {xs.shape}, {ys.shape} and {w.shape}; expected the same length")
    if not 0 < len(xs) <= MOST_READINGS:
        raise InputError(f"found {len(xs)} readings, expected 1 to {MOST_READINGS}")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all() and np.isfinite(w).all() and (w > 0).all()):
        raise InputError("a reading is not a finite number, or a weight is not above zero")
    return xs, ys, w / w.mean()


def _refuse_degree(x: FloatArray, degree: int, runs: Sequence[Any] | None) -> None:
    if not 1 <= degree <= HIGHEST_DEGREE:
        raise InputError(f"degree: found {degree}, expected 1 to {HIGHEST_DEGREE}")
    if runs is not None and len(runs) != len(x):
        raise InputError(f"found {len(x)} readings and {len(runs)} labels of runs")
    distinct = len(np.unique(x))
    if distinct <= degree:
        raise InputError(
            f"degree {degree} needs {degree + 1} different points at least, and one more to judge it by; "
            f"found {distinct}"
        )


def _dummies(labels: Any) -> FloatArray:
    """Return a column of ones and zeros per label, shape (n, labels)."""
    _, which = np.unique(np.asarray(labels).astype(str), return_inverse=True)
    return np.eye(int(which.max()) + 1)[which]


def _chance(fit: PolynomialFit, other: PolynomialFit, y_u: float) -> float:
    """Return the chance of further terms that take away as much as those of `other` do: the larger of those
    beside the scatter about the curve (F test of nested models) and beside what is known of a reading."""
    further = other.degree - fit.degree
    gain = max(fit.sum_of_squares - other.sum_of_squares, 0.0)
    known = float(scipy.special.chdtrc(further, gain / y_u**2)) if y_u > 0 else 0.0
    if other.sum_of_squares <= 0:
        return known
    ratio = gain / further / (other.sum_of_squares / other.degrees_of_freedom)
    return max(known, float(scipy.special.fdtrc(further, other.degrees_of_freedom, ratio)))


_NAMES = {1: "a straight line", 2: "a curve of degree 2", 3: "a curve of degree 3"}


def _reason(
    fits: list[PolynomialFit], chosen: PolynomialFit, chances: list[float], y_u: float, unit: str
) -> str:
    def sd(fit: PolynomialFit) -> str:
        return f"{fit.residual_sd:.3g} {unit}".rstrip()

    parts = []
    if chosen.degree > 1:
        lower = fits[chosen.degree - 2]
        parts.append(
            f"residuals of {sd(chosen)}; {_NAMES[lower.degree]} leaves {sd(lower)} "
            f"({_p_words(_chance(lower, chosen, y_u))})"
        )
    else:
        parts.append(f"a straight line is enough, with residuals of {sd(chosen)}")
    if chances:
        another = fits[chosen.degree]
        parts.append(f"degree {another.degree} would leave {sd(another)} ({_p_words(chances[0])})")
    else:
        parts.append(
            "higher degrees are not offered"
            if chosen.degree == HIGHEST_DEGREE
            else "there are too few readings to judge a higher degree"
        )
    # beside the tests, which decide
    best = min(fits, key=lambda fit: fit.aicc)
    if best.degree != chosen.degree and math.isfinite(best.aicc):
        parts.append(f"Akaike's criterion would take degree {best.degree}")
    return "; ".join(parts)


def _p_words(chance: float) -> str:
    return f"p = {chance:.2f}" if chance >= 0.01 else "p < 0.01"
