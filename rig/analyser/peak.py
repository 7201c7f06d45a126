"""The deepest position of a press, where the turn falls between samples.

Problem: the largest sample is not the turn. Between two samples the platen may have gone on by up to half
a step; with dense samples the largest is the noisiest instead.

Plan: three regimes. A dwell: the mean of its samples. Dense samples: the top of a parabola through those
within the deadband. Else: the largest sample and half of what an even turn would add, the rest of it being
uncertainty.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from rig.analyser.settings import MeasuringNoise
from rig.analyser.symmetric import inverse_symmetric3, times_vector
from rig.samples import FloatArray, IntArray

REACH = 12
DENSE = 7
DWELL_PICKS = 64

CUSP_SHARE = 0.19
"""A parabola fitted to an even, sharp turn peaks this share of its depth too low (least squares of |t|
over -1..1 by 3/16 + 15/16 t^2); half of it is added, and half is left as a limit of error."""


def peak_positions(
    x_mm: FloatArray,
    first: IntArray,
    load_end: IntArray,
    unload_start: IntArray,
    last: IntArray,
    noise: MeasuringNoise,
    deadband_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Deepest positions and their standard uncertainties.

    Parameters
    ----------
    x_mm
        Positions of the segment, shape (n,).
    first, load_end, unload_start, last
        Start of the press, end of loading, start of unloading, last sample of the press; shape (m,).

    Returns
    -------
    Positions and uncertainties, mm, shape (m,).
    """
    step_mm = noise.position_resolution_mm / sqrt(12)
    window = np.arange(-REACH, REACH + 1)
    index = load_end[:, None] + window
    inside = (index >= first[:, None]) & (index <= last[:, None])
    near = inside & (x_mm[np.clip(index, 0, len(x_mm) - 1)] >= (x_mm[load_end] - deadband_mm)[:, None])
    near[:, REACH:] = np.logical_and.accumulate(near[:, REACH:], axis=1)
    near[:, REACH::-1] = np.logical_and.accumulate(near[:, REACH::-1], axis=1)
    height = x_mm[np.clip(index, 0, len(x_mm) - 1)] - x_mm[load_end][:, None]
    parabola, parabola_u = _parabola(height, near, noise.position_mm)
    between, between_u = _between_samples(height, inside, noise.position_mm)
    dense = (np.count_nonzero(near, axis=1) >= DENSE) & np.isfinite(parabola)
    rise = np.where(dense, parabola, between)
    rise_u = np.where(dense, parabola_u, between_u)
    peak_mm, peak_u = x_mm[load_end] + rise, np.hypot(rise_u, step_mm)
    dwell = np.flatnonzero(unload_start > load_end)
    if len(dwell):
        share = np.linspace(0, 1, DWELL_PICKS)
        picks = load_end[dwell, None] + np.rint(share * (unload_start - load_end)[dwell, None]).astype(
            np.int64
        )
        peak_mm[dwell] = x_mm[picks].mean(axis=1)
        independent = np.minimum(unload_start - load_end + 1, DWELL_PICKS)[dwell]
        peak_u[dwell] = np.hypot(noise.position_mm / np.sqrt(independent), step_mm)
    return peak_mm, peak_u


def _between_samples(
    height: FloatArray, inside: np.ndarray, noise_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Rise above the largest sample: between none and what an even turn would add."""
    before = np.where(inside[:, REACH - 1], -height[:, REACH - 1], 0.0)
    after = np.where(inside[:, REACH + 1], -height[:, REACH + 1], 0.0)
    both = inside[:, REACH - 1] & inside[:, REACH + 1]
    largest = np.where(both, np.abs(before - after) / 2, np.maximum(before, after) / 2)
    largest = np.where(inside[:, REACH + 1], largest, 0.0)
    return largest / 2, np.hypot(largest / (2 * sqrt(3)), noise_mm)


def _parabola(height: FloatArray, near: np.ndarray, noise_mm: float) -> tuple[FloatArray, FloatArray]:
    """Rise of a parabola's top above the largest sample, by least squares over the near samples."""
    t = np.arange(-REACH, REACH + 1) / REACH
    weight = near.astype(np.float64)
    moments = np.stack([weight @ t**k for k in range(5)], axis=1)
    targets = np.stack([(weight * height) @ t**k for k in range(3)], axis=1)
    order = np.arange(3)
    normal = moments[:, order[:, None] + order]
    normal[np.count_nonzero(near, axis=1) < DENSE] = np.eye(3)
    inverse = inverse_symmetric3(normal)
    constant, linear, bend = times_vector(inverse, targets).T
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.clip(-linear / (2 * bend), -1, 1)
    at = np.where((bend < 0) & np.isfinite(at), at, 0.0)
    top = constant + linear * at + bend * at**2
    reach = np.where(near, np.abs(t), 0).max(axis=1)
    depth = np.abs(bend) * reach**2
    direction = np.stack([np.ones_like(at), at, at**2], axis=1)
    fit_u = noise_mm * np.sqrt(np.maximum(np.einsum("ri,rij,rj->r", direction, inverse, direction), 0))
    return top + CUSP_SHARE / 2 * depth, np.hypot(fit_u, CUSP_SHARE / 2 * depth)
