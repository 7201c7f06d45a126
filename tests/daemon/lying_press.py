"""A press on a real pseudo-terminal that speaks the wire protocol and lies when it is told to.

It knows nothing of the virtual rig: a platen that goes at constant speed, a spring, a little noise, and no
trips of its own but the emergency stop of its heartbeats. A lie is a function that is called at each step of
the press and may change how it behaves from then on; what the platen really did afterwards stays on record.

Its time waits while the host has not read what was sent: how far it goes after a lie then tells of the host's
judgement, not of other programs on the machine. A press that sends nothing, or late, goes on by the clock.
`pace` runs it so many times faster than the clock, `said` is asked what becomes of each message but samples.
"""

import array
import fcntl
import os
import random
import select
import termios
import threading
import time
import tty
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rig.wire import (
    Arm,
    AskState,
    Capability,
    ClearStop,
    Cycle,
    Disarm,
    Event,
    EventCode,
    FrameDecoder,
    Halt,
    Heartbeat,
    Home,
    Identify,
    Identity,
    Limits,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    SampleBlock,
    State,
    StateFlag,
    StreamAt,
    encode_frame,
    encode_samples,
)

MM_PER_COUNT, N_PER_COUNT = 0.005, 0.001
RATE_HZ = 500
STEP_S = 1 / RATE_HZ
CONTACT_MM, STIFFNESS_N_PER_MM, NOISE_N = 10.0, 3.0, 0.004
UNREAD_BYTES = 200
"""Ten samples, 20 ms: the host gathers some before it reads."""
MOVING, FRESH = 1 << 2, 1 << 6

DRIVEN = Capability(0b11111)


@dataclass
class Order:
    """The motion under way."""

    command: object
    target_mm: float
    speed_mm_per_s: float
    legs: list = field(default_factory=list)
    cycles: int = 0


