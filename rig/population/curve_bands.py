"""Curves as curves: mean force over deflection with its band, and where two groups part.

Problem: a band that holds each point of a curve with 95 % lets the whole curve out far more often, and a
curve has many points. Plan: the mean of a group with the usual interval at each point, for looking at; the
difference of two groups with a simultaneous band, which holds the whole difference at once. Its width is the
quantile of the largest studentised error along the curve, found by drawing groups of as many normal curves as
there are pieces, with the pieces' own covariance: at a single point it is Student's factor. Of large groups
only their mean and their spread are drawn, which have the same distributions. What the calibration leaves is
in none of these bands. Cost: two thousand draws, half a second or less however many pieces there are.

References
----------
J. Ramsay and B. W. Silverman, Functional Data Analysis, 2005, ch. 13; D. Ruppert, M. P. Wand and
R. J. Carroll, Semiparametric Regression, 2003, sect. 6.5: simultaneous bands by the largest studentised error
(recalled). M. S. Bartlett, On the theory of statistical regression, Proc. R. Soc. Edinburgh 53, 1933: the
covariance of a normal sample as the product of a triangle of normal and chi variables (recalled).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from typing import Any

import numpy as np

from rig.core import all_finite
from rig.core.measured import LEVEL, coverage_factor
from rig.errors import InputError
from rig.population.pieces import PieceResult, average_pieces, on_grid
from rig.population.tolerance import CONFIDENCE, CONTENT, tolerance_factor
from rig.samples import FloatArray

GRID_POINTS = 60
"""Along a curve of foam nothing happens between these."""

DRAWS = 2000
"""The quantile of 95 % then settles to a per cent or two."""

SEED = 20260101
"""The same curves give the same band on every machine."""

MANY_PIECES = 2 * GRID_POINTS
"""In larger groups a covariance has far fewer numbers than the curves that it is drawn from."""

MOST_AT_ONCE = 4_000_000
"""Numbers that are held while drawing."""

NOTHING = 1e-9
"""A standard error below this share of the largest is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveBand:
    """Mean curve of one group.

    `group`, `pieces`: name, and names of the pieces that have a curve.
    `deflection_mm`: shape (n,).
    `count`: pieces that were pressed so far, shape (n,).
    `loading_n`, `unloading_n`: means; not-a-number where no piece was pressed so far.
    `low_n`, `high_n`: interval of the mean of loading at each point; not-a-number below two pieces.
    `tolerance_low_n`, `tolerance_high_n`: interval that holds most pieces at each point.
    `level`, `content_pct`, `confidence_pct`: of these.
    """

    group: str
    pieces: tuple[str, ...]
    deflection_mm: FloatArray
    count: FloatArray
    loading_n: FloatArray
    unloading_n: FloatArray
    low_n: FloatArray
    high_n: FloatArray
    tolerance_low_n: FloatArray
    tolerance_high_n: FloatArray
    level: float
    content_pct: float
    confidence_pct: float

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return dict(all_finite(asdict(self)))


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveDifference:
    """Loading curve of the second group less that of the first.

    `first`, `second`, `n_first`, `n_second`, `paired`: groups, their pieces, and whether they are the same
    ones.
    `deflection_mm`: as far as all pieces were pressed, shape (n,).
    `difference_n`, `low_n`, `high_n`: with the simultaneous band: it holds the whole curve with `level`.
    `factor`, `point_factor`: half the width of the band over the standard error, and the same for a single
    point (Student).
    `apart`: stretches of deflection, from and to in mm, where the band leaves zero out.
    """

    first: str
    second: str
    n_first: int
    n_second: int
    paired: bool
    deflection_mm: FloatArray
    difference_n: FloatArray
    low_n: FloatArray
    high_n: FloatArray
    factor: float
    point_factor: float
    level: float
    apart: tuple[tuple[float, float], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return dict(all_finite(asdict(self)))


def curve_band(
    group: str,
    results: Sequence[PieceResult],
    *,
    deflection_mm: FloatArray | None = None,
) -> CurveBand | None:
    """Return the mean curve of a group with its bands.

    Parameters
    ----------
    results
        One a capture; captures of one piece are averaged.
    deflection_mm
        Where it is wanted; None for a grid as far as the farthest piece was pressed.

    Returns
    -------
    None where no piece has a curve.
    """
    pieces = [piece for piece in average_pieces(results) if piece.curve is not None]
    if not pieces:
        return None
    grid = _grid([_reach(piece) for piece in pieces], far=True) if deflection_mm is None else deflection_mm
    loading, unloading = _stacked(pieces, grid), _stacked(pieces, grid, unloading=True)
    known = np.isfinite(loading)
    count = known.sum(axis=0)
    mean, sd = _moments(loading)
    # of the standard deviation: half the interval of the mean, and half the tolerance interval
    factors = {
        n: (float("nan"), float("nan")) if n < 2 else (coverage_factor(n - 1) / sqrt(n), tolerance_factor(n))
        for n in set(count.tolist())
    }
    student, most = np.array([factors[n] for n in count.tolist()]).T
    return CurveBand(
        group=group,
        pieces=tuple(piece.piece for piece in pieces),
        deflection_mm=grid,
        count=count.astype(float),
        loading_n=mean,
        unloading_n=_moments(unloading)[0],
        low_n=mean - student * sd,
        high_n=mean + student * sd,
        tolerance_low_n=mean - most * sd,
        tolerance_high_n=mean + most * sd,
        level=LEVEL,
        content_pct=100 * CONTENT,
        confidence_pct=100 * CONFIDENCE,
    )


def curve_difference(
    first: tuple[str, Sequence[PieceResult]],
    second: tuple[str, Sequence[PieceResult]],
    *,
    paired: bool = False,
) -> CurveDifference | None:
    """Return the difference of the loading curves of two groups, with a band that holds all of it at once.

    Parameters
    ----------
    first, second
        Name and results of each group; of a paired difference, those pieces count that stand in both.
    paired
        The same pieces stand in both.

    Returns
    -------
    None with fewer than two pieces (or pairs) that have a curve.
    """
    (name, results), (other, more) = first, second
    before, after = ([p for p in average_pieces(group) if p.curve is not None] for group in (results, more))
    if paired:
        places = {(piece.batch, piece.piece): piece for piece in after}
        before = [piece for piece in before if (piece.batch, piece.piece) in places]
        after = [places[piece.batch, piece.piece] for piece in before]
    if min(len(before), len(after)) < 2:
        return None
    grid = _grid([_reach(piece) for piece in (*before, *after)], far=False)
    stacks = _stacked(before, grid), _stacked(after, grid)
    mean, low, high, factor, point = simultaneous_band(*stacks, paired=paired)
    # stretches in which the band leaves zero out: changes come in pairs, of begin and one past the end
    leaves_zero = (low > 0) | (high < 0)
    apart = np.flatnonzero(np.diff(leaves_zero, prepend=False, append=False)).reshape(-1, 2)
    return CurveDifference(
        first=name,
        second=other,
        n_first=len(before),
        n_second=len(after),
        paired=paired,
        deflection_mm=grid,
        difference_n=mean,
        low_n=low,
        high_n=high,
        factor=factor,
        point_factor=point,
        level=LEVEL,
        apart=tuple((float(grid[begin]), float(grid[end - 1])) for begin, end in apart.tolist()),
    )


def simultaneous_band(
    first: FloatArray, second: FloatArray, *, paired: bool = False, level: float = LEVEL
) -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
    """Return the difference of two groups of curves with a simultaneous band.

    Parameters
    ----------
    first, second
        One curve a row, shape (pieces, points); two rows or more, without not-a-number.
    paired
        The rows are the same pieces in the same order.
    level
        Share of all trials in which the whole true difference lies inside.

    Returns
    -------
    difference, low, high, factor, point_factor
        Each of shape (points,); the factors are half the widths over the standard error, of the whole and of
        a single point.

    Raises
    ------
    InputError
        If a group has fewer than two curves, or the shapes do not fit.
    """
    groups = [second - first] if paired and first.shape == second.shape else [first, second]
    if (paired and len(groups) > 1) or first.shape[1] != second.shape[1] or min(map(len, groups)) < 2:
        raise InputError(
            f"curves: found shapes {first.shape} and {second.shape}, "
            "expected two rows or more of equal length"
        )
    mean = second.mean(axis=0) - first.mean(axis=0)
    # Welch's standard error at each point: groups may spread differently
    se = np.sqrt(sum(group.var(axis=0, ddof=1) / len(group) for group in groups))
    spreading = se > NOTHING * float(se.max(initial=0.0))
    if not spreading.any():
        return mean, mean, mean, 0.0, 0.0
    # where nothing spreads, such as at no deflection, there is no error to studentise
    largest = _largest_errors([group[:, spreading] for group in groups])
    factor = float(np.quantile(largest, level))
    freedom = sum(len(group) - 1 for group in groups)
    return mean, mean - factor * se, mean + factor * se, factor, coverage_factor(freedom, level)


def _largest_errors(groups: Sequence[FloatArray]) -> FloatArray:
    """Return the largest studentised error along the curve of each draw, shape (DRAWS,)."""
    # the ways in which a group's curves vary, shape (ways, points): their squares add up to the covariance
    ways: list[tuple[int, FloatArray]] = []
    for group in groups:
        apart = (group - group.mean(axis=0)) / sqrt(len(group) - 1)
        # apart' apart = V S^2 V' is the covariance: S V' has its square root, without what is only rounding
        _, size, shapes = np.linalg.svd(apart, full_matrices=False)
        kept = size > NOTHING * size[0] if len(size) and size[0] > 0 else np.zeros(len(size), bool)
        ways.append((len(group), size[kept, None] * shapes[kept]))
    points = groups[0].shape[1]
    rng = np.random.default_rng(SEED)
    # as many draws at once as memory allows: the quantile does not depend on how they are parted
    held = sum(min(count, MANY_PIECES) * (points + len(way)) for count, way in ways)
    at_once = max(1, MOST_AT_ONCE // held)
    found: list[FloatArray] = []
    for begun in range(0, DRAWS, at_once):
        draws = min(at_once, DRAWS - begun)
        mean, square = np.zeros((draws, points)), np.zeros((draws, points))
        for count, way in ways:
            off, variance = _drawn(rng, draws, count, way)
            mean += off
            square += variance / count
        found.append(np.max(np.abs(mean) / np.sqrt(square), axis=1))
    return np.concatenate(found)


def _drawn(
    rng: np.random.Generator, draws: int, count: int, way: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return means and variances, shape (draws, points), of groups of `count` normal curves about zero."""
    if count <= MANY_PIECES:
        curves = rng.standard_normal((draws, count, len(way))) @ way
        return curves.mean(axis=1), curves.var(axis=1, ddof=1)
    mean = rng.standard_normal((draws, len(way))) @ way / sqrt(count)
    # Bartlett: chi variables on the diagonal, of one degree of freedom less from row to row
    triangle = np.tril(rng.standard_normal((draws, len(way), len(way))), -1)
    place = np.arange(len(way))
    triangle[:, place, place] = np.sqrt(rng.chisquare(count - 1 - place, (draws, len(way))))
    spread = triangle.transpose(0, 2, 1) @ way
    return mean, (spread * spread).sum(axis=1) / (count - 1)


def _stacked(pieces: Sequence[PieceResult], grid: FloatArray, *, unloading: bool = False) -> FloatArray:
    """Return the forces of the pieces' curves on a grid, shape (pieces, points)."""
    curves = [piece.curve for piece in pieces if piece.curve is not None]
    return np.array(
        [
            on_grid(curve.deflection_mm, curve.unloading_n if unloading else curve.loading_n, grid)
            for curve in curves
        ]
    )


def _reach(piece: PieceResult) -> tuple[float, float]:
    """Return from where to where a piece's loading is known, in mm."""
    assert piece.curve is not None
    known = piece.curve.deflection_mm[np.isfinite(piece.curve.loading_n)]
    return (float(known[0]), float(known[-1])) if len(known) else (0.0, 0.0)


def _grid(reaches: Sequence[tuple[float, float]], *, far: bool) -> FloatArray:
    """Return the deflections where curves are compared: of all pieces, or as far as the farthest."""
    begins, ends = zip(*reaches, strict=True)
    begin, end = (min(begins), max(ends)) if far else (max(begins), min(ends))
    return np.linspace(begin, end, GRID_POINTS)


def _moments(forces: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean and standard deviation at each point over the pieces that were pressed so far."""
    known = np.isfinite(forces)
    count = known.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, forces, 0.0).sum(axis=0) / count
        away = np.where(known, forces - mean, 0.0)
        sd = np.sqrt((away**2).sum(axis=0) / np.where(count > 1, count - 1, np.nan))
    return mean, sd
