"""Readings off a stroke: force at a depth, and the knee.

Both work on nodes ordered from contact to the deep end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analyser.ragged import LocalFit, Nodes, polynomial_at
from rig.samples import FloatArray, IntArray

READING_NODES = 7
"""A force at a depth comes from a curve through this many nodes around it."""

KNEE_NODES = 40
"""Fewer nodes do not resolve a tangent along the stroke."""

KNEE_STATIONS = 24
KNEE_SIGNIFICANCE = 3.0


def force_at(nodes: Nodes, depth_mm: FloatArray, noise_n: FloatArray) -> LocalFit:
    """Force and slope at a position of each row.

    Parameters
    ----------
    depth_mm
        Positions, shape (rows,).
    noise_n
        Standard deviation of single samples about the stroke, shape (rows,).

    Returns
    -------
    Not-a-number where the stroke does not reach that far.

    Notes
    -----
    Strokes of few samples are read between two nodes, so that a curve through far ones cannot bend the
    reading.
    """
    lengths = nodes.lengths
    below = (nodes.real & (nodes.x_mm < depth_mm[:, None])).sum(axis=1)
    fit = _between_nodes(nodes, below, depth_mm, noise_n)
    fine = np.flatnonzero(lengths >= KNEE_NODES)
    if len(fine):
        fit = fit.replaced(fine, _through_nodes(nodes, below, depth_mm, noise_n, fine))
    # a reading within half a node of the end is still on the stroke
    rows = np.arange(len(lengths))
    shallow, deep = nodes.x_mm[:, 0], nodes.x_mm[rows, np.maximum(lengths - 1, 0)]
    margin = (deep - shallow) / np.maximum(2 * (lengths - 1), 1)
    reached = (lengths >= 2) & (depth_mm >= shallow - margin) & (depth_mm <= deep + margin)
    nothing = np.where(reached, 0.0, np.nan)
    return LocalFit(fit.value + nothing, fit.value_u + nothing, fit.slope + nothing, fit.slope_u + nothing)


def _between_nodes(nodes: Nodes, below: IntArray, depth_mm: FloatArray, noise_n: FloatArray) -> LocalFit:
    """Straight between the two nodes on either side."""
    rows = np.arange(len(below))
    right = np.clip(below, 1, np.maximum(nodes.lengths - 1, 1))
    right = np.minimum(right, nodes.x_mm.shape[1] - 1)
    left = np.maximum(right - 1, 0)
    run = nodes.x_mm[rows, right] - nodes.x_mm[rows, left]
    run = np.where(run != 0, run, np.nan)
    share = (depth_mm - nodes.x_mm[rows, left]) / run
    slope = (nodes.force_n[rows, right] - nodes.force_n[rows, left]) / run
    left_u = noise_n / np.sqrt(np.maximum(nodes.count[rows, left], 1))
    right_u = noise_n / np.sqrt(np.maximum(nodes.count[rows, right], 1))
    return LocalFit(
        nodes.force_n[rows, left] + share * run * slope,
        np.hypot((1 - share) * left_u, share * right_u),
        slope,
        np.hypot(left_u, right_u) / np.abs(run),
    )


def _through_nodes(
    nodes: Nodes, below: IntArray, depth_mm: FloatArray, noise_n: FloatArray, rows: IntArray
) -> LocalFit:
    """A curve through the nodes around, for some of the rows."""
    first = np.clip(below[rows] - READING_NODES // 2, 0, nodes.lengths[rows] - READING_NODES)
    index = first[:, None] + np.arange(READING_NODES)
    around = Nodes(
        nodes.x_mm[rows[:, None], index],
        nodes.force_n[rows[:, None], index],
        nodes.count[rows[:, None], index],
    )
    return polynomial_at(around, around.real, depth_mm[rows], noise_n[rows], 2)


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
    resolved: np.ndarray


def knee(nodes: Nodes, contact_mm: FloatArray, peak_mm: FloatArray, noise_n: FloatArray, drop: float) -> Knee:
    """Find the knee of loading strokes.

    Notes
    -----
    1. Take the tangent at evenly spaced stations by straight lines over two stations' width.
    2. The knee is the first station at which it lies below `drop` times the largest tangent before it, by
       `KNEE_SIGNIFICANCE` standard uncertainties, at two stations in a row; likewise for negative tangents.
    3. Its uncertainty is that of a value somewhere within a station: the spacing over the square root of 12.
    """
    rows = len(contact_mm)
    nothing = np.full(rows, np.nan)
    resolved = (nodes.lengths >= KNEE_NODES) & np.isfinite(contact_mm)
    if not resolved.any():
        return Knee(nothing, nothing, nothing, nothing, nothing, nothing, resolved)
    depth = peak_mm - contact_mm
    stations = (np.arange(KNEE_STATIONS) + 0.5) / KNEE_STATIONS
    tangents, tangent_u, forces, force_u = (np.empty((rows, KNEE_STATIONS)) for _ in range(4))
    share = (nodes.x_mm - contact_mm[:, None]) / np.where(depth > 0, depth, 1.0)[:, None]
    for k, station in enumerate(stations):
        window = nodes.real & (np.abs(share - station) <= 1 / KNEE_STATIONS)
        fit = polynomial_at(nodes, window, contact_mm + station * depth, noise_n, 1)
        tangents[:, k], tangent_u[:, k], forces[:, k], force_u[:, k] = (
            fit.slope,
            fit.slope_u,
            fit.value,
            fit.value_u,
        )
    # the first station holds the foot, whose slope is still rising
    tangents[:, 0] = np.nan
    steepest = np.fmax.accumulate(tangents, axis=1)
    low = tangents + KNEE_SIGNIFICANCE * tangent_u < drop * steepest
    negative = tangents + KNEE_SIGNIFICANCE * tangent_u < 0
    at_knee, has_knee = _first_pair(low)
    at_negative, has_negative = _first_pair(negative)
    pick = np.arange(rows)
    spacing_u = depth / KNEE_STATIONS / np.sqrt(12)

    def only(values: FloatArray, which: np.ndarray) -> FloatArray:
        return np.where(which & resolved, values, np.nan)

    return Knee(
        only(stations[at_knee] * depth, has_knee),
        only(spacing_u, has_knee),
        only(forces[pick, at_knee], has_knee),
        only(np.hypot(force_u[pick, at_knee], tangents[pick, at_knee] * spacing_u), has_knee),
        only(stations[at_negative] * depth, has_negative),
        only(spacing_u, has_negative),
        resolved,
    )


def _first_pair(marks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First column of each row that is marked together with the next one."""
    pairs = marks[:, :-1] & marks[:, 1:]
    return np.argmax(pairs, axis=1), pairs.any(axis=1)
