"""One or two readings that stand alone: recognised, and replaced by the line between their neighbours.

Problem: one wrong reading in a thousand becomes a contact, a turn, a peak, a break. Plan: a reading is a
spike if it lies away from the middle of its neighbours by many times the noise, and by several times every
step around it; a turn, a step and a steep rise all move their neighbours too. Two readings in a row are one
if both lie so far away on the same side, and the other channel says that nothing happened: it went straight
on. Three wrong readings in a row are left alone.
Cost: a few differences of the samples; a reading is decided three samples later."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter.noise import Noise, median

BEHIND = 3
AHEAD = 3
"""Neighbours that have a say."""

SPIKE_NOISES = 10.0
SPIKE_RESOLUTIONS = 5.0
SPIKE_STEPS = 4.0
"""A spike is as many times the noise, steps of the resolution, and steps around it."""

PART_SAMPLES = 1 << 14
"""Samples worked on at once, some hundred kilobytes."""

STRAIGHT_SHARE = 0.5
"""The other channel goes straight on beside two wrong readings if its steps among them differ from those
around by no more than this share of the largest, beside noise."""


class SpikeFilter:
    """Takes a recording in parts and hands it on, three samples late, free of spikes.

    Parameters
    ----------
    noise
        Of the recording.
    steps
        Steps of force and position that the recording shows: a channel may be coarser than it says.
    offset
        Sample number of the first sample that will come.
    """

    def __init__(self, noise: Noise, steps: tuple[float, float], offset: int) -> None:
        self._noise, self._steps = noise, steps
        self._held: Signals | None = None
        self._given = 0
        self._offset = offset

    def push(self, signals: Signals, *, at_end: bool = False) -> tuple[Signals, IntArray]:
        """Signals that are decided, and the sample numbers of those replaced."""
        known = signals if self._held is None else Signals.concatenate([self._held, signals])
        upto = len(known) if at_end else max(len(known) - AHEAD, self._given)
        noise = self._noise
        force = _Column(
            known.force_n,
            SPIKE_RESOLUTIONS * self._steps[0],
            noise.force_n,
            lambda force_n: np.hypot(noise.force_n, noise.force_share * (force_n - noise.zero_n)),
        )
        position = _Column(
            known.position_mm,
            SPIKE_RESOLUTIONS * self._steps[1],
            noise.position_mm,
            lambda position_mm: np.full(np.shape(position_mm), noise.position_mm),
        )
        force_n, in_force = _mended(force, position, known.lost)
        position_mm, in_position = _mended(position, force, known.lost)
        found = np.union1d(in_force, in_position)
        found = found[(found >= self._given) & (found < upto)]
        ready = replace(known, force_n=force_n, position_mm=position_mm)[self._given : upto]
        first = self._offset - self._given
        self._offset += len(ready)
        keep = max(upto - BEHIND, 0)
        # raw readings are kept: what was replaced must not depend on where the parts were cut
        self._held = known[keep:]
        self._given = upto - keep
        return ready, found + first


def usual_step(values: FloatArray, resolution: float) -> float:
    """Usual distance between the levels that a channel shows, or its resolution if that is coarser."""
    # sorted, not by `np.unique`: NumPy's table of distinct values takes four times as long
    steps = np.diff(np.sort(values))
    steps = steps[steps > 0]
    return max(median(steps) if len(steps) else 0.0, resolution)


@dataclass(frozen=True, slots=True)
class _Column:
    """A channel, the least size of its spikes, its least noise, and the noise of its values."""

    values: FloatArray
    least_step: float
    least_noise: float
    noise_of: Callable[[FloatArray], FloatArray]


def _mended(column: _Column, other: _Column, lost: IntArray) -> tuple[FloatArray, IntArray]:
    """Return the values without spikes, and the places of those replaced."""
    values = column.values
    count = len(values)
    none = np.empty(0, np.int64)
    if count < BEHIND + AHEAD + 1:
        return values, none
    suspects = _suspects(column)
    away = _away(values, suspects)
    suspects = suspects[away > SPIKE_NOISES / 3 * column.noise_of(values[suspects])]
    if not len(suspects):
        return values, none
    single = _single(column, suspects)
    single = single[lost[single + 2] == lost[single - BEHIND]]
    mended = values
    if len(single):
        mended = values.copy()
        mended[single] = (values[single - 1] + values[single + 1]) / 2
    # a suspect may be the second of two; these are in order, and each stands twice at the most
    either = np.stack([suspects - 1, suspects], axis=1).ravel()
    first = _double(column, other, either[np.diff(either, prepend=-BEHIND) > 0])
    first = first[lost[first + AHEAD] == lost[first - 2]]
    # single ones are seen more surely, and two pairs do not overlap
    first = first[~np.isin(first, single) & ~np.isin(first + 1, single) & (np.diff(first, prepend=-9) > 1)]
    if not len(first):
        return mended, single
    mended = mended.copy() if mended is values else mended
    for share, place in ((1 / 3, first), (2 / 3, first + 1)):
        mended[place] = (1 - share) * values[first - 1] + share * values[first + 2]
    return mended, np.unique(np.concatenate([single, first, first + 1]))


def _suspects(column: _Column) -> IntArray:
    """Return the few samples that lie away from the middle of their neighbours at all."""
    values = column.values
    least = max(column.least_step / 3, SPIKE_NOISES / 3 * column.least_noise)
    found = []
    # part by part, so that what is worked on stays in the cache
    for begin in range(BEHIND, len(values) - AHEAD, PART_SAMPLES):
        end = min(begin + PART_SAMPLES, len(values) - AHEAD)
        away = values[begin - 1 : end - 1] + values[begin + 1 : end + 1]
        away *= 0.5
        np.subtract(values[begin:end], away, out=away)
        np.abs(away, out=away)
        found.append(np.flatnonzero(away > least) + begin)
    return np.concatenate(found)


def _away(values: FloatArray, at: IntArray) -> FloatArray:
    """Return how far values lie from the middle of their neighbours."""
    return np.abs(values[at] - (values[at - 1] + values[at + 1]) / 2)


def _single(column: _Column, suspects: IntArray) -> IntArray:
    """Return which suspects stand alone."""
    values, off = column.values, _away(column.values, suspects)
    beside = values[suspects[:, None] + np.array([[-3, -2, -1, 1, 2]])]
    steps = np.abs(np.diff(beside, axis=1)).max(axis=1)
    found: IntArray = suspects[
        (off > column.least_step)
        & (off > SPIKE_NOISES * column.noise_of(values[suspects]))
        & (off > SPIKE_STEPS * steps)
    ]
    return found


def _double(column: _Column, other: _Column, first: IntArray) -> IntArray:
    """Return which suspects stand away together with the reading behind them."""
    first = first[(first >= BEHIND) & (first < len(column.values) - AHEAD)]
    before, behind = column.values[first - 1], column.values[first + 2]
    # most are no spikes by their size, and are not looked at further
    line = before + (behind - before) * np.array([[1 / 3], [2 / 3]])
    off = np.stack([column.values[first], column.values[first + 1]]) - line
    least = np.abs(off).min(axis=0)
    large = (off[0] * off[1] > 0) & (least > max(column.least_step, SPIKE_NOISES * column.least_noise))
    first, off, least = first[large], off[:, large].T, least[large]
    near = first[:, None] + np.arange(-2, 4)
    values = column.values[near]
    beside = np.diff(values[:, [0, 1, 4, 5]], axis=1)
    noise = column.noise_of(np.take_along_axis(values, 2 + np.abs(off).argmax(axis=1)[:, None], axis=1))[:, 0]
    found = (least > SPIKE_NOISES * noise) & (least > SPIKE_STEPS * np.abs(beside).max(axis=1))
    # a press, a stop and a break show in the other channel too
    steps = np.diff(other.values[near], axis=1)
    uneven = np.abs(steps[:, 1:4] - np.median(steps, axis=1)[:, None]).max(axis=1)
    allowed = STRAIGHT_SHARE * np.abs(steps).max(axis=1) + 4 * other.noise_of(other.values[near]).max(axis=1)
    kept: IntArray = first[found & (uneven <= allowed + other.least_step / SPIKE_RESOLUTIONS)]
    return kept
