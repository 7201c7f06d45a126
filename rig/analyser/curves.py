"""Readings off a stroke: force at a depth, and the knee.

Both work on nodes ordered from contact to the deep end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.ragged import BoolArray, LocalFit, Nodes, polynomial_at
from rig.samples import FloatArray, IntArray

READING_NODES = 7
"""A force at a depth comes from a curve through this many nodes around it."""

FINE_NODES = 40
"""Fewer nodes resolve neither a curve around a reading nor a tangent along the stroke."""

KNEE_REACH = 3
KNEE_NODES = 2 * KNEE_REACH + 1
KNEE_MARGIN = 0.05
KNEE_SIGNIFICANCE = 3.0


def force_at(
    nodes: Nodes,
    depth_mm: FloatArray,
    noise_at: Callable[[FloatArray], FloatArray],
    correlated: FloatArray,
) -> LocalFit:
    """Force and slope at positions of each row.

    Parameters
    ----------
    depth_mm
        Positions, shape (rows, k).
    noise_at
        Standard deviation of single samples about the stroke, at loads of shape (rows, k).
    correlated
        Consecutive samples that are worth one independent reading, shape (rows,).

    Returns
    -------
    Columns of shape (rows, k); not-a-number where the stroke does not reach that far.

    Notes
    -----
    Strokes of few samples are read between two nodes, so that a curve through far ones cannot bend the
    reading.
    """
    lengths = nodes.lengths
    x_mm = np.where(nodes.real, nodes.x_mm, np.inf)
    below = np.stack([np.count_nonzero(x_mm < each[:, None], axis=1) for each in depth_mm.T], axis=1)
    nearest = np.minimum(below, np.maximum(lengths - 1, 0)[:, None])
    noise_n = noise_at(np.take_along_axis(nodes.force_n, nearest, axis=1))
    fit = _between_nodes(nodes, below, depth_mm, noise_n, correlated)
    fine = np.flatnonzero(lengths >= FINE_NODES)
    if len(fine):
        fit = fit.replaced(
            fine, _through_nodes(nodes, below, depth_mm, noise_n, rows=fine, correlated=correlated)
        )
    # a reading within half a node of the end is still on the stroke
    shallow = nodes.x_mm[:, :1]
    deep = np.take_along_axis(nodes.x_mm, np.maximum(lengths - 1, 0)[:, None], axis=1)
    margin = (deep - shallow) / np.maximum(2 * (lengths - 1), 1)[:, None]
    reached = (lengths >= 2)[:, None] & (depth_mm >= shallow - margin) & (depth_mm <= deep + margin)
    return fit.only(reached)


def _between_nodes(
    nodes: Nodes, below: IntArray, depth_mm: FloatArray, noise_n: FloatArray, correlated: FloatArray
) -> LocalFit:
    """Straight between the two nodes on either side, with the doubt of how the curve bends between them."""
    right = np.clip(below, 1, np.maximum(nodes.lengths - 1, 1)[:, None])
    right = np.minimum(right, nodes.x_mm.shape[1] - 1)
    left = np.maximum(right - 1, 0)
    x_left, x_right = (np.take_along_axis(nodes.x_mm, side, axis=1) for side in (left, right))
    f_left, f_right = (np.take_along_axis(nodes.force_n, side, axis=1) for side in (left, right))
    left_u, right_u = (
        noise_n * np.sqrt(np.minimum(correlated[:, None], each) / each)
        for each in (np.maximum(np.take_along_axis(nodes.count, side, axis=1), 1) for side in (left, right))
    )
    run = np.where(x_right != x_left, x_right - x_left, np.nan)
    with np.errstate(invalid="ignore"):
        share = (depth_mm - x_left) / run
        value = f_left + share * (f_right - f_left)
        value_u = np.hypot((1 - share) * left_u, share * right_u)
        bent_n, bent_u = _bent_n(nodes, left, right, share)
        value, value_u = value + bent_n, np.hypot(value_u, bent_u)
    slope_u = np.hypot(left_u, right_u) / np.abs(run)
    return LocalFit(value, value_u, (f_right - f_left) / run, slope_u, np.zeros_like(value))


def _bent_n(
    nodes: Nodes, left: IntArray, right: IntArray, share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far a curve lies above the straight line between two nodes, and its standard uncertainty.

    From how the slope changes to the stretches on both sides: a curve that bends evenly lies off by half of
    its second difference times s (1 - s). The smaller change of both is taken where they agree in sign, so
    that a kink or noise on one side bends nothing.
    """
    last = np.maximum(nodes.lengths - 1, 0)[:, None]

    def slope(start: IntArray, stop: IntArray) -> FloatArray:
        x, f = (
            np.take_along_axis(table, stop, axis=1) - np.take_along_axis(table, start, axis=1)
            for table in (nodes.x_mm, nodes.force_n)
        )
        slopes: FloatArray = np.where(x != 0, f / np.where(x != 0, x, 1.0), np.nan)
        return slopes

    middle = slope(left, right)
    before = np.nan_to_num(middle - slope(np.maximum(left - 1, 0), left))
    after = np.nan_to_num(slope(right, np.minimum(right + 1, last)) - middle)
    agreed = np.where(before * after > 0, np.sign(before) * np.minimum(np.abs(before), np.abs(after)), 0.0)
    run = np.abs(np.take_along_axis(nodes.x_mm, right, axis=1) - np.take_along_axis(nodes.x_mm, left, axis=1))
    inside = np.clip(share, 0.0, 1.0)
    lever = run * inside * (1 - inside) / 2
    # half of the largest change is what a kink between the nodes can be off by
    return -agreed * lever, np.fmax(np.abs(before), np.abs(after)) * lever / 2


