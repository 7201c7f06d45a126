"""Readings and fits on many strokes of unequal length at once, without a loop over cycles or samples.

Problem: eighty thousand cycles of twenty samples, or five hundred of ten thousand, and some thirty
quantities of each.

Plan: every stroke is reduced to at most `most` nodes, means over consecutive samples, in one pass of
`reduceat`; the rest works on a dense table with a row for each cycle. A stroke with fewer samples keeps
them as they are. Averaging loses nothing that noise had left: a node spans less than a hundredth of the
stroke. Cost: two passes over the samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.analyser.remembered import WHITE, variance_of_sums
from rig.analyser.symmetric import inverse_symmetric3, times_vector
from rig.samples import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

SPARSE_SHARE = 0.25
"""Stretches that cover less of what they span are copied out first: copying costs as much as adding four."""


@dataclass(frozen=True, slots=True)
class Nodes:
    """Strokes as rows of nodes.

    Parameters
    ----------
    x_mm, force_n
        Node means, shape (rows, columns); padding repeats the last node.
    count
        Samples in each node; 0 in padding.
    lengths
        Nodes in each row, shape (rows,).
    """

    x_mm: FloatArray
    force_n: FloatArray
    count: FloatArray
    lengths: IntArray

    @classmethod
    def of(cls, x_mm: FloatArray, force_n: FloatArray, count: FloatArray) -> Nodes:
        """Return the nodes whose lengths are counted here."""
        return cls(x_mm, force_n, count, np.count_nonzero(count, axis=1))

    @classmethod
    def joined(cls, parts: list[Nodes]) -> Nodes:
        """Return the rows of several tables in one, padded to the longest."""
        columns = max(part.x_mm.shape[1] for part in parts)

        def table(name: str) -> FloatArray:
            parted = (getattr(part, name) for part in parts)
            return np.concatenate(
                [np.pad(each, ((0, 0), (0, columns - each.shape[1])), "edge") for each in parted]
            )

        lengths = np.concatenate([part.lengths for part in parts])
        real = np.arange(columns) < lengths[:, None]
        return cls(table("x_mm"), table("force_n"), np.where(real, table("count"), 0.0), lengths)

    @property
    def real(self) -> BoolArray:
        """Which nodes are not padding."""
        return self.count > 0


def row_sums(table: FloatArray) -> FloatArray:
    """Return the sums of short rows, by a product with ones: a reduction along them costs a call for
    each."""
    return table @ np.ones(table.shape[1])


def along_rows(table: FloatArray, columns: IntArray) -> FloatArray:
    """Return entries of each row, shape (..., k), of a table of shape (..., n) at columns of its own, none of
    them negative: `np.take_along_axis` takes eight times as long."""
    width = table.shape[-1]
    begins = np.arange(0, table.size, width).reshape(*table.shape[:-1], 1)
    return table.take(begins + columns)


def means(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return the mean of values[first:last] for each pair; not-a-number where it is empty."""
    found = np.full(len(first), np.nan)
    known = np.flatnonzero(last > first)
    if len(known):
        found[known] = over_stretches(np.add, values, first[known], last[known])
        found[known] /= last[known] - first[known]
    return found


