"""What presses of the same motion differ by: a wander of the force that is too long for one press to tell
from its curve.

Problem: friction and cheap drives lay a slow wander over a stroke. One that goes on over a fifth of it looks
like the specimen's own curve, and no press can tell by itself. It is another one in each press, while the
curve comes again.

Plan: the first presses of a recording, where they went as deep and took as long, are laid over each other at
equal positions. What goes on evenly with the number of presses is taken off at every position: a constant,
the logarithm of the number (softening, set) and, with five presses or more, its inverse, which the first
press of a conditioning needs. n presses leave n - 2 or n - 3 rows of differences. From each of these goes
what is a shift of zero, a share of the curve, or a shift of place. The cosine transform of what is left
tells white noise, whose spectrum is even, from a wander, whose spectrum falls off. Exponential and Gaussian
correlations of many lengths, steady or in proportion to the load, are tried; each counts by its likelihood.
Cost: some dozen small products, once for a recording.

References: P. Whittle, Estimation and information in stationary time series, Arkiv foer Matematik 2, 1953
(likelihood of a spectrum), recalled.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import pi, sqrt

import numpy as np

from rig.analyser.ragged import Nodes
from rig.samples import FloatArray, IntArray

FIRST_PRESSES = 8
"""At most this many presses of a recording are compared."""

FEWEST_PRESSES = 3
FEWEST_NODES = 24
ENOUGH_FOR_INVERSE = 5
"""Presses from which the inverse of the number is taken off, too."""

SAME_DEPTH, SAME_TIME = 0.02, 0.05
"""Presses are compared that went as deep as most of them within this share of the stroke, and whose strokes
took as many samples within that share: others are no repetition."""

MOST_APART = 4.0
"""A press that lies this many times farther from the middle of all than most is another matter: it slipped,
broke, or was the first of a conditioning."""

POINTS, WAVES = 96, 24
"""Places at which strokes are compared, and half waves along a stroke that are looked at: shorter ones are in
what each press shows by itself."""

END_SHARE = 0.03
"""This share of a stroke next to its turn is left out: turns lie at slightly different depths."""

LENGTHS = (0.02, 0.04, 0.08, 0.16, 0.32, 0.64)
"""Lengths of a wander that are tried, as shares of the compared part of the stroke."""

RATIOS = 10.0 ** np.arange(-2.0, 4.01, 0.5)
"""Variances of a wander that are tried, over that of white noise at a place."""

LOADS = (0.0, 0.5, 1.0)
"""Parts of the variance that are in proportion to the square of the load, likewise."""

SURE = 10.0
"""A wander is taken for one where twice the logarithm of the likelihood exceeds that of white noise alone by
this much: 2 % of chance for three parameters (Wilks)."""


OWN_WAY = 0.005
"""What is left is no wander where it is smaller than this share of what goes on evenly: no foam softens
exactly with the logarithm of the number."""

MOST_WANDER = 0.1
"""Nor where it exceeds this share of the load: presses of which one broke the part are no repetition."""


@dataclass(frozen=True, slots=True)
class StrokeWander:
    """A slow wander of the force along strokes.

    Parameters
    ----------
    steady_n2, share2
        Its variance without load, and what is added to that per square of the load.
    correlated
        Consecutive samples that are worth one independent reading.
    """

    steady_n2: float
    share2: float
    correlated: float


@dataclass(frozen=True, slots=True)
class _Compared:
    """Differences between presses along one stroke.

    Parameters
    ----------
    left_n
        Shape (rows, POINTS).
    taken
        Orthonormal curves along the stroke that were taken off, shape (k, POINTS).
    load_n
        Mean force, shape (POINTS,).
    samples
        Of a stroke between two places.
    """

    left_n: FloatArray
    taken: FloatArray
    load_n: FloatArray
    samples: float


def compared(number: IntArray, strokes: tuple[Nodes, Nodes], in_contact_n: float) -> StrokeWander | None:
    """Return the wander that the first presses show between them; None where they show none.

    Parameters
    ----------
    number
        Of the presses, from 1, shape (m,).
    strokes
        Loading and unloading, their nodes from contact to the deep end, free of the force zero.
    in_contact_n
        Nodes below this force are not on the specimen.
    """
    alike = _alike(strokes)
    if np.count_nonzero(alike) < FEWEST_PRESSES:
        return None
    rows = np.flatnonzero(alike)
    found = [_differences(number[rows], nodes, rows, in_contact_n) for nodes in strokes]
    sides = [side for side in found if side is not None]
    return _likeliest(sides) if sides else None


def _alike(strokes: tuple[Nodes, Nodes]) -> np.ndarray:
    """Return which presses went as deep, and took as long, as most."""
    alike = np.ones(len(strokes[0].x_mm), bool)
    for nodes in strokes:
        deep_mm = nodes.x_mm.max(axis=1)
        stroke_mm = np.median(deep_mm - nodes.x_mm.min(axis=1))
        samples = nodes.count.sum(axis=1)
        alike &= np.abs(deep_mm - np.median(deep_mm)) <= SAME_DEPTH * stroke_mm
        alike &= np.abs(samples - np.median(samples)) <= SAME_TIME * np.median(samples) + 1
        alike &= nodes.lengths >= FEWEST_NODES
    return alike


def _differences(number: IntArray, nodes: Nodes, rows: IntArray, in_contact_n: float) -> _Compared | None:
    """Return what presses differ by along a stroke, apart from what goes on evenly."""
    begins, ends, curves, sizes = [], [], [], []
    for row in rows.tolist():
        length = int(nodes.lengths[row])
        x_mm, force_n = nodes.x_mm[row, :length], nodes.force_n[row, :length]
        # by the farthest position so far: no curve goes back
        x_mm = np.maximum.accumulate(x_mm)
        loaded = np.flatnonzero(force_n > in_contact_n)
        if len(loaded) < FEWEST_NODES:
            return None
        begins.append(x_mm[loaded[0]])
        ends.append(x_mm[-1] - END_SHARE * (x_mm[-1] - x_mm[loaded[0]]))
        curves.append((x_mm, force_n))
        sizes.append(nodes.count[row, loaded].sum())
    if not min(ends) > max(begins):
        return None
    places_mm = np.linspace(max(begins), min(ends), POINTS)
    force_n = np.stack([np.interp(places_mm, *curve) for curve in curves])
    apart_n = np.sqrt(np.mean((force_n - np.median(force_n, axis=0)) ** 2, axis=1))
    usual = apart_n <= MOST_APART * np.median(apart_n)
    if np.count_nonzero(usual) < FEWEST_PRESSES:
        return None
    number, force_n = number[usual], force_n[usual]
    steadily = [np.ones(len(number)), np.log(number)]
    if len(number) >= ENOUGH_FOR_INVERSE:
        steadily.append(1 / number)
    # orthonormal combinations of presses without what goes on evenly: noise keeps its size in them
    turned = np.linalg.qr(np.stack(steadily, axis=1), mode="complete")[0].T
    combined = turned[len(steadily) :]
    mean_n = force_n.mean(axis=0)
    # a zero that moved, a share of the curve, and a place that moved
    taken = np.linalg.qr(np.stack([np.ones(POINTS), mean_n, np.gradient(mean_n)], axis=1))[0].T
    left_n = combined @ force_n
    left_n = left_n - left_n @ taken.T @ taken
    evenly_n = turned[1 : len(steadily)] @ force_n
    square_n2 = float(np.mean(left_n**2))
    if square_n2 < OWN_WAY**2 * np.mean(evenly_n**2) or square_n2 > MOST_WANDER**2 * np.mean(mean_n**2):
        return None
    return _Compared(left_n, taken, mean_n, float(np.mean(sizes)) / POINTS)


def _likeliest(sides: list[_Compared]) -> StrokeWander | None:
    """Return the wander that explains the differences, each one that was tried by its likelihood."""
    cosines, correlations, worth = _tried()
    squares = [(side.left_n @ cosines.T) ** 2 for side in sides]
    square_n2 = np.concatenate([each.sum(axis=0) for each in squares])
    rows = np.concatenate([np.full(WAVES, float(len(each))) for each in squares])
    mean_square_n2 = float(np.mean([np.mean(side.load_n**2) for side in sides]))
    samples = float(np.mean([side.samples for side in sides])) * POINTS
    loads = np.array(LOADS)
    white, wandering = [], []
    for side in sides:
        waves = cosines - (cosines @ side.taken.T) @ side.taken
        white.append((waves**2).sum(axis=1))
        shapes = np.sqrt(1 - loads[:, None] + loads[:, None] * side.load_n**2 / mean_square_n2)
        wandering.append(_spectra(shapes[:, None] * waves, correlations))
    shown = np.concatenate(wandering, axis=-1)[:, :, None] * RATIOS[:, None] + np.concatenate(white)
    plain, _ = _likelihood(square_n2, rows, np.concatenate(white)[None])
    every, white_n2 = _likelihood(square_n2, rows, shown)
    if not 2 * (every.max() - plain[0]) > SURE:
        return None
    weight = np.exp(every - every.max())
    weight /= weight.sum()
    wander_n = np.sqrt(RATIOS * white_n2)
    slow_n = wander_n * np.sqrt(np.maximum(worth * samples, 1.0))[:, None, None]
    variance_n2, slow_n2 = float((wander_n * weight).sum()) ** 2, float((slow_n * weight).sum()) ** 2
    load = float(weight.sum(axis=(0, 2)) @ loads)
    return StrokeWander(
        (1 - load) * variance_n2, load * variance_n2 / mean_square_n2, max(slow_n2 / variance_n2, 1.0)
    )


@cache
def _tried() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the first cosine waves, shape (WAVES, POINTS), the correlations that are tried, by distance,
    shape (k, POINTS), and how much of a stroke is worth one reading with each of them, shape (k,)."""
    half_waves = np.arange(WAVES)[:, None]
    # the orthonormal cosine transform
    cosines = np.cos(pi * half_waves * (np.arange(POINTS) + 0.5) / POINTS)
    cosines *= np.where(half_waves > 0, sqrt(2 / POINTS), sqrt(1 / POINTS))
    apart = np.arange(POINTS) / POINTS / np.array(LENGTHS)[:, None]
    correlations = np.concatenate([np.exp(-apart), np.exp(-(apart**2) / 2)])
    return cosines, correlations, np.concatenate([2 * np.array(LENGTHS), sqrt(2 * pi) * np.array(LENGTHS)])


