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
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from loguru import logger

from rig.calibration import Calibration
from rig.capture import CaptureWriter
from rig.daemon.recording import Progress, write_events
from rig.daemon.tripwire import Tripwire
from rig.errors import DeviceError, InputError, RigError
from rig.methods import (
    Action,
    MoveTo,
    PressTo,
    PressUntil,
    Prompt,
    RigLimits,
    StartClock,
    TouchUntil,
    Wait,
    WaitUntil,
)
from rig.reader import Delivery, DeviceLimits, EndKind, Heart, MotionEnd, MotionRequest, Reader
from rig.samples import Samples
from rig.wire import MOTION_ENDS, Capability, EventCode, StateFlag

WAIT_S = 0.02
"""How long the driver waits for a delivery before it looks at its motion again."""

QUIET_S = 0.35
"""A platen whose samples are older than this is halted: its heartbeats have stopped, and the device brakes
soon."""

STANDSTILL_S = 0.3
"""After the last motion, or a halt, the recording goes on for so long."""

OVERRUN = 3.0
OVERRUN_S = 10.0
"""A motion that takes so many times longer than its way and speed say, and so long at the least, is asked
for."""

FELT_WITHIN_S = 1.0
"""Device time after the end of a touch within which a sample shows the force that ended it: the device
tells of a conversion before a sample that holds it, and a filter may hold it back for some tenths."""

PLATEN_STANDS: frozenset[EndKind] = frozenset(("finished", "position limit", "halted", "unknown"))
"""Ends after which samples go on coming, and the next thing is done on standing platens."""

HOMING_SPEED_MM_PER_S = 5.0
US_PER_S = 1e6


class MethodStoppedError(DeviceError):
    """What was to be done ended before its last step; the message says at which step and why."""


class StoppedByPersonError(MethodStoppedError):
    """A person wished it to stop."""


class LinkLostError(MethodStoppedError):
    """The cable or the device went away, or the samples stayed away; the device stops by itself."""


def _ignore(thing: object) -> None:
    del thing


@dataclass(frozen=True, slots=True)
class Watch:
    """What is told to the person and asked of them while the platen moves.

    Parameters
    ----------
    stopped
        Set to stop the platen and end the capture.
    ask
        Called with the text of a step off the rig, from a thread of its own; returns when the person is done.
    tell
        Called with the step that begins, and how far the recording is.
    see
        Called with every delivery that was taken.
    began
        Called with the capture's folder once it is there.
    """

    stopped: threading.Event
    ask: Callable[[str], None]
    tell: Callable[[str, Progress], None]
    see: Callable[[Delivery], None] = _ignore
    began: Callable[[Path], None] = _ignore


