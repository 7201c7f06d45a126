"""How firmly pressed-on caps hold, over repeated pulls and over pieces.

Problem: a cap that is pulled off and pressed on again holds less each time, and pieces differ; pulls of one
piece taken as pieces would make the answer look far surer than it is. Plan: the first pull of each piece is
what a new piece does; the trend over pulls is a straight line of the logarithm of the peak, one for each
piece; both are then averaged over pieces, with intervals. Captures of one piece follow each other. Cost: a
line for each piece.

References
----------
JCGM 100:2008 (GUM), for how the calibration's part is kept (recalled).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from math import exp, isfinite
from typing import Any

import numpy as np

from rig.aids.formula import COMMON_PRACTICE, Formula
from rig.core import finite
from rig.core.measured import line_slope
from rig.errors import InputError
from rig.population import BatchFigures, PieceResult, batch_figures, known_quantities, pooled_although
from rig.samples import FloatArray

FORMULAS = (
    Formula(
        "peak pull-off force",
        "largest pull of each pull, from the force zero of the unloaded stretches around it",
        COMMON_PRACTICE,
        "at the pulling speed of the method; plastics hold more in faster pulls",
    ),
    Formula(
        "force at first slip",
        "pull at which the cap has moved by the stated offset beyond the straight line of its first give",
        "like the offset of a proof strength (ISO 6892-1, recalled)",
        "cap and clamps must deform linearly before the slip; a smaller offset needs less noise",
    ),
    Formula(
        "change per pull",
        "ln(peak) = a + b n, n the number of the pull, by least squares; change = 100 (e^b - 1) per cent",
        COMMON_PRACTICE,
        "a cap that wears fast and then settles does not follow a straight line; look at the plot",
    ),
)

FEWEST_FOR_TREND = 3

COLUMNS = ("peak_n", "slip_n", "slip_mm", "travel_mm", "work_mj")
"""Of each pull; each with its standard uncertainty, without the calibration's part, under `_u`."""

FIRST = ("first_peak_pull_n", "first_slip_pull_n", "slip_before_peak_mm", "travel_off_mm", "pull_work_mj")
"""Of the first pull, in the order of `COLUMNS`."""

QUANTITIES = (FIRST[0], "mean_peak_pull_n", *FIRST[1:], "change_per_pull_pct")


@dataclass(frozen=True, slots=True)
class PulledPiece:
    """Pulls of one capture of one piece, in order.

    `result`: who, which batch, and the circumstances; its values are not looked at.
    `columns`: arrays of shape (n,) by the names of `COLUMNS` and of their uncertainties, above zero;
    not-a-number where not found: peak pull-off force, force at first slip, slip from its beginning to the
    peak, travel from there until the cap was off, work of the pull.
    `relative_shared_u`: relative standard uncertainty of each column from the calibration, the same in all
    pulls.
    """

    result: PieceResult
    columns: Mapping[str, FloatArray]
    relative_shared_u: Mapping[str, float] = field(default_factory=dict)

    @property
    def peak_n(self) -> FloatArray:
        """Peak pull-off forces."""
        return self.columns["peak_n"]

    @property
    def slip_n(self) -> FloatArray:
        """Forces at first slip."""
        return self.columns["slip_n"]

    def u_of(self, name: str) -> FloatArray:
        """Return the standard uncertainties of a column, the calibration's part included."""
        shared = self.relative_shared_u.get(name, 0.0) * self.columns[name]
        u: FloatArray = np.hypot(self.columns[f"{name}_u"], shared)
        return u


@dataclass(frozen=True, slots=True)
class PullTrend:
    """How the peak changes on one piece, in per cent per pull; `low` and `high` end its 95 % interval, and
    are None with fewer than three pulls."""

    change_pct: float
    low: float | None
    high: float | None
    pulls: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionAnswer:
    """How firmly caps hold.

    `figures`: over pieces, by the names of `QUANTITIES`.
    """

    figures: Mapping[str, BatchFigures]
    by_batch: Mapping[str, BatchFigures]
    trends: Mapping[str, PullTrend]
    pieces: tuple[PulledPiece, ...]
    formulas: tuple[Formula, ...] = FORMULAS
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return {
            "figures": {name: figure.as_dict() for name, figure in self.figures.items()},
            "by_batch": {name: figure.as_dict() for name, figure in self.by_batch.items()},
            "trends": {name: asdict(trend) for name, trend in self.trends.items()},
            "pulls": [row for piece in self.pieces for row in _rows(piece)],
            "formulas": [formula.as_dict() for formula in self.formulas],
            "notes": list(self.notes),
        }


def answer_pull(pieces: Sequence[PulledPiece], although: Sequence[str] = ()) -> RetentionAnswer:
    """Put pulls of pieces together.

    Parameters
    ----------
    pieces
        One a capture, in order of time.

    Raises
    ------
    InputError
        If no pull of a piece has a peak, or pieces were measured under different conditions.
    """
    if not pieces:
        raise InputError("pull: found no capture, expected at least one with a pull")
    said = pooled_although([piece.result for piece in pieces], "batch", although)
    for piece in pieces:
        if not np.isfinite(piece.peak_n).any():
            raise InputError(
                f"pull: capture {piece.result.capture}: found no pull with a peak that counts, expected a "
                "force below zero where a cap is pulled off; check the sign of the force, and that the "
                "cap was held"
            )
    # one per piece: the pulls of its later captures come after those of its earlier ones
    gathered: dict[tuple[str | None, str], list[PulledPiece]] = {}
    for piece in pieces:
        gathered.setdefault((piece.result.batch, piece.result.piece), []).append(piece)
    followed = tuple(same[0] if len(same) == 1 else _joined(same) for same in gathered.values())
    trends = {
        piece.result.capture: trend for piece in followed if (trend := pull_trend(piece.peak_n)) is not None
    }
    read = [_as_quantities(piece, trends.get(piece.result.capture)) for piece in followed]
    batches: dict[str, list[PieceResult]] = {}
    for result in read:
        batches.setdefault(result.batch or "no batch", []).append(result)
    return RetentionAnswer(
        figures={name: batch_figures(read, name) for name in QUANTITIES if name in known_quantities(read)},
        by_batch={
            batch: batch_figures(group, QUANTITIES[0])
            for batch, group in batches.items()
            if QUANTITIES[0] in known_quantities(group)
        },
        trends=trends,
        pieces=followed,
        notes=(*_notes(followed, trends), *said),
    )


