"""Presses cut out of a recording, for calibrations that rest on presses: delay and frame.

Problem: a delay and a frame are measured before the rig is calibrated, on presses that let go completely;
what is needed of each is its force without the zero, from no load to no load, and nothing else.
Plan: a press is a stretch of high force between two stretches of low force; in each of the latter the
platen's furthest third of the way is without load, and gives the zero and the noise. Presses that kept
contact, that saturated, or that lost samples are left out and counted. Cost: a few passes over the
recording.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from rig.calibration.alignment import Aligner
from rig.calibration.calibration import Calibration
from rig.calibration.signals import Signals
from rig.errors import InputError
from rig.samples import FloatArray, IntArray, Samples, Status

PRESSED_SHARE, FREE_SHARE = 0.10, 0.05
"""Of the recording's range of force: a press begins above the first, and has ended below the second."""

FURTHEST_SHARE = 1 / 3
"""Of the way between two presses, counted from its far end: no load, if the gap is not tiny."""

LEAST_FREE = 5
"""Values without load on either side of a press; fewer give no zero."""

MARGIN_SHARE = 0.5
"""How much further than the pressed stretch a press is cut, as a share of its depth: past the first
contact."""

SHALLOW_SHARE = 0.8
"""A press below this share of the median peak force is a half press."""

LOADED_SHARE, NOISE_TIMES = 0.01, 4.0
"""A force that follows the position by more of the peak than this, and by more than noise does, is a load."""

_TURN_SHARE = 0.02
"""Of the depth, within which a press is deepest."""

_BULK = 0.9
_BULK_FACTOR = 1.267
"""The root mean square of the smaller nine tenths of normal deviations, times this, is their standard
deviation: starts and stops of the platen are among the rest."""

_SPOILT = Status.FORCE_SATURATED | Status.POSITION_FAULT


@dataclass(frozen=True, slots=True, eq=False)
class Press:
    """One press from no load to no load, arrays of shape (n,).

    `force_n`: the zero taken off, straight between the stretches without load on both sides.
    `turn`: index of the middle of the deepest stretch.
    `free_force_n`, `free_position_mm`: noise without load, standard deviations of single values.
    """

    time_s: FloatArray
    force_n: FloatArray
    position_mm: FloatArray
    turn: int
    free_force_n: float
    free_position_mm: float
    recording: int

    @property
    def peak_force_n(self) -> float:
        """Largest force."""
        return float(self.force_n.max())


@dataclass(frozen=True, slots=True)
class Sensing:
    """How well single values are read.

    `force_u_n`, `position_u_mm`: standard uncertainties of single values: noise or resolution, whichever is
    larger.
    `position_step_mm`: smallest step of the position; 0 if unknown.
    """

    force_u_n: float
    position_u_mm: float
    position_step_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Presses:
    """The whole presses of some recordings, and how many were left out."""

    whole: tuple[Press, ...]
    left_out: int

    def sensing(self, read: Signals) -> Sensing:
        """Return how well single values are read; `read` gives the smallest steps of the recordings."""
        force_n = math.sqrt(float(np.mean([press.free_force_n**2 for press in self.whole])))
        position_mm = math.sqrt(float(np.mean([press.free_position_mm**2 for press in self.whole])))
        # the larger of both, not their sum: noise beyond a step has the step's own scatter in it
        return Sensing(
            max(force_n, read.force_resolution_n / math.sqrt(12)),
            max(position_mm, read.position_resolution_mm / math.sqrt(12)),
            read.position_resolution_mm,
        )


def aligned(recordings: Sequence[Samples], calibration: Calibration) -> list[Signals]:
    """Return the signals of whole recordings, one per recording that holds samples."""
    signals = []
    for samples in recordings:
        aligner = Aligner(calibration)
        parts = [aligner.push(samples), aligner.finish()]
        signals += [part for part in parts if part is not None]
    if not signals:
        raise InputError("the recordings hold no samples; expected presses")
    return signals


