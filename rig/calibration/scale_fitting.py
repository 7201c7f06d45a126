"""A scale out of references and counts: the degree, the terms about the zero, and how well they are known.

Problem: every press makes a zero of its own, so a calibration's zero is not part of what it tells; a scale is
its terms about the zero, and the constant of each run is only there to be got rid of. Plan: references are
fitted against counts, the way in which they are used, with one constant for each run; the terms are
carried to the reading that means zero. It is counts that scatter, not references, but by too small a share
of the range for the difference to show. Cost: a few small fits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.calibration.fitting import (
    HIGHEST_DEGREE,
    NO_SCATTER,
    LackOfFit,
    PolynomialFit,
    fit_polynomial,
    highest_degree,
    lack_of_fit,
    recommend_degree,
)
from rig.calibration.provenance import Provenance, Share
from rig.calibration.readings import ReadingTable
from rig.calibration.scales import Scale, ScaleUncertainty
from rig.core.measured import bartlett_chance, combined, coverage_factor
from rig.errors import InputError
from rig.samples import FloatArray, IntArray

ZERO_STEPS = 20
"""Newton's steps to the reading that means zero."""

LEAST_REPEATS = 4
"""Repeats of each reference from which a scatter that grows with it can be told."""

UNEVEN = 0.01
"""Scatters of different references differ where chance does as much less often than this (Bartlett)."""

SMALLEST_SHARE_OF_SCATTER = 0.3
"""No reference counts for more than ten times the middle one, whatever its few repeats say."""

MISFIT = 0.01
"""Lack of fit is reported where chance does as much less often than this."""

FAR_OUT = 0.01
"""Readings are pointed at that lie so far off that chance puts one of all there less often than this."""

MOST_FAR_OUT, FAR_OUT_SHARE = 10, 1 / 3
"""More readings, or a larger share of them, are no exceptions."""

FEW_DEGREES = 5
"""Below this many degrees of freedom the intervals become wide for want of readings."""

LEFT_OUT = "bend left out"
"""A curve that was judged enough still hides the bend that its readings could not show. In made-up
calibrations whose bend three of four could show, intervals in mid-range held the truth in 73 of 100 without
this part, and in 96 with it."""

TOLD_FROM = 0.2
"""Values from this share of the largest on tell a relative change; below it noise would look like one."""


@dataclass(frozen=True, slots=True, eq=False)
class FittedScale:
    """A scale and what it was found from.

    `values`, `counts`: what was fitted, shape (n,).
    """

    scale: Scale
    fit: PolynomialFit
    reason: str
    misfit: LackOfFit | None
    values: FloatArray
    counts: FloatArray
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """A part of the uncertainty of a scale at the end of its range.

    `u`, `relative_u`: standard uncertainty in N or mm, and as a share of the value.
    """

    source: str
    u: float
    relative_u: float
    degrees_of_freedom: float


