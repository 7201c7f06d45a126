"""How rough the force of each press is, beside what the opening of the recording told.

Problem: friction, a cheap drive or the specimen itself lay a wander over a stroke that no rest shows. It goes
on over tens of samples, so that means and fits average little of it, and differences of neighbours hardly
see it.

Plan: differences of fourth and sixth order over wider and wider distances along the stroke take off the
curve and the platen's uneven speed, and leave the noise. White noise gives the same at all distances; a
wander of length L shows in full from about L on. Both orders agree for noise, while of a curve the sixth
leaves less: the smaller one is right. What the distances show is split into white noise and a wander whose
correlation falls off exponentially, and the lighter and heavier halves say what grows with the load. Both
strokes of a press are taken together. Cost: some passes over the nodes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import comb, sqrt

import numpy as np

from rig.analyser.compared import StrokeWander
from rig.analyser.ragged import Nodes, along_rows, row_sums
from rig.analyser.remembered import variance_of_mean
from rig.analyser.settings import MeasuringNoise
from rig.samples import FloatArray, IntArray

LAGS = np.array([1, 2, 4, 8])
"""Distances in nodes."""

ORDERS = (4, 6)

LENGTHS = (1.0, 2.0, 4.0, 8.0, 16.0)
"""Lengths of a wander that are tried, in nodes: one that is longer than a fifth of a stroke cannot be told
from the curve."""

FEWEST = 12
"""Fewer differences in a half of the strokes tell no scatter."""

FEWEST_NODES = 24
"""Strokes of fewer nodes are too coarse for their bends to be told from noise."""

SPREAD_DOUBT = 2.3
"""Standard error of a variance from the median deviation of n values, as a share, times sqrt(n): twice that
of the median absolute deviation, whose efficiency is 0.37 for normal noise."""

OVERLAP = 2.6
"""Differences that share nodes repeat each other: n of fourth order are worth n over 1 + 2 (0.8^2 + 0.4^2 +
0.11^2 + ...)."""

SURE = 2.0
"""A wander is taken for one where it explains the differences better than white noise by this many standard
errors."""

SECOND = 1
"""A stroke's second node from the contact has the size of most: the first may hold what was left over."""

LEFT_OF_PLACES = 0.1
"""Of a scatter that noise of position explains, this share stays the force's own: the slope differs along
the stroke."""

TILTED_BY_LONG = 0.4
"""12/60 over half of the samples that are worth one."""

MAD_TO_SD = 1.4826
SMALLEST = 1e-24
SMALLEST_NOISE_N = 1e-12
"""Keeps weights finite in a recording without noise or resolution."""


