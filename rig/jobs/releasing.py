"""Release what is trapped after a stop: slowly, away, on the word of a person who sees the platen.

Problem: after a trip the platen stands on a part, or on a hand, and a latched stop forbids every motion.
Plan: nothing here begins by itself. A person who sees the platen says so; then the stop is cleared, the rig
armed, the platen taken slowly away from what it pressed, and disarmed again. The device itself refuses an
approach. The force may only fall on the way: one that grows, has not fallen after the first millimetres
although it was beyond its limit, or turns into a pull ends it (motion_watch.py). Cost: one motion.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.errors import RigError
from rig.jobs.driving import (
    Driver,
    MethodStoppedError,
    PlatenRunsOnError,
    StoppedByPersonError,
    cause_in_words,
    must_have_finished,
)
from rig.jobs.job import Bench, Ended, Job, stops_outside
from rig.jobs.orders import ReleaseOrder
from rig.methods import RigLimits
from rig.wire import StateFlag

USUAL_AWAY_MM = 10.0
RELEASE_SPEED_MM_PER_S = 2.0
"""Slow enough to be stopped by the operator who watches."""


@dataclass(frozen=True, slots=True)
class ReleaseJob(Job):
    """Clears a latched stop and takes the platen slowly away. A person who sees it has said so."""

    order: ReleaseOrder
    limits: RigLimits

    def describe(self) -> Iterator[str]:
        """Yield how far the platen goes, and where the rig stops."""
        if self.order.current:
            yield "Take the motor's current away. Nothing is moved; the platen is held by its screw alone."
            return
        yield (
            f"Clear the stop, and take the platen {self.order.away_mm:g} mm away at "
            f"{RELEASE_SPEED_MM_PER_S:g} mm/s."
        )
        yield stops_outside(self.limits)

    def perform(self, bench: Bench) -> Ended:
        """Release."""
        if self.order.current:
            bench.reader.session.release_current()
            return Ended(reason="the motor has no current; the next arming brings it back")
        return Ended(reason=perform_release(bench, self.limits, away_mm=self.order.away_mm))


def perform_release(bench: Bench, rig: RigLimits, *, away_mm: float = USUAL_AWAY_MM) -> str:
    """Clear a latched stop and take the platen away; what was done, in words.

    Raises DeviceError if the rig has no drive, refuses, or stops again.

    `bench`: its rig is left disarmed.
    """
    watch = bench.watch
    driver = Driver(bench.reader, bench.calibration, rig, watch)
    try:
        state = driver.session.state()
        here_mm, force_n = driver.position_now_mm(), driver.force_now_n()
        low_n, high_n = rig.force_n
        if state.stop_cause:
            cause = cause_in_words(state.stop_cause)
        elif not low_n <= force_n <= high_n:
            # the host has halted it; the device has latched nothing, and will not be armed as it stands
            cause = "the force is beyond the limits"
        else:
            return "no stop was latched, so nothing moved"
        stays = None
        if StateFlag.HOMED not in state.flags:
            stays = "the rig is not homed"
        elif force_n < low_n:
            stays = f"the force is a pull of {-force_n:.4g} N, which would grow: take the part off by hand"
        if stays is not None:
            driver.session.clear_stop()
            return f"the stop ({cause}) is cleared; the platen was not moved: {stays}"
        driver.set_limits()
        target_mm = max(here_mm - away_mm, rig.travel_mm[0])
        watch.tell("moving the platen away", driver.progress())
        end = driver.retreat(min(target_mm, here_mm), min(RELEASE_SPEED_MM_PER_S, rig.speed_mm_per_s))
        must_have_finished("release", end)
        driver.finish()
        gone_mm, left_n = here_mm - driver.position_now_mm(), driver.force_now_n()
        pressed = f"; the force is still {left_n:.4g} N: order it again" if left_n > high_n else ""
        return f"the stop ({cause}) is cleared, the platen {gone_mm:.1f} mm further away{pressed}"
    except RigError as problem:
        why = driver.stop(problem)
        if driver.runs_on:
            raise PlatenRunsOnError(why) from problem
        if watch.stopped.is_set():
            raise StoppedByPersonError("release: stopped by the operator") from problem
        raise MethodStoppedError(why) from problem
    finally:
        driver.leave()
