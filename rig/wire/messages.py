"""What the rig and its host say to each other, as values.

Problem: device, host, virtual rig and tests must agree on some twenty layouts. Plan: one frozen class
for each message, the same whether it is sent or received, and one table that binds type byte, class and
layout. Samples are not here: they come by the million and live in columns (sample_block.py).
Cost: one small object for each message; messages are rare beside samples.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import IntEnum, IntFlag
from typing import Any

from rig.errors import InputError

PROTOCOL_VERSION = 1

MAX_PAYLOAD = 64
"""Bytes of a payload, type byte included; the protocol's bound on a receiver's buffer."""

SAMPLE_KIND = 0x01
BLOCK_KIND = 0x07
UNIT_ID_BYTES = 8
CHANNEL_UNIT_BYTES = 8
CHANNEL_NAME_BYTES = 24
NAME_BYTES = 32
NOTE_BYTES = MAX_PAYLOAD - 1
COUNT_BYTES = 4
MOST_READINGS = (MAX_PAYLOAD - 6) // COUNT_BYTES


class Capability(IntFlag):
    """What a device says it can do."""

    DRIVES = 1 << 0
    LIMITS_FORCE = 1 << 1
    EMERGENCY_STOP = 1 << 2
    HALTS_ON_SILENCE = 1 << 3
    CYCLES = 1 << 4
    BLOCKS = 1 << 5
    DESCRIBES = 1 << 6
    TELLS_SWITCHES = 1 << 7


class Accepts(IntFlag):
    """What a host says it can read beside the samples of version 1.0, when it asks for a stream."""

    SAMPLES = 0
    BLOCKS = 1 << 0
    READINGS = 1 << 1


class StateFlag(IntFlag):
    """Flags of a state message."""

    ARMED = 1 << 0
    HOMED = 1 << 1
    LIMITS_SET = 1 << 2
    MOVING = 1 << 3
    STREAMING = 1 << 4
    MOTOR_CURRENT = 1 << 5


class Switch(IntFlag):
    """The contacts of a rig, each a bit of its own: set where it is open, by a press or a broken wire."""

    NONE = 0
    HOME = 1 << 0
    FAR_END = 1 << 1
    EMERGENCY_STOP = 1 << 2
    GUARD = 1 << 3
    OVERTRAVEL_HOME = 1 << 4
    OVERTRAVEL_FAR = 1 << 5
    DRIVER_FAULT = 1 << 6


class ChannelKind(IntEnum):
    """What a channel beside the samples measures."""

    FORCE = 0
    SLOW = 1


NO_READING = -(2**31)
"""Count of a channel whose sensor gives nothing."""


class EventCode(IntEnum):
    """What happened on the device. The comment says what the event's value holds."""

    BOOT = 1  # reset cause
    FINISHED = 2  # position
    FORCE_TRIP = 4  # force
    TRAVEL_TRIP = 5  # position
    STOP_OPENED = 6
    STOP_CLOSED = 7
    HEARTBEAT_LOST = 8
    STALLED = 9  # position
    FORCE_SILENT = 10
    POSITION_LIMIT = 11  # force
    HALTED = 12  # position
    CYCLE_FINISHED = 13  # cycles so far
    HOMED = 14  # offset that was subtracted
    POSITION_FAULT = 15


LATCHED_STOPS = frozenset(
    {
        EventCode.FORCE_TRIP,
        EventCode.TRAVEL_TRIP,
        EventCode.STOP_OPENED,
        EventCode.HEARTBEAT_LOST,
        EventCode.STALLED,
        EventCode.FORCE_SILENT,
        EventCode.POSITION_FAULT,
    }
)
"""Trips: each latches a stop and disarms the device."""

MOTION_ENDS = LATCHED_STOPS | {EventCode.FINISHED, EventCode.POSITION_LIMIT, EventCode.HALTED}
"""Exactly one of these, with the motion's request id, ends each motion."""


