"""Messages: each layout against bytes written out by hand from the protocol's tables."""

import struct

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.wire import (
    Abilities,
    Accepts,
    Arm,
    AskState,
    Capability,
    Channel,
    ChannelKind,
    ClearStop,
    Cycle,
    Describe,
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
    Note,
    PressUntil,
    Readings,
    ReleaseCurrent,
    Reply,
    ReplyResult,
    State,
    StateFlag,
    StreamAt,
    Switch,
    encode_frame,
)

BY_HAND = [
    (
        Identity(1, 2, 3, Capability.DRIVES | Capability.CYCLES, 0x1234, 1_000_000, b"bench-01", "Kai 4 Ø"),
        bytes.fromhex("02 01 02 03 1100 3412 40420f00 62656e63682d3031 4b6169203420c398"),
    ),
    (Event(EventCode.FORCE_TRIP, 0x0102, 0xFFFFFFFE, -2), bytes.fromhex("03 04 0201 feffffff feffffff")),
    (Reply(ReplyResult.NOT_HOMED, 0xFFFF, -(2**31)), bytes.fromhex("04 08 ffff 00000080")),
    (Note("stroke"), b"\x05stroke"),
    (
        State(1, StateFlag.ARMED | StateFlag.STREAMING, EventCode.STALLED, 2, 3, -4, 5, -6, 7, 8),
        bytes.fromhex("06 0100 1100 09 0200 03000000 fcffffff 05000000 faffffff 07000000 0800"),
    ),
    (Identify(1), bytes.fromhex("40 0100")),
    (StreamAt(2, 500_000), bytes.fromhex("41 0200 20a10700")),
    (StreamAt(2, 500_000, Accepts.BLOCKS), bytes.fromhex("41 0200 20a10700 01")),
    (Heartbeat(3), bytes.fromhex("42 0300")),
    (Arm(4), bytes.fromhex("43 0400")),
    (Disarm(5), bytes.fromhex("44 0500")),
    (MoveTo(6, -1, 2000), bytes.fromhex("45 0600 ffffffff d0070000")),
    (PressUntil(7, 1000, 200, 3000), bytes.fromhex("46 0700 e8030000 c8000000 b80b0000")),
    (Halt(8), bytes.fromhex("47 0800")),
    (Limits(9, -1, 2, -3, 4), bytes.fromhex("48 0900 ffffffff 02000000 fdffffff 04000000")),
    (Home(10, 256), bytes.fromhex("49 0a00 00010000")),
    (
        Cycle(11, -1, 1, 2, 3, 0xFFFF, 80_000),
        bytes.fromhex("4a 0b00 ffffffff 01000000 02000000 0300 ffff 80380100"),
    ),
    (ClearStop(12), bytes.fromhex("4b 0c00")),
    (AskState(13), bytes.fromhex("4c 0d00")),
    (Describe(14), bytes.fromhex("4d 0e00")),
    (Describe(16, 3), bytes.fromhex("4d 1000 03")),
    (
        Channel(2, ChannelKind.SLOW, b"degC\0\0\0\0", 25, -3, -40, "ambient_temperature"),
        bytes.fromhex("09 02 01 6465674300000000 19000000 fd d8ffffff") + b"ambient_temperature",
    ),
    (Readings(1_000_000, 2, (5, -1)), bytes.fromhex("0a 40420f00 02 05000000 ffffffff")),
    (Readings(1, 1, ()), bytes.fromhex("0a 01000000 01")),
    (ReleaseCurrent(15), bytes.fromhex("4e 0f00")),
    (
        State(1, StateFlag.MOTOR_CURRENT, 0, 0, 0, 0, 0, 0, 0, 0, Switch.GUARD, Switch.GUARD | Switch.HOME),
        bytes.fromhex("06 0100 2000 00 0000 00000000 00000000 00000000 00000000 00000000 0000 0800 0900"),
    ),
    (
        Abilities(-200, 24_000, 5_000_000, -2, 3, 8_388_607, 80_000, 3000, 40_000, 100, 50_000_000),
        bytes.fromhex(
            "08 38ffffff c05d0000 404b4c00 feffffff 03000000 ffff7f00 80380100 b80b0000 409c0000 64000000"
            "80f0fa02"
        ),
    ),
]

