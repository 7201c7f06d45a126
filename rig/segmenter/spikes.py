"""Single readings that stand alone: recognised, and replaced by the line between their neighbours.

Problem: one wrong reading in a thousand becomes a contact, a turn, a peak. Plan: a reading is a spike if it
lies away from the middle of its neighbours by many times the noise, and by several times every step around
it; a turn, a step and a steep rise all move their neighbours too. Two wrong readings in a row are left alone.
Cost: a few differences of the samples; a reading is decided two samples later."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter.noise import Noise

BEHIND = 3
AHEAD = 2
"""Neighbours that have a say."""

SPIKE_NOISES = 10.0
SPIKE_RESOLUTIONS = 5.0
SPIKE_STEPS = 4.0
"""A spike is as many times the noise, steps of the resolution, and steps around it."""


class SpikeFilter:
    """Takes a recording in parts and hands it on, two samples late, free of spikes.

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
        force_n, in_force = _mended(
            known.force_n,
            known.lost,
            SPIKE_RESOLUTIONS * self._steps[0],
            lambda force_n: np.hypot(noise.force_n, noise.force_share * (force_n - noise.zero_n)),
        )
        position_mm, in_position = _mended(
            known.position_mm,
            known.lost,
            SPIKE_RESOLUTIONS * self._steps[1],
            lambda position_mm: np.full(len(position_mm), noise.position_mm),
        )
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
    levels = np.unique(values)
    return max(float(np.median(np.diff(levels))) if len(levels) > 1 else 0.0, resolution)


def _mended(
    values: FloatArray, lost: IntArray, least_step: float, noise_of: Callable[[FloatArray], FloatArray]
) -> tuple[FloatArray, IntArray]:
    """Values without spikes, and the places of those replaced."""
    count = len(values)
    none = np.empty(0, np.int64)
    if count < BEHIND + AHEAD + 1:
        return values, none
    away = values[:-2] + values[2:]
    away /= 2
    np.subtract(values[1:-1], away, out=away)
    np.abs(away, out=away)
    # the first test is passed by hardly any sample: the rest is looked at for those alone
    suspects = np.flatnonzero(away > least_step) + 1
    suspects = suspects[(suspects >= BEHIND) & (suspects < count - AHEAD)]
    suspects = suspects[away[suspects - 1] > SPIKE_NOISES * noise_of(values[suspects])]
    if not len(suspects):
        return values, none
    near = suspects[:, None] + np.array([[-3, -2, -1, 1, 2]])
    beside = values[near]
    steps = np.abs(np.diff(beside, axis=1)).max(axis=1)
    whole = lost[suspects + AHEAD] == lost[suspects - BEHIND]
    found = suspects[(away[suspects - 1] > SPIKE_STEPS * steps) & whole]
    if not len(found):
        return values, found
    mended = values.copy()
    mended[found] = (values[found - 1] + values[found + 1]) / 2
    return mended, found