def _spectra(waves: FloatArray, correlations: FloatArray) -> FloatArray:
    """Return the variance of noise of each correlation in each wave, shape (k, loads, waves), from waves of
    shape (loads, waves, POINTS)."""
    # a correlation that goes by distance alone needs no more of a wave than its products at each distance
    spectrum = np.fft.rfft(waves, 2 * POINTS, axis=-1)
    products = np.fft.irfft(np.abs(spectrum) ** 2, 2 * POINTS, axis=-1)[..., :POINTS]
    twice = np.where(np.arange(POINTS) > 0, 2.0, 1.0)
    spectra: FloatArray = np.moveaxis(products @ (twice * correlations).T, -1, 0)
    return spectra


def _likelihood(square_n2: FloatArray, rows: FloatArray, shown: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the logarithms of the likelihood of spectra, each of the shape that is stated, shape (..., k,
    waves), and of the size that suits it best; and the sizes, shape (..., k)."""
    # waves that were taken off hold nothing
    usable = shown[..., :1, :] > 1e-3 * shown[..., :1, :].max(axis=-1, keepdims=True)
    shown, rows = np.where(usable, shown, 1.0), np.where(usable, rows, 0.0)
    size = (np.where(usable, square_n2, 0.0) / shown).sum(axis=-1) / rows.sum(axis=-1)
    size = np.maximum(size, np.finfo(float).tiny)
    return -(rows * np.log(shown)).sum(axis=-1) / 2 - rows.sum(axis=-1) / 2 * np.log(size), size