class ReplyResult(IntEnum):
    """A device's answer to a command."""

    ACCEPTED = 0
    UNKNOWN_COMMAND = 1
    BAD_ARGUMENT = 2
    NOT_ARMED = 3
    BUSY = 4
    STOP_LATCHED = 5
    OUTSIDE_LIMITS = 6
    LIMITS_NOT_SET = 7
    NOT_HOMED = 8


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the device is. `rate_mhz` is the highest sample rate in thousandths of a hertz."""

    protocol: int
    major: int
    minor: int
    capabilities: Capability
    boot_id: int
    rate_mhz: int
    unit_id: bytes
    name: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something happened; `request` is 0 unless it ends or belongs to a command."""

    code: EventCode | int
    request: int
    time_us: int
    value: int


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to the command with the same request id."""

    result: ReplyResult | int
    request: int
    value: int


@dataclass(frozen=True, slots=True)
class Note:
    """Text for a person."""

    text: str


@dataclass(frozen=True, slots=True)
class State:
    """How the device stands. `stop_cause` is the event that latched the stop, 0 if there is none.

    `open_switches` and `fitted_switches` are of version 1.1: which contacts are open, and which there are.
    """

    boot_id: int
    flags: StateFlag
    stop_cause: EventCode | int
    last_request: int
    cycles_done: int
    min_force: int
    max_force: int
    min_position: int
    max_position: int
    frames_dropped: int
    open_switches: Switch = Switch.NONE
    fitted_switches: Switch = Switch.NONE


@dataclass(frozen=True, slots=True)
class Abilities:
    """What the device can do, in counts of the wire. 0: not known.

    `position_pm`: size of a position count in picometres.
    `full_scale`: force count at which the converter saturates, either way.
    `conversions_mhz`: new values of the force, in thousandths of one per second.
    `speed`, `acceleration`: the largest, in counts/s and counts/s^2.
    `slowest_mhz`, `fastest_mhz`: streams that it can send, in blocks too, in thousandths of a hertz.
    `channels`: beside the force and the position of the samples.
    """

    min_position: int
    max_position: int
    position_pm: int
    min_force: int
    max_force: int
    full_scale: int
    conversions_mhz: int
    speed: int
    acceleration: int
    slowest_mhz: int
    fastest_mhz: int
    channels: int = 0


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel beside the samples: its value is (count - zero) x scale x 10^exponent, in its unit.

    `number`: from 1.
    `kind`: further force, or something slow.
    `unit`: ASCII, filled with zeros.
    """

    number: int
    kind: ChannelKind | int
    unit: bytes
    scale: int
    exponent: int
    zero: int
    name: str


@dataclass(frozen=True, slots=True)
class Readings:
    """Counts of consecutive channels at one time, from channel `first` on; `NO_READING` for none."""

    time_us: int
    first: int
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Identify:
    """Ask for an identity message."""

    request: int


@dataclass(frozen=True, slots=True)
class StreamAt:
    """Send samples at a rate in thousandths of a hertz; 0 stops."""

    request: int
    rate_mhz: int
    accepts: Accepts = Accepts.SAMPLES


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The host is alive and has seen fresh samples. There is no reply."""

    request: int


@dataclass(frozen=True, slots=True)
class Arm:
    """Allow motion and start the heartbeat timer."""

    request: int


@dataclass(frozen=True, slots=True)
class Disarm:
    """Halt and forbid motion."""

    request: int


@dataclass(frozen=True, slots=True)
class MoveTo:
    """Go to a position in counts at a speed in counts/s."""

    request: int
    position: int
    speed: int


@dataclass(frozen=True, slots=True)
class PressUntil:
    """Approach until the force is reached, or stop at the position limit."""

    request: int
    force: int
    speed: int
    position_limit: int


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop now and stay armed."""

    request: int


@dataclass(frozen=True, slots=True)
class Limits:
    """The device's own trip limits in counts; may only narrow those built into it."""

    request: int
    min_force: int
    max_force: int
    min_position: int
    max_position: int


