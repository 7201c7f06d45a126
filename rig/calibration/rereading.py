"""Signals as another calibration would have read them: what is moved is moved in N, mm and s.

The raw counts are gone where a position was interpolated between samples; a scale is monotonic, so that
they can be had back from the value.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rig.calibration.calibration import Calibration
from rig.calibration.scales import Scale
from rig.calibration.signals import Signals
from rig.samples import FloatArray


def read_again(signals: Signals, before: Calibration, after: Calibration) -> Signals:
    """Return the same samples read with another calibration.

    Parameters
    ----------
    signals
        As `before` read them.
    before, after
        The frame and the backlash are no matter of single samples, and are left to whoever knows strokes.

    Returns
    -------
    Signals with the same times. A longer delay takes later forces to the positions, whose turns, which bound
    the strokes, stay where they are.
    """
    sign = signals.direction
    force_n = sign * _again(sign * signals.force_n, before.force, after.force)
    position_mm = sign * _again(sign * signals.position_mm, before.position, after.position)
    later_s = after.delay.s - before.delay.s
    if later_s and len(signals) and np.isfinite(signals.time_s[0]):
        force_n = np.interp(signals.time_s + later_s, signals.time_s, force_n)
    return replace(signals, force_n=force_n, position_mm=position_mm)


def _again(values: FloatArray, before: Scale | None, after: Scale | None) -> FloatArray:
    if before is None or after is None or (before.terms == after.terms and before.offset == after.offset):
        return values
    return after.value(before.counts(values))
