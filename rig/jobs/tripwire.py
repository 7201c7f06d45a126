"""The host's own trips on force, travel and rate of rise, beside those of the device.

Problem: a force that runs away, or a platen that does not follow its command, must be stopped although
disk, page or analysis are busy. Plan: the thread that reads looks at every batch before it waits anywhere,
and sends the halt itself; whoever runs the motion finds the wire tripped, halts again and waits for the
answer. Limits come first, then status bits, then the course of the motion (motion_watch.py), then whether
the force can be true (force_truth.py). Cost: some twenty passes over arrays for each batch.

The device's own limits and a hard-wired emergency stop come first; this is a second line.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from rig.calibration import Scale
from rig.jobs.force_truth import ForceTruth
from rig.jobs.motion_watch import FREED_MM, IntendedMotion, MotionWatch
from rig.methods import RigLimits
from rig.reader import MOST_RATE
from rig.samples import US_PER_S, FloatArray, Samples, Status

RISE_OVER_S = 0.01
"""The rise of force is taken over so long, and `RISE_SAMPLES` at the least: noise alone must not trip."""

RISE_SAMPLES = 4

MOST_KEPT = 4096
"""Samples kept from batch to batch: enough at 100 000 a second."""


TRAVEL_SLACK_MM = 0.5
"""The platen may stand on a limit, give or take its braking and noise; the device's own trip is sharp."""

BITS_FOR_S = 0.02
BIT_SAMPLES = 3
BITS_WITHIN_S = 0.1
"""A status bit counts once this many samples had it, the first and the last of them so far apart, within the
last of these or of twice as many samples: a damaged byte decides nothing, a loose contact does."""

RATE_OVER_S = 1.0
"""The device's rate is counted over so long by the numbers of its samples, so that lost ones count too."""

SWITCH_AWAY_MM = 5.0
"""So far from home its own switch is released: a switch that is pressed there is another one, or broken."""

_BITS = {
    Status.EMERGENCY_STOP: "the emergency stop is pressed",
    Status.FORCE_TRIP: "the device's own force trip is latched",
    Status.FORCE_SATURATED: "the force converter is saturated",
    Status.POSITION_FAULT: "the position sensor reports a fault",
}


