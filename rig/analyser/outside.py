"""Cycles that go beyond what the calibration was compared with."""

from __future__ import annotations

import numpy as np

from rig.analyser.strokes import Columns
from rig.calibration import Calibration
from rig.samples import FloatArray
from rig.segmenter import Flag, Segment


def flagged_outside(segment: Segment, columns: Columns, calibration: Calibration) -> FloatArray:
    """Flags of cycles, those beyond the range of the force, the position or the frame among them.

    Readings there still become numbers, of a curve that goes on as it ended; they were not compared with a
    reference.
    """
    flags, cycles, signals = columns["flags"], segment.cycles, segment.signals
    outside = np.zeros(len(flags), bool)
    if calibration.force is not None and (span := calibration.force.value_range) is not None:
        force_n = signals.force_n[cycles.load_end]
        outside |= (force_n < span[0]) | (force_n > span[1])
    if calibration.position is not None and (span := calibration.position.value_range) is not None:
        for index in (cycles.contact, cycles.load_end):
            position_mm = signals.position_mm[index]
            outside |= (position_mm < span[0]) | (position_mm > span[1])
    frame = calibration.frame
    if frame.measured:
        outside |= columns["peak_force_n"] > frame.force_n[-1]
    return np.where(outside, flags.astype(np.int64) | Flag.OUTSIDE_CALIBRATION, flags).astype(np.float64)