@dataclass(frozen=True, slots=True)
class Roughness:
    """What a single force is worth in each press, columns of shape (m,).

    Parameters
    ----------
    force_n
        Standard deviation without load.
    share
        What is added in squares in proportion to the load, as a share of it.
    correlated
        Consecutive samples that are worth one independent reading.
    """

    force_n: FloatArray
    share: FloatArray
    correlated: FloatArray

    @classmethod
    def of_opening(cls, noise: MeasuringNoise, presses: int) -> Roughness:
        """Return what the opening told, of each press."""
        told = (noise.force_n, noise.force_share, noise.correlated_samples)
        return cls(*(np.full(presses, value) for value in told))

    def at(self, load_n: FloatArray) -> FloatArray:
        """Return the standard deviation of single forces at loads of shape (m,) or (m, k)."""
        shape = (-1, *(1,) * (load_n.ndim - 1))
        load_n = np.nan_to_num(load_n)
        spread: FloatArray = np.hypot(self.force_n.reshape(shape), self.share.reshape(shape) * load_n)
        return spread

    def with_wander(self, wander: StrokeWander | None, strokes: tuple[Nodes, Nodes]) -> Roughness:
        """Return the roughness with a slow wander in it that presses show only between them.

        What a press shows by itself may be a part of the same wander: the larger of both counts.
        """
        if wander is None:
            return self
        square_n2 = np.mean([row_sums(nodes.count * nodes.force_n**2) for nodes in strokes], axis=0)
        square_n2 /= np.maximum(np.mean([row_sums(nodes.count) for nodes in strokes], axis=0), 1.0)
        whole_n2 = self.force_n**2 + self.share**2 * square_n2
        slow_n2 = (wander.steady_n2 + wander.share2 * square_n2) * wander.correlated
        slow_n2 = np.maximum(whole_n2 * self.correlated, slow_n2)
        force_n = np.maximum(self.force_n, sqrt(wander.steady_n2))
        share = np.maximum(self.share, sqrt(wander.share2))
        whole_n2 = np.maximum(force_n**2 + share**2 * square_n2, SMALLEST)
        return Roughness(force_n, share, np.maximum(slow_n2 / whole_n2, 1.0))

    def tilting(self, count: FloatArray) -> FloatArray:
        """By how much the variance of the slope of a line through this many samples is larger than for white
        noise.

        Notes
        -----
        A wander that outlasts the line lifts all of it, and tilts it little. For noise whose correlation
        falls off as exp(-|t|/l), along a line of length 1, the integral of t s exp(-|t - s|/l) is l/6 for
        short l, 1/(60 l) for long l, and never above either; white noise gives 1/12 over the number of
        samples. White noise beside the wander keeps its own part: 1 at the least.
        """
        correlated = self.correlated.reshape(-1, *(1,) * (count.ndim - 1))
        long: FloatArray = TILTED_BY_LONG * count**2 / correlated
        return np.maximum(np.minimum(correlated, long), 1.0)

    def selected(self, rows: IntArray) -> Roughness:
        """Of some presses."""
        return Roughness(self.force_n[rows], self.share[rows], self.correlated[rows])

    def fewer(self, count: FloatArray) -> FloatArray:
        """By how much the variance of a mean or a fit over this many samples is larger than for white
        noise."""
        correlated = self.correlated.reshape(-1, *(1,) * (count.ndim - 1))
        return variance_of_mean(correlated, np.maximum(count, 1.0))


@dataclass(slots=True)
class RoughnessRecord:
    """Sums over what the presses of a recording so far have shown."""

    _sums: FloatArray = field(default_factory=lambda: np.zeros((3, 2, len(LAGS))))

    def take(self, strokes: tuple[Nodes, Nodes], noise: MeasuringNoise, in_contact_n: float) -> Roughness:
        """Take the next presses, and tell the roughness of each from all up to it.

        Parameters
        ----------
        strokes
            Loading and unloading, free of the force zero.
        noise
            What the opening told; nothing below it is reported.
        in_contact_n
            Nodes below this force are not on the specimen.
        """
        rows = len(strokes[0].x_mm)
        own = np.zeros((3, 2, len(LAGS), rows))
        fine = np.flatnonzero(np.maximum(*(nodes.lengths for nodes in strokes)) >= FEWEST_NODES)
        if len(fine):
            own[..., fine] = _shown([_selected(nodes, fine) for nodes in strokes], noise, in_contact_n)
        elif not self._sums.any():
            return Roughness.of_opening(noise, rows)
        so_far = self._sums[..., None] + np.cumsum(own, axis=-1)
        self._sums = so_far[..., -1].copy()
        return _told(so_far, noise)


