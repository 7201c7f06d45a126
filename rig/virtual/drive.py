"""The firmware's drive: arming, limits, motions, trips and the latched stop.

Problem: every motion must end in exactly one event, whatever happens first, and nothing may move unless
it is armed, homed, limited and free of a latched stop. Plan: one motion at a time is a value that says
how it will end; the drive looks through each previewed stretch for the first sample at which it has to
act, and acts there. Trips compare the true force and position, as a firmware's fast loop would.
Cost: a few comparisons of arrays while something moves, none at rest.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

import numpy as np

from rig.samples import BoolArray, FloatArray
from rig.virtual.machine import Machine, MachineStretch
from rig.virtual.trajectory import braking, driven, standing
from rig.wire import Cycle, EventCode, Home, Limits, MoveTo, PressUntil, ReplyResult, Switch

MotionCommand = MoveTo | PressUntil | Home | Cycle

HEARTBEAT_LIMIT_S = 0.5
"""Wall time since the last heartbeat after which an armed device stops; the protocol allows 50 ms more."""

HOMING_GROWN_N = 5.0
"""A homing stops where the force has grown by so much: something is in its way."""

_HALF_A_COUNT = 0.5
"""A platen that stands on a limit has not passed it."""


@dataclass(frozen=True, slots=True)
class DriveSettings:
    """What is built into the drive.

    `travel_mm`: length of the platen's way; the home switch is at zero.
    `top_speed_mm_per_s`, `acceleration_mm_per_s2`: fastest motion allowed, and how fast speed changes.
    """

    travel_mm: float = 300.0
    top_speed_mm_per_s: float = 100.0
    acceleration_mm_per_s2: float = 200.0


@dataclass(frozen=True, slots=True)
class Happening:
    """An event to send: its code, the request it belongs to (0 for none), and its value."""

    code: EventCode
    request: int
    value: int


@dataclass(frozen=True, slots=True)
class _Motion:
    """The motion under way. `ends_with` is the event that a standstill will bring."""

    request: int
    ends_with: EventCode
    force_goal: int | None = None
    homing: bool = False
    begun_force: float = 0.0
    legs: tuple[tuple[float, float], ...] = ()
    cycles_left: int = 0
    speed_mm_per_s: float = 0.0


@dataclass(slots=True)
class Drive:
    """State of the drive. Counts are those of the wire, after homing."""

    machine: Machine
    settings: DriveSettings
    armed: bool = False
    homed: bool = False
    limits: Limits | None = None
    stop_cause: EventCode | None = None
    emergency_stop_open: bool = False
    last_request: int = 0
    cycles_done: int = 0
    home_offset: int = 0
    upper_held: bool = False
    """Whether something holds the travel switch at the pressing end pressed."""
    home_held: bool = False
    """Likewise the home switch."""
    powered: bool = False
    """Whether the motor has current; see `current_on`."""
    converter_at_end: bool = False
    """Whether something holds the force converter at the end of its range."""
    _force_was_out: bool = False
    """Whether the force was beyond a limit when arming, limits or a motion last looked, and still is."""
    _switch_was_held: bool = False
    """Whether the travel switch at the pressing end was held pressed then."""
    _faults: set[EventCode] = field(default_factory=set)
    _motion: _Motion | None = None
    _cycle_legs: tuple[tuple[float, float], ...] = ()
    _beat_s: float = 0.0
    _happenings: deque[Happening] = field(default_factory=deque)

    @property
    def moving(self) -> bool:
        """Whether the platen has not come to rest, or a motion has not ended."""
        return self._motion is not None or self.machine.now_s < self.machine.trajectory.end_s

    @property
    def built_in(self) -> tuple[int, int, int, int]:
        """Least and largest force, least and largest position, in counts."""
        chain = self.machine.chain
        longest = int(self.settings.travel_mm / chain.position_mm_per_count)
        return -chain.force_range_counts, chain.force_range_counts - 1, 0, longest

    def take_happenings(self) -> list[Happening]:
        """Return the events since the last call, oldest first."""
        taken = list(self._happenings)
        self._happenings.clear()
        return taken

    # Commands. Each answers at once; what follows comes as happenings.

    def arm(self, now_s: float) -> ReplyResult:
        """Allow motion, and expect heartbeats from `now_s` (wall time) on."""
        if self.stop_cause is not None or self.emergency_stop_open:
            return ReplyResult.STOP_LATCHED
        self.armed, self.powered, self._beat_s = True, True, now_s
        self._look_at_force()
        return ReplyResult.ACCEPTED

    def beat(self, now_s: float) -> None:
        """Note a heartbeat at a wall time."""
        self._beat_s = now_s

    def disarm(self) -> ReplyResult:
        """Halt and forbid motion."""
        self.armed = False
        return self.halt()

    def halt(self) -> ReplyResult:
        """Brake; a motion ends with its event at standstill."""
        if self.moving:
            self._brake()
        if self._motion is not None:
            self._motion = _Motion(self._motion.request, EventCode.HALTED)
        return ReplyResult.ACCEPTED

    def set_limits(self, limits: Limits) -> ReplyResult:
        """Trip there from now on."""
        if limits.min_force >= limits.max_force or limits.min_position >= limits.max_position:
            return ReplyResult.BAD_ARGUMENT
        least_force, most_force, least_position, most_position = self.built_in
        inside = least_force <= limits.min_force and limits.max_force <= most_force
        if not inside or limits.min_position < least_position or limits.max_position > most_position:
            return ReplyResult.OUTSIDE_LIMITS
        self.limits = limits
        # a standing platen is ordered where it may go; a moving one that is outside now has to stop
        if not self.moving:
            self._look_at_force()
        return ReplyResult.ACCEPTED

    def clear_stop(self) -> ReplyResult:
        """Unlatch, unless the emergency stop is still open."""
        if self.emergency_stop_open:
            return ReplyResult.STOP_LATCHED
        self.current_on()
        self.stop_cause = None
        return ReplyResult.ACCEPTED

    def current_on(self) -> bool:
        """Return whether the motor has current. After a stop it loses it as soon as it stands."""
        if self.stop_cause is not None and not self.moving:
            self.powered = False
        return self.powered

    def release_current(self) -> ReplyResult:
        """Take the motor's current away, at rest and disarmed."""
        if self.armed or self.moving:
            return ReplyResult.BUSY
        self.powered = False
        return ReplyResult.ACCEPTED

    def open_switches(self) -> Switch:
        """Return the contacts that are open."""
        here_mm = self.machine.position_mm
        opened = (
            (Switch.HOME, self.home_held or here_mm <= 0),
            (Switch.FAR_END, self.upper_held or here_mm >= self.settings.travel_mm),
            (Switch.EMERGENCY_STOP, self.emergency_stop_open),
        )
        return Switch(sum(switch for switch, holds in opened if holds))

    def start(self, command: MotionCommand) -> ReplyResult:
        """Begin a motion, or say why not."""
        refusal = self._refusal(command)
        if refusal is not None:
            return refusal
        self.last_request = command.request
        self._look_at_force()
        match command:
            case MoveTo():
                self._motion = _Motion(command.request, EventCode.FINISHED)
                self._go(self._mm(command.position), command.speed)
            case PressUntil():
                self._motion = _Motion(command.request, EventCode.POSITION_LIMIT, force_goal=command.force)
                self._go(self._mm(command.position_limit), command.speed)
            case Home():
                self._motion = _Motion(
                    command.request, EventCode.FINISHED, homing=True, begun_force=self._force_now()
                )
                self._go(0.0, command.speed)
            case Cycle():
                self._start_cycling(command)
        return ReplyResult.ACCEPTED

    # What the hardware does to the drive.

    def open_emergency_stop(self) -> None:
        """Somebody pressed the button."""
        self.emergency_stop_open = True
        if self.stop_cause is None:
            self.trip(EventCode.STOP_OPENED, 0)
        else:
            self._happenings.append(Happening(EventCode.STOP_OPENED, 0, 0))

    def close_emergency_stop(self) -> None:
        """Somebody released the button; the stop stays latched."""
        self.emergency_stop_open = False
        self._happenings.append(Happening(EventCode.STOP_CLOSED, 0, 0))

    def set_fault(self, code: EventCode, *, broken: bool) -> None:
        """Let a part of the hardware fail, or mend all; what it does is seen as soon as it matters.

        A silent converter trips whenever the drive is armed, a stall whenever it moves, a position sensor
        at once.
        """
        if not broken:
            self._faults.clear()
            return
        self._faults.add(code)
        if code == EventCode.POSITION_FAULT:
            self.homed = False
            self.trip(code, 0)

    def check_hardware(self) -> None:
        """Trip if something that failed matters now."""
        if self.armed and EventCode.FORCE_SILENT in self._faults:
            self.trip(EventCode.FORCE_SILENT, 0)
        if self._motion is not None and EventCode.STALLED in self._faults:
            self.trip(EventCode.STALLED, round(self._position_now()))

    def shove(self, way_mm: float) -> None:
        """Something stronger than the motor turns it at rest; an armed drive sees that it was moved."""
        self.machine.trajectory = standing(self.machine.position_mm + way_mm, self.machine.now_s)
        if self.armed and self._motion is None:
            self.trip(EventCode.STALLED, round(self._position_now()))

    def trip(self, code: EventCode, value: int) -> None:
        """Brake, disarm and latch, unless a stop is latched already."""
        if self.stop_cause is not None:
            return
        request = 0 if self._motion is None else self._motion.request
        self.stop_cause, self.armed, self._motion = code, False, None
        self._brake()
        self._happenings.append(Happening(code, request, value))

    def check_heartbeat(self, now_s: float) -> None:
        """Trip if an armed drive has had no heartbeat for too long, in wall time."""
        if self.armed and now_s - self._beat_s > HEARTBEAT_LIMIT_S:
            self.trip(EventCode.HEARTBEAT_LOST, 0)

    def reset(self) -> None:
        """Forget everything, as a reboot does; a motion under way stops, a script goes on."""
        if self._motion is not None:
            self._brake()
        self.armed = self.homed = False
        self.limits = self.stop_cause = self._motion = None
        self.last_request = self.cycles_done = self.home_offset = 0
        self._happenings.clear()

    def watch(self, stretch: MachineStretch) -> tuple[int, EventCode] | None:
        """Return the first sample of a stretch at which the drive has to act, and why; None if it has not.

        `FINISHED` stands for a force reached, `HALTED` for a standstill; others are trips.
        """
        acts: list[tuple[int, int, EventCode]] = []
        if self.limits is not None and self.stop_cause is None:
            acts += self._passed(stretch, self.limits)
        if self._motion is not None:
            still = stretch.due_s >= self.machine.trajectory.end_s
            acts += _first(still, 2, EventCode.HALTED)
            if self._motion.force_goal is not None:
                reached = self._force_counts(stretch) >= self._motion.force_goal
                acts += _first(reached, 1, EventCode.FINISHED)
        if not acts:
            return None
        index, _, code = min(acts)  # the earliest; of those at one sample, a trip before an end
        return index, code

    def act(self, code: EventCode, force: int, position: int) -> None:
        """Act on what `watch` found, with the counts that were read at that sample."""
        if code == EventCode.FINISHED and self._motion is not None:
            self._brake()
            self._motion = _Motion(self._motion.request, EventCode.FINISHED)
        elif code == EventCode.HALTED and self._motion is not None:
            self._stand(self._motion, force, position)
        else:
            self.trip(code, position if code == EventCode.TRAVEL_TRIP else force)

    # Within.

    def _stand(self, motion: _Motion, force: int, position: int) -> None:
        """The platen has come to rest: go on with the next leg, or end the motion."""
        if motion.legs:
            self._next_leg(motion)
            return
        if motion.homing:
            self._happenings.append(Happening(EventCode.HOMED, motion.request, position))
            self.home_offset += position
            self.homed, position = True, 0
        elif motion.cycles_left > 0:
            self.cycles_done += 1
            self._happenings.append(Happening(EventCode.CYCLE_FINISHED, motion.request, self.cycles_done))
            if motion.cycles_left > 1:
                self._next_leg(replace(motion, legs=self._cycle_legs, cycles_left=motion.cycles_left - 1))
                return
        self._motion = None
        value = force if motion.ends_with == EventCode.POSITION_LIMIT else position
        self._happenings.append(Happening(motion.ends_with, motion.request, value))

    def _start_cycling(self, command: Cycle) -> None:
        low_mm, high_mm = self._mm(command.low), self._mm(command.high)
        self.cycles_done = 0
        self._cycle_legs = (high_mm, command.dwell_high_ms / 1000), (low_mm, command.dwell_low_ms / 1000)
        motion = _Motion(
            command.request,
            EventCode.FINISHED,
            legs=((low_mm, 0.0), *self._cycle_legs),
            cycles_left=command.count,
            speed_mm_per_s=command.speed * self.machine.chain.position_mm_per_count,
        )
        self._next_leg(motion)

    def _next_leg(self, motion: _Motion) -> None:
        leg, *rest = motion.legs
        self._motion = replace(motion, legs=tuple(rest))
        self._follow([leg], motion.speed_mm_per_s)

    def _go(self, target_mm: float, speed_counts_per_s: int) -> None:
        self._follow([(target_mm, 0.0)], speed_counts_per_s * self.machine.chain.position_mm_per_count)

    def _follow(self, stops: list[tuple[float, float]], speed_mm_per_s: float) -> None:
        self.machine.trajectory = driven(
            self.machine.position_mm,
            stops,
            speed_mm_per_s=speed_mm_per_s,
            acceleration_mm_per_s2=self.settings.acceleration_mm_per_s2,
            at_s=self.machine.now_s,
        )

    def _brake(self) -> None:
        machine = self.machine
        if machine.now_s < machine.trajectory.end_s:
            machine.trajectory = braking(
                machine.now_s,
                machine.position_mm,
                machine.speed_mm_per_s,
                self.settings.acceleration_mm_per_s2,
            )
        else:
            machine.trajectory = standing(machine.position_mm, machine.now_s)

    def _refusal(self, command: MotionCommand) -> ReplyResult | None:
        """Return why a motion may not begin; None if it may."""
        fastest = self.settings.top_speed_mm_per_s / self.machine.chain.position_mm_per_count
        sensible = 0 < command.speed <= fastest and not (
            isinstance(command, Cycle) and (command.low >= command.high or command.count <= 0)
        )
        # The first rule that holds is reported, so what a person must do first stands first.
        rules = (
            (self.stop_cause is not None or self.emergency_stop_open, ReplyResult.STOP_LATCHED),
            (not self.armed and self.limits is not None, ReplyResult.NOT_ARMED),
            (self.limits is None, ReplyResult.LIMITS_NOT_SET),
            (self.moving, ReplyResult.BUSY),
            (not self.homed and not isinstance(command, Home), ReplyResult.NOT_HOMED),
            (not sensible, ReplyResult.BAD_ARGUMENT),
            (not self._allowed(command), ReplyResult.OUTSIDE_LIMITS),
        )
        return next((result for holds, result in rules if holds), None)

    def _allowed(self, command: MotionCommand) -> bool:
        """Return whether a motion is inside the limits; while something is outside, leads away from there."""
        if self.limits is None:
            return False
        limits, here, force = self.limits, self._position_now(), self._force_now()
        # homing leaves the platen within a count of zero, on either side
        pressed = force > limits.max_force or here > limits.max_position + _HALF_A_COUNT or self.upper_held
        pulled = force < limits.min_force or here < limits.min_position - _HALF_A_COUNT
        match command:
            case Home():
                # before it is homed its position means nothing
                return not (pulled if self.homed else force < limits.min_force)
            case MoveTo() if pressed or pulled:
                lowest, highest = (limits.min_position, here) if pressed else (here, limits.max_position)
                return not (pressed and pulled) and lowest <= command.position <= highest
            case MoveTo():
                return limits.min_position <= command.position <= limits.max_position
            case PressUntil():
                inside = here <= command.position_limit <= limits.max_position
                return inside and command.force <= limits.max_force and not pressed
            case Cycle():
                inside = limits.min_position <= command.low and command.high <= limits.max_position
                return inside and not pressed and not pulled

    def _passed(self, stretch: MachineStretch, limits: Limits) -> list[tuple[int, int, EventCode]]:
        """Return the limits passed while going further out; inwards, a trapped part is being released."""
        force, position = self._force_counts(stretch), self._position_counts(stretch.position_mm)
        pressing, lifting = stretch.speed_mm_per_s > 0, stretch.speed_mm_per_s < 0
        homing = self._motion is not None and self._motion.homing
        high, low = force > limits.max_force, force < limits.min_force
        out_of_force = (pressing & high) | (lifting & low)
        inside = ~(high | low)
        # also standing, and towards the other side; what was out when it was looked at may come back once
        excused = self._force_was_out & (np.cumsum(inside) == 0)
        if self.armed:
            out_of_force |= (high | low) & ~excused
        still = (stretch.speed_mm_per_s == 0) & self.armed & (not self._switch_was_held)
        beyond = pressing & ((position > limits.max_position + _HALF_A_COUNT) | self.upper_held)
        if self._motion is not None and homing:
            # wherever it goes, something is in the way
            grown = HOMING_GROWN_N / self.machine.chain.force_n_per_count
            out_of_force |= force - self._motion.begun_force > grown
            # nothing shows which way it really goes: the other switch stops it in any direction
            beyond |= (pressing | lifting) & self.upper_held
        else:
            beyond |= still & self.upper_held
            beyond |= lifting & ((position < limits.min_position - _HALF_A_COUNT) | self.home_held)
        saturated = np.abs(force) >= self.machine.chain.force_range_counts
        passed = (
            _first(saturated, -1, EventCode.FORCE_SILENT)
            + _first(out_of_force, 0, EventCode.FORCE_TRIP)
            + _first(beyond, 0, EventCode.TRAVEL_TRIP)
        )
        if not passed and inside.any():
            self._force_was_out = False
        return passed

    def _force_counts(self, stretch: MachineStretch) -> FloatArray:
        chain = self.machine.chain
        return stretch.force_n / chain.force_n_per_count + chain.force_zero_counts

    def _position_counts(self, position_mm: FloatArray) -> FloatArray:
        chain, reader = self.machine.chain, self.machine.reader
        return position_mm / chain.position_mm_per_count + reader.position_zero_counts - self.home_offset

    def _position_now(self) -> float:
        return float(self._position_counts(np.array([self.machine.position_mm]))[0])

    def _force_now(self) -> float:
        return float(self._force_counts(self.machine.preview(1))[0])

    def _look_at_force(self) -> None:
        """Excuse a force that is beyond a limit already: it has to be released."""
        force, limits = self._force_now(), self.limits
        self._force_was_out = limits is not None and not limits.min_force <= force <= limits.max_force
        self._switch_was_held = self.upper_held

    def _mm(self, counts: int) -> float:
        chain, reader = self.machine.chain, self.machine.reader
        return (counts + self.home_offset - reader.position_zero_counts) * chain.position_mm_per_count


def _first(condition: BoolArray, rank: int, code: EventCode) -> list[tuple[int, int, EventCode]]:
    return [(int(np.argmax(condition)), rank, code)] if condition.any() else []
