"""Readings off a stroke: force at a depth, and the knee.

Both work on nodes ordered from contact to the deep end.
"""

from __future__ import annotations

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
KNEE_MARGIN = 0.05
KNEE_SIGNIFICANCE = 3.0


def force_at(nodes: Nodes, depth_mm: FloatArray, noise_n: FloatArray, correlated: float = 1.0) -> LocalFit:
    """Force and slope at positions of each row.

    Parameters
    ----------
    depth_mm
        Positions, shape (rows, k).
    noise_n
        Standard deviation of single samples about the stroke, shape (rows,).
    correlated
        Consecutive samples that are worth one independent reading.

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
    nodes: Nodes, below: IntArray, depth_mm: FloatArray, noise_n: FloatArray, correlated: float
) -> LocalFit:
    """Straight between the two nodes on either side, with the doubt of how the curve bends between them."""
    right = np.clip(below, 1, np.maximum(nodes.lengths - 1, 1)[:, None])
    right = np.minimum(right, nodes.x_mm.shape[1] - 1)
    left = np.maximum(right - 1, 0)
    x_left, x_right = (np.take_along_axis(nodes.x_mm, side, axis=1) for side in (left, right))
    f_left, f_right = (np.take_along_axis(nodes.force_n, side, axis=1) for side in (left, right))
    left_u, right_u = (
        noise_n[:, None] * np.sqrt(np.minimum(correlated, each) / each)
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
    correlated: float,
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
        around, around.real, np.where(known, centre, 0.0), noise_n[row[:, 0]], 2, correlated=correlated
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
    3. Its uncertainty is that of a value somewhere within those nodes: their span over the square root of 12.
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
    span_u = span_mm / sqrt(12)

    def at(values: FloatArray, column: IntArray, which: BoolArray) -> FloatArray:
        return np.where(which & resolved, values[rows, column], np.nan)

    force_u = np.hypot(fit.value_u, fit.slope * span_u)
    return Knee(
        at(x_mm, at_knee, has_knee),
        at(span_u, at_knee, has_knee),
        at(fit.value, at_knee, has_knee),
        at(force_u, at_knee, has_knee),
        at(x_mm, at_negative, has_negative),
        at(span_u, at_negative, has_negative),
        resolved,
    )


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
        slope_u = noise_n[:, None] / np.sqrt(spread)
        value_u = noise_n[:, None] / np.sqrt(weight)
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