def _joined(pieces: Sequence[PulledPiece]) -> PulledPiece:
    """Return the pulls of several captures of one piece, one after the other."""
    names = dict.fromkeys(name for piece in pieces for name in piece.relative_shared_u)
    return PulledPiece(
        replace(pieces[0].result, capture=", ".join(piece.result.capture for piece in pieces)),
        {name: np.concatenate([piece.columns[name] for piece in pieces]) for name in pieces[0].columns},
        # of captures read with calibrations of their own no more than the worst is known together
        {name: max(piece.relative_shared_u.get(name, 0.0) for piece in pieces) for name in names},
    )


def pull_trend(peak_n: FloatArray) -> PullTrend | None:
    """Return the change of the peak from pull to pull; None with one pull.

    Parameters
    ----------
    peak_n
        In order, shape (n,); not-a-number where a pull had none.

    Examples
    --------
    >>> round(pull_trend(np.array([20.0, 18.0, 16.2])).change_pct, 6)  # each 0.9 of the one before
    -10.0
    """
    at = np.flatnonzero(np.isfinite(peak_n) & (np.nan_to_num(peak_n) > 0))
    if len(at) < 2:
        return None
    # ln(peak) over the number of the pull, missing ones counted: a constant share is lost per pull
    slope = line_slope(at.astype(np.float64), np.log(peak_n[at]))
    change = 100 * (exp(slope.value) - 1)
    if len(at) < FEWEST_FOR_TREND:
        return PullTrend(change, None, None, len(at))
    low, high = (100 * (exp(end) - 1) for end in slope.interval())
    return PullTrend(change, low, high, len(at))


def _as_quantities(piece: PulledPiece, trend: PullTrend | None) -> PieceResult:
    """Return the pulls of one piece as its quantities, so that they are averaged over pieces like others."""
    peak_n, peak_u = piece.peak_n, piece.columns["peak_n_u"]
    known = np.isfinite(peak_n)
    # pulls scatter independently, so that their mean is known better; their calibration is one
    mean_n = float(peak_n[known].mean())
    # u of a mean of independent pulls
    mean_u = float(np.sqrt(np.sum(peak_u[known] ** 2))) / int(known.sum())
    figures = {
        "mean_peak_pull_n": (mean_n, mean_u, piece.relative_shared_u.get("peak_n", 0.0)),
        "change_per_pull_pct": (float("nan") if trend is None else trend.change_pct, 0.0, 0.0),
    } | {
        quantity: (
            float(piece.columns[name][0]),
            float(piece.columns[f"{name}_u"][0]),
            piece.relative_shared_u.get(name, 0.0),
        )
        for quantity, name in zip(FIRST, COLUMNS, strict=True)
    }
    values = {name: value for name, (value, _, _) in figures.items()}
    shared = {name: relative * abs(value) for name, (value, _, relative) in figures.items()}
    u = {name: float(np.hypot(own, shared[name])) for name, (_, own, _) in figures.items()}
    return replace(piece.result, values=values, u=u, u_shared=shared, curve=None)


def _rows(piece: PulledPiece) -> list[dict[str, Any]]:
    columns = {name: (piece.columns[name], piece.u_of(name)) for name in COLUMNS}
    return [
        {
            "piece": piece.result.piece,
            "batch": piece.result.batch,
            "capture": piece.result.capture,
            "pull": place + 1,
        }
        | {name: finite(values[place]) for name, (values, _) in columns.items()}
        | {f"{name}_u": finite(u[place]) for name, (_, u) in columns.items()}
        for place in range(len(piece.peak_n))
    ]


def _notes(pieces: Sequence[PulledPiece], trends: Mapping[str, PullTrend]) -> list[str]:
    said = ["The unit is the piece: pulls of one piece are averaged."]
    said += [
        f"The first pull of {piece.result.piece} does not count, so {piece.result.piece} is left out of "
        "figures for first pulls."
        for piece in pieces
        if not isfinite(piece.peak_n[0])
    ]
    said += [
        f"Captures of {piece.result.piece} follow each other: its first pull is that of the first capture."
        for piece in pieces
        if ", " in piece.result.capture
    ]
    counts = sorted({len(piece.peak_n) for piece in pieces})
    if len(counts) > 1:
        said.append(
            f"Pieces were pulled {counts[0]} to {counts[-1]} times: do not compare means over all pulls."
        )
    if len(pieces) < 2:
        said.append("One piece does not show the spread: the next one may hold much more or less.")
    if trends:
        falling = [name for name, trend in trends.items() if trend.high is not None and trend.high < 0]
        if falling:
            said.append(
                f"It holds less from pull to pull, more than by chance, in {len(falling)} of {len(trends)}."
            )
    else:
        said.append("One pull per piece does not show wear.")
    return said