class LyingPress:
    """See the module; every attribute below "Lies" may be set by a lie.

    Attributes
    ----------
    lied_mm, lied_n
        Where the platen was, and the true force, when `lies_now` was called.
    trace
        True position and force at each step since then.
    """

    def __init__(
        self,
        link: Path,
        lie=None,
        *,
        homed=True,
        start_mm=5.0,
        contact_mm=CONTACT_MM,
        beats_s=20.0,
        pace=1.0,
        stop_cause=0,
        first_seq=0,
        first_us=1_000_000,
    ):
        self.lie = lie or (lambda press: None)
        self.start_mm, self.contact_mm = start_mm, contact_mm
        self.x_mm, self.homed, self.zero_mm = start_mm, homed, 0.0
        self.armed, self.stop_cause, self.limits = False, stop_cause, None
        self.beats_s = beats_s
        self.order, self.last_request, self.cycles_done = None, 0, 0
        self.order_number = 0
        self.lied_mm = self.lied_n = None
        self.trace = []
        self.commands = []
        # Lies.
        self.sign, self.speed_factor = 1.0, 1.0
        self.ignores_target = self.ignores_force = self.never_ends = self.deaf = self.stuck = False
        self.drift_mm_per_s = 0.0
        self.bits, self.hidden_bits = 0, 0
        self.force_shown = lambda counts: counts
        self.position_shown = lambda counts: counts
        self.event_request = lambda request: request
        self.seq_stuck = self.silent = self.same_sample = False
        self.time_factor = 1.0
        self.boot_id, self.name = 7, "lying press"
        self.lag_s = 0.0
        self.replies_lag = True
        self.false_end = self.wrong_limits = False
        self.false_events = []
        self.motion_result, self.mute = None, False
        self.rate_factor, self.noise_n = 1.0, NOISE_N
        self.never_armed_in_state = self.stays_armed = False
        self.said = lambda message: [message]
        self.extra = b""
        self.every = self.times = 1
        self.reads = True
        # False: goes on by the clock, for a host that is gone
        self.waits = True
        # The wire.
        self._link, self._decoder, self._pace = link, FrameDecoder(), pace
        self._seq, self._time_us, self._number = first_seq, float(first_us), 0
        self._streams = False
        self._beat_s = 0.0
        self._last_id, self._last_answer = 0, []
        self._queue = []
        self._replayed = b""
        self._random = random.Random(5)
        self._past = deque(maxlen=RATE_HZ)
        self._stop = threading.Event()
        self._plug_in()
        self._thread = threading.Thread(target=self._run, name="lying-press")

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *error):
        self._stop.set()
        self._thread.join()
        self._unplug()

    # What a lie needs.

    def lies_now(self):
        """The lie takes effect: what the platen does from here on is on record."""
        if self.lied_mm is None:
            self.lied_mm, self.lied_n = self.x_mm, self.force_n

    @property
    def force_n(self):
        return STIFFNESS_N_PER_MM * max(self.x_mm - self.contact_mm, 0.0)

    def is_on(self, kind, number=1, moved_mm=1.0):
        """Whether the n-th motion order is of this kind and has gone so far."""
        order = self.order
        return (
            order is not None
            and isinstance(order.command, kind)
            and self.order_number >= number
            and abs(self.x_mm - self.began_mm) >= moved_mm
        )

    def replug(self, *, with_the_past=False):
        """Pull the cable and put it back in: whoever had the port open gets errors of it from now on.

        Parameters
        ----------
        with_the_past
            What was sent in the last second before comes again, as soon as it streams.
        """
        self._unplug()
        self._queue.clear()
        self._streams = False
        self._replayed = b"".join(self._past) if with_the_past else b""
        self._plug_in()

    def jam(self):
        """Hold what the host writes, as a line does whose flow control says no: its next write blocks."""
        termios.tcflow(self._slave, termios.TCOOFF)

    def says_who_it_is(self):
        """Unasked, as a device may."""
        self._say([self._identity()])

    def travel_after_mm(self):
        """How far the platen went from where it was when it began to lie."""
        return max((abs(x_mm - self.lied_mm) for x_mm, _ in self.trace), default=0.0)

    def most_force_after_n(self):
        return max((force_n for _, force_n in self.trace), default=0.0)

    # The press.

    def _plug_in(self):
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(os.ttyname(self._slave))

    def _unplug(self):
        os.close(self._master)
        os.close(self._slave)

    def _run(self):
        last_s = time.monotonic()
        while not self._stop.wait(0.002):
            self._hear()
            while last_s + STEP_S / self._pace <= time.monotonic():
                if self._unread():
                    break
                last_s += STEP_S / self._pace
                self._step()
                self._write()
                self._hear()
            self._write()

    def _unread(self):
        """Whether bytes lie in the terminal that the host, if it is there, has yet to read."""
        waiting = array.array("i", [0])
        fcntl.ioctl(self._slave, termios.FIONREAD, waiting)
        return self.waits and self._streams and waiting[0] > UNREAD_BYTES

    def _step(self):
        self.lie(self)
        if self.armed and time.monotonic() - self._beat_s > self.beats_s:
            self._trip(EventCode.HEARTBEAT_LOST)
        before_mm = self.x_mm
        if self.order is not None:
            self._go()
        self.x_mm += self.drift_mm_per_s * STEP_S
        while self.false_events:
            request = 0 if self.order is None else self.order.command.request
            self._event(self.false_events.pop(), request, self._position())
        if self.lied_mm is not None:
            self.trace.append((self.x_mm, self.force_n))
        self._sample(moving=self.x_mm != before_mm)

    def _go(self):
        order = self.order
        if self.stuck:
            return
        step_mm = order.speed_mm_per_s * self.speed_factor * STEP_S
        way_mm = order.target_mm - self.x_mm
        direction = 1.0 if way_mm >= 0 else -1.0
        if self.ignores_target:
            direction = self.direction
        self.direction = direction
        if not self.ignores_target and abs(way_mm) <= step_mm and self.sign > 0:
            self.x_mm = order.target_mm
            self._arrive()
            return
        self.x_mm += self.sign * direction * step_mm
        counts = self.force_shown(round(self.force_n / N_PER_COUNT))
        goal = getattr(order.command, "force", None)
        if goal is not None and counts >= goal and not self.ignores_force:
            self._end(EventCode.FINISHED)
        if self.false_end:
            self.false_end = False
            if isinstance(order.command, Cycle):
                for count in range(self.cycles_done + 1, order.command.count + 1):
                    self._event(EventCode.CYCLE_FINISHED, order.command.request, count)
                self.cycles_done = order.command.count
            self._end(EventCode.FINISHED)

    def _arrive(self):
        order = self.order
        if order.legs:
            order.target_mm = order.legs.pop(0)
            if order.target_mm == order.legs_high and order.cycles:
                self.cycles_done += 1
                self._event(EventCode.CYCLE_FINISHED, order.command.request, self.cycles_done)
            order.cycles += 1
            return
        if isinstance(order.command, Cycle):
            self.cycles_done += 1
            self._event(EventCode.CYCLE_FINISHED, order.command.request, self.cycles_done)
        if isinstance(order.command, Home):
            self.zero_mm, self.homed = self.x_mm, True
            self._event(EventCode.HOMED, order.command.request, 0)
        pressed = isinstance(order.command, PressUntil)
        self._end(EventCode.POSITION_LIMIT if pressed else EventCode.FINISHED)

    def _end(self, code):
        if self.order is None or self.never_ends:
            return
        request, self.order = self.order.command.request, None
        self._event(code, self.event_request(request), self._position())

    def _trip(self, code):
        self.armed, self.stop_cause = False, int(code)
        request = 0 if self.order is None else self.order.command.request
        if not self.deaf:
            self.order = None
        self._event(code, request, 0)

    def _position(self):
        return round((self.x_mm - self.zero_mm) / MM_PER_COUNT)

    # The wire.

    def _sample(self, *, moving):
        self._time_us += self.time_factor * 1e6 * STEP_S
        self._number += 1
        if self._number % self.every:
            return
        if not self.seq_stuck:
            self._seq += 1
        if not self._streams or self.silent:
            return
        noise = self._random.gauss(0.0, self.noise_n / N_PER_COUNT)
        force = self.force_shown(round(self.force_n / N_PER_COUNT + noise))
        position = self.position_shown(self._position())
        status = ((MOVING if moving else 0) | FRESH | self.bits) & ~self.hidden_bits
        if not self.same_sample:
            self._shown = SampleBlock(
                np.array([self._seq % 2**16]),
                np.array([round(self._time_us) % 2**32]),
                np.array([force], np.int32),
                np.array([position], np.int32),
                np.array([status], np.uint8),
            )
        data = encode_samples(self._shown)
        replayed, self._replayed = self._replayed, b""
        self._send(replayed + self.extra + self.times * data, lags=True)
        self._past.append(data)

    def _say(self, messages, *, lags=True):
        frames = [encode_frame(told) for message in messages for told in self.said(message)]
        if frames:
            self._send(b"".join(frames), lags=lags)

    def _send(self, data, *, lags):
        due_s = time.monotonic() + (self.lag_s if lags else 0.0)
        if self._queue and lags:
            due_s = max(due_s, self._queue[-1][0])
        self._queue.append((due_s, data))

    def _write(self):
        now_s = time.monotonic()
        while self._queue and self._queue[0][0] <= now_s:
            data = self._queue[0][1]
            try:
                written = os.write(self._master, data)
            except BlockingIOError:
                return
            self._queue[0] = (self._queue[0][0], data[written:])
            if written == len(data):
                self._queue.pop(0)

    def _hear(self):
        if not self.reads or not select.select([self._master], [], [], 0)[0]:
            return
        with suppress(OSError):
            for placed in self._decoder.feed(os.read(self._master, 4096)).messages:
                command = placed.message
                self.commands.append(command)
                if isinstance(command, Heartbeat):
                    self._beat_s = time.monotonic()
                    continue
                if command.request != self._last_id:
                    self._last_id, self._last_answer = command.request, self._answer(command)
                self._say(self._last_answer, lags=self.replies_lag)

    def _event(self, code, request, value):
        time_us = round(self._time_us) % 2**32
        self._say([Event(code, request, time_us, value)])

    def _answer(self, command):
        said, result, value = [], ReplyResult.ACCEPTED, 0
        match command:
            case Identify():
                said = [self._identity()]
            case StreamAt():
                self._streams, value = command.rate_mhz > 0, round(command.rate_mhz * self.rate_factor)
            case AskState():
                said = [self._state()]
            case Limits():
                self.limits = (
                    command.min_force,
                    command.max_force,
                    command.min_position,
                    command.max_position,
                )
            case Arm():
                self.armed, self._beat_s = self.stop_cause == 0, time.monotonic()
                result = ReplyResult.ACCEPTED if self.armed else ReplyResult.STOP_LATCHED
            case ClearStop():
                self.stop_cause = 0
            case Halt() | Disarm():
                if isinstance(command, Disarm) and not self.stays_armed:
                    self.armed = False
                if not self.deaf:
                    self._end(EventCode.HALTED)
                    self.order, self.drift_mm_per_s = None, 0.0
            case MoveTo() | PressUntil() | Home() | Cycle():
                result = self._begin(command)
                if self.mute:
                    return []
        return [*said, Reply(result, command.request, value)]

    def _identity(self):
        rate_mhz = RATE_HZ * 1000
        return Identity(1, 1, 0, DRIVEN, self.boot_id, rate_mhz, b"LIES0001", self.name)

    def _state(self):
        flags = StateFlag.LIMITS_SET | StateFlag.STREAMING
        flags |= StateFlag.ARMED if self.armed and not self.never_armed_in_state else StateFlag(0)
        flags |= StateFlag.HOMED if self.homed else StateFlag(0)
        limits = self.limits or (0,) * 4
        if self.wrong_limits:
            limits = (limits[0], 2 * limits[1], *limits[2:])
        flags |= StateFlag.MOVING if self.order is not None else StateFlag(0)
        return State(
            self.boot_id,
            flags,
            self.stop_cause,
            self.last_request,
            self.cycles_done,
            *limits,
            0,
        )

    def _begin(self, command):
        if self.motion_result is not None:
            return self.motion_result
        if not self.armed:
            return ReplyResult.NOT_ARMED
        if self.order is not None:
            return ReplyResult.BUSY
        self.last_request, self.began_mm = command.request, self.x_mm
        self.order_number += 1
        speed_mm_per_s = command.speed * MM_PER_COUNT
        match command:
            case MoveTo():
                self.order = Order(command, command.position * MM_PER_COUNT + self.zero_mm, speed_mm_per_s)
            case PressUntil():
                limit_mm = command.position_limit * MM_PER_COUNT + self.zero_mm
                self.order = Order(command, limit_mm, speed_mm_per_s)
            case Home():
                self.order = Order(command, 0.0, speed_mm_per_s)
            case Cycle():
                low, high = (count * MM_PER_COUNT + self.zero_mm for count in (command.low, command.high))
                self.cycles_done = 0
                self.order = Order(command, low, speed_mm_per_s, [high, low] * command.count)
                self.order.legs_high = high
        self.direction = 1.0 if self.order.target_mm >= self.x_mm else -1.0
        return ReplyResult.ACCEPTED