def _through_nodes(
    nodes: Nodes,
    below: IntArray,
    depth_mm: FloatArray,
    noise_n: FloatArray,
    *,
    rows: IntArray,
    correlated: FloatArray,
) -> LocalFit:
    """A curve through the nodes around, for some of the rows; their depths stand one after another."""
    depths = depth_mm.shape[1]
    first = np.clip(below[rows] - READING_NODES // 2, 0, (nodes.lengths[rows] - READING_NODES)[:, None])
    row = np.repeat(rows, depths)[:, None]
    index = first.ravel()[:, None] + np.arange(READING_NODES)
    around = Nodes.of(nodes.x_mm[row, index], nodes.force_n[row, index], nodes.count[row, index])
    centre = depth_mm[rows].ravel()
    known = np.isfinite(centre)
    fit = polynomial_at(
        around,
        around.real,
        np.where(known, centre, 0.0),
        noise_n[rows].ravel(),
        2,
        correlated=correlated[row[:, 0]],
    )
    return LocalFit(*(each.reshape(len(rows), depths) for each in fit.columns()))


@dataclass(frozen=True, slots=True)
class Knee:
    """Where the tangent stiffness of loading falls off; not-a-number where it does not.

    Parameters
    ----------
    deflection_mm, deflection_u_mm, force_n, force_u_n
        The knee, shape (rows,).
    negative_mm, negative_u_mm
        Deflection at which the tangent turns negative.
    resolved
        Whether the stroke has nodes enough to tell.
    """

    deflection_mm: FloatArray
    deflection_u_mm: FloatArray
    force_n: FloatArray
    force_u_n: FloatArray
    negative_mm: FloatArray
    negative_u_mm: FloatArray
    resolved: BoolArray


def knee(nodes: Nodes, contact_mm: FloatArray, peak_mm: FloatArray, noise_n: FloatArray, drop: float) -> Knee:
    """Find the knee of loading strokes.

    Notes
    -----
    1. Take the tangent at every node by a straight line through the nodes within `KNEE_REACH` of it.
    2. The knee is the first node at which it lies below `drop` times the largest tangent before it, by
       `KNEE_SIGNIFICANCE` standard uncertainties, there and at the next node that shares no sample with
       it; likewise for negative tangents.
    3. From there it is traced back to where the tangent crossed that level, between two nodes: noise puts the
       proof off, not the knee.
    4. Its uncertainty is what the tangents' noise moves that crossing by, and that of a value somewhere
       within the middle half of a tangent's nodes: half their span over the square root of 12.
    """
    rows = np.arange(len(contact_mm))
    resolved = (nodes.lengths >= FINE_NODES) & np.isfinite(contact_mm)
    nothing = np.full(len(rows), np.nan)
    if not resolved.any():
        return Knee(nothing, nothing, nothing, nothing, nothing, nothing, resolved)
    x_mm = nodes.x_mm - np.nan_to_num(contact_mm)[:, None]
    fit, span_mm = _tangents(Nodes.of(x_mm, nodes.force_n, nodes.count), noise_n)
    # the foot, whose slope is still rising, and the turn are no part of it
    depth_mm = peak_mm - contact_mm
    inside = nodes.real & (x_mm > KNEE_MARGIN * depth_mm[:, None]) & np.isfinite(fit.slope)
    slope = np.where(inside, fit.slope, np.nan)
    steepest = np.fmax.accumulate(slope, axis=1)
    margin = KNEE_SIGNIFICANCE * fit.slope_u
    with np.errstate(invalid="ignore"):
        at_knee, has_knee = _first_pair(slope + margin < drop * steepest)
        at_negative, has_negative = _first_pair(slope + margin < 0)
    force_n, force_u = fit.value, fit.value_u
    level = drop * steepest[rows, at_knee]
    # of the steepest of many tangents, the noise is in the level too
    level_u = drop * fit.slope_u[rows, at_knee]
    tables = (x_mm, slope, fit.slope_u, span_mm, force_n, force_u)
    knee_mm, knee_u, knee_n, knee_n_u = _crossing(tables, at_knee, level, level_u)
    falls_mm, falls_u, _, _ = _crossing(tables, at_negative, np.zeros_like(level), np.zeros_like(level))

    def where(which: BoolArray, values: FloatArray) -> FloatArray:
        return np.where(which & resolved, values, np.nan)

    return Knee(
        where(has_knee, knee_mm),
        where(has_knee, knee_u),
        where(has_knee, knee_n),
        where(has_knee, knee_n_u),
        where(has_negative, falls_mm),
        where(has_negative, falls_u),
        resolved,
    )


def _crossing(
    tables: tuple[FloatArray, ...], known: IntArray, level: FloatArray, level_u: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Where tangents fell below a level before the node at which that is beyond doubt, and the force there,
    each with its standard uncertainty.

    Parameters
    ----------
    tables
        Positions, tangents and their uncertainties, spans of the tangents, forces and their uncertainties.
    """
    x_mm, slope, slope_u, span_mm, force_n, force_u = tables
    rows, columns = np.arange(len(x_mm)), np.arange(x_mm.shape[1])
    with np.errstate(invalid="ignore"):
        above = (slope >= level[:, None]) & (columns < known[:, None])
    before = np.maximum(np.where(above, columns, -1).max(axis=1), 0)
    after = np.minimum(before + 1, x_mm.shape[1] - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (slope[rows, before] - level) / (slope[rows, before] - slope[rows, after])
        share = np.clip(np.nan_to_num(share), 0.0, 1.0)
        run_mm = x_mm[rows, after] - x_mm[rows, before]
        place_mm = x_mm[rows, before] + share * run_mm
        # how fast the tangent falls there says what its noise moves: over a stretch beyond a tangent's own
        near = np.maximum(before - KNEE_REACH, 0)
        far = np.minimum(after + KNEE_REACH, x_mm.shape[1] - 1)
        near = np.where(np.isfinite(slope[rows, near]), near, before)
        far = np.where(np.isfinite(slope[rows, far]), far, after)
        fall = (slope[rows, near] - slope[rows, far]) / (x_mm[rows, far] - x_mm[rows, near])
        noise_mm = np.hypot(slope_u[rows, before], level_u) / np.maximum(fall, 0.0)
        # no doubt is left where the fall was shown, which bounds what a flat stretch makes of noise
        most_mm = np.maximum(x_mm[rows, known] - place_mm, span_mm[rows, before])
        place_u = np.hypot(np.minimum(noise_mm, most_mm), span_mm[rows, before] / 2 / sqrt(12))
    value_n = force_n[rows, before] + share * (force_n[rows, after] - force_n[rows, before])
    return place_mm, place_u, value_n, np.hypot(force_u[rows, before], np.abs(slope[rows, before]) * place_u)


def _tangents(nodes: Nodes, noise_n: FloatArray) -> tuple[LocalFit, FloatArray]:
    """Straight lines through the nodes around each node, by running sums, and the spans of those nodes."""
    x, f, w = nodes.x_mm, nodes.force_n, nodes.count
    columns = x.shape[1]
    centre = np.arange(columns)
    low, high = np.maximum(centre - KNEE_REACH, 0), np.minimum(centre + KNEE_REACH + 1, columns)

    def windowed(values: FloatArray) -> FloatArray:
        running = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
        sums: FloatArray = running[:, high] - running[:, low]
        return sums

    weight, wx, wf = windowed(w), windowed(w * x), windowed(w * f)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = windowed(w * x * x) - wx * wx / weight
        slope = (windowed(w * x * f) - wx * wf / weight) / spread
        value = wf / weight + slope * (x - wx / weight)
        slope_u = noise_n / np.sqrt(spread)
        value_u = noise_n / np.sqrt(weight)
    whole = (spread > 0) & (low == centre - KNEE_REACH) & (centre + KNEE_REACH < nodes.lengths[:, None])
    return LocalFit(value, value_u, slope, slope_u, np.zeros_like(value)).only(whole), x[:, high - 1] - x[
        :, low
    ]


def _first_pair(marks: BoolArray) -> tuple[IntArray, BoolArray]:
    """First column of each row that is marked together with the one whose window begins where its own
    ends."""
    apart = 2 * KNEE_REACH
    pairs = marks[:, :-apart] & marks[:, apart:]
    found: BoolArray = np.asarray(pairs.any(axis=1))
    return np.argmax(pairs, axis=1), found
