"""Readings off a stroke: force at a depth, and the knee.

Both work on nodes ordered from contact to the deep end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.ragged import BoolArray, LocalFit, Nodes, along_rows, polynomial_at
from rig.analyser.roughness import SMALLEST_NOISE_N, Roughness
from rig.samples import FloatArray, IntArray

READING_NODES = 7
"""A force at a depth comes from a curve through this many nodes around it."""

STANDING = 8.0
LEAP_SHARE = 0.5
"""Nodes around a reading are uneven if one holds this many times the samples of another, or one step this
share of their whole way."""

SHORTEST_RUN = 0.1
"""A slope over a shorter run, as a share of the one beside it, is that of a platen that stands."""

FINE_NODES = 40
"""Fewer nodes resolve no curve around a reading."""

TRAVEL_NODES = 80
"""Steps of even travel between contact and peak that tangents along a stroke are taken over, so that a platen
that stops or slows down on its way adds no nodes."""

KNEE_REACHES = {1: 12, 3: FINE_NODES}
"""Nodes on either side that a tangent is taken through, and how many nodes a stroke needs for that: below
the first count the tangent along it is not resolved."""


KNEE_MARGIN = 0.05
KNEE_SIGNIFICANCE = 3.0

RESTED_TIMES = 5.0
FELL_NOISES = 4.0
"""A platen that stayed in a step for this many times the usual rested there; where the force fell by this
many times its noise meanwhile, tangents across that step tell of relaxation."""


def force_at(
    nodes: Nodes,
    depth_mm: FloatArray,
    noise_at: Callable[[FloatArray], FloatArray],
    correlated: FloatArray,
) -> LocalFit:
    """Return the force and slope at positions of each row.

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
    noise_n = noise_at(along_rows(nodes.force_n, nearest))
    fit = _between_nodes(nodes, below, depth_mm, noise_n, correlated)
    fine = np.flatnonzero(lengths >= FINE_NODES)
    if len(fine):
        smooth = _through_nodes(nodes, below, depth_mm, noise_n, rows=fine, correlated=correlated)
        known = np.isfinite(smooth.value)
        pairs = zip(smooth.columns(), fit.columns(), strict=True)
        fit = fit.replaced(fine, LocalFit(*(np.where(known, a, b[fine]) for a, b in pairs)))
    # a reading within half a node of the end is still on the stroke
    shallow = nodes.x_mm[:, :1]
    deep = along_rows(nodes.x_mm, np.maximum(lengths - 1, 0)[:, None])
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
    x_left, x_right = (along_rows(nodes.x_mm, side) for side in (left, right))
    f_left, f_right = (along_rows(nodes.force_n, side) for side in (left, right))
    left_u, right_u = (
        noise_n * np.sqrt(np.minimum(correlated[:, None], each) / each)
        for each in (np.maximum(along_rows(nodes.count, side), 1) for side in (left, right))
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
    """Return how far a curve lies above the straight line between two nodes, and its standard uncertainty.

    From how the slope changes to the stretches on both sides: a curve that bends evenly lies off by half of
    its second difference times s (1 - s). The smaller change of both is taken where they agree in sign, so
    that a kink or noise on one side bends nothing.
    """
    last = np.maximum(nodes.lengths - 1, 0)[:, None]

    def slope(start: IntArray, stop: IntArray) -> FloatArray:
        x, f = (along_rows(table, stop) - along_rows(table, start) for table in (nodes.x_mm, nodes.force_n))
        moved = np.abs(x) > SHORTEST_RUN * run
        slopes: FloatArray = np.where(moved, f / np.where(moved, x, 1.0), np.nan)
        return slopes

    run = np.abs(along_rows(nodes.x_mm, right) - along_rows(nodes.x_mm, left))
    middle = slope(left, right)
    before = np.nan_to_num(middle - slope(np.maximum(left - 1, 0), left))
    after = np.nan_to_num(slope(right, np.minimum(right + 1, last)) - middle)
    agreed = np.where(before * after > 0, np.sign(before) * np.minimum(np.abs(before), np.abs(after)), 0.0)
    inside = np.clip(share, 0.0, 1.0)
    lever = run * inside * (1 - inside) / 2
    # half of the largest change is what a kink between the nodes can be off by; beside a platen that stood
    # the slope may change by as much as itself
    change = np.fmax(np.abs(before), np.abs(after))
    return -agreed * lever, np.where(change > 0, change, np.nan_to_num(np.abs(middle))) * lever / 2


def _through_nodes(
    nodes: Nodes,
    below: IntArray,
    depth_mm: FloatArray,
    noise_n: FloatArray,
    *,
    rows: IntArray,
    correlated: FloatArray,
) -> LocalFit:
    """Return a curve through the nodes around, for some of the rows; their depths stand one after
    another."""
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
    # no curve goes through a pause, in which a force falls, or across a leap
    steps_mm = np.abs(np.diff(around.x_mm, axis=1))
    even = around.count.max(axis=1) <= STANDING * np.maximum(around.count.min(axis=1), 1)
    even &= steps_mm.max(axis=1) <= LEAP_SHARE * steps_mm.sum(axis=1)
    return LocalFit(*(column.reshape(len(rows), depths) for column in fit.only(even).columns()))


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


def knee(
    loading: Nodes,
    contact_mm: FloatArray,
    contact_u_mm: FloatArray,
    peak_mm: FloatArray,
    *,
    rough: Roughness,
    place_noise_n: FloatArray,
    drop: float,
) -> Knee:
    """Find the knee of loading strokes.

    Parameters
    ----------
    loading
        Without force below the contact.
    rough
        What a single force is worth.
    place_noise_n
        What the noise of position makes of a force, shape (rows,).
    drop
        Share of the largest tangent before.

    Notes
    -----
    1. Put the nodes together by even steps of travel.
    2. Take the tangent at every node by a straight line through the nodes within `KNEE_REACHES` of it, fewer
       next to the contact.
    3. The knee is the first node at which it lies below `drop` times the largest tangent before it, by
       `KNEE_SIGNIFICANCE` standard uncertainties of both, there and at the next node that shares no sample
       with it; likewise for negative tangents.
    4. From there it is traced back to where the tangent crossed that level, between two nodes: noise puts the
       proof off, not the knee.
    5. Its uncertainty is what the tangents' noise moves that crossing by, what tangents of twice the span
       move it by, but no more than a kink somewhere within the middle half of a tangent's nodes can (half
       their span over the square root of 12), and what a steepest tangent between two nodes moves the level
       by.
    """
    known = np.flatnonzero(np.isfinite(contact_mm) & (peak_mm > contact_mm) & (loading.lengths > 0))
    columns = [np.full(len(contact_mm), np.nan) for _ in range(6)]
    resolved = np.zeros(len(contact_mm), bool)
    if len(known):
        tangents = _by_travel(
            loading,
            known,
            contact_mm[known],
            peak_mm[known],
            rough=rough.selected(known),
            place_noise_n=place_noise_n[known],
        )
        enough = tangents.nodes.lengths[:, None] >= np.array([*KNEE_REACHES.values()])
        for which, reach in enumerate(KNEE_REACHES):
            # those with nodes for a wider reach take the widest
            these = np.flatnonzero(enough.sum(axis=1) == which + 1)
            if not len(these):
                continue
            rows = known[these]
            resolved[rows] = True
            depths = (peak_mm[rows] - contact_mm[rows], contact_u_mm[rows])
            found = _knee_of(tangents.selected(these), depths, drop=drop, reach=reach)
            for column, values in zip(columns, found, strict=True):
                column[rows] = values
    mm, mm_u, force_n, force_u, negative_mm, negative_u = columns
    return Knee(mm, mm_u, force_n, force_u, negative_mm, negative_u, resolved)


@dataclass(frozen=True, slots=True)
class _ByTravel:
    """Strokes as nodes by even steps of deflection.

    Parameters
    ----------
    nodes
        From contact to peak.
    fell
        In which of them the force fell at rest, shape (rows, columns).
    single_n
        Standard deviation of a single sample about the stroke there, likewise.
    rough
        How it averages.
    """

    nodes: Nodes
    fell: BoolArray
    single_n: FloatArray
    rough: Roughness

    def selected(self, rows: IntArray) -> _ByTravel:
        """Return some of the strokes."""
        nodes = Nodes.of(*(table[rows] for table in (self.nodes.x_mm, self.nodes.force_n, self.nodes.count)))
        return _ByTravel(nodes, self.fell[rows], self.single_n[rows], self.rough.selected(rows))

    def noises_n(self, together: int) -> tuple[FloatArray, FloatArray]:
        """Return the noise of single samples for means and for slopes over some nodes together."""
        count = together * self.nodes.count
        return (
            self.single_n * np.sqrt(self.rough.fewer(count)),
            self.single_n * np.sqrt(self.rough.tilting(count)),
        )


def _by_travel(
    nodes: Nodes,
    rows: IntArray,
    contact_mm: FloatArray,
    peak_mm: FloatArray,
    *,
    rough: Roughness,
    place_noise_n: FloatArray,
) -> _ByTravel:
    """Return some rows by even steps of deflection."""
    real = nodes.real[rows]
    x_mm = nodes.x_mm[rows] - contact_mm[:, None]
    # by the farthest position so far: a platen that goes back a little stays in its step
    step = np.maximum.accumulate(x_mm, axis=1) / (peak_mm - contact_mm)[:, None] * TRAVEL_NODES
    step = np.where(step > 0, np.minimum(np.floor(step), TRAVEL_NODES - 1), -1.0)
    stroke = np.broadcast_to(np.arange(len(rows))[:, None], real.shape)[real]
    of_step = np.stack([stroke, step[real]])
    first = np.flatnonzero((np.diff(of_step, axis=1, prepend=-np.inf) != 0).any(axis=0))
    last = np.append(first[1:], len(stroke)) - 1
    count, force_n = nodes.count[rows][real], nodes.force_n[rows][real]
    sums = [np.add.reduceat(each, first) for each in (count, count * x_mm[real], count * force_n)]
    # packed: a step that no node lies in leaves no gap
    row = stroke[first]
    lengths = np.bincount(row, minlength=len(rows))
    column = np.arange(len(first)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    shape = (len(rows), int(lengths.max()))
    place = np.minimum(np.arange(shape[1]), lengths[:, None] - 1)

    def table(values: FloatArray) -> FloatArray:
        dense = np.zeros(shape)
        dense[row, column] = values
        return along_rows(dense, place)

    weight = table(sums[0])
    packed = Nodes(
        table(sums[1] / sums[0]),
        table(sums[2] / sums[0]),
        np.where(np.arange(shape[1]) < lengths[:, None], weight, 0.0),
        lengths,
    )
    usual = np.nanmedian(np.where(packed.real, weight, np.nan), axis=1)[:, None]
    fell_n = table(force_n[first] - force_n[last])
    share = np.sqrt(table(1 / count[first] + 1 / count[last]))
    single_n = np.maximum(np.hypot(rough.at(packed.force_n), place_noise_n[:, None]), SMALLEST_NOISE_N)
    fell = (weight > RESTED_TIMES * usual) & (
        fell_n > FELL_NOISES * share * single_n * np.sqrt(rough.fewer(weight))
    )
    return _ByTravel(packed, fell, single_n, rough)


def _knee_of(
    strokes: _ByTravel, depths: tuple[FloatArray, FloatArray], *, drop: float, reach: int
) -> list[FloatArray]:
    """Return the columns of `Knee` for strokes of such depths and contact u."""
    nodes, (depth_mm, contact_u_mm) = strokes.nodes, depths
    rows = np.arange(len(depth_mm))
    running = _running(nodes)
    x_mm, fit, span_mm = _tangents(nodes, running, strokes.noises_n(2 * reach + 1), reach)
    # the toe region, whose slope is still rising, and the turn are no part of it
    inside = nodes.real & (x_mm > KNEE_MARGIN * depth_mm[:, None] - span_mm / 4) & np.isfinite(fit.slope)
    if strokes.fell.any():
        for shift in range(-reach, reach + 1):
            inside &= ~np.roll(strokes.fell, shift, axis=1)
    slope = np.where(inside, fit.slope, np.nan)
    steepest = np.fmax.accumulate(slope, axis=1)
    # a contact that is off tilts the lines that begin there
    begins_mm = nodes.x_mm[:, np.maximum(np.arange(slope.shape[1]) - reach, 0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        tilted = np.where(begins_mm <= 0, fit.slope * contact_u_mm[:, None] / span_mm, 0.0)
    slope_u = np.hypot(fit.slope_u, tilted)
    margin = KNEE_SIGNIFICANCE * slope_u
    with np.errstate(invalid="ignore"):
        # of many tangents the steepest may be noise: as steep as it is for certain
        certain = np.fmax.accumulate(slope - margin, axis=1)
        at_knee, has_knee = _first_pair(slope + margin < drop * certain, 2 * reach)
        at_negative, has_negative = _first_pair(slope + margin < 0, 2 * reach)
    level = drop * steepest[rows, at_knee]
    # of the steepest of many tangents, the noise is in the level too
    at_steepest = np.argmax(slope == steepest[rows, at_knee][:, None], axis=1)
    following = slope[rows, np.minimum(at_steepest + 1, slope.shape[1] - 1)]
    between = np.nan_to_num(slope[rows, at_steepest] - following) / 2
    level_u = drop * np.hypot(slope_u[rows, at_steepest], between)
    tables = (x_mm, slope, slope_u, span_mm, fit.value, fit.value_u)
    # What a tangent averages over puts the crossing off in proportion to its span at a kink, and to the
    # square of it elsewhere: tangents of twice the span show by how much. A kink is within half a span.
    wide_mm, wide_fit, wide_span_mm = _tangents(nodes, running, strokes.noises_n(4 * reach + 1), 2 * reach)
    wide_slope = np.where(inside, wide_fit.slope, np.nan)
    wide_level = drop * np.fmax.accumulate(wide_slope, axis=1)[rows, at_knee]
    wide = (wide_mm, wide_slope, wide_fit.slope_u, wide_span_mm, wide_fit.value, wide_fit.value_u)
    knees = _crossing(tables, at_knee, level, level_u, reach)
    wider = _crossing(wide, at_knee, wide_level, level_u, 2 * reach)
    apart_mm = np.where(np.isfinite(wide_level), np.abs(wider.place_mm - knees.place_mm), np.inf)
    falls = _crossing(tables, at_negative, np.zeros_like(level), np.zeros_like(level), reach)
    return [
        *(np.where(has_knee, column, np.nan) for column in knees.columns(np.fmin(apart_mm, knees.kink_mm))),
        *(np.where(has_negative, column, np.nan) for column in falls.columns(falls.kink_mm)[:2]),
    ]


@dataclass(frozen=True, slots=True)
class _Crossing:
    """Where tangents fell below a level, shape (rows,).

    Parameters
    ----------
    place_mm, noise_mm
        Place, and its standard uncertainty from the tangents' noise.
    kink_mm
        Standard uncertainty of a kink somewhere within the middle half of a tangent's nodes.
    force_n, force_u_n, slope
        Force there, its standard uncertainty at a known place, and the tangent.
    """

    place_mm: FloatArray
    noise_mm: FloatArray
    kink_mm: FloatArray
    force_n: FloatArray
    force_u_n: FloatArray
    slope: FloatArray

    def columns(self, kink_mm: FloatArray) -> list[FloatArray]:
        """Place and force, each with its standard uncertainty, a kink being that far off."""
        place_u = np.hypot(self.noise_mm, kink_mm)
        return [self.place_mm, place_u, self.force_n, np.hypot(self.force_u_n, np.abs(self.slope) * place_u)]


def _crossing(
    tables: tuple[FloatArray, ...], known: IntArray, level: FloatArray, level_u: FloatArray, reach: int
) -> _Crossing:
    """Return where tangents fell below a level before the node at which that is beyond doubt.

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
    # the next tangent that is one
    after = np.argmax((columns > before[:, None]) & np.isfinite(slope), axis=1)
    after = np.where(after > before, after, np.minimum(before + 1, x_mm.shape[1] - 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (slope[rows, before] - level) / (slope[rows, before] - slope[rows, after])
        share = np.clip(np.nan_to_num(share), 0.0, 1.0)
        run_mm = x_mm[rows, after] - x_mm[rows, before]
        place_mm = x_mm[rows, before] + share * run_mm
        # how fast the tangent falls there says what its noise moves: over a stretch beyond a tangent's own
        near = np.maximum(before - reach, 0)
        far = np.minimum(after + reach, x_mm.shape[1] - 1)
        near = np.where(np.isfinite(slope[rows, near]), near, before)
        far = np.where(np.isfinite(slope[rows, far]), far, after)
        fall = (slope[rows, near] - slope[rows, far]) / (x_mm[rows, far] - x_mm[rows, near])
        noise_mm = np.hypot(slope_u[rows, before], level_u) / np.maximum(fall, 0.0)
        # no doubt is left where the fall was shown, which bounds what a flat stretch makes of noise
        most_mm = np.maximum(x_mm[rows, known] - place_mm, span_mm[rows, before])
    value_n = force_n[rows, before] + share * (force_n[rows, after] - force_n[rows, before])
    return _Crossing(
        place_mm,
        np.minimum(noise_mm, most_mm),
        span_mm[rows, before] / 2 / sqrt(12),
        value_n,
        force_u[rows, before],
        slope[rows, before],
    )


def _running(nodes: Nodes) -> FloatArray:
    """Return the running sums of w, wx, wf, wxx, wxf and wxxx along strokes, shape (6, rows, columns + 1)."""
    x, f, w = nodes.x_mm, nodes.force_n, nodes.count
    running = np.zeros((6, len(x), x.shape[1] + 1))
    wx = w * x
    for sums, values in zip(running, (w, wx, w * f, wx * x, wx * f, w * x**3), strict=True):
        np.cumsum(values, axis=1, out=sums[:, 1:])
    return running


def _tangents(
    nodes: Nodes, running: FloatArray, noises_n: tuple[FloatArray, FloatArray], reach: int
) -> tuple[FloatArray, LocalFit, FloatArray]:
    """Straight lines through the nodes around each node, by running sums: the places whose tangents they are,
    the tangents, and the spans of those nodes. The noises are those of means and of slopes."""
    x = nodes.x_mm
    columns = x.shape[1]
    centre = np.arange(columns)
    reaches = np.minimum(centre, reach)
    low, high = centre - reaches, np.minimum(centre + reaches + 1, columns)
    weight, wx, wf, wxx, wxf, wxxx = running.take(high, axis=2) - running.take(low, axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = wx / weight
        spread = wxx - wx * mean
        slope = (wxf - wx * wf / weight) / spread
        # a line has the slope of a parabola at its mean place plus half of third over second moment: where
        # the platen rested, many samples weigh on one side
        skew = wxxx - 3 * mean * wxx + 2 * mean**2 * wx
        place = mean + skew / spread / 2
        value = wf / weight + slope * (place - mean)
        slope_u = noises_n[1] / np.sqrt(spread)
        value_u = noises_n[0] / np.sqrt(weight)
    whole = (spread > 0) & (reaches > 0) & (centre + reach < nodes.lengths[:, None])
    fit = LocalFit(value, value_u, slope, slope_u, np.zeros_like(value)).only(whole)
    place = np.fmax.accumulate(np.where(whole, place, x), axis=1)
    return place, fit, x.take(high - 1, axis=1) - x.take(low, axis=1)


def _first_pair(marks: BoolArray, apart: int) -> tuple[IntArray, BoolArray]:
    """First column of each row that is marked together with the one this many columns on."""
    pairs = marks[:, :-apart] & marks[:, apart:]
    found: BoolArray = np.asarray(pairs.any(axis=1))
    return np.argmax(pairs, axis=1), found