def fit_scale(
    values: Sequence[float] | FloatArray,
    counts: Sequence[float] | FloatArray,
    *,
    unit: str,
    degree: int | None = None,
    runs: Sequence[str] | None = None,
    zero_counts: float | None = None,
    u_counts: float = 0.0,
) -> FittedScale:
    """Fit a scale.

    Parameters
    ----------
    values, counts
        References in `unit` and readings, shape (n,).
    unit
        N or mm, for the words.
    degree
        1 to 3; None for the lowest that is enough.
    runs
        Labels of runs with a zero each; None for one zero.
    zero_counts
        Reading that is to mean zero; None for the one at which the curve does.
    u_counts
        Standard uncertainty of a single reading; 0 where it is not known.

    Raises
    ------
    InputError
        If the readings cannot carry the degree, or the curve turns round within them.
    """
    y, x = np.asarray(values, np.float64), np.asarray(counts, np.float64)
    labels = None if runs is None or len(set(runs)) == 1 else tuple(runs)
    _refuse_too_few(y, degree, unit)
    # references over counts, as the scale is used; each run has a constant of its own, which is dropped
    weights = _weights(x, y, labels)
    if degree is None:
        y_u = u_counts * float(np.ptp(y) / np.ptp(x)) if np.ptp(x) > 0 else 0.0
        choice = recommend_degree(x, y, weights, references=y, runs=labels, y_u=y_u, unit=unit)
        degree, reason = choice.degree, choice.reason
    else:
        reason = f"degree {degree} as asked for"
    fit = fit_polynomial(x, y, degree, weights, runs=labels)
    zero = _zero_of(fit) if zero_counts is None else zero_counts
    scale = _scale_about(fit, zero, (float(x.min()), float(x.max())))
    slope = scale.slope(np.linspace(x.min(), x.max(), 101))
    if not (slope > 0).all() and not (slope < 0).all():
        raise InputError(
            f"the curve of degree {degree} turns round between its readings; take a lower degree, or look "
            "for a wrong reading"
        )
    # the highest degree that these readings could have shown; what a degree more would change stays in doubt
    told = min(highest_degree(y, labels), highest_degree(x, labels))
    if degree < told:
        higher = fit_polynomial(x, y, degree + 1, weights, runs=labels)
        left_out = _left_out(scale, _scale_about(higher, zero, (0.0, 0.0)), x, from_zero=zero_counts is None)
        scale = with_shares(scale, Share(LEFT_OUT, left_out, float(fit.degrees_of_freedom)))
    misfit = lack_of_fit(fit, y, labels)
    cautions = _cautions(fit, misfit, weighted=weights is not None, unit=unit)
    if told <= degree < HIGHEST_DEGREE:
        cautions = (*cautions, "too few references to see a further bend, so none is in the budget")
    return FittedScale(scale, fit, reason, misfit, y, x, cautions)


def fit_readings(
    table: ReadingTable,
    values: Sequence[float],
    used: Sequence[int],
    *,
    unit: str,
    degree: int | None,
    zero_counts: float | None = None,
) -> FittedScale:
    """Fit a scale to some readings of a table, of which refusals name the place."""
    readings = [table.readings[index] for index in used]
    try:
        return fit_scale(
            [values[index] for index in used],
            [reading.counts for reading in readings],
            unit=unit,
            degree=degree,
            runs=[reading.run for reading in readings],
            zero_counts=zero_counts,
            u_counts=_u_of([reading.u_counts for reading in readings]),
        )
    except InputError as problem:
        raise InputError(f"{table.where}: {problem}") from None


def far_out_cautions(
    table: ReadingTable, used: Sequence[int], fitted: FittedScale, unit: str
) -> tuple[str, ...]:
    """Return a sentence per reading that lies far from the curve through the others.

    Notes
    -----
    Two loads that were exchanged widen the scatter by which each of them is judged. So the farthest reading
    is taken away, the curve is fitted anew, and so on; as many are far out as were taken when chance last did
    not explain the farthest.

    References
    ----------
    B. Rosner, Percentage points for a generalized ESD many-outlier procedure, Technometrics 25 (1983): the
    procedure, here about a curve (recalled).
    """
    runs = np.array([table.readings[index].run for index in used])
    rounding = NO_SCATTER * float(np.ptp(fitted.values))
    kept, far, fit = np.arange(len(used)), 0, fitted.fit
    taken: list[int] = []
    while len(taken) < min(MOST_FAR_OUT, FAR_OUT_SHARE * len(used)) and fit.residual_sd > rounding:
        freedom = fit.degrees_of_freedom
        if freedom < 2:
            break
        # a residual times the root of its weight has the standard deviation of a reading of weight 1, but for
        # the part by which the curve follows it; alone in its run, a reading has none of its own
        free = 1 - fit.leverages
        own = np.sqrt(fit.weights / np.where(free > NO_SCATTER, free, np.inf))
        away = np.abs(fit.residuals) * own / fit.residual_sd
        worst = int(np.argmax(away))
        taken.append(int(kept[worst]))
        # Student's t of the farthest of all readings, as a share of a scatter that it is part of itself
        t = float(scipy.special.stdtrit(freedom - 1, 1 - FAR_OUT / (2 * len(kept))))
        is_far = away[worst] > t * math.sqrt(freedom / (freedom - 1 + t**2))
        kept = np.delete(kept, worst)
        try:
            fit = _refitted(fitted, kept, runs)
        except InputError:  # too few are left
            break
        far = len(taken) if is_far else far
    if not far:
        return ()
    kept = np.setdiff1d(np.arange(len(used)), taken[:far])
    left = fitted.values - _refitted(fitted, kept, runs).value(fitted.counts)
    said = []
    for index in sorted(taken[:far]):
        beside = left[kept[runs[kept] == runs[index]]]  # each run has a constant of its own
        off = left[index] - (beside.mean() if len(beside) else 0.0)
        said.append(
            f"{table.place_of(table.readings[used[index]])}: lies {off:+.3g} {unit} off the curve through "
            "the others; check its reference, and whether two were exchanged"
        )
    return tuple(said)