@dataclass(frozen=True, slots=True)
class Home:
    """Go to the home switch at a speed in counts/s; position becomes zero there."""

    request: int
    speed: int


@dataclass(frozen=True, slots=True)
class Cycle:
    """Squeeze `count` times between two positions in counts, without the host."""

    request: int
    low: int
    high: int
    speed: int
    dwell_low_ms: int
    dwell_high_ms: int
    count: int


@dataclass(frozen=True, slots=True)
class ClearStop:
    """Unlatch a stop."""

    request: int


@dataclass(frozen=True, slots=True)
class AskState:
    """Ask for a state message."""

    request: int


@dataclass(frozen=True, slots=True)
class Describe:
    """Ask what the device can do; or, with a number, what one of its channels is."""

    request: int
    channel: int = 0


@dataclass(frozen=True, slots=True)
class ReleaseCurrent:
    """Take the motor's current away; the device is disarmed and at rest."""

    request: int


DeviceMessage = Identity | Event | Reply | Note | State | Abilities | Channel | Readings
Command = (
    Identify
    | StreamAt
    | Heartbeat
    | Arm
    | Disarm
    | MoveTo
    | PressUntil
    | Halt
    | Limits
    | Home
    | Cycle
    | ClearStop
    | AskState
    | Describe
    | ReleaseCurrent
)
Message = DeviceMessage | Command


# A newer device may use codes that this host does not know, so those stay plain numbers.
_EVENT_CODES = {int(code): code for code in EventCode}
_REPLY_RESULTS = {int(result): result for result in ReplyResult}
_CHANNEL_KINDS = {int(kind): kind for kind in ChannelKind}
_MEANING: dict[str, Callable[[Any], Any]] = {
    "capabilities": Capability,
    "accepts": Accepts,
    "kind": lambda value: _CHANNEL_KINDS.get(value, value),
    "flags": StateFlag,
    "open_switches": Switch,
    "fitted_switches": Switch,
    "code": lambda value: _EVENT_CODES.get(value, value),
    "stop_cause": lambda value: _EVENT_CODES.get(value, value),
    "result": lambda value: _REPLY_RESULTS.get(value, value),
}


@dataclass(frozen=True, slots=True)
class FrameLayout:
    """How one class of message lies on the wire after its type byte.

    `kind`: the type byte.
    `message`: the class; its fields stand on the wire in the same order.
    `fixed`: layout of the fields of fixed size.
    `text_bytes`: largest size of a text that follows as the last field; None if there is no text.
    `counts`: numbers of 32 bits with a sign follow as the last field, as many as there are.
    `appended_bytes`: size of the last fixed fields, which version 1.0 does not have: absent means zero, and
    zeros are not sent.
    """

    kind: int
    message: type[Any]
    fixed: struct.Struct
    text_bytes: int | None = None
    counts: bool = False
    appended_bytes: int = 0

    @property
    def min_payload(self) -> int:
        """Shortest payload that holds the message, type byte included."""
        return 1 + self.fixed.size - self.appended_bytes

    def write(self, message: Any) -> bytes:
        """Return the payload of a message of this class.

        Raises InputError if a field does not fit its place on the wire.
        """
        values = [getattr(message, field.name) for field in fields(message)]
        text = values.pop().encode() if self.text_bytes is not None else b""
        layout = self.fixed
        if self.counts:
            counts = values.pop()
            if len(counts) > MOST_READINGS:
                raise InputError(f"{message!r}: {len(counts)} counts, expected at most {MOST_READINGS}")
            values += counts
            layout = struct.Struct(f"{self.fixed.format}{len(counts)}i")
        if self.text_bytes is not None and len(text) > self.text_bytes:
            raise InputError(
                f"{message!r}: text of {len(text)} bytes, expected at most {self.text_bytes} in UTF-8"
            )
        if isinstance(message, Channel) and len(message.unit) != CHANNEL_UNIT_BYTES:
            raise InputError(f"{message!r}: unit of {len(message.unit)} bytes, expected {CHANNEL_UNIT_BYTES}")
        if isinstance(message, Identity) and len(message.unit_id) != UNIT_ID_BYTES:
            raise InputError(
                f"{message!r}: unit_id of {len(message.unit_id)} bytes, expected {UNIT_ID_BYTES}"
            )
        try:
            payload = bytes([self.kind]) + layout.pack(*values) + text
        except struct.error as problem:
            raise InputError(
                f"{message!r}: a field does not fit its place on the wire ({problem}); "
                f"expected integers in the range of layout {layout.format!r}"
            ) from problem
        # Zeros in the appended fields are not sent: a device of version 1.0 gets the bytes that it knows.
        if self.appended_bytes and not any(payload[self.min_payload :]):
            return payload[: self.min_payload]
        return payload

    def read(self, payload: bytes) -> Any:
        """Return the message in a payload of at least `min_payload` bytes; those beyond it are ignored."""
        # Appended fields that were not sent read as zero.
        values: list[Any] = list(self.fixed.unpack_from(payload.ljust(1 + self.fixed.size, b"\0"), 1))
        if self.text_bytes is not None:
            text = payload[self.min_payload : self.min_payload + self.text_bytes]
            values.append(text.decode(errors="replace"))
        if self.counts:
            rest = payload[self.min_payload :]
            values.append(struct.unpack_from(f"<{len(rest) // COUNT_BYTES}i", rest))
        named = {field.name: value for field, value in zip(fields(self.message), values, strict=True)}
        for name in named.keys() & _MEANING.keys():
            named[name] = _MEANING[name](named[name])
        return self.message(**named)