def presses_of(recordings: Sequence[Signals], *, released: bool = False) -> Presses:
    """Return the whole presses of recordings, in order.

    Raises InputError if a recording has no clock, or none of them holds a whole press.

    `recordings`: each from its first sample to its last, with a clock.
    `released`: leave out presses in whose gaps the force still follows the position: their zero is none. A
    late force does so too.
    """
    whole: list[Press] = []
    found = 0
    for number, signals in enumerate(recordings, start=1):
        if len(signals) and not np.isfinite(signals.time_s).all():
            raise InputError(f"recording {number}: has no clock; expected one whose samples carry a time")
        # before the zero is known: the levels are shares of the recording's own range
        stretches = _pressed(signals.force_n)
        _refuse_reversed(signals.position_mm, stretches, number)
        found += len(stretches)
        whole += [
            _press(signals, stretch, free, number)
            for stretch, free in _whole(signals, stretches)
            if not (released and _loaded(signals, stretch, free))
        ]
    if not whole:
        raise InputError(
            f"found {found} presses, none of them whole; expected presses that begin and end without load, "
            "with a gap of a tenth of the depth at the least, unsaturated and without lost samples"
        )
    # the first press is often shallower; the median says what was meant
    typical_n = float(np.median([press.peak_force_n for press in whole]))
    deep_enough = tuple(press for press in whole if press.peak_force_n >= SHALLOW_SHARE * typical_n)
    return Presses(deep_enough, found - len(deep_enough))


def _pressed(force_n: FloatArray) -> IntArray:
    """Return the stretches of high force as half-open ranges, shape (m, 2)."""
    if len(force_n) < 2 * LEAST_FREE:
        return np.empty((0, 2), np.int64)
    # two levels, so that noise about one of them does not cut a press in two
    low_n, high_n = np.percentile(force_n, 2), force_n.max()
    above = force_n > low_n + PRESSED_SHARE * (high_n - low_n)
    below = force_n < low_n + FREE_SHARE * (high_n - low_n)
    decided = np.flatnonzero(above | below)
    if not len(decided) or not above.any():
        return np.empty((0, 2), np.int64)
    # between the two levels a press lasts as it was
    last = np.searchsorted(decided, np.arange(len(force_n)), side="right") - 1
    pressed = np.where(last >= 0, above[decided[np.maximum(last, 0)]], False)
    # changes come in pairs: where a stretch begins, and one past its end
    return np.flatnonzero(np.diff(pressed, prepend=False, append=False)).reshape(-1, 2)


def _refuse_reversed(position_mm: FloatArray, stretches: IntArray, number: int) -> None:
    if not len(stretches):
        return
    pressed = np.zeros(len(position_mm) + 1, np.int64)
    np.add.at(pressed, stretches[:, 0], 1)
    np.add.at(pressed, stretches[:, 1], -1)
    inside = np.cumsum(pressed[:-1]) > 0
    if not inside.all() and position_mm[inside].mean() < position_mm[~inside].mean():
        raise InputError(
            f"recording {number}: the position falls while the force rises; expected both to rise under "
            "compression: one of the scales has the wrong sign"
        )


def _whole(
    signals: Signals, stretches: IntArray
) -> Iterator[tuple[tuple[int, int], tuple[IntArray, IntArray]]]:
    """Yield the presses that nothing spoilt, with the samples far away from the specimen on both sides."""
    starts, ends = stretches[:, 0].tolist(), stretches[:, 1].tolist()
    lefts, rights = [0, *ends], [*starts, len(signals)]
    far = [_free(signals.position_mm, left, right) for left, right in zip(lefts, rights, strict=True)]
    for k, stretch in enumerate(zip(starts, ends, strict=True)):
        before, after = far[k], far[k + 1]
        inside = slice(lefts[k], rights[k + 1])
        lost = signals.lost[inside]
        spoilt = (signals.status[inside] & _SPOILT).any() or lost[-1] > lost[0]
        if min(len(before), len(after)) >= LEAST_FREE and not spoilt:
            yield stretch, (before, after)