def _refitted(fitted: FittedScale, kept: IntArray, runs: NDArray[np.str_]) -> PolynomialFit:
    """Return the curve through some of the readings."""
    fit = fitted.fit
    return fit_polynomial(
        fitted.counts[kept], fitted.values[kept], fit.degree, fit.weights[kept], runs=runs[kept].tolist()
    )


def with_shares(scale: Scale, *shares: Share) -> Scale:
    """Return the scale with further shares of its uncertainty."""
    known = scale.uncertainty
    assert known is not None
    return replace(scale, uncertainty=replace(known, shares=(*known.shares, *shares)))


def with_evidence(scale: Scale, shares: Sequence[Share], record: Provenance) -> Scale:
    """Return the scale with further shares of its uncertainty and with its record."""
    return replace(with_shares(scale, *shares), record=record)


def scale_budget(scale: Scale) -> tuple[BudgetLine, ...]:
    """Return the parts of the uncertainty at the end of the range, the whole last, with effective degrees of
    freedom.

    References
    ----------
    JCGM 100:2008, G.4: the effective degrees of freedom.
    """
    known = scale.uncertainty
    if known is None:
        return ()
    # at the end of the range, where the covariance is that of the terms' own parts of the value
    value = abs(float(scale.value(scale.zero_counts + known.unit_counts)))
    fit_u = math.sqrt(max(float(np.sum(known.covariance)), 0.0))
    lines = [BudgetLine("scatter of the readings", fit_u, fit_u / value, known.degrees_of_freedom)]
    lines += [
        BudgetLine(share.source, share.u_at(value), share.u_at(value) / value, share.degrees_of_freedom)
        for share in known.shares
    ]
    u, freedom = combined((line.u, line.degrees_of_freedom) for line in lines)
    return (*lines, BudgetLine("combined", u, u / value, freedom))


def half_interval(line: BudgetLine) -> float:
    """Return half of the 95 % interval, in N or mm."""
    return line.u * coverage_factor(line.degrees_of_freedom)


def details_of(fitted: FittedScale, unit: str) -> Mapping[str, Any]:
    """Return the readings, residuals and choices as plain values for a record."""
    name = unit.lower()
    details: dict[str, Any] = {
        "degree": fitted.fit.degree,
        "reason": fitted.reason,
        f"residual_sd_{name}": fitted.fit.residual_sd,
        f"references_{name}": fitted.values.tolist(),
        "counts": fitted.counts.tolist(),
        f"residuals_{name}": fitted.fit.residuals.tolist(),
    }
    if fitted.misfit is not None:
        details["lack_of_fit"] = {
            "f": fitted.misfit.f,
            "p": fitted.misfit.p,
            "degrees": [fitted.misfit.fit_degrees, fitted.misfit.repeat_degrees],
        }
    if fitted.cautions:
        details["cautions"] = list(fitted.cautions)
    return details


def _u_of(readings_u: Sequence[float]) -> float:
    """Return the quadratic mean of what is known of each reading; 0 where one does not say it."""
    return float(np.sqrt(np.mean(np.square(readings_u)))) if min(readings_u) > 0 else 0.0


def _refuse_too_few(values: FloatArray, degree: int | None, unit: str) -> None:
    distinct = len(np.unique(values))
    if degree is not None and not 1 <= degree <= HIGHEST_DEGREE:
        raise InputError(f"degree: found {degree}, expected 1 to {HIGHEST_DEGREE}")
    needed = (degree or 1) + 1
    if distinct < needed:
        raise InputError(
            f"{distinct} different references in {unit} cannot carry degree {degree or 1}: it needs "
            f"{needed} to be drawn and one more to be judged; take more references, or a lower degree"
        )


