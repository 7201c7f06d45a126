"""The host's own trips on force, travel and rate of rise, beside those of the device.

Problem: a force that runs away must stop the platen although disk, page or analysis are busy. Plan: the
thread that reads looks at every batch before it waits anywhere, and sends the halt itself; whoever runs the
motion finds the wire tripped, halts again and waits for the answer. Cost: three comparisons of arrays
for each batch.

The device's own limits and a hard-wired emergency stop come first; this is a second line.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from rig.calibration import Scale
from rig.methods import RigLimits
from rig.samples import FloatArray, Samples

RISE_OVER_S = 0.01
"""The rise of force is taken over so long, and `RISE_SAMPLES` at the least: noise alone must not trip."""

RISE_SAMPLES = 4

MOST_KEPT = 4096
"""Samples kept from batch to batch: enough at 100 000 a second."""

US_PER_S = 1e6

TRAVEL_SLACK_MM = 0.5
"""The platen may stand on a limit, give or take its braking and noise; the device's own trip is sharp."""


class Tripwire:
    """Looks at samples in the reading thread; halts once, and remembers why.

    Parameters
    ----------
    force, position
        What a count is.
    rig
        The limits.
    halt
        Sends the halt without waiting for its answer.
    """

    def __init__(self, force: Scale, position: Scale, rig: RigLimits, halt: Callable[[], bool]) -> None:
        self._force, self._position, self._rig, self._halt = force, position, rig, halt
        self._guard = threading.Lock()
        self._armed = self._travel = False
        self._why: str | None = None
        self._kept_n: FloatArray = np.empty(0)
        self._kept_s: FloatArray = np.empty(0)

    @property
    def why(self) -> str | None:
        """What was passed, in words; None while nothing was."""
        return self._why

    def arm(self, *, travel: bool = True) -> None:
        """Look from now on; without `travel` while positions mean nothing yet. What tripped is forgotten."""
        with self._guard:
            self._armed, self._travel, self._why = True, travel, None
            self._kept_n = self._kept_s = np.empty(0)

    def disarm(self) -> None:
        """Nothing moves: a person may press by hand."""
        self._armed = False

    def look(self, samples: Samples) -> None:
        """Halt if something is passed. Called by the reading thread."""
        if not self._armed or self._why is not None:
            return
        why = self._passed(samples)
        if why is None:
            return
        with self._guard:
            if self._armed and self._why is None:
                self._halt()
                self._why = why

    def _passed(self, samples: Samples) -> str | None:
        force_n = self._force.value(samples.force)
        position_mm = self._position.value(samples.position)
        low_n, high_n = self._rig.force_n
        if float(force_n.max()) > high_n:
            return f"the force reached {float(force_n.max()):.1f} N, above the limit of {high_n:g} N"
        if float(force_n.min()) < low_n:
            return f"the force fell to {float(force_n.min()):.1f} N, below the limit of {low_n:g} N"
        deepest_mm, limit_mm = float(position_mm.max()), self._rig.travel_mm[1]
        if self._travel and deepest_mm > limit_mm + TRAVEL_SLACK_MM:
            return f"the platen reached {deepest_mm:.2f} mm, beyond the limit of {limit_mm:g} mm"
        return self._risen(samples.time_us / US_PER_S, np.asarray(force_n, np.float64))

    def _risen(self, time_s: FloatArray, force_n: FloatArray) -> str | None:
        """Whether force rose faster than a soft part can make it."""
        force_n, time_s = np.concatenate([self._kept_n, force_n]), np.concatenate([self._kept_s, time_s])
        start = np.searchsorted(time_s, time_s - RISE_OVER_S, side="right") - 1
        start = np.minimum(start, np.arange(len(time_s)) - RISE_SAMPLES)
        at = np.flatnonzero(start >= 0)
        start = start[at]
        first = min(
            int(np.searchsorted(time_s, time_s[-1] - RISE_OVER_S)) - 1, len(time_s) - RISE_SAMPLES - 1
        )
        first = max(first, len(time_s) - MOST_KEPT, 0)
        self._kept_n, self._kept_s = force_n[first:], time_s[first:]
        if not len(at):
            return None
        span_s = time_s[at] - time_s[start]
        with np.errstate(divide="ignore", invalid="ignore"):
            rise = np.where(span_s > 0, (force_n[at] - force_n[start]) / span_s, 0.0)
        largest = float(rise.max())
        if largest > self._rig.largest_rise_n_per_s:
            limit = self._rig.largest_rise_n_per_s
            return f"the force rose by {largest:.0f} N/s, faster than the limit of {limit:.0f} N/s"
        return None