def _free(position_mm: FloatArray, left: int, right: int) -> IntArray:
    """Return the samples of a stretch between presses in which the platen is far away."""
    if right - left < LEAST_FREE:
        return np.empty(0, np.int64)
    part = position_mm[left:right]
    far_mm, near_mm = part.min(), max(part[0], part[-1])
    return left + np.flatnonzero(part <= far_mm + FURTHEST_SHARE * (near_mm - far_mm))


def _loaded(signals: Signals, stretch: tuple[int, int], free: tuple[IntArray, IntArray]) -> bool:
    """Return whether the force still follows the position where there should be no load."""
    peak_n = float(signals.force_n[stretch[0] : stretch[1]].max())
    for where in free:
        force_n, position_mm = signals.force_n[where], signals.position_mm[where]
        off_mm = position_mm - position_mm.mean()
        spread_mm2 = float(off_mm @ off_mm)
        if spread_mm2 == 0:
            continue
        # slope of force over position by least squares, less what noise alone may make of it
        slope = float(off_mm @ force_n) / spread_mm2
        doubt = NOISE_TIMES * _noise(signals.force_n, where) / math.sqrt(spread_mm2)
        follows_n = (abs(slope) - doubt) * float(np.ptp(position_mm))
        if follows_n > LOADED_SHARE * (peak_n - float(force_n.mean())):
            return True
    return False


def _press(
    signals: Signals, pressed: tuple[int, int], free: tuple[IntArray, IntArray], recording: int
) -> Press:
    """Return the press of a stretch, cut where the platen leaves the specimen on both sides."""
    before, after = free
    time_s, position_mm, force_n = signals.time_s, signals.position_mm, signals.force_n
    middles_s = [float(time_s[side].mean()) for side in free]
    zeros_n = [float(force_n[side].mean()) for side in free]
    start, end = pressed
    deepest_mm = position_mm[start:end].max()
    edge_mm = min(position_mm[start], position_mm[end - 1])
    # cut half a depth beyond the contact, so that the loop closes without load
    near = position_mm > edge_mm - MARGIN_SHARE * (deepest_mm - edge_mm)
    # never further than the stretches that gave the zero
    first, last = int(before[0]), int(after[-1]) + 1
    far = np.flatnonzero(~near[first:start])
    first += int(far[-1]) if len(far) else 0
    far = np.flatnonzero(~near[end:last])
    last = end + int(far[0]) + 1 if len(far) else last
    cut = slice(first, last)
    # the force's zero drifts: a straight line between both stretches without load
    zero_n = np.interp(time_s[cut], middles_s, zeros_n)
    # the middle of what lies deepest: the deepest sample itself is picked by its noise
    deep = np.flatnonzero(position_mm[cut] >= deepest_mm - _TURN_SHARE * (deepest_mm - edge_mm))
    return Press(
        time_s[cut],
        force_n[cut] - zero_n,
        position_mm[cut],
        int(deep[0] + deep[-1]) // 2,
        math.sqrt(float(np.mean([_noise(force_n, side) ** 2 for side in free]))),
        math.sqrt(float(np.mean([_noise(position_mm, side) ** 2 for side in free]))),
        recording,
    )


def _noise(values: FloatArray, where: IntArray) -> float:
    """Return the standard deviation of single values, from second differences: an even motion drops out."""
    run = values[where[0] : where[-1] + 1]
    # a second difference of independent values has 1 + 4 + 1 = 6 times their variance
    bend = np.sort(np.abs(run[2:] - 2 * run[1:-1] + run[:-2]))
    bulk = bend[: max(int(_BULK * len(bend)), 1)]
    if not len(bulk):
        return 0.0
    return _BULK_FACTOR * math.sqrt(float(np.mean(bulk**2)) / 6)