class Tripwire:
    """Looks at samples in the reading thread; halts once, and remembers why.

    `halt`: sends the halt without waiting for its answer.
    """

    def __init__(self, force: Scale, position: Scale, rig: RigLimits, halt: Callable[[], bool]) -> None:
        self._force, self._position, self._rig, self._halt = force, position, rig, halt
        self._guard = threading.Lock()
        self._armed = self._travel = self._limits = False
        self._why: str | None = None
        self._watch: MotionWatch | None = None
        self._cycling: MotionWatch | None = None
        self._ended: Callable[[], bool] = lambda: False
        self._truth = ForceTruth(rig)
        self._bits: dict[int, FloatArray] = {}
        self._period_s = 0.0
        self._counted_from: tuple[int, float] | None = None
        self._newest: tuple[float, float, float] | None = None
        self._kept: tuple[FloatArray, FloatArray] = (np.empty(0), np.empty(0))

    @property
    def why(self) -> str | None:
        """What was passed, in words; None while nothing was."""
        return self._why

    @property
    def cycles_seen(self) -> int | None:
        """Cycles that the samples show of the last motion that was one of cycles; None if there was none."""
        return None if self._cycling is None else self._cycling.turns

    @property
    def newest(self) -> tuple[float, float, float] | None:
        """Device time in s, position in mm and force in N of the last sample; None before the first."""
        return self._newest

    @property
    def new_forces(self) -> int:
        """New force readings up to now."""
        return self._truth.readings

    def arm(self, *, travel: bool = True, limits: bool = True) -> None:
        """Look from now on. What tripped is forgotten.

        `travel`: positions mean something: the rig is homed.
        `limits`: False while what passed a limit is being released.
        """
        with self._guard:
            self._armed, self._travel, self._limits, self._why = True, travel, limits, None
            self._kept = (np.empty(0), np.empty(0))
            self._bits, self._watch, self._counted_from = {}, None, None
            if self._newest is not None:
                self._truth.begin(self._newest[0])

    def disarm(self) -> None:
        """Nothing moves: a person may press by hand."""
        self._armed = False

    def expect(self, course: IntendedMotion, ended: Callable[[], bool]) -> None:
        """A motion is about to be ordered; once `ended` holds, the platen is to stand.

        Progress counts from `accepted` on.
        """
        home_mm = float(self._position.value(0.0))
        noise_n = self._truth.noise_counts * abs(self._force.per_count)
        kept_n, kept_s = self._kept
        span_s = float(kept_s[-1] - kept_s[0]) if len(kept_s) else 0.0
        rising_n_per_s = float(kept_n[-1] - kept_n[0]) / span_s if span_s > 0 else 0.0
        watch = MotionWatch(
            course, self._rig, home_mm=home_mm, noise_n=noise_n, rising_n_per_s=rising_n_per_s
        )
        with self._guard:
            self._ended, self._watch = ended, watch
        if course.kind == "cycle":
            self._cycling = watch

    def accepted(self) -> None:
        """The device has accepted the motion that is expected."""
        watch = self._watch
        if watch is not None:
            watch.accepted = True

    def trip(self, why: str) -> None:
        """Halt for a reason that is not in the samples."""
        with self._guard:
            if self._armed and self._why is None:
                self._halt()
                self._why = why

    def look(self, samples: Samples) -> None:
        """Halt if something is passed. Called by the reading thread."""
        time_s = samples.time_us / US_PER_S
        position_mm = np.asarray(self._position.value(samples.position), np.float64)
        force_n = np.asarray(self._force.value(samples.force), np.float64)
        before_s = time_s[0] if self._newest is None else self._newest[0]
        self._period_s = float(time_s[-1] - before_s) / len(time_s)
        self._newest = (float(time_s[-1]), float(position_mm[-1]), float(force_n[-1]))
        if self._armed and self._why is None and self._limits:
            why = self._passed(time_s, position_mm, force_n)
            if why is not None:
                self.trip(why)
        untrue = self._truth.look(samples, time_s)
        if not self._armed or self._why is not None or self._watch is None:
            return
        place = self._watch.course.place
        found = self._bit_set(samples, time_s, position_mm) or untrue or self._sparse(samples, time_s)
        if found is not None:
            self.trip(f"{place}: {found}")
            return
        astray = self._off_course(time_s, position_mm, force_n)
        if astray is not None:
            self.trip(astray)

    def _off_course(self, time_s: FloatArray, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        with self._guard:
            watch, ended = self._watch, self._ended
        assert watch is not None
        if watch.course.kind != "stand" and ended():
            stands = watch.standing()
            with self._guard:
                # another motion may have been ordered meanwhile
                if self._watch is watch:
                    self._watch = stands
            watch = stands
        return watch.look(time_s, position_mm, force_n)

    def _bit_set(self, samples: Samples, time_s: FloatArray, position_mm: FloatArray) -> str | None:
        """Return a status bit that forbids motion."""
        watch = self._watch
        releases = not self._limits and watch is not None and not watch.accepted
        for bit, words in _BITS.items():
            # a release clears the latch itself, and a device refuses to while its emergency stop is open;
            # until it has accepted the motion the bit may still show
            if bit in (Status.FORCE_TRIP, Status.EMERGENCY_STOP) and releases:
                continue
            # what is pressed too hard may saturate the converter until the platen has gone away from it
            held_on = bit == Status.FORCE_SATURATED and not self._limits
            if held_on and (watch is None or watch.gone_mm <= FREED_MM):
                continue
            if self._lasts(bit, samples, time_s):
                still = f"after {FREED_MM:g} mm " if held_on else ""
                return f"{still}{words}, according to the device's samples"
        away_mm = float(position_mm[-1]) - float(self._position.value(0.0))
        pressed = self._lasts(Status.TRAVEL_SWITCH, samples, time_s)
        if pressed and self._travel and abs(away_mm) > SWITCH_AWAY_MM:
            return (
                f"a travel switch is pressed, {away_mm:.1f} mm from home, according to the device's samples"
            )
        return None

    def _lasts(self, bit: Status, samples: Samples, time_s: FloatArray) -> bool:
        """Return whether a bit has been set in enough of the last samples."""
        set_s = np.concatenate(
            [self._bits.get(int(bit), np.empty(0)), time_s[(samples.status & np.uint8(bit)) != 0]]
        )
        if not len(set_s):
            return False
        since_s = float(time_s[-1]) - max(BITS_WITHIN_S, 2 * BIT_SAMPLES * self._period_s)
        set_s = self._bits[int(bit)] = set_s[set_s >= since_s][-MOST_KEPT:]
        return len(set_s) >= BIT_SAMPLES and float(set_s[-1] - set_s[0]) >= BITS_FOR_S

    def _sparse(self, samples: Samples, time_s: FloatArray) -> str | None:
        """Far fewer samples than the rig's file states: a motion overshoots by more than was worked out."""
        now = int(samples.seq[-1]), float(time_s[-1])
        count, span_s = (0, 0.0) if self._counted_from is None else np.subtract(now, self._counted_from)
        # behind a reset numbers and time begin anew
        if self._counted_from is None or count < 0 or span_s < 0:
            self._counted_from = now
        if span_s < RATE_OVER_S:
            return None
        self._counted_from = now
        # a tenth more for what the clocks differ: half the stated rate is granted
        if 1.1 * MOST_RATE * count >= span_s * self._rig.samples_per_s:
            return None
        return (
            f"the device takes {count / span_s:.3g} samples/s, the rig's file states "
            f"{self._rig.samples_per_s:g} (wire.rate_hz)"
        )

    def _passed(self, time_s: FloatArray, position_mm: FloatArray, force_n: FloatArray) -> str | None:
        low_n, high_n = self._rig.force_n
        if float(force_n.max()) > high_n:
            return f"the force reached {float(force_n.max()):.1f} N, above the limit of {high_n:g} N"
        if float(force_n.min()) < low_n:
            return f"the force fell to {float(force_n.min()):.1f} N, below the limit of {low_n:g} N"
        deepest_mm, limit_mm = float(position_mm.max()), self._rig.travel_mm[1]
        if self._travel and deepest_mm > limit_mm + TRAVEL_SLACK_MM:
            return f"the platen reached {deepest_mm:.2f} mm, beyond the limit of {limit_mm:g} mm"
        return self._risen(time_s, force_n)

    def _risen(self, time_s: FloatArray, force_n: FloatArray) -> str | None:
        """Return whether force rose faster than a soft part can make it."""
        kept_n, kept_s = self._kept
        force_n, time_s = np.concatenate([kept_n, force_n]), np.concatenate([kept_s, time_s])
        start = np.searchsorted(time_s, time_s - RISE_OVER_S, side="right") - 1
        start = np.minimum(start, np.arange(len(time_s)) - RISE_SAMPLES)
        at = np.flatnonzero(start >= 0)
        start = start[at]
        first = min(
            int(np.searchsorted(time_s, time_s[-1] - RISE_OVER_S)) - 1, len(time_s) - RISE_SAMPLES - 1
        )
        first = max(first, len(time_s) - MOST_KEPT, 0)
        self._kept = force_n[first:], time_s[first:]
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