U8, U16, U32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
I32 = st.integers(-(2**31), 2**31 - 1)


def short_text(size_bytes):
    return st.text(st.characters(exclude_categories=["Cs"])).filter(lambda t: len(t.encode()) <= size_bytes)


MESSAGES = st.one_of(
    st.builds(
        Identity,
        U8,
        U8,
        U8,
        st.builds(Capability, U16),
        U16,
        U32,
        st.binary(min_size=8, max_size=8),
        short_text(32),
    ),
    st.builds(Event, U8, U16, U32, I32),
    st.builds(Reply, U8, U16, I32),
    st.builds(Note, short_text(63)),
    st.builds(State, U16, st.builds(StateFlag, U16), U8, U16, U32, I32, I32, I32, I32, U16),
    st.builds(
        State,
        *(U16, st.builds(StateFlag, U16), U8, U16, U32, I32, I32, I32, I32, U16),
        *(st.builds(Switch, U16), st.builds(Switch, U16)),
    ),
    st.builds(Abilities, I32, I32, U32, I32, I32, U32, U32, U32, U32, U32, U32),
    st.builds(Describe, U16, U8),
    st.builds(
        Channel, U8, U8, st.binary(min_size=8, max_size=8), I32, st.integers(-128, 127), I32, short_text(24)
    ),
    st.builds(Readings, U32, U8, st.lists(I32, max_size=14).map(tuple)),
    st.builds(StreamAt, U16, U32, st.builds(Accepts, U8)),
    st.builds(MoveTo, U16, I32, U32),
    st.builds(PressUntil, U16, I32, U32, I32),
    st.builds(Limits, U16, I32, I32, I32, I32),
    st.builds(Home, U16, U32),
    st.builds(Cycle, U16, I32, I32, U32, U16, U16, U32),
    *(
        st.builds(kind, U16)
        for kind in (Identify, Heartbeat, Arm, Disarm, Halt, ClearStop, AskState, Describe, ReleaseCurrent)
    ),
)


def decode(stream):
    return [placed.message for placed in FrameDecoder().feed(stream).messages]


@pytest.mark.parametrize(("message", "payload"), BY_HAND, ids=lambda value: type(value).__name__)
def test_payload_is_as_the_protocol_lists_it(message, payload):
    frame = encode_frame(message)
    assert frame.endswith(b"\0")
    assert cobs.decode(frame[:-1])[:-2] == payload


@pytest.mark.parametrize(("message", "payload"), BY_HAND, ids=lambda value: type(value).__name__)
def test_message_comes_back_with_its_types(message, payload):
    (back,) = decode(encode_frame(message))
    assert back == message
    assert repr(back) == repr(message)


@settings(deadline=None)
@given(MESSAGES)
def test_every_message_round_trips(message):
    assert decode(encode_frame(message)) == [message]


def test_unknown_codes_stay_plain_numbers():
    event, reply = decode(encode_frame(Event(200, 1, 2, 3)) + encode_frame(Reply(99, 1, 2)))
    assert type(event.code) is int
    assert (event.code, reply.result) == (200, 99)


def test_damaged_text_is_replaced_not_refused():
    payload = b"\x05" + b"a\xffb"
    frame = cobs.encode(payload + struct.pack("<H", crc_bit_by_bit(payload))) + b"\0"
    assert decode(frame) == [Note("a�b")]


@pytest.mark.parametrize(
    "message",
    [
        MoveTo(1, 2**31, 5),
        MoveTo(70_000, 1, 5),
        Home(1, -5),
        Note("x" * 64),
        Channel(1, 0, b"N", 1, 0, 0, "n"),
        Channel(1, 0, bytes(8), 1, 0, 0, "n" * 25),
        Readings(1, 1, (0,) * 15),
        Readings(1, 1, (2**31,)),
        Identity(1, 0, 0, Capability(0), 0, 0, b"12345678", "n" * 33),
        Identity(1, 0, 0, Capability(0), 0, 0, b"short", "n"),
    ],
    ids=repr,
)
def test_a_field_that_does_not_fit_is_refused_in_words(message):
    with pytest.raises(InputError, match="expected"):
        encode_frame(message)


def crc_bit_by_bit(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ (0x1021 if crc & 0x8000 else 0)
            crc &= 0xFFFF
    return crc
