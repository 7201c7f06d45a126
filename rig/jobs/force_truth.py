"""Whether the readings of force can be true at all: fresh, alive, and within the converter's range.

Problem: a converter that hangs goes on giving its last value, and a limit on a force that does not change
protects no person. Plan: with status bit 6 a device says which readings are new. None for a while, or the
same count again and again from a converter whose noise is known to be larger than a count, cannot be true.
How often this converter repeats itself is learnt while it is at work; one that is coarse or pinned to its
zero is never judged by it. Cost: three passes over the new readings.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from rig.methods import RigLimits
from rig.samples import FloatArray, RawArray, Samples, Status

STALE_S = 0.25
STALE_PERIODS = 5.0
"""A device stops by itself after three periods of its converter without a value; the host after these."""

SAME_READINGS = 8
SAME_TIMES = 4
"""This many equal new readings in a row are no chance, nor this many times the longest run seen so far."""

LEARNT_READINGS = 50
"""Steps at rest from which noise is judged: half a second at 80 readings/s."""

LEAST_STEP = 2.0
"""Counts: where the usual step at rest is smaller, a quiet converter may rightly repeat itself."""

STEP_TO_SD = 0.954
"""Median of |difference of two normal readings| over their standard deviation, sqrt(2) x 0.6745."""

KEPT = 400


class ForceTruth:
    """Follows the new readings of one converter."""

    def __init__(self, rig: RigLimits) -> None:
        self._stale_s = max(STALE_S, STALE_PERIODS / rig.conversions_per_s)
        self._fresh_s: float | None = None
        self.readings = 0
        self._last: float | None = None
        self._run = 0
        self._longest = 0
        self._steps: deque[float] = deque(maxlen=KEPT)

    @property
    def noise_counts(self) -> float:
        """Standard deviation of the readings at rest; 0 where it is not known or is below the resolution."""
        return self._usual_step / STEP_TO_SD if self._usual_step >= LEAST_STEP else 0.0

    @property
    def _usual_step(self) -> float:
        return float(np.median(self._steps)) if len(self._steps) >= LEARNT_READINGS else 0.0

    def begin(self, time_s: float) -> None:
        """From now on readings are needed."""
        self._fresh_s = time_s

    def look(self, samples: Samples, time_s: FloatArray) -> str | None:
        """Return what cannot be true of the readings up to now, in words."""
        fresh = (samples.status & np.uint8(Status.FRESH_FORCE)) != 0
        resting = (samples.status & np.uint8(Status.MOVING)) == 0
        # a saturated converter gives its last value again and again by right
        alive = fresh & ((samples.status & np.uint8(Status.FORCE_SATURATED)) == 0)
        if alive.any():
            self._follow(samples.force[alive], resting=bool(resting.all()))
        self.readings += int(np.count_nonzero(fresh))
        if fresh.any():
            self._fresh_s = float(time_s[fresh][-1])
        elif self._fresh_s is None:
            self._fresh_s = float(time_s[0])
        stale_s = float(time_s[-1]) - self._fresh_s
        if stale_s > self._stale_s:
            return (
                f"no new force reading for {stale_s:.2f} s (status bit 6 is not set): the force is "
                "unknown; check the converter"
            )
        most = max(SAME_READINGS, SAME_TIMES * self._longest)
        if self._run >= most and self._usual_step >= LEAST_STEP:
            return (
                f"the force is frozen: {self._run} new readings in a row of {self._last:g} counts, where it "
                f"changes by {self._usual_step:.1f} counts at rest; check the converter"
            )
        return None

    def _follow(self, new: RawArray, *, resting: bool) -> None:
        readings = np.asarray(new, np.float64)
        if self._last is not None:
            readings = np.concatenate([[self._last], readings])
        steps = np.abs(np.diff(readings))
        self._last = float(readings[-1])
        if resting:
            self._steps.extend(steps.tolist())
        changes = np.flatnonzero(steps)
        if not len(changes):
            self._run += len(steps)
            return
        # the run before counts the readings equal to its first, which is one more than its steps
        lengths = np.diff(changes)
        inside = int(lengths.max()) if len(lengths) else 0
        self._longest = max(self._longest, self._run + int(changes[0]), inside)
        self._run = len(steps) - int(changes[-1])
