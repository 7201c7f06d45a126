"""Drives a platen through motions while everything is recorded and watched.

Problem: a platen must move only while someone watches fresh samples, and whatever goes wrong must stop it
and be known. Plan: one thread takes deliveries, writes them, and answers each with a heartbeat where its
samples are new; between deliveries it starts the next motion and waits for its one end. A failing disk,
a tripped wire, a trip of the device, silence or the person's stop ends whatever is under way in an
error. Nothing is tried again here. Cost: one thread beside the reader's; heartbeats follow samples at
most every 0.1 s.

The device's own limits and a hard-wired emergency stop come first; what is checked here is a second line.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import scipy.special  # noqa: F401  coverage factors need it, and nothing is imported while a platen moves

from rig.calibration import Calibration, Scale
from rig.capture import CaptureWriter
from rig.core import EventKind, logger
from rig.errors import DeviceError, InputError, RigError
from rig.jobs.disk_thread import DiskThread
from rig.jobs.hand_waits import PersonAsked, note_step_off_rig
from rig.jobs.job import Progress, Span, Watch
from rig.jobs.motion_watch import GONE_AT, GONE_SHARE, SLACK_MM, SLACK_SHARE, IntendedMotion
from rig.jobs.recording import link_tallies, write_events
from rig.jobs.tripwire import Tripwire
from rig.methods import RigLimits, overshoot_mm
from rig.reader import (
    LAG_LIMIT_S,
    MANY_BOOTS,
    MOST_RATE,
    Delivery,
    DeviceLimits,
    EndKind,
    Heart,
    LinkEvent,
    MotionEnd,
    MotionRequest,
    Reader,
    restarts,
)
from rig.samples import US_PER_S, Samples
from rig.wire import LATCHED_STOPS, MOTION_ENDS, EventCode, StateFlag

WAIT_S = 0.02
"""How long the driver waits for a delivery before it looks at its motion again."""

QUIET_S = 0.35
"""A platen whose samples stay away, or come late, for so long is halted: its heartbeats have stopped, and the
device brakes soon."""

STANDSTILL_S = 0.3
"""After the last motion, or a halt, the recording goes on for so long."""

OVERRUN = 1.5
OVERRUN_S = 1.0
"""A motion that takes this many times longer than its way and speed say, and this much more, is asked for:
the event that ended it may be lost. One that goes on is stopped soon after (motion_watch.py)."""

BRAKES = 1.5
BRAKES_S = 0.2
STOPPED_S = 0.3
STOPPED_WITHIN_S = 2.0
"""A platen that was halted stands after this many times its braking time, and this much more; then it must
not move beyond the slack for the third. All of it is given up after the last, in wall time."""

CHECK_SHARE = 0.5
LEAST_CHECK_MM = 2.0
"""A contact check goes no further past where the part was, or must be, than this share of its free height,
and this at the least: set and a slow recovery are smaller."""

FELT_SHARE = 0.2
"""The samples may have missed this share of a force that the device reports as reached."""

FELT_WITHIN_S = 1.0
"""Device time after the end of a contact check within which a sample shows the force that ended it: the
device tells of a conversion before a sample that holds it, and a filter may hold it back for some tenths."""

PLATEN_STANDS: frozenset[EndKind] = frozenset(("finished", "position limit", "halted", "unknown"))
"""Ends after which samples go on coming, and the next thing is done on standing platens."""

UNANSWERED = (
    "the halt was not answered, and without heartbeats the rig stops by itself; make sure that the platen "
    "has stopped before you reach in"
)

HOLES = frozenset(("gap", "implausible", "reset", "link_lost", "overflow"))
"""Events after which samples are missing."""

HOMING_SPEED_MM_PER_S = 5.0
HOME_MM = 1.0
"""Homing sets the position to zero; the platen may roll on by so much."""

FORCE_SETTLES_S = 2.0
"""So long a new force reading is waited for before homing."""

HOME_SEEN_S = 0.3
"""Device time for which it must be seen there: longer than samples are late without being noticed."""


class MethodStoppedError(DeviceError):
    """What was to be done ended before its last step; the message says at which step and why."""


class StoppedByPersonError(MethodStoppedError):
    """A person wished it to stop: nothing failed, but it was not done to its end."""

    exit_code = 1


class PlatenRunsOnError(MethodStoppedError):
    """The platen was seen moving although it had been halted and disarmed."""


class LinkLostError(MethodStoppedError):
    """The cable or the device went away, or the samples stayed away; the device stops by itself."""


class ResetError(LinkLostError):
    """The device was reset under a motion, or while it was armed."""


class Driver:
    """Moves one platen for one job.

    Raises InputError if a channel is not calibrated. Raises DeviceError if the device does not drive a
    platen.

    `reader`: entered.
    `writer`: where everything goes; None while nothing is recorded.
    `contact_mm`: where the last contact check that sets the contact found the specimen.
    `holes`: times that samples were missing since the last motion of cycles began.
    `runs_on`: whether the platen was seen moving although it had been halted and disarmed.
    `free_height_mm`: of the specimen; bounds a contact check. None: not known.
    `met_mm`, `met_s`: where and when the last contact check felt its force, in device time.
    `keep_raw`: False leaves the samples out of the recording; they are watched all the same.
    `must_fit`: raises where depths past a contact do not fit into the travel; called with each that sets it.
    """

    def __init__(self, reader: Reader, calibration: Calibration, rig: RigLimits, watch: Watch) -> None:
        self._force, self._position = driven_scales(calibration)
        if not reader.drives:
            raise DeviceError("the rig cannot drive its platen: follow the method by hand while recording")
        self.writer: DiskThread | None = None
        self.contact_mm = 0.0
        self.met_mm: float | None = None
        self.met_s = 0.0
        self.keep_raw = True
        self._reader, self.session = reader, reader.session
        self._rig, self._watch = rig, watch
        self._heart = Heart(reader.session)
        self._wire = Tripwire(self._force, self._position, rig, reader.session.halt_unanswered)
        self._clocks: dict[str, float] = {}
        self.free_height_mm: float | None = None
        self.must_fit: Callable[[float], None] = lambda contact_mm: None
        self._contact: tuple[float, float] | None = None
        self._felt_n: float | None = None
        self._now_mm: float | None = None
        self._who = _identity_of(reader)
        self._armed_s = math.inf
        self._followed: MotionRequest | None = None
        self._trip: EventCode | int | None = None
        self._most_n = -math.inf
        self._deepest_mm = 0.0
        self.runs_on = False
        self.holes = 0
        self._state_written: tuple[object, ...] | None = None
        self._behind: tuple[int, int, float] | None = None
        self._shift = (0, 0)
        self._span = Span()
        self._fresh = time.monotonic()
        self._received = -math.inf
        self._ended: object = None
        self._boots = reader.boots
        reader.watched_by(self._wire.look)

    def progress(self, cycles: int = 0) -> Progress:
        """Return how far the recording is."""
        return Progress(self._span.seconds, 0 if self.writer is None else self.writer.samples, cycles)

    @property
    def device_s(self) -> float:
        """Device time of the last sample."""
        return self._span.last_us / US_PER_S

    @property
    def hears(self) -> bool:
        """Whether a sample came just now."""
        return time.monotonic() - self._fresh < QUIET_S

    def continue_after(self, seq: int, time_us: int, away_s: float) -> None:
        """Count samples on from those of a recorder that was killed this many seconds of wall time ago."""
        self._behind = (seq, time_us, away_s)

    # A capture from begin to end.

    def record(
        self,
        capture: CaptureWriter,
        go: Callable[[], tuple[str, bool]],
        tallies: Callable[[], dict[str, Any]] = dict,
    ) -> tuple[str, bool]:
        """Record what is done, and the platen coming to rest behind it.

        Parameters
        ----------
        capture
            Not yet entered.
        go
            Does it; returns why it ended, and whether that is a failure.
        tallies
            For the end of the capture, beside those of the link.

        Returns
        -------
        What `go` returned.
        """
        with DiskThread(capture) as writer:
            self.writer = writer
            self._watch.began(writer.path)
            reason, failed = go()
            if not writer.ended:
                self.record_standstill()
                writer.end(reason, link_tallies(self._reader) | tallies())
        return reason, failed

    def end_early(self, problem: RigError, kind: EventKind) -> tuple[str, bool]:
        """Halt, and record why; return why it ended, and whether it failed: a person's stop is no failure."""
        why = self.stop(problem)
        # it may have gone on before this second look at it, and stand by now
        went_on = self.runs_on or isinstance(problem, PlatenRunsOnError)
        if self._watch.stopped.is_set() and not went_on:
            return "stopped", False
        logger.info("{}", why)  # whoever ordered it says so; this is for the log file
        self.event(kind, why=why)
        return why, True

    # Ready, and away.

    def make_ready(self, *, home_again: bool = False) -> None:
        """Set the limits and read them back, home unless that was done, and leave the rig disarmed.

        Raises MethodStoppedError if homing did not go as it should; the platen is halted and the rig disarmed
        then; DeviceError if the device refuses, or streams at another rate than the rig's file states.
        """
        granted_hz, stated_hz = self._reader.granted_hz, self._rig.samples_per_s
        if granted_hz and not 1 / MOST_RATE <= granted_hz / stated_hz <= MOST_RATE:
            raise DeviceError(
                f"device: it grants {granted_hz:g} samples/s, the rig's file states {stated_hz:g} "
                "(wire.rate_hz), from which the overshoot is calculated: correct the file or the device"
            )
        self.set_limits()
        if self.session.state().flags & StateFlag.HOMED and not home_again:
            return
        try:
            self._home(min(HOMING_SPEED_MM_PER_S, self._rig.speed_mm_per_s))
            # nothing beats while a capture is being made
            self.disarm()
        except DeviceError as problem:
            why, kind = self.stop(problem), MethodStoppedError
            if self.runs_on:
                kind = PlatenRunsOnError
            elif isinstance(problem, MethodStoppedError):
                kind = type(problem)
            raise kind(why) from problem

    def _home(self, speed_mm_per_s: float) -> None:
        # a converter settles for half a second after a reset
        known, began = self._wire.new_forces, time.monotonic()
        while self._wire.new_forces == known:
            if time.monotonic() - began > FORCE_SETTLES_S:
                raise MethodStoppedError(
                    f"homing: no new force reading for {FORCE_SETTLES_S:g} s (status bit 6 is not set): the "
                    "force is unknown, so nothing moved; check the converter"
                )
            self.take_one(moving=False)
        self.arm(homed=False)
        course = IntendedMotion("homing", "home", speed_mm_per_s)
        request = self._order(course, lambda: self.session.home(speed=self.speed_counts(speed_mm_per_s)))
        must_have_finished("homing", self.follow(request, self._rig.span_mm / speed_mm_per_s))
        # the last sample of the motion still counts from the zero before, and some that a device sent late
        # may read as home where it is not: the platen is watched standing there for a while
        self.wait(HOME_SEEN_S)
        home_mm, now_mm = float(self._position.value(0.0)), self.position_now_mm()
        if abs(now_mm - home_mm) > HOME_MM:
            raise MethodStoppedError(
                f"homing: the device reports home, but its position reads {now_mm:.2f} mm, not "
                f"{home_mm:.2f} mm"
            )

    def set_limits(self) -> None:
        """Tell the device the limits, and see that it keeps them."""
        travel, force = self._rig.travel_mm, self._rig.force_n
        self.session.set_limits(
            DeviceLimits(
                min_force=self._force_counts(force[0]),
                max_force=self._force_counts(force[1]),
                min_position=self.position_counts(travel[0]),
                max_position=self.position_counts(travel[1]),
            )
        )

    def arm(self, *, homed: bool = True) -> None:
        """Allow motion; from now on samples are watched and answered with heartbeats.

        Raises StoppedByPersonError if the person has stopped it meanwhile.
        """
        if self._watch.stopped.is_set():
            raise StoppedByPersonError("stopped by the operator")
        self._refuse_load()
        self._wire.arm(travel=homed)
        self._armed_s, self._trip = time.monotonic(), None
        self.session.arm()
        self._wire.expect(IntendedMotion("standing", "stand", 0.0), lambda: False)
        # what was waiting meanwhile is not held against the rig
        self._fresh = time.monotonic()

    def force_now_n(self) -> float:
        """Return the force of the last sample."""
        if self._wire.newest is None:
            self.position_now_mm()
        assert self._wire.newest is not None
        return self._wire.newest[2]

    def _refuse_load(self) -> None:
        """Refuse to move where a part is pressed, or the force has no zero."""
        force_n, (low_n, high_n) = self.force_now_n(), self._rig.force_n
        if not low_n <= force_n <= high_n:
            raise MethodStoppedError(
                f"the force at rest reads {force_n:.4g} N, outside the limits of {low_n:g} to {high_n:g} "
                "N; nothing moved. If nothing is pressed, the zero is wrong: set force.zero_counts in the "
                "rig file, or check the load cell. If a part is pressed, release it: `pressrig release`"
            )

    def disarm(self) -> None:
        """Forbid motion, and see that the device has taken it in: a person may reach in now.

        Raises DeviceError if it does not answer, or is still armed.
        """
        self._armed_s = math.inf
        self.session.disarm()
        self._wire.disarm()
        if StateFlag.ARMED in self.session.state().flags:
            raise MethodStoppedError(
                "the device acknowledged the order to disarm, but reports that it is armed: press the "
                "emergency stop before you reach in"
            )

    def halt(self) -> bool:
        """Stop the platen; False if it does not answer, and stops by itself without heartbeats."""
        try:
            self.session.halt()
        except RigError as problem:
            logger.warning(
                "the halt was not answered ({}); without heartbeats the rig stops by itself", problem
            )
            return False
        return True

    def stop(self, problem: RigError) -> str:
        """Halt, disarm, and see that the platen stands; why it was stopped, in words."""
        why = str(self.cause_of(problem))
        if not self.halt():
            why = f"{why}; {UNANSWERED}"
        self._armed_s = math.inf
        self._wire.disarm()
        self._forbid_motion()
        moved_mm = self._moved_after_halt()
        boots = self._reader.boots - self._boots
        if boots >= MANY_BOOTS:
            why = f"{why}; {restarts(boots)}"
        if abs(moved_mm) <= SLACK_MM:
            return why
        goes_on = (
            f"THE PLATEN KEEPS MOVING ALTHOUGH IT WAS HALTED AND DISARMED ({moved_mm:+.1f} mm since): "
            "PRESS THE EMERGENCY STOP"
        )
        logger.critical("{}", goes_on)
        self.event("platen goes on", moved_mm=moved_mm)
        return f"{why}; {goes_on}"

    def cause_of(self, problem: RigError) -> RigError:
        """What was found by the host's own watch goes before what was given up because of its halt.

        A reset goes before both: behind it positions and times begin anew, and tell nothing of the motion.
        """
        why = self._wire.why
        if why is None or why in str(problem) or isinstance(problem, StoppedByPersonError | ResetError):
            return problem
        return MethodStoppedError(why)

    def _moved_after_halt(self) -> float:
        """Return how far the platen moves once it should have braked, in mm; what is heard is recorded."""
        self.runs_on = False
        halted = heard = time.monotonic()
        until = halted + STOPPED_WITHIN_S
        stands_s = math.inf
        first_mm: float | None = None
        while time.monotonic() < until and self.device_s < stands_s + STOPPED_S:
            delivery = self._reader.get(WAIT_S)
            if delivery is not None and len(delivery.samples):
                heard = time.monotonic()
            elif time.monotonic() - heard > STOPPED_S:
                break
            if self.writer is None or not self.writer.ended:
                self.write(delivery)
            if delivery is None or not len(delivery.samples):
                continue
            self._span.last_us = max(self._span.last_us, int(delivery.samples.time_us[-1]) + self._shift[1])
            self._now_mm = float(self._position.value(delivery.samples.position[-1]))
            if math.isinf(stands_s) and delivery.host_time >= halted:
                # what was sent before lies behind the answer to the halt, however late samples come
                brakes_s = self._rig.speed_mm_per_s / self._rig.deceleration_mm_per_s2
                stands_s = self.device_s + BRAKES * brakes_s + BRAKES_S
            if self.device_s >= stands_s and first_mm is None:
                first_mm = self._now_mm
        if first_mm is None or self._now_mm is None:
            return 0.0
        moved_mm = self._now_mm - first_mm
        self.runs_on = abs(moved_mm) > SLACK_MM
        return moved_mm

    def leave(self) -> None:
        """Disarm, whatever happened before, and watch no longer."""
        self._wire.disarm()
        self._reader.watched_by(None)
        self._forbid_motion()

    def _forbid_motion(self) -> None:
        try:
            self.session.disarm()
        except RigError as problem:
            logger.warning(
                "the rig could not be disarmed ({}); without heartbeats it stops by itself", problem
            )

    def finish(self) -> None:
        """Ask the device how it stands before what was done is called finished, and disarm it.

        A stop may be told in its state alone.

        Raises MethodStoppedError if it has latched a stop, was disarmed already, or does not disarm;
        DeviceError if it does not answer.
        """
        state = self.session.state()
        self._must_be_armed(int(state.flags), state.stop_cause)
        if self._wire.why is not None:
            raise MethodStoppedError(self._wire.why)
        self.disarm()

    # What a method is made of.

    def find_contact(self, force_n: float, speed_mm_per_s: float, place: str, *, sets_contact: bool) -> None:
        """Approach until the force is felt.

        Raises InputError if depths are to count from there and do not fit into the rig's travel.
        """
        felt_mm = self.check_contact(force_n, speed_mm_per_s, place, self.deepest_check_mm())
        if not sets_contact:
            self.event("contact checked", position_mm=felt_mm)
            return
        self.set_contact(felt_mm, force_n)
        self.event("contact found", position_mm=felt_mm)
        self.must_fit(felt_mm)

    def press_to_depth(self, deflection_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Press to a deflection, where there must be something to press."""
        self.move_away(deflection_mm, speed_mm_per_s, place)
        self._must_press_something(deflection_mm, place)

    def press_to_force(self, force_n: float, stop_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Press until a force is felt, no deeper than a deflection."""
        self.press_until(force_n, speed_mm_per_s, self.contact_mm + stop_mm, place)

    def move_away(self, deflection_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Go to a deflection."""
        self.move_to(self.contact_mm + deflection_mm, speed_mm_per_s, place)

    def stay(self, duration_s: float, *, loaded: bool) -> None:
        """Let device time pass."""
        self.wait(duration_s)

    def start_clock(self, place: str, at_s: float | None = None) -> None:
        """Set the clock of a step to zero: now, or at a device time."""
        self._clocks[place] = self.device_s if at_s is None else at_s

    def stay_until(self, time_s: float, place: str) -> None:
        """Let device time pass until a step's clock shows a time."""
        self.wait(self.time_until_s(place, time_s))

    def time_until_s(self, place: str, time_s: float) -> float:
        """Return how long it is until a place's clock shows a time; negative if it is over."""
        return self._clocks[place] + time_s - self.device_s

    def move_to(self, position_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Go to a position, and be there."""
        course = self._course(place, "move", position_mm, speed_mm_per_s)
        request = self._order(
            course,
            lambda: self.session.move_to(
                self.position_counts(position_mm), speed=self.speed_counts(speed_mm_per_s)
            ),
        )
        way_mm = self._way_mm(position_mm)
        must_have_finished(place, self.follow(request, way_mm / speed_mm_per_s))
        self._must_be_at(position_mm, way_mm, speed_mm_per_s, place)

    def _course(
        self,
        place: str,
        kind: Literal["move", "press"],
        target_mm: float,
        speed_mm_per_s: float,
        goal_n: float | None = None,
    ) -> IntendedMotion:
        """Return what is ordered, with what is known of the contact."""
        contact = self._contact
        known = contact is not None and target_mm > contact[0]
        return IntendedMotion(
            place,
            kind,
            speed_mm_per_s,
            target_mm,
            goal_n=goal_n,
            contact_mm=contact[0] if contact is not None and known else None,
            contact_n=contact[1] if contact is not None and known else 0.0,
        )

    def _order(self, course: IntendedMotion, send: Callable[[], MotionRequest]) -> MotionRequest:
        """Have a motion accepted, watched from before it can begin."""
        ordered: list[MotionRequest] = []
        self._most_n = -math.inf
        self._wire.expect(course, lambda: bool(ordered) and ordered[0].end is not None)
        request = send()
        ordered.append(request)
        self._wire.accepted()
        return request

    def _way_mm(self, position_mm: float) -> float:
        """From here to a position; the whole travel while here is not known."""
        return self._rig.span_mm if self._now_mm is None else abs(position_mm - self._now_mm)

    def _must_be_at(self, position_mm: float, way_mm: float, speed_mm_per_s: float, place: str) -> None:
        slack_mm = SLACK_MM + SLACK_SHARE * way_mm + overshoot_mm(speed_mm_per_s, self._rig)
        if self._now_mm is not None and abs(self._now_mm - position_mm) > slack_mm:
            raise MethodStoppedError(
                f"{place}: the device reports arrival, but the platen is at {self._now_mm:.2f} mm, "
                f"not at {position_mm:.2f} mm"
            )

    def cycle(
        self,
        low_mm: float,
        high_mm: float,
        speed_mm_per_s: float,
        count: int,
        *,
        rest_s: float,
        hold_s: float,
        time_s: float,
        place: str,
    ) -> MotionRequest:
        """Let the device squeeze by itself; whoever called follows it."""
        self.holes = 0
        way_s = self._way_mm(low_mm) / speed_mm_per_s
        course = IntendedMotion(
            place, "cycle", speed_mm_per_s, high_mm, low_mm, time_s=time_s + way_s, cycle_s=time_s / count
        )
        return self._order(
            course,
            lambda: self.session.cycle(
                self.position_counts(low_mm),
                self.position_counts(high_mm),
                speed=self.speed_counts(speed_mm_per_s),
                count=count,
                dwell_low_ms=round(1000 * rest_s),
                dwell_high_ms=round(1000 * hold_s),
            ),
        )

    @property
    def cycles_seen(self) -> int | None:
        """Cycles that the samples show of the last motion that was one of cycles; None if there was none."""
        return self._wire.cycles_seen

    def position_now_mm(self) -> float:
        """Return where the platen is, from the next samples that come; nothing may move meanwhile."""
        self._fresh, self._now_mm = time.monotonic(), None
        # what waited in the queue before the wire was there says nothing of the force
        while self._now_mm is None or self._wire.newest is None:
            if not self.hears:
                raise LinkLostError(f"no sample for {QUIET_S} s: the platen's position is not known")
            self.take_one(moving=False)
        return self._now_mm

    def retreat(self, position_mm: float, speed_mm_per_s: float) -> MotionEnd:
        """After a stop, on a person's word: clear it, arm, and go away from what is pressed.

        The host's upper limit of force is off, as is that of a saturated converter for the first millimetres:
        they are what is being released. The force may not grow meanwhile.
        """
        if self._watch.stopped.is_set():
            raise StoppedByPersonError("stopped by the operator")
        self._wire.arm(travel=False, limits=False)
        self._armed_s, self._trip = time.monotonic(), None
        course = IntendedMotion("release", "release", speed_mm_per_s, position_mm)
        request = self._order(
            course,
            lambda: self.session.retreat(
                self.position_counts(position_mm), speed=self.speed_counts(speed_mm_per_s), confirmed=True
            ),
        )
        self._fresh = time.monotonic()
        end = self.follow(request, self._way_mm(position_mm) / speed_mm_per_s)
        if end.kind == "finished":
            self._must_be_at(position_mm, 0.0, speed_mm_per_s, "release")
        return end

    def press_until(
        self,
        force_n: float,
        speed_mm_per_s: float,
        deepest_mm: float,
        place: str,
        *,
        contact_check: bool = False,
    ) -> None:
        """Approach until the force is reached.

        `contact_check`: look for the specimen: what is known of its place is not held against the force.
        """
        deepest_mm = min(deepest_mm, self._rig.travel_mm[1])
        course = self._course(place, "press", deepest_mm, speed_mm_per_s, force_n)
        request = self._order(
            replace(course, contact_mm=None) if contact_check else course,
            lambda: self.session.press_until(
                self._force_counts(force_n),
                speed=self.speed_counts(speed_mm_per_s),
                position_limit=self.position_counts(deepest_mm),
            ),
        )
        must_have_finished(place, self.follow(request, self._way_mm(deepest_mm) / speed_mm_per_s))
        if not self._felt(force_n - FELT_SHARE * abs(force_n)):
            raise MethodStoppedError(
                f"{place}: the device reports that {force_n:g} N were reached, but its samples show at most "
                f"{self._most_n:.2f} N"
            )

    def _must_press_something(self, deflection_mm: float, place: str) -> None:
        """A part that was pressed deeper before may not have come back so far."""
        self._deepest_mm = max(self._deepest_mm, deflection_mm)
        if self._contact is None or deflection_mm < GONE_AT * self._deepest_mm:
            return
        contact_n = self._contact[1]
        if not self._felt(GONE_SHARE * contact_n):
            raise MethodStoppedError(
                f"{place}: specimen or force lost: at most {self._most_n:.2f} N at "
                f"{deflection_mm:.1f} mm past the contact found with {contact_n:g} N"
            )

    def _felt(self, least_n: float) -> bool:
        """Return whether the last motion's samples hold a force; its end may be heard before the last of
        them."""
        until_s = self.device_s + FELT_WITHIN_S
        while self._most_n < least_n and self.device_s < until_s:
            self.take_one()
        return self._most_n >= least_n

    def check_contact(
        self, force_n: float, speed_mm_per_s: float, place: str, deepest_mm: float | None = None
    ) -> float:
        """Approach until the force is felt; the position in mm at which it was.

        `deepest_mm`: no further than here; None: the end of the travel.
        """
        # the device compares whole counts
        self._felt_n = float(self._force.value(self._force_counts(force_n)))
        self.met_mm = None
        try:
            deepest_mm = self._rig.travel_mm[1] if deepest_mm is None else deepest_mm
            self.press_until(force_n, speed_mm_per_s, deepest_mm, place, contact_check=True)
            until_s = self.device_s + FELT_WITHIN_S
            while self.met_mm is None and self.device_s < until_s:
                self.take_one()
        finally:
            self._felt_n = None
        if self.met_mm is None:
            raise MethodStoppedError(f"{place}: in contact, but the position was lost; start again")
        return self.met_mm

    def set_contact(self, position_mm: float, force_n: float) -> None:
        """Depths count from here, where this force was felt."""
        self.contact_mm, self._contact = position_mm, (position_mm, force_n)

    def deepest_check_mm(self) -> float:
        """Return how far a contact check goes: into a part that was met before, half its free height.

        Where the part stands is not known before its first contact check: then the end of the travel bounds
        it, and where bare platens would meet, if that is stated, less what is left of the part.
        """
        height_mm, contact = self.free_height_mm, self._contact
        bounds_mm = [self._rig.travel_mm[1]]
        if height_mm is not None and contact is not None:
            bounds_mm.append(contact[0] + max(CHECK_SHARE * height_mm, LEAST_CHECK_MM))
        if height_mm is not None and self._rig.platens_meet_mm is not None:
            first_mm = self._rig.platens_meet_mm - height_mm
            bounds_mm.append(first_mm + max(CHECK_SHARE * height_mm, LEAST_CHECK_MM))
        return min(bounds_mm)

    def ask_person(self, instruction: str, least_s: float, most_s: float | None) -> None:
        """A step off the rig: disarmed, but still recorded, until the person says it is done.

        A platen that moves meanwhile is halted at once, and ends what is being done once the person is back.
        """
        self.disarm()
        stood_mm, moved_mm = self.position_now_mm(), 0.0
        with PersonAsked(self._watch.ask, instruction) as asked:
            began_s = self.device_s
            while not asked.done.is_set() or self.device_s - began_s < least_s:
                self.take_one(moving=False)
                now_mm = stood_mm if self._now_mm is None else self._now_mm
                if abs(now_mm - stood_mm) > SLACK_MM + abs(moved_mm):
                    moved_mm = now_mm - stood_mm
                    self.session.halt_unanswered()
                    self._watch.tell(_moves_by_itself(moved_mm), self.progress())
                    logger.critical("{}", _moves_by_itself(moved_mm))
        if moved_mm:
            self.event("platen goes on", moved_mm=moved_mm)
            raise MethodStoppedError(_moves_by_itself(moved_mm))
        note_step_off_rig(instruction, self.device_s - began_s, most_s, self.event)
        self.arm()

    # Taking what comes.

    def follow(
        self, request: MotionRequest, expected_s: float, look: Callable[[], None] | None = None
    ) -> MotionEnd:
        """Take deliveries, answer them with heartbeats, and `look` after each, until the motion has ended and
        its samples are taken."""
        began = time.monotonic()
        asked_s = OVERRUN * expected_s + OVERRUN_S
        self._followed = request
        try:
            while request.end is None:
                self.take_one()
                if look is not None:
                    look()
                if time.monotonic() - began > asked_s:
                    began = time.monotonic()
                    request.settle()
            if request.end.kind in PLATEN_STANDS:
                self._catch_up(request.request)
        finally:
            self._followed = None
        if self._wire.why is not None and request.end.kind != "reset":
            raise MethodStoppedError(self._wire.why)
        return request.end

    def _catch_up(self, request: int) -> None:
        """Take what was sent before a motion ended, whose end is heard past the queue of its samples.

        Without it, what is to be recorded or measured standing still would begin in the midst of the motion.
        """
        heard = time.monotonic()
        # an end that was lost is in no delivery; one received after it was asked for lies behind it
        while self._ended != request and self._received <= heard:
            self.take_one()

    def wait(self, duration_s: float, *, moving: bool = True) -> None:
        """Let device time pass."""
        until_s = self.device_s + duration_s
        while self.device_s < until_s:
            self.take_one(moving=moving)

    def take_one(self, *, moving: bool = True) -> None:
        """One delivery: write it, look at it, answer it with a heartbeat.

        Raises MethodStoppedError if the person stops, the samples stay away, or the host's own trip has gone
        off.
        """
        delivery = self.write(self._reader.get(WAIT_S))
        if self._watch.stopped.is_set():
            raise StoppedByPersonError("stopped by the operator")
        now = time.monotonic()
        if moving:
            self._must_be_the_same(delivery)
            if self._wire.why is not None:
                raise MethodStoppedError(self._wire.why)
            self.session.probe()
        fresh = False
        if delivery is not None and len(delivery.samples):
            fresh = self._heart.take(delivery)
            counts = float(delivery.samples.position[-1])
            self._now_mm = float(self._position.value(counts))
            self._feel(delivery.samples)
        if fresh or (not moving and delivery is not None and len(delivery.samples)):
            self._fresh = now
        elif moving and now - self._fresh > QUIET_S:
            lag_s = self._heart.lag_s
            late = f"samples come {lag_s:.2f} s late" if lag_s > LAG_LIMIT_S else "no sample"
            raise LinkLostError(f"{late} for {QUIET_S} s: halting the platen")
        if moving and fresh:
            self._heart.beat()

    def _must_be_the_same(self, delivery: Delivery | None) -> None:
        """The device that was armed, still armed, and not reset.

        Raises LinkLostError if it was reset, or lost the host's heartbeats; MethodStoppedError if another
        device answers, or it has stopped by itself while nothing moved.
        """
        if _identity_of(self._reader) != self._who:
            found = self._reader.identity
            named = "no identity" if found is None else f"{found.name!r} ({found.unit_id.hex()})"
            raise MethodStoppedError(
                f"a different device answers: found {named}; the run started on {self._who[0]!r} "
                f"({self._who[1]})"
            )
        followed = self._followed
        for event in () if delivery is None else delivery.events:
            if event.host_time <= self._armed_s:
                continue
            if event.kind == "reset":
                raise ResetError(f"the device was reset ({event.fields.get('cause')})")
            flags = int(event.fields.get("flags") or 0)
            # a motion that has ended by a trip tells so itself, with better words
            if event.kind == "state" and (followed is None or flags & StateFlag.MOVING):
                self._must_be_armed(flags, int(event.fields["stop_cause"] or 0))
            code = event.fields.get("code")
            told = followed is not None and followed.end is not None and followed.end.kind == "trip"
            if event.kind == "device_event" and code in LATCHED_STOPS and not told:
                self._must_be_armed(0, int(code or 0))

    def _must_be_armed(self, flags: int, cause: int) -> None:
        if cause == EventCode.HEARTBEAT_LOST:
            raise LinkLostError("the device stopped: heartbeat lost")
        if cause:
            raise MethodStoppedError(f"the device stopped: {cause_in_words(cause)}")
        if not flags & StateFlag.ARMED:
            raise MethodStoppedError("the device reports that it is disarmed, without an order to disarm")

    def record_standstill(self) -> None:
        """Write what comes while the platen brakes.

        No heartbeat answers it, so the rig is disarmed at once: left armed while the capture is ended, it
        would latch a stop for want of them.
        """
        self._forbid_motion()
        until = time.monotonic() + STANDSTILL_S
        while time.monotonic() < until:
            self.write(self._reader.get(WAIT_S))

    def write(self, delivery: Delivery | None) -> Delivery | None:
        """Record a delivery and show it to whoever watches; give it as it was recorded."""
        if delivery is None:
            if self.writer is not None:
                self.writer.tick()
            return None
        delivery = self._counted_on(delivery)
        samples = delivery.samples
        self._received = delivery.host_time
        for event in delivery.events:
            self.holes += event.kind in HOLES
            if event.kind in ("reset", "link_restored"):
                self._heart.forget()
            if event.kind == "device_event" and event.fields.get("code") in MOTION_ENDS:
                self._ended = event.fields.get("request")
        self._span.take(samples)
        if self.writer is not None:
            write_events(self.writer, replace(delivery, events=self._news(delivery.events)))
            self.writer.append(samples if self.keep_raw else samples[:0])
        self._watch.see(delivery)
        return delivery

    def _counted_on(self, delivery: Delivery) -> Delivery:
        """Return the numbers and times behind those of the recorder before."""
        samples = delivery.samples
        if self._behind is not None and len(samples):
            seq, time_us, away_s = self._behind
            self._behind = None
            rate_hz = self._reader.granted_hz or self._rig.samples_per_s
            self._shift = (
                seq + 1 + round(away_s * rate_hz) - int(samples.seq[0]),
                time_us + max(round(away_s * US_PER_S), 1) - int(samples.time_us[0]),
            )
        if self._shift == (0, 0):
            return delivery
        by, by_us = self._shift
        events = tuple(
            event if event.time_us is None else replace(event, time_us=event.time_us + by_us)
            for event in delivery.events
        )
        moved = replace(samples, seq=samples.seq + by, time_us=samples.time_us + by_us)
        return replace(delivery, samples=moved, events=events)

    def _news(self, events: tuple[LinkEvent, ...]) -> tuple[LinkEvent, ...]:
        """Return the events without the states that only repeat the one before: the device is asked every
        second."""
        kept = []
        for event in events:
            if event.kind == "state":
                state = tuple((name, value) for name, value in event.fields.items() if name != "cycles_done")
                if state == self._state_written:
                    continue
                self._state_written = state
            kept.append(event)
        return tuple(kept)

    def sync(self) -> None:
        """Wait until all that was recorded is on the disk; samples are taken and answered meanwhile."""
        if self.writer is None:
            return
        synced = self.writer.sync()
        while not synced.is_set():
            self.take_one()
            self.writer.tick()

    def event(self, kind: EventKind, **fields: object) -> None:
        """Record that something happened, with the device time of the last sample.

        The next delivery raises if the disk has failed.
        """
        if self.writer is not None and not self.writer.ended:
            self.writer.event(kind, time_us=self._span.last_us, **fields)

    def _feel(self, samples: Samples) -> None:
        """Where the force of a contact check was felt, not where the platen came to rest behind it."""
        self._most_n = max(self._most_n, float(self._force.value(samples.force).max()))
        if self._felt_n is None or self.met_mm is not None:
            return
        force_n = self._force.value(samples.force)
        felt = np.flatnonzero(force_n >= self._felt_n)
        if len(felt):
            counts = float(samples.position[felt[0]])
            self.met_mm = float(self._position.value(counts))
            self.met_s = float(samples.time_us[felt[0]]) / US_PER_S

    # Counts of the wire.

    def speed_counts(self, speed_mm_per_s: float) -> int:
        """Return a speed in counts/s."""
        return max(round(speed_mm_per_s / self._position.per_count), 1)

    def position_counts(self, position_mm: float) -> int:
        """Return a position in counts."""
        return round(float(self._position.counts(position_mm)))

    def _force_counts(self, force_n: float) -> int:
        return round(float(self._force.counts(force_n)))


def driven_scales(calibration: Calibration) -> tuple[Scale, Scale]:
    """Return what a count of force and of position is, without which a rig is not driven.

    Raises InputError if a channel is not calibrated.
    """
    if calibration.force is None or calibration.position is None:
        raise InputError(
            "force, position: not calibrated, so the rig is not driven; give per_count in its file"
        )
    return calibration.force, calibration.position


def must_have_finished(place: str, end: MotionEnd) -> None:
    """Raise unless a motion reached what it was to reach.

    Raises LinkLostError if the link or the device went away under it, or the host's heartbeats;
    MethodStoppedError if it ended in any other way.
    """
    silenced = end.kind == "trip" and end.code == EventCode.HEARTBEAT_LOST
    if end.kind == "reset":
        raise ResetError(f"{place}: the motion {end.in_words()}")
    if silenced or end.kind == "link lost":
        raise LinkLostError(f"{place}: the motion {end.in_words()}")
    if end.kind != "finished":
        raise MethodStoppedError(f"{place}: the motion {end.in_words()}")


def _identity_of(reader: Reader) -> tuple[str, str, int]:
    """Return who the device is, whatever its boot."""
    identity = reader.identity
    if identity is None:
        return "", "", 0
    return identity.name, identity.unit_id.hex(), int(identity.capabilities)


def cause_in_words(code: int) -> str:
    """Return a latched stop's cause for a person.

    Examples
    --------
    >>> cause_in_words(4), cause_in_words(99)
    ('force trip', 'cause 99')
    """
    known = code in EventCode.__members__.values()
    return EventCode(code).name.lower().replace("_", " ") if known else f"cause {code}"


def _moves_by_itself(moved_mm: float) -> str:
    return (
        f"THE PLATEN MOVED BY {moved_mm:+.1f} mm ALTHOUGH IT WAS DISARMED FOR A STEP BY HAND: STAND CLEAR, "
        "PRESS THE EMERGENCY STOP"
    )
