"""Cycles kept for drawing: some spread over the whole recording, and the newest few.

A bounded number of each, thinned to what a picture can show.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from rig.analyser.result import Loop
from rig.analyser.strokes import Columns
from rig.calibration import Frame
from rig.samples import IntArray
from rig.segmenter import Segment

LOOPS = 24
LOOP_POINTS = 400

LATEST_LOOPS = 6
LATEST_POINTS = 200
"""A page that draws them several times a second needs no more."""

HOLD_SHARE = 8
"""No more than this part of the points lies in a hold, where nothing but force changes."""


@dataclass(slots=True)
class _Picture:
    """Thins the cycles of one segment."""

    segment: Segment
    columns: Columns
    frame: Frame

    def loop(self, row: int, points: int) -> Loop:
        cycles, signals = self.segment.cycles, self.segment.signals
        start = max(int(cycles.before[row]), int(cycles.contact[row]) - LOOP_POINTS // 4)
        turn, back = int(cycles.load_end[row]), int(cycles.unload_start[row])
        picked, load_end, unload_start = _picked(
            np.arange(start, turn + 1),
            np.arange(turn + 1, back),
            np.arange(max(back, turn + 1), int(cycles.release[row])),
            points,
        )
        zero_n = self.columns["zero_n"][row]
        force_n = signals.force_n[picked] - zero_n
        position_mm = signals.position_mm[picked] - self.frame.deflection_mm(force_n)
        deepest = cycles.load_end[row]
        frame_mm = self.frame.deflection_mm(signals.force_n[deepest] - zero_n)
        deepest_mm = signals.position_mm[deepest] - frame_mm
        origin_mm = deepest_mm - self.columns["peak_deflection_mm"][row]
        number = int(cycles.number[row])
        return Loop(number, position_mm - origin_mm, force_n, load_end, unload_start)


def _picked(loading: IntArray, hold: IntArray, unloading: IntArray, points: int) -> tuple[IntArray, int, int]:
    """At most this many samples, few of them of a hold, which would leave the strokes none; and the places in
    them of the last one of loading and the first one of unloading."""
    hold = hold[:: -(-len(hold) // (points // HOLD_SHARE)) or 1]
    stride = -(-(len(loading) + len(unloading)) // (points - len(hold) - 2)) or 1
    # from the turn backwards, so that the turn is kept
    loading, unloading = loading[::-1][::stride][::-1], unloading[::stride]
    turn = len(loading) - 1
    back = turn + len(hold) + 1 if len(hold) and len(unloading) else turn
    return np.concatenate([loading, hold, unloading]), turn, back


class LoopKeeper:
    """Keeps loops of the cycles of one recording.

    Attributes
    ----------
    spread
        Every this many cycles one, the stride doubling as they become many; at most `LOOPS`.
    latest
        The newest cycles; at most `LATEST_LOOPS`, of at most `LATEST_POINTS` points.
    """

    def __init__(self) -> None:
        self.spread: list[Loop] = []
        self.latest: deque[Loop] = deque(maxlen=LATEST_LOOPS)
        self._stride = 1

    def take(self, segment: Segment, columns: Columns, frame: Frame) -> None:
        """Take the cycles of a segment, measured."""
        picture = _Picture(segment, columns, frame)
        numbers = segment.cycles.number.tolist()
        for row, number in enumerate(numbers):
            if (number - 1) % self._stride:
                continue
            self.spread.append(picture.loop(row, LOOP_POINTS))
            if len(self.spread) > LOOPS:
                self._stride *= 2
                self.spread = [each for each in self.spread if (each.cycle - 1) % self._stride == 0]
        for row in range(max(len(numbers) - LATEST_LOOPS, 0), len(numbers)):
            self.latest.append(picture.loop(row, LATEST_POINTS))