def over_stretches(ufunc: np.ufunc, values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return what a ufunc such as `np.minimum` makes of values[first:last] for each pair; none is empty."""
    values, first, last = copied_out(values, first, last)
    bounds = np.array((first, last)).ravel("F")
    padded = values if bounds.max(initial=0) < len(values) else np.append(values, 0.0)
    found: FloatArray = ufunc.reduceat(padded, bounds)[0::2] if len(bounds) else values[:0]
    return found


def copied_out(values: FloatArray, first: IntArray, last: IntArray) -> tuple[FloatArray, IntArray, IntArray]:
    """Return values, and where stretches of them begin and end: copies of these stretches alone where they
    cover little of what they span, since `reduceat` would go through what lies between them as well."""
    length = last - first
    total = int(length.sum())
    if not len(first) or total > SPARSE_SHARE * (int(last.max()) - int(first.min())):
        return values, first, last
    begin = np.cumsum(length) - length
    return values[np.arange(total) + np.repeat(first - begin, length)], begin, begin + length


def first_below(values: FloatArray, lowest: IntArray, highest: IntArray, level: FloatArray) -> IntArray:
    """First index in [lowest, highest] at which a falling stretch reaches its level; see `first_above`."""
    return _bisected(lowest, highest, lambda index: values[index] <= level)


def first_above(values: FloatArray, lowest: IntArray, highest: IntArray, level: FloatArray) -> IntArray:
    """First index in [lowest, highest] at which a rising stretch reaches its level, by bisection.

    Where noise makes a stretch cross its level several times, one of the crossings is found; where it
    stays below, `highest`.
    """
    return _bisected(lowest, highest, lambda index: values[index] >= level)


def _bisected(lowest: IntArray, highest: IntArray, reached: Callable[[IntArray], BoolArray]) -> IntArray:
    below, above = lowest - 1, np.array(highest)
    while (above - below > 1).any():
        middle = np.maximum((below + above) // 2, 0)
        open_ = above - below > 1
        there = reached(middle)
        above = np.where(open_ & there, middle, above)
        below = np.where(open_ & ~there, middle, below)
    return above


def polynomial_at(
    nodes: Nodes,
    window: BoolArray,
    centre: FloatArray,
    noise_n: FloatArray,
    degree: int,
    *,
    correlated: FloatArray | float = 1.0,
) -> LocalFit:
    """Weighted polynomial of force over position in each row's window, its value and slope at `centre`.

    Parameters
    ----------
    nodes
        Strokes.
    window
        Which nodes take part, shape (rows, columns).
    centre
        Position of the value and the slope, mm, shape (rows,).
    noise_n
        Standard deviation of a single sample's force about the curve, shape (rows,).
    degree
        1 or 2; rows with fewer than six nodes get a straight line, with fewer than two nothing.
    correlated
        Consecutive samples that are worth one independent reading.

    Notes
    -----
    Least squares with the nodes' counts as weights; nodes further off than 2.5 times the scatter are left
    out and the fit is made once more, so that a knock or a slip within the window does not tilt the slope.
    """
    weight = np.where(window, nodes.count, 0.0)
    reach = np.where(window, np.abs(nodes.x_mm - centre[:, None]), 0.0).max(axis=1)
    reach = np.where(reach > 0, reach, 1.0)
    u = (nodes.x_mm - centre[:, None]) / reach[:, None]
    coefficients, inverse = _solve(u, nodes.force_n, weight, degree)
    residual = nodes.force_n - _evaluate(coefficients, u)
    members = np.count_nonzero(weight, axis=1)
    scatter = np.sqrt(row_sums(weight * residual**2) / np.maximum(row_sums(weight), 1))
    sample_noise = noise_n[:, None] / np.sqrt(np.maximum(nodes.count, 1))
    astray = np.abs(residual) > np.maximum(STRAY * scatter[:, None], STRAY_NOISES * sample_noise)
    if (astray & (weight > 0)).any():
        weight = np.where(astray, 0.0, weight)
        coefficients, inverse = _solve(u, nodes.force_n, weight, degree)
        residual = nodes.force_n - _evaluate(coefficients, u)
        members = np.count_nonzero(weight, axis=1)
    used = np.where(members >= NODES_FOR_CURVE, degree + 1, 2)
    freedom = members - used
    excess = row_sums(weight * residual**2) / np.maximum(freedom, 1) / noise_n**2
    variance = noise_n**2 * np.maximum(np.where(freedom >= FREEDOM_TO_JUDGE, excess, 1.0), 1.0)
    enough = members >= 2
    both = np.stack([variance * np.maximum(inverse[:, k, k], 0) for k in range(2)])
    worth = np.broadcast_to(correlated, members.shape)
    if (worth > WHITE).any():
        # correlated noise scatters less about a curve than the curve itself is off by: both are looked at
        powers = np.stack([np.ones_like(u), u, u * u], axis=1)
        pull = np.einsum("rkp,rpj->krj", inverse[:, :2], powers) * (weight * noise_n[:, None])
        both = np.maximum(both, variance_of_sums(pull, nodes.count, worth))
    # a curve that clearly misses its nodes may miss the truth by as much
    misfit = (freedom > 0) & (excess > CLEAR_MISFIT)
    missed_n2 = row_sums(weight * residual**2) / np.maximum(row_sums(weight), 1)
    value_u = np.sqrt(both[0] + np.where(misfit, missed_n2, 0.0))
    slope_u = np.sqrt(both[1]) / reach
    nothing = np.where(enough, 0.0, np.nan)
    return LocalFit(
        coefficients[:, 0] + nothing,
        value_u + nothing,
        coefficients[:, 1] / reach + nothing,
        slope_u + nothing,
        2 * coefficients[:, 2] / reach**2 + nothing,
    )


STRAY = 2.5
STRAY_NOISES = 4.0
NODES_FOR_CURVE = 6
FREEDOM_TO_JUDGE = 6
CLEAR_MISFIT = 5.0
"""A reduced chi-square of four degrees of freedom that noise exceeds one time in two thousand."""


@dataclass(frozen=True, slots=True)
class LocalFit:
    """Value and slope of a local fit with their standard uncertainties, and the slope's own slope (0 for a
    straight line), each of shape (rows,)."""

    value: FloatArray
    value_u: FloatArray
    slope: FloatArray
    slope_u: FloatArray
    bend: FloatArray

    def columns(self) -> tuple[FloatArray, ...]:
        """Return the value, its uncertainty, slope, its uncertainty, bend."""
        return self.value, self.value_u, self.slope, self.slope_u, self.bend

    def only(self, which: BoolArray) -> LocalFit:
        """These fits where `which` holds, not-a-number elsewhere."""
        return LocalFit(*(np.where(which, column, np.nan) for column in self.columns()))

    def replaced(self, rows: IntArray, other: LocalFit) -> LocalFit:
        """These fits with those of some rows taken from `other`, which holds just them."""
        columns = [each.copy() for each in self.columns()]
        for column, values in zip(columns, other.columns(), strict=True):
            column[rows] = values
        return LocalFit(*columns)


def _solve(u: FloatArray, y: FloatArray, weight: FloatArray, degree: int) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients and inverse normal matrices of weighted fits, rows with few nodes as
    straight lines."""
    members = np.count_nonzero(weight, axis=1)
    powers = [weight]
    for _ in range(2 * degree):
        powers.append(powers[-1] * u)
    moments = [row_sums(power) for power in powers]
    targets = np.zeros((len(u), 3))
    for k in range(degree + 1):
        targets[:, k] = np.einsum("rj,rj->r", powers[k], y)
    normal = np.zeros((len(u), 3, 3))
    for row in range(degree + 1):
        for column in range(degree + 1):
            normal[:, row, column] = moments[row + column]
    line = members < NODES_FOR_CURVE if degree == 2 else np.ones(len(u), bool)
    normal[line, 2, :] = normal[line, :, 2] = 0.0
    normal[line, 2, 2] = 1.0
    targets[line, 2] = 0.0
    normal[members < 2] = np.eye(3)
    inverse = inverse_symmetric3(normal)
    return times_vector(inverse, targets), inverse


def _evaluate(coefficients: FloatArray, u: FloatArray) -> FloatArray:
    total = coefficients[:, -1:]
    for k in range(coefficients.shape[1] - 2, -1, -1):
        total = total * u + coefficients[:, k : k + 1]
    return total
