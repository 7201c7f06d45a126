"""Run a checked method on a driven rig, and record all of it.

Problem: a platen must move only while someone watches fresh samples, and whatever goes wrong must stop it
and leave a capture that says why. Plan: one thread takes deliveries, writes them, and answers each with a
heartbeat where its samples are new; between deliveries it starts the method's next motion and waits for
its one end. A failing disk, a passed limit, a trip, a lost link or the person's stop halts the platen,
disarms and ends the capture. Nothing is tried again by itself. Cost: one thread beside the reader's;
heartbeats follow samples at most every 0.1 s.

The device's own limits and a hard-wired emergency stop come first; what is checked here is a second line.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from loguru import logger

from rig.calibration import Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.daemon.recording import Progress, Recorded, link_tallies, write_events
from rig.errors import DeviceError, InputError, RigError
from rig.methods import (
    CheckedMethod,
    MoveTo,
    PlannedAction,
    PressTo,
    PressUntil,
    Prompt,
    StartClock,
    TouchUntil,
    Wait,
    WaitUntil,
    check_contact,
    plan,
)
from rig.reader import Delivery, DeviceLimits, Heart, MotionEnd, MotionRequest, Reader
from rig.samples import Samples
from rig.wire import Capability, StateFlag

WAIT_S = 0.02
"""How long the runner waits for a delivery before it looks at its motion again."""

QUIET_S = 0.35
"""A platen whose samples are older than this is halted: its heartbeats have stopped, and the device brakes
soon."""

STANDSTILL_S = 0.3
"""After the last motion, or a halt, the recording goes on for so long."""

OVERRUN = 3.0
OVERRUN_S = 10.0
"""A motion that takes so many times longer than its way and speed say, and so long at the least, is asked
for."""

HOMING_SPEED_MM_PER_S = 5.0
US_PER_S = 1e6


class MethodStoppedError(DeviceError):
    """The method ended before its last step; the message says at which step and why."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What the runner tells and asks the person while it runs.

    Parameters
    ----------
    stopped
        Set to stop the platen and end the capture.
    ask
        Called with the text of a step off the rig, from a thread of its own; returns when the person is done.
    tell
        Called with the step that begins, and how far the recording is.
    """

    stopped: threading.Event
    ask: Callable[[str], None]
    tell: Callable[[str, Progress], None]


def run_method(
    reader: Reader,
    calibration: Calibration,
    header_of: Callable[[Reader], CaptureHeader],
    parent: Path,
    *,
    checked: CheckedMethod,
    watch: Watch,
) -> Recorded:
    """Home if needed, set the limits, arm, run every step, disarm; record from the first approach to the end.

    Parameters
    ----------
    reader
        Not yet entered.
    header_of
        Makes the capture's header once the device has said who it is.
    checked
        A method that fits the rig's limits.

    Raises
    ------
    DeviceError
        If the rig cannot be opened, has no drive, or refuses to be made ready; nothing is recorded then.
    RecorderError
        If the capture cannot be begun.
    """
    with reader:
        scales = _scales(calibration)
        _must_drive(reader)
        runner = _Runner(reader, scales, checked, watch)
        try:
            runner.make_ready()
            with CaptureWriter.create(parent, header_of(reader)) as writer:
                reason, failed = runner.run(writer)
                if not writer.ended:
                    runner.record_standstill()
                    writer.end(reason, link_tallies(reader))
        finally:
            runner.leave()
    return Recorded(writer.path, reason, failed, runner.progress(writer))


def _scales(calibration: Calibration) -> tuple[Scale, Scale]:
    if calibration.force is None or calibration.position is None:
        raise InputError("force, position: a method runs on a calibrated rig only; say per_count in its file")
    return calibration.force, calibration.position


def _must_drive(reader: Reader) -> None:
    identity = reader.identity
    if identity is None or not identity.capabilities & Capability.DRIVES:
        raise DeviceError(
            "the rig does not drive its platen: record while the method is followed by hand instead"
        )


class _Runner:
    """The state of one run: the contact found last, the clocks of the steps, the heart."""

    def __init__(
        self, reader: Reader, scales: tuple[Scale, Scale], checked: CheckedMethod, watch: Watch
    ) -> None:
        self._reader, self._session = reader, reader.session
        self._force, self._position = scales
        self._checked, self._rig, self._watch = checked, checked.rig, watch
        self._heart = Heart(reader.session)
        self._writer: CaptureWriter | None = None
        self._contact_mm = 0.0
        self._clocks: dict[str, float] = {}
        self._felt_n: float | None = None
        self._felt_mm: float | None = None
        self._first_us: int | None = None
        self._last_us = 0
        self._fresh = time.monotonic()

    def progress(self, writer: CaptureWriter) -> Progress:
        length_s = 0.0 if self._first_us is None else (self._last_us - self._first_us) / US_PER_S
        return Progress(length_s, writer.samples, 0)

    def make_ready(self) -> None:
        """Limits set and read back, homed, disarmed."""
        travel, force = self._rig.travel_mm, self._rig.force_n
        self._session.set_limits(
            DeviceLimits(
                min_force=self._force_counts(force[0]),
                max_force=self._force_counts(force[1]),
                min_position=self._position_counts(travel[0]),
                max_position=self._position_counts(travel[1]),
            )
        )
        if self._session.state().flags & StateFlag.HOMED:
            return
        speed = min(HOMING_SPEED_MM_PER_S, self._rig.speed_mm_per_s)
        self._arm()
        end = self._follow(self._session.home(speed=self._speed(speed)), self._rig.span_mm / speed)
        if end.kind != "finished":
            raise MethodStoppedError(f"homing {end.in_words()}")
        # nothing beats while a capture is being made
        self._session.disarm()

    def _arm(self) -> None:
        self._session.arm()
        # what was waiting meanwhile is not held against the rig
        self._fresh = time.monotonic()

    def run(self, writer: CaptureWriter) -> tuple[str, bool]:
        """Every action of the method; why it ended, and whether that is a failure."""
        self._writer = writer
        writer.event("method", name=self._checked.method.name, source=str(self._checked.method.source))
        try:
            self._arm()
            for planned in plan(self._checked):
                self._tell(planned)
                try:
                    self._perform(planned)
                except MethodStoppedError:
                    raise
                except DeviceError as refusal:
                    raise MethodStoppedError(f"{planned.place}: {refusal}") from refusal
        except RigError as problem:
            self._halt()
            if self._watch.stopped.is_set():
                return "stopped", False
            logger.error("{}", problem)
            if not writer.ended:
                writer.event("method stopped", why=str(problem))
            return str(problem), True
        return "method finished", False

    def leave(self) -> None:
        """Disarm, whatever happened before."""
        try:
            self._session.disarm()
        except RigError as problem:
            logger.warning(
                "the rig could not be disarmed ({}); without heartbeats it stops by itself", problem
            )

    def _perform(self, planned: PlannedAction) -> None:
        action = planned.action
        match action:
            case TouchUntil():
                self._touch(planned, action)
            case PressUntil():
                deepest_mm = self._contact_mm + action.stop_mm
                self._press_until(planned, action.force_n, action.speed_mm_per_s, deepest_mm)
            case PressTo() | MoveTo():
                target_mm = self._contact_mm + action.deflection_mm
                request = self._session.move_to(
                    self._position_counts(target_mm), speed=self._speed(action.speed_mm_per_s)
                )
                self._finished(planned, self._follow(request, self._rig.span_mm / action.speed_mm_per_s))
            case Wait():
                self._wait(action.duration_s)
            case StartClock():
                self._clocks[str(planned.place)] = self._device_s()
            case WaitUntil():
                self._wait(self._clocks[str(planned.place)] + action.time_s - self._device_s())
            case Prompt():
                self._prompt(action)

    def _touch(self, planned: PlannedAction, action: TouchUntil) -> None:
        self._felt_n, self._felt_mm = action.force_n, None
        self._press_until(planned, action.force_n, action.speed_mm_per_s, self._rig.travel_mm[1])
        felt_mm, self._felt_n = self._felt_mm, None
        if not action.sets_contact:
            return
        if felt_mm is None:
            raise MethodStoppedError(f"{planned.place}: touched, but where was lost; start the method again")
        self._contact_mm = felt_mm
        self._event("contact found", position_mm=self._contact_mm)
        check_contact(self._checked, self._contact_mm)

    def _press_until(
        self, planned: PlannedAction, force_n: float, speed_mm_per_s: float, deepest_mm: float
    ) -> MotionEnd:
        request = self._session.press_until(
            self._force_counts(force_n),
            speed=self._speed(speed_mm_per_s),
            position_limit=self._position_counts(min(deepest_mm, self._rig.travel_mm[1])),
        )
        end = self._follow(request, self._rig.span_mm / speed_mm_per_s)
        self._finished(planned, end)
        return end

    def _finished(self, planned: PlannedAction, end: MotionEnd) -> None:
        if end.kind != "finished":
            raise MethodStoppedError(f"{planned.place}: the motion {end.in_words()}")

    def _follow(self, request: MotionRequest, expected_s: float) -> MotionEnd:
        """Take deliveries, and answer them with heartbeats, until the motion has ended."""
        began = time.monotonic()
        asked_s = OVERRUN * expected_s + OVERRUN_S
        while request.end is None:
            self._take_one()
            if time.monotonic() - began > asked_s:
                began = time.monotonic()
                request.settle()
        return request.end

    def _wait(self, duration_s: float) -> None:
        """Let device time pass."""
        until_s = self._device_s() + duration_s
        while self._device_s() < until_s:
            self._take_one()

    def _prompt(self, action: Prompt) -> None:
        """A step off the rig: disarmed, but still recorded, until the person says it is done."""
        self._session.disarm()
        done = threading.Event()
        with _asking(lambda: self._watch.ask(action.instruction), done):
            began_s = self._device_s()
            while not done.is_set() or self._device_s() - began_s < (action.least_s or 0.0):
                self._take_one(moving=False)
        taken_s = self._device_s() - began_s
        self._event("step off the rig", instruction=action.instruction, taken_s=taken_s)
        if action.most_s is not None and taken_s > action.most_s:
            logger.warning(
                "{}: took {:.0f} s, at most {:.0f} s were asked for",
                action.instruction,
                taken_s,
                action.most_s,
            )
        self._arm()

    def _take_one(self, *, moving: bool = True) -> None:
        """One delivery: write it, look at it, answer it with a heartbeat.

        Raises
        ------
        MethodStoppedError
            If the person stops, the samples stay away, or the force is beyond its limit.
        """
        delivery = self._reader.get(WAIT_S)
        self._write(delivery)
        if self._watch.stopped.is_set():
            raise MethodStoppedError("stopped by the person")
        now = time.monotonic()
        if delivery is None or not len(delivery.samples):
            if moving and now - self._fresh > QUIET_S:
                raise MethodStoppedError(f"no sample for {QUIET_S} s: the platen is halted")
            return
        self._fresh = now
        self._look(delivery.samples)
        if moving:
            self._heart.beat_after(delivery)

    def record_standstill(self) -> None:
        """Write what comes while the platen brakes; no heartbeat answers it."""
        until = time.monotonic() + STANDSTILL_S
        while time.monotonic() < until:
            self._write(self._reader.get(WAIT_S))

    def _write(self, delivery: Delivery | None) -> None:
        if delivery is None:
            if self._writer is not None:
                self._writer.tick()
            return
        samples = delivery.samples
        if len(samples):
            self._first_us = int(samples.time_us[0]) if self._first_us is None else self._first_us
            self._last_us = int(samples.time_us[-1])
        if self._writer is not None:
            write_events(self._writer, delivery)
            self._writer.append(samples)

    def _look(self, samples: Samples) -> None:
        """The host's own trip, beside the device's."""
        force_n = (samples.force - self._force.zero_counts) * self._force.per_count
        if self._felt_n is not None and self._felt_mm is None:
            # where the force was felt, not where the platen came to rest behind it
            felt = np.flatnonzero(force_n >= self._felt_n)
            if len(felt):
                counts = float(samples.position[felt[0]])
                self._felt_mm = (counts - self._position.zero_counts) * self._position.per_count
        largest_n = float(force_n.max())
        if largest_n > self._rig.force_n[1]:
            raise MethodStoppedError(
                f"the force reached {largest_n:.1f} N, above the limit of {self._rig.force_n[1]:g} N"
            )

    def _halt(self) -> None:
        try:
            self._session.halt()
        except RigError as problem:
            logger.warning(
                "the halt was not answered ({}); without heartbeats the rig stops by itself", problem
            )

    def _tell(self, planned: PlannedAction) -> None:
        if self._writer is not None:
            self._watch.tell(str(planned.place), self.progress(self._writer))

    def _event(self, kind: str, **fields: object) -> None:
        if self._writer is not None:
            self._writer.event(kind, time_us=self._last_us, **fields)

    def _device_s(self) -> float:
        return self._last_us / US_PER_S

    def _speed(self, speed_mm_per_s: float) -> int:
        return max(round(speed_mm_per_s / self._position.per_count), 1)

    def _force_counts(self, force_n: float) -> int:
        return round(force_n / self._force.per_count + self._force.zero_counts)

    def _position_counts(self, position_mm: float) -> int:
        return round(position_mm / self._position.per_count + self._position.zero_counts)


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