_LAYOUTS = (
    FrameLayout(0x02, Identity, struct.Struct(f"<BBBHHI{UNIT_ID_BYTES}s"), NAME_BYTES),
    FrameLayout(0x03, Event, struct.Struct("<BHIi")),
    FrameLayout(0x04, Reply, struct.Struct("<BHi")),
    FrameLayout(0x05, Note, struct.Struct("<"), NOTE_BYTES),
    FrameLayout(0x06, State, struct.Struct("<HHBHIiiiiHHH"), appended_bytes=4),
    FrameLayout(0x08, Abilities, struct.Struct("<iiIiiIIIIIIB"), appended_bytes=1),
    FrameLayout(0x09, Channel, struct.Struct(f"<BB{CHANNEL_UNIT_BYTES}sibi"), CHANNEL_NAME_BYTES),
    FrameLayout(0x0A, Readings, struct.Struct("<IB"), counts=True),
    FrameLayout(0x40, Identify, struct.Struct("<H")),
    FrameLayout(0x41, StreamAt, struct.Struct("<HIB"), appended_bytes=1),
    FrameLayout(0x42, Heartbeat, struct.Struct("<H")),
    FrameLayout(0x43, Arm, struct.Struct("<H")),
    FrameLayout(0x44, Disarm, struct.Struct("<H")),
    FrameLayout(0x45, MoveTo, struct.Struct("<HiI")),
    FrameLayout(0x46, PressUntil, struct.Struct("<HiIi")),
    FrameLayout(0x47, Halt, struct.Struct("<H")),
    FrameLayout(0x48, Limits, struct.Struct("<Hiiii")),
    FrameLayout(0x49, Home, struct.Struct("<HI")),
    FrameLayout(0x4A, Cycle, struct.Struct("<HiiIHHI")),
    FrameLayout(0x4B, ClearStop, struct.Struct("<H")),
    FrameLayout(0x4C, AskState, struct.Struct("<H")),
    FrameLayout(0x4D, Describe, struct.Struct("<HB"), appended_bytes=1),
    FrameLayout(0x4E, ReleaseCurrent, struct.Struct("<H")),
)
LAYOUT_BY_KIND = {layout.kind: layout for layout in _LAYOUTS}
LAYOUT_BY_CLASS = {layout.message: layout for layout in _LAYOUTS}