def _shown(strokes: list[Nodes], noise: MeasuringNoise, in_contact_n: float) -> FloatArray:
    """Return the sums of presses: count of differences, that times the logarithm of their variance per
    sample, and times the mean square load; shape (3, halves, lags, rows).

    Logarithms, so that one press that broke does not drown the others.
    """
    found = [_differences(nodes, in_contact_n) for nodes in strokes]
    # shape (lags, orders, rows, places), and the loads at the places
    left_n, load_n = (np.concatenate(pair, axis=-1) for pair in zip(*found, strict=True))
    real = np.isfinite(left_n[0, 0])
    size = np.maximum(*(_usual_size(nodes) for nodes in strokes))
    # what noise of position does along the slope is counted where the readings are made
    run_mm, rise_n = (
        [np.maximum(np.ptp(table, axis=1), SMALLEST) for table in tables]
        for tables in zip(*((nodes.x_mm, nodes.force_n) for nodes in strokes), strict=True)
    )
    slope = np.maximum(rise_n[0] / run_mm[0], rise_n[1] / run_mm[1])
    by_place_n2 = (slope * noise.position_mm) ** 2
    sums = np.zeros((3, 2, len(LAGS), len(size)))
    middle_n = _median(np.where(real, load_n, np.nan))[:, None]
    left_n = np.abs(left_n, out=left_n)
    for half, side in enumerate((load_n <= middle_n, load_n > middle_n)):
        beside_n = np.where(side, left_n, np.nan)
        count = np.isfinite(beside_n[:, 0]).sum(axis=-1)
        # for noise both orders agree; of a curve the one that is right leaves less
        spread_n = MAD_TO_SD * np.fmin.reduce(_median(beside_n), axis=1)
        loads = np.maximum(np.count_nonzero(real & side, axis=1), 1)
        square_n2 = row_sums(np.where(real & side, load_n**2, 0.0)) / loads
        known = (count >= FEWEST) & (spread_n > 0)
        variance_n2 = spread_n**2 * size
        variance_n2 = np.maximum(variance_n2 - by_place_n2, LEFT_OF_PLACES * variance_n2)
        logarithm = np.log(np.where(known, variance_n2, 1.0))
        sums[:, half] = np.where(known, np.stack([count, count * logarithm, count * square_n2]), 0.0)
    return sums


