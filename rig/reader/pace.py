"""How fast samples come: the period that makes steps of `seq` and of time comparable.

Problem: firmware that people already have does not say its rate, or says it wrongly. Plan: the median of
the first few steps, which one bad sample cannot spoil, then the mean over all ordinary steps; a run of
steps that are all off by more than half a period means that the rate was changed, and its median is
taken up. Everything depends on the order of samples only, not on how they were chopped.
Cost: two sums and fifteen numbers.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from rig.samples import IntArray

START_SAMPLES = 6
"""Five steps, of which one bad sample spoils two: the median is sound."""

CHANGED_AFTER = 15
"""This many steps in a row that are off are no accident."""

MIN_PERIOD_US = 1.0


class Pace:
    """Running period of the samples.

    `period_us`: period against which a single step is called ordinary; None until known.
    `slack_us`: largest deviation of an ordinary step: half a period, or a whole tick of a clock so coarse
    that several samples share a time.
    """

    def __init__(self) -> None:
        self.period_us: float | None = None
        self.slack_us = 0.0
        self._steps = 0
        self._time_us = 0
        self._off: deque[float] = deque(maxlen=CHANGED_AFTER)

    @property
    def mean_us(self) -> float | None:
        """Mean period over all ordinary steps, for steps that span many samples."""
        return self._time_us / self._steps if self._steps and self._time_us else self.period_us

    def start(self, steps_us: IntArray) -> None:
        """Take the period from the time of the first steps; those that go back are no measure."""
        forward = steps_us[steps_us >= 0]
        if len(forward):
            # Equal times beside others: the clock's tick is longer than the period, which then is their mean.
            coarse = bool(np.any(forward == 0) and np.any(forward > 0))
            tick_us = float(np.min(forward[forward > 0])) if coarse else 0.0
            self._set(float(np.mean(forward) if coarse else np.median(forward)), tick_us)

    def ordinary(self, steps: int, time_us: int) -> None:
        """Count a run of ordinary steps."""
        self._steps += steps
        self._time_us += time_us
        self._off.clear()

    def off(self, period_us: float) -> bool:
        """Count a step whose period is off; return whether the pace changed because of it."""
        self._off.append(period_us)
        if len(self._off) < CHANGED_AFTER:
            return False
        self._set(float(np.median(self._off)), 0.0)
        return True

    def _set(self, period_us: float, tick_us: float) -> None:
        self.period_us = max(period_us, MIN_PERIOD_US)
        self.slack_us = max(self.period_us / 2, tick_us)
        self._steps = self._time_us = 0
        self._off.clear()