def _zero_of(fit: PolynomialFit) -> float:
    """Return the reading at which the curve is zero, by Newton's method from the middle of the readings."""
    zero = fit.centre
    for _ in range(ZERO_STEPS):
        terms, _covariance = fit.about(zero)
        step = terms[0] / terms[1]
        zero -= float(step)
        if abs(zero - fit.centre) > 10 * fit.half_range:
            raise InputError(
                "the curve has no zero near its readings; take a reading without load too, or a lower degree"
            )
        if abs(step) < 1e-9 * fit.half_range:
            break
    return zero


def _scale_about(fit: PolynomialFit, zero: float, span: tuple[float, float]) -> Scale:
    terms, covariance = fit.about(zero)
    unit_counts = max(abs(span[0] - zero), abs(span[1] - zero))
    # the covariance of what the terms contribute there: a term times its power of the counts
    powers = unit_counts ** np.arange(1, fit.degree + 1)
    at_end = covariance[1:, 1:] * np.outer(powers, powers)
    return Scale(
        float(terms[1]),
        zero,
        tuple(terms[2:].tolist()),
        ScaleUncertainty(
            unit_counts, tuple(tuple(row) for row in at_end.tolist()), float(fit.degrees_of_freedom)
        ),
        span,
    )


def _left_out(scale: Scale, higher: Scale, counts: FloatArray, *, from_zero: bool) -> float:
    """Return the relative standard uncertainty for a bend that the readings neither show nor exclude.

    It is what the next higher degree would change: the most of values from a zero that every press makes
    itself, else the quadratic mean of the slope, since a deflection begins anywhere.
    """
    if not from_zero:
        return math.sqrt(float(np.mean((higher.slope(counts) / scale.slope(counts) - 1) ** 2)))
    value = scale.value(counts)
    told = np.abs(value) >= TOLD_FROM * np.abs(value).max()
    change = higher.value(counts[told]) / value[told] - 1
    return float(np.abs(change).max())


def _weights(x: FloatArray, y: FloatArray, runs: Sequence[str] | None) -> FloatArray | None:
    """Return one over the variance of repeats where it differs between references; None where it does not
    show.

    The scatter of few repeats is itself scattered, so that a straight line through it over the references is
    taken.
    """
    levels, which = np.unique(y, return_inverse=True)
    repeats = np.bincount(which)
    if len(levels) < 3 or repeats.min() < LEAST_REPEATS:
        return None
    left = fit_polynomial(x, y, 1, runs=runs).residuals
    groups = [left[which == level] for level in range(len(levels))]
    sd = np.array([group.std(ddof=1) for group in groups])
    if not (sd > 0).all() or bartlett_chance(sd**2, repeats - 1) >= UNEVEN:
        return None
    away = np.abs(levels)  # a load that pulls scatters like one that presses, a travel like one the other way
    # least squares of the scatter over the references, never far below the middle one
    line = np.polynomial.Polynomial.fit(away, sd, 1)(away)
    smooth = np.maximum(line, SMALLEST_SHARE_OF_SCATTER * float(np.median(sd)))
    weights: FloatArray = 1.0 / smooth[which] ** 2
    return weights


def _cautions(fit: PolynomialFit, misfit: LackOfFit | None, *, weighted: bool, unit: str) -> tuple[str, ...]:
    cautions = []
    if fit.degrees_of_freedom < FEW_DEGREES:
        cautions.append(
            f"few readings: {fit.degrees_of_freedom} degrees of freedom make wide intervals; repeat the run"
        )
    if misfit is not None and misfit.p < MISFIT:
        cautions.append(
            f"lack of fit: the curve leaves more than repeats explain (F = {misfit.f:.3g}, chance less than "
            f"once in 100); repeats differ by {misfit.repeat_sd:.3g} {unit}. Is a reference wrong, or is a "
            "higher degree needed?"
        )
    if weighted:
        cautions.append(
            "repeats scatter more at some references than at others: they are weighted accordingly"
        )
    return tuple(cautions)
