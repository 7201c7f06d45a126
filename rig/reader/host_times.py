"""Times for samples of firmware that sends none: the host's, spread over what was received together.

Problem: a read hands over many samples at one moment. Plan: the last one of a read is placed at the
moment of receipt, those before it evenly back to the read before, or at the running rate if that is
long past.
Cost: one division for each read. The capture says that its clock is the host's.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from rig.samples import FloatArray, IntArray

START_SPAN_S = 0.25
"""Receipts over less time say little about the rate, since adapters deliver every 16 ms or so."""

SETTLING_S = 2.0
"""The running rate follows a change within this time."""

OUTAGE_S = 1.0
"""A longer silence is an outage, not a slow rate."""

LATE = 2.0
"""A read that comes later than this many times its usual wait follows a hole, over which nothing is
spread."""


class HostTimes:
    """Running rate and the last time given out. Times count from the first receipt."""

    def __init__(self) -> None:
        self.last_us = -1
        self._origin_s: float | None = None
        self._period_us = 0.0
        self._heard_s = 0.0

    def ready(self, heard_s: FloatArray) -> bool:
        """Return whether these receipts, shape (n,), or those before tell a rate."""
        return self._origin_s is not None or float(heard_s[-1] - heard_s[0]) >= START_SPAN_S

    def spread(self, heard_s: FloatArray) -> IntArray:
        """Return the times in microseconds of samples received at `heard_s`, in order; both of shape (n,)."""
        if len(heard_s) == 0:
            return np.empty(0, np.int64)
        bounds = [0, *(np.flatnonzero(np.diff(heard_s)) + 1).tolist(), len(heard_s)]
        if self._origin_s is None:
            # The first read does not tell when it began: its samples are set back at the rate of the others.
            first = bounds[1]
            later = len(heard_s) - first
            self._period_us = float(heard_s[-1] - heard_s[0]) * 1e6 / later if later else 1.0
            self._heard_s = float(heard_s[0])
            self._origin_s = self._heard_s - self._period_us * (first - 1) * 1e-6
        return np.concatenate(
            [self._place(float(heard_s[begin]), end - begin) for begin, end in pairwise(bounds)]
        )

    def _place(self, heard_s: float, count: int) -> IntArray:
        assert self._origin_s is not None
        waited_s = heard_s - self._heard_s
        if 0 < waited_s < OUTAGE_S:
            # An exponential mean with the time constant SETTLING_S, weighted by how long this read took.
            weight = min(waited_s / SETTLING_S, 1.0)
            self._period_us += weight * (waited_s * 1e6 / count - self._period_us)
        self._heard_s = heard_s
        # Two reads can carry one time only if the host's clock stood still: samples then stay 1 us apart.
        end_us = max((heard_s - self._origin_s) * 1e6, self.last_us + count)
        usual_us = self._period_us * count
        late = end_us - self.last_us > LATE * usual_us
        start_us = end_us - usual_us if late else self.last_us
        places = start_us + (end_us - start_us) * np.arange(1, count + 1) / count
        times_us = np.rint(places).astype(np.int64)
        self.last_us = int(times_us[-1])
        return times_us
