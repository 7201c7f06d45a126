"""Positions free of the sensor's backlash.

A reading with backlash follows the platen in, and lags behind by the backlash during unloading. Which way the
platen goes is known once strokes are: from the turn to the middle of the no-load stretch behind, it goes out.
While the backlash itself is taken up the reading stands still; what is put there, the end of it, misses half
of stiffness times backlash squared of the work, far below noise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.calibration import Signals
from rig.segmenter import Cycles


def freed_of_backlash(signals: Signals, cycles: Cycles, backlash_mm: float) -> Signals:
    """Signals whose positions during unloading are moved back by the backlash."""
    if not backlash_mm:
        return signals
    back_from = cycles.unload_start + 1
    back_until = np.maximum((cycles.release + cycles.after) // 2, cycles.release)
    steps = np.zeros(len(signals) + 1)
    np.add.at(steps, np.minimum(back_from, len(signals)), 1.0)
    np.add.at(steps, np.minimum(np.maximum(back_until, back_from), len(signals)), -1.0)
    going_back = np.cumsum(steps[:-1]) > 0
    return replace(signals, position_mm=signals.position_mm - backlash_mm * going_back)
