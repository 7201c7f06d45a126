"""One batch: how its pieces lie, how well that is known, and the sources of variation.

Problem: cycles of one piece agree far better than pieces do, so a batch judged by its cycles looks much
better known than it is. Plan: pieces are the unit, and captures of one piece are averaged first; the
calibration's part of the uncertainty is the same in all pieces and is joined at the end, undivided. Odd
pieces are flagged and stay in. Cost: some quantiles for each quantity.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np
import scipy

from rig.core import finite
from rig.core.measured import LEVEL, combined, coverage_factor
from rig.errors import InputError
from rig.population.estimates import estimated, mean_of
from rig.population.gauge import GaugeResult
from rig.population.outliers import outlying
from rig.population.pieces import PieceResult, average_pieces, shared_freedom_of, shared_u_of
from rig.population.spread import SpreadSplit, split_spread
from rig.population.tolerance import CONFIDENCE, CONTENT, tolerance_factor

ODD_P = 0.05
"""Values that are normal give a smaller p of the Shapiro test this seldom."""

MOST_NORMAL = 5000
"""Largest number of values for which the Shapiro test is tabulated."""

MOST_PIECES = 100_000
"""More pieces than anybody presses."""

CALIBRATION = "calibration"

ONE_PIECE = "One piece does not show the spread between pieces: there is no interval and no tolerance."


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFigures:
    """One quantity of one batch; what cannot be had is None, and a note says why.

    `names`, `values`: of the pieces that have it, shape (n,).
    `mean`, `sd`, `cv_pct`: over the pieces.
    `u`, `low`, `high`: standard uncertainty of the mean and its interval, the calibration's part in both.
    `shared_u`, `shared_freedom`: the calibration's part of the uncertainty of the mean, and its degrees of
    freedom; None where they have no limit.
    `freedom`: effective degrees of freedom of `u`; None where they have no limit.
    `content_pct`, `confidence_pct`, `factor`, `tolerance_low`, `tolerance_high`: the interval that holds this
    many per cent of all pieces with so much confidence.
    `normal_p`: of the Shapiro test.
    `outliers`: names of pieces that stand too far off, the farthest first; all are in the mean.
    `pieces_needed`, `wanted`: this many pieces in all would give an interval of the half width `wanted`.
    """

    quantity: str
    names: tuple[str, ...]
    values: tuple[float, ...]
    mean: float
    sd: float | None = None
    cv_pct: float | None = None
    u: float | None = None
    low: float | None = None
    high: float | None = None
    shared_u: float = 0.0
    shared_freedom: float | None = None
    freedom: float | None = None
    level: float = LEVEL
    content_pct: float = 100 * CONTENT
    confidence_pct: float = 100 * CONFIDENCE
    factor: float | None = None
    tolerance_low: float | None = None
    tolerance_high: float | None = None
    normal_p: float | None = None
    outliers: tuple[str, ...] = ()
    spread: SpreadSplit | None = None
    pieces_needed: int | None = None
    wanted: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def most_from(self) -> float | None:
        """Lower end of the tolerance interval, not below zero where no piece is."""
        if self.tolerance_low is None:
            return None
        return max(self.tolerance_low, 0.0) if min(self.values) >= 0 else self.tolerance_low

    @property
    def n(self) -> int:
        """Pieces, not captures and not cycles."""
        return len(self.values)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return {"n": self.n} | asdict(self)


def batch_figures(
    results: Sequence[PieceResult],
    quantity: str,
    *,
    level: float = LEVEL,
    content: float = CONTENT,
    confidence: float = CONFIDENCE,
    gauge: GaugeResult | None = None,
    wanted: float | None = None,
) -> BatchFigures:
    """Return the figures of one quantity of one batch.

    Parameters
    ----------
    results
        Of the batch, one a capture; captures of one piece are averaged.
    content, confidence
        Of the tolerance interval.
    gauge
        A study of the rig for this quantity; else the rig's part comes from the stated uncertainties.
    wanted
        Half width of the interval that one would like.

    Raises
    ------
    InputError
        If no piece has the quantity.

    Notes
    -----
    That the pieces are equal in their circumstances is for `pooled_although` to see to.
    """
    pieces = having(results, quantity)
    values, names = np.array([piece.values[quantity] for piece in pieces]), [piece.piece for piece in pieces]
    shared_u, shared_freedom = shared_of_mean(pieces, quantity)
    about: dict[str, Any] = {
        "quantity": quantity,
        "names": tuple(names),
        "values": tuple(values.tolist()),
        "mean": float(values.mean()),
        "shared_u": shared_u,
        "shared_freedom": finite(shared_freedom),
        "level": level,
        "content_pct": 100 * content,
        "confidence_pct": 100 * confidence,
        "wanted": wanted,
    }
    if len(values) < 2:
        return BatchFigures(**about, notes=(ONE_PIECE,))
    # the interval of the mean is Student's, wider for few pieces; the calibration's part is not divided
    estimate, sd = mean_of(values, shared_u, shared_freedom), float(values.std(ddof=1))
    low, high = estimate.interval(level)
    # of single pieces, not of their mean: exact for normal values
    factor = tolerance_factor(len(values), content, confidence)
    spreads = bool(np.ptp(values) > 0)
    # flagged, never dropped: a mean without them is no mean of this batch
    odd = [names[place] for place in outlying(values)] if spreads else []
    p = float(scipy.stats.shapiro(values).pvalue) if spreads and 3 <= len(values) <= MOST_NORMAL else None
    needed = (
        None
        if wanted is None
        else pieces_needed(sd, wanted, level=level, shared_u=shared_u, shared_freedom=shared_freedom)
    )
    said = _notes(odd, p, spreads=spreads)
    if wanted is not None and needed is None:
        said.append(
            "More pieces cannot reach the wanted half width; the calibration's uncertainty is larger."
            if coverage_factor(shared_freedom, level) * shared_u >= wanted
            else f"Not even {MOST_PIECES} pieces reach the wanted half width."
        )
    return BatchFigures(
        **about,
        sd=sd,
        cv_pct=100 * sd / abs(estimate.value) if bool((values > 0).all() or (values < 0).all()) else None,
        u=estimate.u,
        freedom=finite(estimate.effective_freedom),
        low=low,
        high=high,
        factor=factor,
        tolerance_low=estimate.value - factor * sd,
        tolerance_high=estimate.value + factor * sd,
        normal_p=p,
        outliers=tuple(odd),
        spread=split_spread(results, quantity, gauge),
        pieces_needed=needed,
        notes=tuple(said),
    )


def having(results: Sequence[PieceResult], quantity: str) -> tuple[PieceResult, ...]:
    """Return the pieces that have a quantity, captures averaged.

    Raises InputError if there is none.
    """
    pieces = tuple(
        piece for piece in average_pieces(results) if isfinite(piece.values.get(quantity, float("nan")))
    )
    if not pieces:
        found = ", ".join(dict.fromkeys(name for result in results for name in result.values)) or "none"
        raise InputError(f"quantity {quantity!r:.60}: no piece has it; found {found:.400}")
    return pieces


def shared_of_mean(pieces: Sequence[PieceResult], quantity: str) -> tuple[float, float]:
    """Return the calibration's part in the mean of pieces, not divided by their number unless they were read
    with different calibrations, and its degrees of freedom.

    Calibrations are independent of each other and join after Welch and Satterthwaite; of one, the fewest
    degrees of freedom among its pieces count.
    """
    by_calibration: dict[str, list[PieceResult]] = {}
    for piece in pieces:
        by_calibration.setdefault(piece.circumstances.get(CALIBRATION, ""), []).append(piece)
    return combined(
        (
            sum(shared_u_of(piece, quantity) for piece in read) / len(pieces),
            min(shared_freedom_of(piece, quantity) for piece in read),
        )
        for read in by_calibration.values()
    )


def pieces_needed(
    sd: float,
    half_width: float,
    *,
    level: float = LEVEL,
    shared_u: float = 0.0,
    shared_freedom: float = inf,
) -> int | None:
    """Return the pieces whose mean has an interval of the wanted half width, if they spread as these did.

    Returns
    -------
    None where no number of pieces up to `MOST_PIECES` reaches it, as where the calibration alone leaves more.

    Raises
    ------
    InputError
        If the half width is not above zero.
    """
    if not half_width > 0:
        raise InputError(f"half width: found {half_width}, expected more than zero")

    def half(count: int) -> float:
        return estimated(0.0, sd / sqrt(count), count - 1, shared_u, shared_freedom).reach(level)

    if coverage_factor(shared_freedom, level) * shared_u >= half_width or half(MOST_PIECES) > half_width:
        return None
    # more pieces never widen the interval: bisection for the first number that is enough
    return bisect_left(range(MOST_PIECES), True, lo=2, key=lambda count: half(count) <= half_width)


def _notes(odd: Sequence[str], p: float | None, *, spreads: bool) -> list[str]:
    said = []
    if not spreads:
        said.append("All pieces read the same: the resolution is too coarse to show their spread.")
    if odd:
        said.append(f"Outlier: {', '.join(odd)}. Check it; it is included in all figures.")
    if p is not None and p < ODD_P:
        said.append(
            f"The pieces are not normally distributed (Shapiro test, p = {p:.2g}): the tolerance interval "
            "is not reliable; the interval of the mean nearly is."
        )
    return said
