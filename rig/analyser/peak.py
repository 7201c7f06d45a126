"""The deepest point of a press, where the turn falls between samples.

Problem: the largest sample is not the turn. Between two samples the platen may have gone on by up to half
a step; with dense samples the largest is the noisiest instead. And a force that lags or relaxes is not what
a line through the stroke before it would say.

Plan: three regimes for the position. A hold: the mean of its samples. Dense samples: the top of a parabola
through those within the deadband. Else: the largest sample and half of what an even turn would add, the
rest of it being uncertainty. The force of each stroke is the mean over its own samples within the deadband,
carried the last micrometres along the stroke's tangent.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.ragged import BoolArray
from rig.analyser.settings import MeasuringNoise
from rig.analyser.symmetric import inverse_symmetric3, times_vector
from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter import Cycles

REACH = 12
DENSE = 7
HOLD_PICKS = 64
HOLD_SAMPLES = 3

AVERAGED_SHARE = 0.25
CUSP_SHARE = 0.19
"""A parabola fitted to an even, sharp turn peaks this share of its depth too low (least squares of |t|
over -1..1 by 3/16 + 15/16 t^2); a third of it is added and is the standard uncertainty: a braked turn lies
one of them above, a sharp one two below."""

_WINDOW = np.arange(-REACH, REACH + 1)


@dataclass(frozen=True, slots=True)
class Side:
    """Mean of a stroke's samples next to the turn, each column of shape (m,)."""

    x_mm: FloatArray
    force_n: FloatArray
    count: IntArray


@dataclass(frozen=True, slots=True)
class Turn:
    """Where presses turn.

    Parameters
    ----------
    x_mm, u_mm
        Deepest positions and their standard uncertainties, shape (m,).
    loading, unloading
        What the samples on either side say; forces still with their zero.
    """

    x_mm: FloatArray
    u_mm: FloatArray
    loading: Side
    unloading: Side


def find_turns(
    signals: Signals, cycles: Cycles, noise: MeasuringNoise, deadband_mm: float, *, play: bool = False
) -> Turn:
    """Deepest points of presses.

    Parameters
    ----------
    deadband_mm
        Samples this near to the deepest one belong to the turn.
    play
        Whether positions are read behind a play: the reading then rests at the turn, which lifts a parabola
        by as much as a sharp turn lies above it.
    """
    x_mm = signals.position_mm
    index, near = _near(x_mm, cycles.load_end, cycles, deadband_mm)
    height = x_mm[index] - x_mm[cycles.load_end][:, None]
    inside = (cycles.load_end[:, None] + _WINDOW == index) & _within(index, cycles)
    rise, rise_u = _between_samples(height, inside, noise.position_mm, averaged=signals.averaged)
    dense = np.flatnonzero(np.count_nonzero(near, axis=1) >= DENSE)
    if len(dense):
        rise[dense], rise_u[dense] = _parabola(
            height[dense], near[dense], noise.position_mm, CUSP_SHARE / 3 * (not play)
        )
    peak_mm = x_mm[cycles.load_end] + rise
    hold = np.flatnonzero(cycles.unload_start > cycles.load_end)
    if len(hold):
        peak_mm[hold], rise_u[hold] = _hold_mean(x_mm, cycles.selected(hold), noise.position_mm)
    # a hold's first and last few samples say what force it begins and ends with
    holds = (cycles.unload_start > cycles.load_end)[:, None]
    begins, ends = (_WINDOW >= 0) & (_WINDOW < HOLD_SAMPLES), (_WINDOW <= 0) & (_WINDOW > -HOLD_SAMPLES)
    loading = _side(signals, index, near & np.where(holds, begins, _WINDOW <= 0))
    index, near = _near(x_mm, cycles.unload_start, cycles, deadband_mm)
    unloading = _side(signals, index, near & np.where(holds, ends, _WINDOW >= 0))
    step_mm = noise.position_resolution_mm / sqrt(12)
    return Turn(peak_mm, np.hypot(rise_u, step_mm), loading, unloading)