def _median(values: FloatArray) -> FloatArray:
    """Medians along the last axis of what is no not-a-number; not-a-number where nothing is left."""
    rising = np.sort(values, axis=-1)
    # not-a-numbers stand last
    count = np.count_nonzero(~np.isnan(rising), axis=-1)[..., None]
    pair = [along_rows(rising, np.maximum(each, 0)) for each in ((count - 1) // 2, count // 2)]
    return ((pair[0] + pair[1]) / 2)[..., 0]


def _told(sums: FloatArray, noise: MeasuringNoise) -> Roughness:
    """Roughness from sums of shape (3, halves, lags, rows)."""
    found = Roughness.of_opening(noise, sums.shape[-1])
    known = (sums[0] > 0).all(axis=0)
    which = np.flatnonzero(known[:2].all(axis=0))
    if not len(which):
        return found
    known, sums = known[:, which], sums[..., which]
    count = np.maximum(sums[0], 1.0)
    variance_n2 = np.where(known, np.exp(sums[1] / count), 0.0)
    square_n2 = (sums[2] / count)[:, 0]
    doubt = np.where(known, SPREAD_DOUBT * np.sqrt(OVERLAP / count.sum(axis=0)), np.inf)
    white_n2, wander_n2, length = _split(variance_n2.mean(axis=0), doubt)
    # what grows with the load shows in the difference between the halves
    lags = np.maximum(known.sum(axis=0), 1)
    light_n2, heavy_n2 = variance_n2.sum(axis=1) / lags
    grows = (heavy_n2 - light_n2) / np.maximum(square_n2[1] - square_n2[0], SMALLEST)
    grows = np.clip(grows, 0.0, heavy_n2 / np.maximum(square_n2[1], SMALLEST))
    middle_n2 = square_n2.mean(axis=0)
    steady_n2 = np.maximum((light_n2 + heavy_n2) / 2 - grows * middle_n2, 0.0)
    whole_n2 = white_n2 + wander_n2
    scale = whole_n2 / np.maximum(steady_n2 + grows * middle_n2, SMALLEST)
    # samples worth one, of noise that falls off exponentially (an autoregression of first order)
    neighbours = np.exp(-1 / length)
    slow_n2 = wander_n2 * (1 + neighbours) / (1 - neighbours)
    found.force_n[which] = np.maximum(np.sqrt(scale * steady_n2), noise.force_n)
    found.share[which] = np.maximum(np.sqrt(scale * grows), noise.force_share)
    worth = (white_n2 + slow_n2) / np.maximum(whole_n2, SMALLEST)
    found.correlated[which] = np.maximum(worth, noise.correlated_samples)
    return found


def _selected(nodes: Nodes, rows: IntArray) -> Nodes:
    return Nodes(nodes.x_mm[rows], nodes.force_n[rows], nodes.count[rows], nodes.lengths[rows])


def _usual_size(nodes: Nodes) -> FloatArray:
    """Return the samples in most nodes of each stroke."""
    return nodes.count[:, min(SECOND, nodes.count.shape[1] - 1)]


def _differences(nodes: Nodes, in_contact_n: float) -> tuple[FloatArray, FloatArray]:
    """Return what differences along strokes leave, each as of white noise of that standard deviation; and
    the loads.

    Returns
    -------
    Shape (lags, orders, rows, nodes), not-a-number where a node is missing; and (rows, nodes).
    """
    # nodes of one size only: those near a turn have another noise
    good = (nodes.count == _usual_size(nodes)[:, None]) & (nodes.force_n > in_contact_n)
    left_n = np.full((len(LAGS), len(ORDERS), *nodes.x_mm.shape), np.nan)
    columns = nodes.x_mm.shape[1]
    for at, lag in enumerate(LAGS.tolist()):
        force_n, x_mm, inside = nodes.force_n, nodes.x_mm, good
        for order in range(1, min(ORDERS[-1], (columns - 1) // lag) + 1):
            force_n, x_mm = (table[:, lag:] - table[:, :-lag] for table in (force_n, x_mm))
            inside = inside[:, lag:] & inside[:, :-lag]
            if order not in ORDERS:
                continue
            span = order * lag
            run_mm = nodes.x_mm[:, span:] - nodes.x_mm[:, :-span]
            rise_n = nodes.force_n[:, span:] - nodes.force_n[:, :-span]
            # a platen that moves unevenly bends force and position together
            slope = rise_n / np.where(run_mm != 0, run_mm, np.inf)
            left_n[at, ORDERS.index(order), :, span // 2 : columns - span // 2] = np.where(
                inside, (force_n - slope * x_mm) / sqrt(comb(2 * order, order)), np.nan
            )
    return left_n, nodes.force_n


def _split(shown_n2: FloatArray, doubt: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """White and slow variance, and the length of the slow part in nodes, from the variances that differences
    show, shape (lags, rows), and their relative standard errors: least squares over a few lengths."""
    weight = 1 / doubt**2
    one = np.where(np.isfinite(doubt), 1 / np.maximum(shown_n2, SMALLEST), 0.0)
    aa, a = (weight * one * one).sum(axis=0), (weight * one).sum(axis=0)
    white = a / np.maximum(aa, SMALLEST)
    wander, length = np.zeros_like(white), np.ones_like(white)
    # a wander has to explain more than chance
    best = (weight * (white * one - 1) ** 2).sum(axis=0) - SURE**2
    order = ORDERS[0]
    for tried in LENGTHS:
        near = np.exp(-LAGS / tried)
        # variance of a difference of this order of noise whose neighbours correlate by exp(-1/length)
        seen = 1 + 2 * np.add.reduce(
            [
                (-1) ** apart * comb(2 * order, order + apart) / comb(2 * order, order) * near**apart
                for apart in range(1, order + 1)
            ]
        )
        slow = one * seen[:, None]
        ab, bb, b = (
            (weight * one * slow).sum(axis=0),
            (weight * slow * slow).sum(axis=0),
            (weight * slow).sum(axis=0),
        )
        determinant = np.maximum(aa * bb - ab**2, SMALLEST)
        first, second = (a * bb - b * ab) / determinant, (b * aa - a * ab) / determinant
        # neither part is negative
        second = np.where(first < 0, b / np.maximum(bb, SMALLEST), second)
        first = np.maximum(first, 0.0)
        misfit = (weight * (first * one + second * slow - 1) ** 2).sum(axis=0)
        better = (misfit < best) & (second > 0)
        best = np.where(better, misfit, best)
        white, wander = np.where(better, first, white), np.where(better, second, wander)
        length = np.where(better, tried, length)
    return white, wander, length
