"""One piece's result from one capture: what every statistic of pieces starts from.

Problem: a capture holds many cycles of one piece. Taken as if each were a piece of its own they make any
batch look far better known than it is. Plan: a value that holds the means of one capture only, so that single
cycles cannot come this far; captures of the same piece are averaged before pieces are judged.
Cost: one small object a capture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf, isfinite, sqrt

import numpy as np

from rig.samples import FloatArray

NEW, CONDITIONED, ABUSED, WORN = "new", "conditioned", "abused", "worn"

STATES = (NEW, CONDITIONED, ABUSED, WORN)
"""What a piece may have been through."""

UNSTATED = "not stated"
"""Value of a state, or of another circumstance of a capture, that was not given."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Force against deflection of one piece: the mean of its counted cycles on a common grid.

    `deflection_mm`: rising, shape (n,).
    `loading_n`, `unloading_n`: shape (n,); not-a-number where the piece was not pressed so far.
    """

    deflection_mm: FloatArray
    loading_n: FloatArray
    unloading_n: FloatArray


@dataclass(frozen=True, slots=True)
class PieceResult:
    """What one capture says of one piece.

    `batch`: name of its batch; None if not stated.
    `state`: one of `STATES`, or `UNSTATED`.
    `values`: means over the counted cycles, by the name of the quantity, which ends in its unit.
    `u`: standard uncertainty of each mean, the calibration's part in it.
    `u_shared`: part of `u` that comes from the calibration: the same in all captures read with one
    calibration.
    `circumstances`: plain words for all that must be equal before results may be pooled: method, rate,
    temperature, humidity, orientation, area, platen, calibration, contact force, conditioning, datum.
    `curve`: the mean curve, where the capture has one.
    `freedom`: degrees of freedom of `u_shared`; of a quantity that is not in it they have no limit.
    """

    piece: str
    batch: str | None
    state: str
    capture: str
    values: Mapping[str, float]
    u: Mapping[str, float]
    u_shared: Mapping[str, float]
    circumstances: Mapping[str, str]
    curve: Curve | None
    freedom: Mapping[str, float] = field(default_factory=dict)


def state_rank(state: str) -> int:
    """Return the place of a state in the order of use: unstated, new, conditioned, abused, worn."""
    return STATES.index(state) + 1 if state in STATES else 0


def known_quantities(results: Sequence[PieceResult]) -> list[str]:
    """Return the names of quantities of which a result has a number, in the order in which they appear."""
    known = {name for result in results for name, value in result.values.items() if isfinite(value)}
    return [
        name for name in dict.fromkeys(name for result in results for name in result.values) if name in known
    ]


def average_pieces(results: Sequence[PieceResult]) -> tuple[PieceResult, ...]:
    """Return one result a piece: captures of the same piece are averaged, as they are no pieces of their own.

    Returns
    -------
    In the order in which the pieces first appear. A piece is known by its name and its batch. What is random
    in each capture becomes better with their number; the calibration's part does not.
    """
    gathered: dict[tuple[str | None, str], list[PieceResult]] = {}
    for result in results:
        gathered.setdefault((result.batch, result.piece), []).append(result)
    return tuple(same[0] if len(same) == 1 else _averaged(same) for same in gathered.values())


def repeats_of(results: Sequence[PieceResult], quantity: str) -> list[FloatArray]:
    """Return the values of each piece's captures, one array a piece, as the pieces first appear."""
    gathered: dict[tuple[str | None, str], list[float]] = {}
    for result in results:
        if np.isfinite(value := result.values.get(quantity, np.nan)):
            gathered.setdefault((result.batch, result.piece), []).append(value)
    return [np.array(column) for column in gathered.values()]


def _averaged(captures: Sequence[PieceResult]) -> PieceResult:
    """Return the mean of captures of one piece; what not all of them have is averaged over those that do."""
    values, u, u_shared, freedom = {}, {}, {}, {}
    for name in dict.fromkeys(name for capture in captures for name in capture.values):
        having = [capture for capture in captures if np.isfinite(capture.values.get(name, np.nan))]
        if not having:
            values[name] = u[name] = u_shared[name] = np.nan
            continue
        values[name] = float(np.mean([result.values[name] for result in having]))
        u_shared[name] = float(np.mean([shared_u_of(result, name) for result in having]))
        # what is random becomes smaller with their number, the calibration's part does not
        random2 = sum(random_u_of(result, name) ** 2 for result in having) / len(having) ** 2
        u[name] = sqrt(random2 + u_shared[name] ** 2)
        # one calibration, read several times: its part is worth no more for that
        freedom[name] = min(shared_freedom_of(result, name) for result in having)
    curve = mean_curve_of([capture.curve for capture in captures if capture.curve is not None])
    name = ", ".join(capture.capture for capture in captures)
    return replace(
        captures[0], capture=name, values=values, u=u, u_shared=u_shared, curve=curve, freedom=freedom
    )


def shared_u_of(result: PieceResult, quantity: str) -> float:
    """Return the calibration's part; nothing where it is not known."""
    return float(np.nan_to_num(result.u_shared.get(quantity, 0.0)))


def relative_shared_u_of(result: PieceResult, quantity: str) -> float:
    """Return the calibration's part over the value; nothing where one of them is not known."""
    value = float(np.nan_to_num(result.values.get(quantity, 0.0)))
    return abs(shared_u_of(result, quantity) / value) if value else 0.0


def shared_freedom_of(result: PieceResult, quantity: str) -> float:
    """Return the degrees of freedom of the calibration's part; without a limit where none is known."""
    found = result.freedom.get(quantity, inf)
    return found if found > 0 else inf


def random_u_of(result: PieceResult, quantity: str) -> float:
    """Return what is not the calibration's."""
    u = float(np.nan_to_num(result.u.get(quantity, 0.0)))
    return sqrt(max(u**2 - shared_u_of(result, quantity) ** 2, 0.0))


def mean_curve_of(curves: Sequence[Curve]) -> Curve | None:
    """Return the mean of some curves of one piece as far as all of them go; None without a curve.

    The first one's grid is kept.
    """
    if not curves:
        return None
    grid = curves[0].deflection_mm
    unloading = [on_grid(curve.deflection_mm, curve.unloading_n, grid) for curve in curves]
    # presses of one way have no unloading: the others give its mean
    recorded = [curve for curve in unloading if np.isfinite(curve).any()]
    return Curve(
        grid,
        np.mean([on_grid(curve.deflection_mm, curve.loading_n, grid) for curve in curves], axis=0),
        np.mean(recorded or unloading, axis=0),
    )


def on_grid(deflection_mm: FloatArray, force_n: FloatArray, grid_mm: FloatArray) -> FloatArray:
    """Return the force of a curve at other deflections; not-a-number beyond the curve."""
    known = np.isfinite(force_n)
    if known.sum() < 2:
        return np.full(len(grid_mm), np.nan)
    read: FloatArray = np.interp(grid_mm, deflection_mm[known], force_n[known], left=np.nan, right=np.nan)
    return read