def _within(index: IntArray, cycles: Cycles) -> BoolArray:
    return (index >= cycles.contact[:, None]) & (index < cycles.release[:, None])


def _near(
    x_mm: FloatArray, centre: IntArray, cycles: Cycles, deadband_mm: float
) -> tuple[IntArray, BoolArray]:
    """Samples around `centre`, and which of them lie within the deadband without a break."""
    index = centre[:, None] + _WINDOW
    inside = _within(index, cycles)
    index = np.clip(index, 0, len(x_mm) - 1)
    near = inside & (x_mm[index] >= (x_mm[centre] - deadband_mm)[:, None])
    near[:, REACH:] = np.logical_and.accumulate(near[:, REACH:], axis=1)
    near[:, REACH::-1] = np.logical_and.accumulate(near[:, REACH::-1], axis=1)
    return index, near


def _side(signals: Signals, index: IntArray, near: BoolArray) -> Side:
    count = np.maximum(np.count_nonzero(near, axis=1), 1)
    weight = near / count[:, None]
    return Side(
        np.einsum("rj,rj->r", weight, signals.position_mm[index]),
        np.einsum("rj,rj->r", weight, signals.force_n[index]),
        count,
    )


def _between_samples(
    height: FloatArray, inside: BoolArray, noise_mm: float, *, averaged: bool
) -> tuple[FloatArray, FloatArray]:
    """Rise above the largest sample: between none and what an even turn would add.

    A mean over a conversion that holds the turn falls short of it by a quarter to a half of a step at even
    speed, and by less where the platen brakes.
    """
    before = np.where(inside[:, REACH - 1], -height[:, REACH - 1], 0.0)
    after = np.where(inside[:, REACH + 1], -height[:, REACH + 1], 0.0)
    both = inside[:, REACH - 1] & inside[:, REACH + 1]
    if averaged:
        step = np.where(both, np.maximum(before, after), 0.0)
        return AVERAGED_SHARE * step, np.hypot(AVERAGED_SHARE / sqrt(3) * step, noise_mm)
    largest = np.where(both, np.abs(before - after) / 2, 0.0)
    return largest / 2, np.hypot(largest / (2 * sqrt(3)), noise_mm)


def _parabola(
    height: FloatArray, near: BoolArray, noise_mm: float, added: float
) -> tuple[FloatArray, FloatArray]:
    """Rise of a parabola's top above the largest sample, by least squares over the near samples.

    A share of the parabola's depth is added.
    """
    t = _WINDOW / REACH
    weight = near.astype(np.float64)
    moments = np.stack([weight @ t**k for k in range(5)], axis=1)
    targets = np.stack([(weight * height) @ t**k for k in range(3)], axis=1)
    order = np.arange(3)
    inverse = inverse_symmetric3(moments[:, order[:, None] + order])
    constant, linear, bend = times_vector(inverse, targets).T
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.clip(-linear / (2 * bend), -1, 1)
    at = np.where((bend < 0) & np.isfinite(at), at, 0.0)
    top = constant + linear * at + bend * at**2
    depth = np.abs(bend) * np.where(near, np.abs(t), 0).max(axis=1) ** 2
    direction = np.stack([np.ones_like(at), at, at**2], axis=1)
    fit_u = noise_mm * np.sqrt(np.maximum(np.einsum("ri,rij,rj->r", direction, inverse, direction), 0))
    return top + added * depth, np.hypot(fit_u, CUSP_SHARE / 3 * depth)


def _hold_mean(x_mm: FloatArray, cycles: Cycles, noise_mm: float) -> tuple[FloatArray, FloatArray]:
    """Mean position of holds, from samples spread over their length."""
    length = cycles.unload_start - cycles.load_end
    picks = np.rint(np.linspace(0, 1, HOLD_PICKS) * length[:, None]).astype(np.int64)
    mean_mm: FloatArray = x_mm[cycles.load_end[:, None] + picks].mean(axis=1)
    return mean_mm, noise_mm / np.sqrt(np.minimum(length + 1, HOLD_PICKS))