class Driver:
    """Moves one platen for one job.

    Parameters
    ----------
    reader
        Entered.
    calibration
        With a force and a position.
    rig
        What the rig may do.
    watch
        Who is told.

    Attributes
    ----------
    writer
        Where everything goes; None while nothing is recorded.
    contact_mm
        Where the last touch that sets the contact found the specimen.
    touched_mm, touched_s
        Where and when the last touch felt its force, in device time.
    keep_raw
        False leaves the samples out of the recording; they are watched all the same.

    Raises
    ------
    InputError
        If a channel is not calibrated.
    DeviceError
        If the device does not drive a platen.
    """

    def __init__(self, reader: Reader, calibration: Calibration, rig: RigLimits, watch: Watch) -> None:
        if calibration.force is None or calibration.position is None:
            raise InputError("force, position: only a calibrated rig is driven; say per_count in its file")
        identity = reader.identity
        if identity is None or not identity.capabilities & Capability.DRIVES:
            raise DeviceError(
                "the rig does not drive its platen: record while the method is followed by hand instead"
            )
        self.writer: CaptureWriter | None = None
        self.contact_mm = 0.0
        self.touched_mm: float | None = None
        self.touched_s = 0.0
        self.keep_raw = True
        self._reader, self.session = reader, reader.session
        self._force, self._position = calibration.force, calibration.position
        self._rig, self._watch = rig, watch
        self._heart = Heart(reader.session)
        self._wire = Tripwire(self._force, self._position, rig, reader.session.halt_unanswered)
        self._clocks: dict[str, float] = {}
        self._felt_n: float | None = None
        self._now_mm: float | None = None
        self._behind: tuple[int, int, float] | None = None
        self._shift = (0, 0)
        self._first_us: int | None = None
        self._last_us = 0
        self._fresh = time.monotonic()
        self._received = -math.inf
        self._ended: object = None
        reader.watched_by(self._wire.look)

    def progress(self, cycles: int = 0) -> Progress:
        """How far the recording is."""
        length_s = 0.0 if self._first_us is None else (self._last_us - self._first_us) / US_PER_S
        return Progress(length_s, 0 if self.writer is None else self.writer.samples, cycles)

    @property
    def device_s(self) -> float:
        """Device time of the last sample."""
        return self._last_us / US_PER_S

    @property
    def hears(self) -> bool:
        """Whether a sample came just now."""
        return time.monotonic() - self._fresh < QUIET_S

    def continue_after(self, seq: int, time_us: int, away_s: float) -> None:
        """Count samples on from those of a recorder that was killed so many seconds of wall time ago."""
        self._behind = (seq, time_us, away_s)

    # Ready, and away.

    def make_ready(self, *, home_again: bool = False) -> None:
        """Set the limits and read them back, home unless that was done, and leave the rig disarmed."""
        self.set_limits()
        if self.session.state().flags & StateFlag.HOMED and not home_again:
            return
        speed = min(HOMING_SPEED_MM_PER_S, self._rig.speed_mm_per_s)
        self.arm(homed=False)
        end = self.follow(self.session.home(speed=self.speed_counts(speed)), self._rig.span_mm / speed)
        must_have_finished("homing", end)
        # nothing beats while a capture is being made
        self.disarm()

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

        Raises
        ------
        StoppedByPersonError
            If the person has stopped it meanwhile.
        """
        if self._watch.stopped.is_set():
            raise StoppedByPersonError("stopped by the person")
        self._wire.arm(travel=homed)
        self.session.arm()
        # what was waiting meanwhile is not held against the rig
        self._fresh = time.monotonic()

    def disarm(self) -> None:
        """Forbid motion."""
        self.session.disarm()
        self._wire.disarm()

    def halt(self) -> None:
        """Stop the platen; one that does not answer stops by itself without heartbeats."""
        try:
            self.session.halt()
        except RigError as problem:
            logger.warning(
                "the halt was not answered ({}); without heartbeats the rig stops by itself", problem
            )

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

    # What a method is made of.

    def perform(self, action: Action, place: str) -> None:
        """Carry out one planned action.

        Raises
        ------
        MethodStoppedError
            If it did not come to its end.
        """
        match action:
            case TouchUntil():
                self._touch(action, place)
            case PressUntil():
                self.press_until(
                    action.force_n, action.speed_mm_per_s, self.contact_mm + action.stop_mm, place
                )
            case PressTo() | MoveTo():
                self.move_to(self.contact_mm + action.deflection_mm, action.speed_mm_per_s, place)
            case Wait():
                self.wait(action.duration_s)
            case StartClock():
                self._clocks[place] = self.device_s
            case WaitUntil():
                self.wait(self._clocks[place] + action.time_s - self.device_s)
            case Prompt():
                self._prompt(action)

    def move_to(self, position_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Go to a position, and be there."""
        request = self.session.move_to(
            self.position_counts(position_mm), speed=self.speed_counts(speed_mm_per_s)
        )
        must_have_finished(place, self.follow(request, self._rig.span_mm / speed_mm_per_s))

    def position_now_mm(self) -> float:
        """Where the platen is, from the next samples that come; nothing may move meanwhile."""
        self._fresh, self._now_mm = time.monotonic(), None
        while self._now_mm is None:
            if not self.hears:
                raise LinkLostError(f"no sample for {QUIET_S} s: where the platen is, is not known")
            self.take_one(moving=False)
        return self._now_mm

    def retreat(self, position_mm: float, speed_mm_per_s: float) -> MotionEnd:
        """After a stop, on a person's word: clear it, arm, and go away from what is pressed.

        The host's trips are off: what they would trip on is what is being released.
        """
        request = self.session.retreat(
            self.position_counts(position_mm), speed=self.speed_counts(speed_mm_per_s), confirmed=True
        )
        self._fresh = time.monotonic()
        return self.follow(request, self._rig.span_mm / speed_mm_per_s)

    def press_until(self, force_n: float, speed_mm_per_s: float, deepest_mm: float, place: str) -> None:
        """Approach until the force is reached."""
        request = self.session.press_until(
            self._force_counts(force_n),
            speed=self.speed_counts(speed_mm_per_s),
            position_limit=self.position_counts(min(deepest_mm, self._rig.travel_mm[1])),
        )
        must_have_finished(place, self.follow(request, self._rig.span_mm / speed_mm_per_s))

    def touch(self, force_n: float, speed_mm_per_s: float, place: str) -> float:
        """Approach until the force is felt; the position in mm at which it was."""
        # the device compares whole counts
        self._felt_n = float(self._force.value(self._force_counts(force_n)))
        self.touched_mm = None
        try:
            self.press_until(force_n, speed_mm_per_s, self._rig.travel_mm[1], place)
            until_s = self.device_s + FELT_WITHIN_S
            while self.touched_mm is None and self.device_s < until_s:
                self.take_one()
        finally:
            self._felt_n = None
        if self.touched_mm is None:
            raise MethodStoppedError(f"{place}: touched, but where was lost; start again")
        return self.touched_mm

    def _touch(self, action: TouchUntil, place: str) -> None:
        felt_mm = self.touch(action.force_n, action.speed_mm_per_s, place)
        if action.sets_contact:
            self.contact_mm = felt_mm
            self.event("contact found", position_mm=felt_mm)
        else:
            self.event("touched", position_mm=felt_mm)

    def _prompt(self, action: Prompt) -> None:
        """A step off the rig: disarmed, but still recorded, until the person says it is done."""
        self.disarm()
        done = threading.Event()
        with _asking(lambda: self._watch.ask(action.instruction), done):
            began_s = self.device_s
            while not done.is_set() or self.device_s - began_s < (action.least_s or 0.0):
                self.take_one(moving=False)
        taken_s = self.device_s - began_s
        self.event("step off the rig", instruction=action.instruction, taken_s=taken_s)
        if action.most_s is not None and taken_s > action.most_s:
            logger.warning(
                "{}: took {:.0f} s, at most {:.0f} s were asked for",
                action.instruction,
                taken_s,
                action.most_s,
            )
        self.arm()

    # Taking what comes.

    def follow(
        self, request: MotionRequest, expected_s: float, look: Callable[[], None] | None = None
    ) -> MotionEnd:
        """Take deliveries, answer them with heartbeats, and `look` after each, until the motion has ended and
        its samples are taken."""
        began = time.monotonic()
        asked_s = OVERRUN * expected_s + OVERRUN_S
        while request.end is None:
            self.take_one()
            if look is not None:
                look()
            if time.monotonic() - began > asked_s:
                began = time.monotonic()
                request.settle()
        if request.end.kind in PLATEN_STANDS:
            self._catch_up(request.request)
        if self._wire.why is not None:
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

        Raises
        ------
        MethodStoppedError
            If the person stops, the samples stay away, or the host's own trip has gone off.
        """
        delivery = self.write(self._reader.get(WAIT_S))
        if self._watch.stopped.is_set():
            raise StoppedByPersonError("stopped by the person")
        if moving and self._wire.why is not None:
            raise MethodStoppedError(self._wire.why)
        now = time.monotonic()
        if delivery is None or not len(delivery.samples):
            if moving and now - self._fresh > QUIET_S:
                raise LinkLostError(f"no sample for {QUIET_S} s: the platen is halted")
            return
        self._fresh = now
        counts = float(delivery.samples.position[-1])
        self._now_mm = float(self._position.value(counts))
        self._feel(delivery.samples)
        if moving:
            self._heart.beat_after(delivery)

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
            if event.kind == "device_event" and event.fields.get("code") in MOTION_ENDS:
                self._ended = event.fields.get("request")
        if len(samples):
            self._first_us = int(samples.time_us[0]) if self._first_us is None else self._first_us
            self._last_us = int(samples.time_us[-1])
        if self.writer is not None:
            write_events(self.writer, delivery)
            self.writer.append(samples if self.keep_raw else samples[:0])
        self._watch.see(delivery)
        return delivery

    def _counted_on(self, delivery: Delivery) -> Delivery:
        """Numbers and times behind those of the recorder before."""
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

    def event(self, kind: str, **fields: object) -> None:
        """Record that something happened, with the device time of the last sample."""
        if self.writer is not None:
            self.writer.event(kind, time_us=self._last_us, **fields)

    def _feel(self, samples: Samples) -> None:
        """Where the force of a touch was felt, not where the platen came to rest behind it."""
        if self._felt_n is None or self.touched_mm is not None:
            return
        force_n = self._force.value(samples.force)
        felt = np.flatnonzero(force_n >= self._felt_n)
        if len(felt):
            counts = float(samples.position[felt[0]])
            self.touched_mm = float(self._position.value(counts))
            self.touched_s = float(samples.time_us[felt[0]]) / US_PER_S

    # Counts of the wire.

    def speed_counts(self, speed_mm_per_s: float) -> int:
        """A speed in counts/s."""
        return max(round(speed_mm_per_s / self._position.per_count), 1)

    def position_counts(self, position_mm: float) -> int:
        """A position in counts."""
        return round(float(self._position.counts(position_mm)))

    def _force_counts(self, force_n: float) -> int:
        return round(float(self._force.counts(force_n)))


def must_have_finished(place: str, end: MotionEnd) -> None:
    """Raise unless a motion reached what it was to reach.

    Raises
    ------
    LinkLostError
        If the link or the device went away under it, or the host's heartbeats.
    MethodStoppedError
        If it ended in any other way.
    """
    silenced = end.kind == "trip" and end.code == EventCode.HEARTBEAT_LOST
    if silenced or end.kind in ("link lost", "reset"):
        raise LinkLostError(f"{place}: the motion {end.in_words()}")
    if end.kind != "finished":
        raise MethodStoppedError(f"{place}: the motion {end.in_words()}")


@contextmanager
def _asking(ask: Callable[[], None], done: threading.Event) -> Iterator[None]:
    """Ask in a thread of its own, so that the recording goes on meanwhile."""

    def asked() -> None:
        try:
            ask()
        finally:
            done.set()

    thread = threading.Thread(target=asked, name="rig-prompt")
    thread.start()
    try:
        yield
    finally:
        thread.join()
