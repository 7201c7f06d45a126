"""The device's firmware: samples, identity, and an answer to every command of the wire protocol.

Problem: the host must meet a device that behaves as the protocol says, refusals and repeated requests
included, without hardware. Plan: no bytes and no waiting here. Commands go in and messages come out;
`advance` lets a number of samples happen and gives blocks of samples and messages in their order.
The drive (drive.py) decides about motion. Heartbeats are timed by a wall clock that a test can replace.
Cost: a stretch without decisions is one pass of arrays, however long.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.samples import Status
from rig.virtual.chain import ChainOutput
from rig.virtual.channels import READINGS_EVERY_S, VirtualChannel
from rig.virtual.drive import Drive, DriveSettings
from rig.virtual.machine import Machine, MachineStretch
from rig.wire import (
    PROTOCOL_VERSION,
    Abilities,
    Accepts,
    Arm,
    AskState,
    Capability,
    ClearStop,
    Command,
    Cycle,
    Describe,
    DeviceMessage,
    Disarm,
    Event,
    EventCode,
    Halt,
    Heartbeat,
    Home,
    Identify,
    Identity,
    Limits,
    MoveTo,
    PressUntil,
    Readings,
    ReleaseCurrent,
    Reply,
    ReplyResult,
    SampleBlock,
    State,
    StateFlag,
    StreamAt,
    Switch,
)

LONGEST_BLOCK = 4096
"""Samples worked out at once; bounds the memory of a long advance."""

IDENTITY_EVERY_S = 5.0
"""How often a device that cannot receive says who it is (the protocol's number)."""

SLOWEST_RATE_MHZ = 100
"""One sample in ten seconds."""

LOOKED_AT_HZ = 20.0
SLOW_BELOW_HZ = 1.0
"""Of a slower stream the force is looked at so often, and most of it is not sent: trips do not wait."""

PM_PER_MM = 1e9

_TIME_MODULUS_US = 2**32
_SEQ_MODULUS = 2**16
_MOST_DROPPED = 2**16 - 1

DRIVEN = (
    Capability.DRIVES
    | Capability.LIMITS_FORCE
    | Capability.EMERGENCY_STOP
    | Capability.HALTS_ON_SILENCE
    | Capability.CYCLES
)
"""A device that moves has all of these."""

FITTED = Switch.HOME | Switch.FAR_END | Switch.EMERGENCY_STOP
"""The contacts of the virtual press."""

PLAIN_UP_TO_HZ = 1000.0
"""At slower rates a sample would wait more than 10 ms until its block is full, and trips with it."""

Outgoing = SampleBlock | DeviceMessage


@dataclass(frozen=True, slots=True)
class Character:
    """Who the device is.

    `capabilities`: `DRIVEN`, or none for a rig that only measures; with or without what came after version
    1.0.
    `listens`: false for a device that cannot receive: it streams from boot and repeats its identity.
    `rate_hz`: its highest rate, or its only one.
    `boot_id`: of the first boot; it counts up at each.
    `start_time_us`: its clock at the first boot, so that a wrap can be made to come soon.
    `channels`: beside force and position; their readings go to hosts that ask for them.
    """

    name: str = "virtual press rig"
    unit_id: bytes = b"VIRTUAL1"
    capabilities: Capability = DRIVEN
    listens: bool = True
    rate_hz: float = 500.0
    boot_id: int = 1
    start_time_us: int = 0
    channels: tuple[VirtualChannel, ...] = ()


class Device:
    """Firmware on a machine.

    `clock`: wall time in seconds, for heartbeats.
    """

    def __init__(
        self,
        machine: Machine,
        character: Character | None = None,
        settings: DriveSettings | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.machine = machine
        self.character = character or Character()
        self.drive = Drive(machine, settings or DriveSettings())
        self.boot_id = self.character.boot_id
        self.frames_dropped = 0
        self.streaming = not self.character.listens
        self._accepts = Accepts.SAMPLES
        self._clock = clock
        self._one_in = 1
        self._since_sent = 0
        self._read_s = 0.0
        self._boot_s = 0.0
        self._boot_time_us = self.character.start_time_us
        self._seq = 0
        self._since_identity_s = 0.0
        self._last_request = 0
        self._last_answer: list[DeviceMessage] = []

    @property
    def time_us(self) -> int:
        """The device's own clock now."""
        elapsed_us = round((self.machine.now_s - self._boot_s) * 1e6)
        return (self._boot_time_us + elapsed_us) % _TIME_MODULUS_US

    @property
    def in_blocks(self) -> bool:
        """Whether samples leave in blocks: the host reads them, and the rate fills them soon."""
        reads = Capability.BLOCKS in self.character.capabilities and Accepts.BLOCKS in self._accepts
        return reads and self.machine.period_s * PLAIN_UP_TO_HZ < 1.0

    def greeting(self, cause: int = 0) -> list[DeviceMessage]:
        """Return what is sent after a boot."""
        return [Event(EventCode.BOOT, 0, self.time_us, cause), self.identity()]

    def reboot(self, cause: int = 1) -> list[DeviceMessage]:
        """Start anew: `seq` and time from zero, another boot id, silent until told to stream."""
        self.boot_id = (self.boot_id + 1) % 2**16
        self._boot_s, self._boot_time_us, self._seq = self.machine.now_s, 0, 0
        self._last_request, self._last_answer = 0, []
        self.frames_dropped = 0
        self.streaming = not self.character.listens
        self._accepts = Accepts.SAMPLES
        self.drive.reset()
        return self.greeting(cause)

    def receive(self, commands: Sequence[Command | int]) -> list[DeviceMessage]:
        """Carry out commands in order; the answers and what they caused.

        A bare number is the request id of a command that this firmware does not know.
        """
        self.drive.check_heartbeat(self._clock())
        self.drive.check_hardware()
        sent = self._events()
        for command in commands:
            sent += self._answer(command)
            sent += self._events()
        return sent

    def advance(self, samples: int) -> list[Outgoing]:
        """Let a number of samples be taken.

        Returns
        -------
        list
            Blocks of samples (only while streaming) and messages, in the order in which they are sent.
        """
        self.drive.check_heartbeat(self._clock())
        self.drive.check_hardware()
        sent: list[Outgoing] = [*self._events()]
        while samples > 0:
            # Samples up to the first at which the drive acts, then what it does there: as a firmware's loop.
            stretch, readings, why = self._step(self._longest_step(samples))
            samples -= len(stretch)
            block = self._block(stretch, readings)
            if self.streaming and len(block):
                sent.append(block)
            sent += self._readings()
            if why is not None:
                here = int(readings.position[-1] - self.drive.home_offset)
                self.drive.act(why, int(readings.force[-1]), here)
            sent += self._events()
            if not self.character.listens:
                sent += self._repeated_identity(len(stretch))
        return sent

    def open_emergency_stop(self) -> list[DeviceMessage]:
        """Press the button."""
        self.drive.open_emergency_stop()
        return self._events()

    def close_emergency_stop(self) -> list[DeviceMessage]:
        """Release the button."""
        self.drive.close_emergency_stop()
        return self._events()

    def fail(self, code: EventCode) -> list[DeviceMessage]:
        """Let something break: a stall, a silent converter or a position sensor at fault."""
        self.drive.trip(code, 0)
        return self._events()

    def identity(self) -> Identity:
        """Return who the device is, as a message."""
        who = self.character
        rate_mhz = round(who.rate_hz * 1000)
        return Identity(
            PROTOCOL_VERSION, 1, 0, who.capabilities, self.boot_id, rate_mhz, who.unit_id, who.name
        )

    def abilities(self) -> Abilities:
        """Return what the device can do, as a message."""
        chain, settings = self.machine.chain, self.drive.settings
        least_force, most_force, least_position, most_position = self.drive.built_in
        drives = Capability.DRIVES in self.character.capabilities
        per_mm = 1 / chain.position_mm_per_count
        return Abilities(
            least_position if drives else 0,
            most_position if drives else 0,
            round(chain.position_mm_per_count * PM_PER_MM),
            least_force,
            most_force,
            chain.force_range_counts,
            round(1000 * (chain.conversions_per_s or 0)),
            round(settings.top_speed_mm_per_s * per_mm) if drives else 0,
            round(settings.acceleration_mm_per_s2 * per_mm) if drives else 0,
            SLOWEST_RATE_MHZ,
            round(1000 * self.character.rate_hz),
            len(self.character.channels),
        )

    def state(self) -> State:
        """Return how the device stands, as a message."""
        drive, limits = self.drive, self.drive.limits
        tells = Capability.TELLS_SWITCHES in self.character.capabilities
        flags = (
            (StateFlag.ARMED, drive.armed),
            (StateFlag.HOMED, drive.homed),
            (StateFlag.LIMITS_SET, limits is not None),
            (StateFlag.MOVING, drive.moving),
            (StateFlag.STREAMING, self.streaming),
            (StateFlag.MOTOR_CURRENT, tells and drive.current_on()),
        )
        bounds = drive.built_in
        if limits is not None:
            bounds = limits.min_force, limits.max_force, limits.min_position, limits.max_position
        return State(
            self.boot_id,
            StateFlag(sum(flag for flag, holds in flags if holds)),
            drive.stop_cause or 0,
            drive.last_request,
            drive.cycles_done,
            *bounds,
            min(self.frames_dropped, _MOST_DROPPED),
            drive.open_switches() if tells else Switch(0),
            FITTED if tells else Switch(0),
        )

    def _answer(self, command: Command | int) -> list[DeviceMessage]:
        if isinstance(command, Heartbeat):
            self.drive.beat(self._clock())
            return []
        request = command if isinstance(command, int) else command.request
        if not request:
            return [Reply(ReplyResult.BAD_ARGUMENT, 0, 0)]
        if request != self._last_request:
            self._last_request = request
            if isinstance(command, int):
                self._last_answer = [Reply(ReplyResult.UNKNOWN_COMMAND, request, 0)]
            else:
                self._last_answer = self._carry_out(command)
        return self._last_answer

    def _carry_out(self, command: Command) -> list[DeviceMessage]:
        """Return the messages that answer a command, its reply last."""
        value = 0
        shown: list[DeviceMessage] = []
        result = ReplyResult.ACCEPTED
        match command:
            case Identify():
                shown = [self.identity()]
            case AskState():
                shown = [self.state()]
            case Describe():
                result, shown = self._described(command)
            case StreamAt():
                value = self._stream(command.rate_mhz)
                self._accepts = command.accepts
            case _:
                result = self._drive_command(command)
        return [*shown, Reply(result, command.request, value)]

    def _described(self, command: Describe) -> tuple[ReplyResult, list[DeviceMessage]]:
        """Return what the device or one of its channels is."""
        channels, number = self.character.channels, command.channel
        if Capability.DESCRIBES not in self.character.capabilities:
            return ReplyResult.UNKNOWN_COMMAND, []
        if number > len(channels):
            return ReplyResult.BAD_ARGUMENT, []
        return ReplyResult.ACCEPTED, [channels[number - 1].told(number) if number else self.abilities()]

    def _readings(self) -> list[DeviceMessage]:
        """Return the counts of the channels, ten times a second, to a host that asked for them."""
        channels, now_s = self.character.channels, self.machine.now_s
        wanted = self.streaming and Accepts.READINGS in self._accepts
        if not (channels and wanted) or now_s - self._read_s < READINGS_EVERY_S:
            return []
        self._read_s = now_s
        return [Readings(self.time_us, 1, tuple(channel.counts(now_s) for channel in channels))]

    def _drive_command(self, command: Command) -> ReplyResult:
        result = ReplyResult.UNKNOWN_COMMAND
        if not self.character.capabilities & Capability.DRIVES:
            return result
        match command:
            case Arm():
                result = self.drive.arm(self._clock())
            case Disarm():
                result = self.drive.disarm()
            case Halt():
                result = self.drive.halt()
            case Limits():
                result = self.drive.set_limits(command)
            case ClearStop():
                result = self.drive.clear_stop()
            case ReleaseCurrent() if Capability.TELLS_SWITCHES in self.character.capabilities:
                result = self.drive.release_current()
            case MoveTo() | PressUntil() | Home() | Cycle():
                result = self.drive.start(command)
        return result

    def _stream(self, rate_mhz: int) -> int:
        self.streaming = rate_mhz > 0
        if not rate_mhz:
            return 0
        granted_mhz = min(max(rate_mhz, SLOWEST_RATE_MHZ), round(self.character.rate_hz * 1000))
        slow = granted_mhz < 1000 * SLOW_BELOW_HZ
        self._one_in = round(1000 * LOOKED_AT_HZ / granted_mhz) if slow else 1
        self._since_sent = 0
        self.machine.set_rate(granted_mhz / 1000 * self._one_in)
        return granted_mhz

    def _longest_step(self, samples: int) -> int:
        if self.character.channels:
            samples = min(samples, max(round(READINGS_EVERY_S / self.machine.period_s), 1))
        if self.character.listens:
            return min(samples, LONGEST_BLOCK)
        to_identity = round((IDENTITY_EVERY_S - self._since_identity_s) / self.machine.period_s)
        return min(samples, LONGEST_BLOCK, max(to_identity, 1))

    def _step(self, samples: int) -> tuple[MachineStretch, ChainOutput, EventCode | None]:
        """Return the next stretch, cut short at the first sample at which the drive acts."""
        stretch = self.machine.preview(samples)
        act = self.drive.watch(stretch)
        if act is not None and act[0] + 1 < samples:
            stretch = self.machine.preview(act[0] + 1)
        return stretch, self.machine.commit(stretch), None if act is None else act[1]

    def _block(self, stretch: MachineStretch, readings: ChainOutput) -> SampleBlock:
        taken = np.arange(self._one_in - 1 - self._since_sent, len(stretch), self._one_in)
        self._since_sent = (self._since_sent + len(stretch)) % self._one_in
        seq = (self._seq + np.arange(len(taken), dtype=np.int64)) % _SEQ_MODULUS
        self._seq += len(taken)
        since_boot_us = np.rint((readings.taken_s[taken] - self._boot_s) * 1e6).astype(np.int64)
        status = self._status(stretch, readings)[taken]
        if self._one_in > 1:
            status |= np.uint8(Status.FRESH_FORCE)
        return SampleBlock(
            seq,
            (self._boot_time_us + since_boot_us) % _TIME_MODULUS_US,
            readings.force[taken].astype(np.int32),
            (readings.position[taken] - self.drive.home_offset).astype(np.int32),
            status,
        )

    def _status(
        self, stretch: MachineStretch, readings: ChainOutput
    ) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
        drive, cause = self.drive, self.drive.stop_cause
        steady = 0
        if drive.emergency_stop_open or cause == EventCode.STOP_OPENED:
            steady |= Status.EMERGENCY_STOP
        if cause == EventCode.FORCE_TRIP:
            steady |= Status.FORCE_TRIP
        if cause == EventCode.POSITION_FAULT:
            steady |= Status.POSITION_FAULT
        status = np.full(len(stretch), steady, np.uint8)
        status[readings.saturated | drive.converter_at_end] |= np.uint8(Status.FORCE_SATURATED)
        status[readings.fresh] |= np.uint8(Status.FRESH_FORCE)
        if self.character.capabilities & Capability.DRIVES:
            status[stretch.speed_mm_per_s != 0] |= np.uint8(Status.MOVING)
            at_end = (stretch.position_mm <= 0) | (stretch.position_mm >= drive.settings.travel_mm)
            status[at_end | drive.upper_held | drive.home_held] |= np.uint8(Status.TRAVEL_SWITCH)
        return status

    def _events(self) -> list[DeviceMessage]:
        return [
            Event(happening.code, happening.request, self.time_us, happening.value)
            for happening in self.drive.take_happenings()
        ]

    def _repeated_identity(self, samples: int) -> list[DeviceMessage]:
        self._since_identity_s += samples * self.machine.period_s
        if self._since_identity_s < IDENTITY_EVERY_S - 0.5 * self.machine.period_s:
            return []
        self._since_identity_s = 0.0
        return [self.identity()]
