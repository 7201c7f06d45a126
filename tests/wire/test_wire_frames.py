"""Framed format: any damage, any chopping, against a plain decoder written here from the protocol."""

import math
import struct
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.wire import (
    Event,
    EventCode,
    FrameDecoder,
    Heartbeat,
    Note,
    Reply,
    SampleBlock,
    encode_blocks,
    encode_frame,
    encode_samples,
)

# Bytes after the type byte, counted by hand in the protocol's tables.
BODY_SIZES = {
    0x01: 15,
    0x02: 19,
    0x03: 11,
    0x04: 7,
    0x05: 0,
    0x06: 29,
    0x07: 18,
    0x08: 44,
    0x09: 19,
    0x0A: 5,
    0x40: 2,
    0x41: 6,
    0x42: 2,
    0x43: 2,
    0x44: 2,
    0x45: 10,
    0x46: 14,
    0x47: 2,
    0x48: 18,
    0x49: 6,
    0x4A: 22,
    0x4B: 2,
    0x4C: 2,
    0x4D: 2,
    0x4E: 2,
}
CAUSES = ("too_long", "short", "bad_cobs", "bad_crc", "unknown_type")


def crc_bit_by_bit(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ (0x1021 if crc & 0x8000 else 0)) & 0xFFFF
    return crc


def frame(payload):
    return cobs.encode(payload + struct.pack("<H", crc_bit_by_bit(payload))) + b"\0"


def sample_payload(values, more=b""):
    return struct.pack("<BBHIii", 1, *values) + more


def block_payload(  # noqa: PLR0917 - the fields of the protocol's row
    status, seq, time_us, span_us, position, steps, more=b""
):
    head = struct.pack("<BBHIHi", 7, status, seq, time_us, span_us, position)
    return (
        head + b"".join(struct.pack("<i", force)[:3] + struct.pack("<h", off) for force, off in steps) + more
    )


def samples_of_block(payload):
    """One sample after another, in fractions."""
    status, seq, time_us, span_us, position = struct.unpack("<BHIHi", payload[1:14])
    count = (len(payload) - 14) // 5
    values = []
    for place in range(count):
        step = payload[14 + 5 * place : 19 + 5 * place]
        force = int.from_bytes(step[:3], "little", signed=True)
        at_us = time_us + math.floor(Fraction(place * span_us, max(count - 1, 1)) + Fraction(1, 2))
        where = position + int.from_bytes(step[3:], "little", signed=True)
        wrapped = (where + 2**31) % 2**32 - 2**31
        values.append((status, (seq + place) % 2**16, at_us % 2**32, force, wrapped))
    return values


def judge(body):  # noqa: PLR0911 - one return for each case of the protocol
    """("samples", their values), ("message", type) or a cause, by a plain reading of the protocol."""
    if len(body) > 67:
        return ("too_long", None)
    try:
        sealed = cobs.decode(body)
    except cobs.DecodeError:
        return ("bad_cobs", None)
    payload, crc = sealed[:-2], sealed[-2:]
    if len(sealed) < 3:
        return ("short", None)
    if struct.unpack("<H", crc)[0] != crc_bit_by_bit(payload):
        return ("bad_crc", None)
    if payload[0] not in BODY_SIZES:
        return ("unknown_type", None)
    if len(payload) - 1 < BODY_SIZES[payload[0]]:
        return ("short", None)
    if payload[0] == 1:
        return ("samples", [struct.unpack("<BHIii", payload[1:16])])
    if payload[0] == 7:
        return ("samples", samples_of_block(payload))
    return ("message", payload[0])


def plain_decoder(stream):
    """Frame by frame, in order, with the account of bytes."""
    found, counts = [], dict.fromkeys((*CAUSES, "accepted", "empty", "bytes_accepted", "bytes_discarded"), 0)
    *bodies, rest = stream.split(b"\0")
    for body in bodies:
        what, value = judge(body) if body else ("empty", None)
        if what in ("samples", "message"):
            found += [("sample", each) for each in value] if what == "samples" else [(what, value)]
            counts["accepted"] += 1
        else:
            counts[what] += 1
        counts["bytes_discarded" if what in CAUSES else "bytes_accepted"] += len(body) + 1
    if len(rest) > 67:
        counts["too_long"] += 1
        counts["bytes_discarded"] += len(rest)
    return found, counts


TYPE_OF = {
    "Event": 3,
    "Reply": 4,
    "Note": 5,
    "Identity": 2,
    "State": 6,
    "Abilities": 8,
    "Channel": 9,
    "Readings": 10,
}
COMMANDS = (
    "Identify StreamAt Heartbeat Arm Disarm MoveTo PressUntil Halt Limits Home Cycle ClearStop AskState "
    "Describe ReleaseCurrent"
)
TYPE_OF |= {name: 0x40 + place for place, name in enumerate(COMMANDS.split())}


def in_order(decoded):
    """Samples and message types of one feed in wire order."""
    block = decoded.samples
    rows = [
        ("sample", values)
        for values in zip(
            block.status.tolist(),
            block.seq.tolist(),
            block.time_us.tolist(),
            block.force.tolist(),
            block.position.tolist(),
            strict=True,
        )
    ]
    out, done = [], 0
    for placed in decoded.messages:
        out += rows[done : placed.position]
        out.append(("message", TYPE_OF[type(placed.message).__name__]))
        done = placed.position
    return out + rows[done:]


SAMPLES = st.tuples(
    st.integers(0, 255),
    st.integers(0, 2**16 - 1),
    st.integers(0, 2**32 - 1),
    st.integers(-(2**31), 2**31 - 1),
    st.one_of(st.just(0), st.integers(-300, 300), st.integers(-(2**31), 2**31 - 1)),
)
BLOCKS = st.builds(
    block_payload,
    st.integers(0, 255),
    st.integers(0, 2**16 - 1),
    st.integers(0, 2**32 - 1),
    st.one_of(st.just(180), st.integers(0, 2**16 - 1)),
    st.integers(-(2**31), 2**31 - 1),
    st.one_of(
        st.lists(
            st.tuples(st.integers(-(2**23), 2**23 - 1), st.integers(-(2**15), 2**15 - 1)),
            min_size=n,
            max_size=m,
        )
        for n, m in ((10, 10), (0, 9))
    ),
)
GOOD = st.one_of(
    BLOCKS.map(frame),
    st.builds(lambda payload, more: frame((payload + more)[:64]), BLOCKS, st.binary(max_size=4)),
    SAMPLES.map(lambda v: frame(sample_payload(v))),
    st.builds(lambda v, more: frame(sample_payload(v, more)), SAMPLES, st.binary(max_size=48)),
    st.sampled_from([Event(EventCode.BOOT, 0, 0, 1), Note("dwell"), Reply(0, 5, 5), Heartbeat(9)]).map(
        encode_frame
    ),
)


@st.composite
def damaged(draw):
    whole = bytearray(draw(GOOD))
    kind = draw(st.sampled_from(["flip", "cut", "double"]))
    place = draw(st.integers(0, len(whole) - 1))
    if kind == "flip":
        whole[place] ^= 1 << draw(st.integers(0, 7))
    elif kind == "cut":
        del whole[place : draw(st.integers(place, len(whole)))]
    else:
        whole[place:place] = whole
    return bytes(whole)


STREAMS = st.lists(
    st.one_of(
        GOOD,
        GOOD,
        damaged(),
        st.binary(max_size=80),
        st.binary(min_size=1, max_size=64).map(frame),
        st.integers(0, 150).map(lambda n: b"\x11" * n),
        st.just(b"\0"),
    ),
    max_size=25,
).map(b"".join)


def chopped(stream, cuts):
    places = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    return [stream[a:b] for a, b in pairwise(places)]


@settings(deadline=None)
@given(STREAMS)
def test_decoder_agrees_with_a_plain_one(stream):
    decoder = FrameDecoder()
    found, counts = plain_decoder(stream)
    assert in_order(decoder.feed(stream)) == found
    assert {name: decoder.tally.as_dict()[name] for name in counts} == counts


@settings(deadline=None)
@given(st.binary(max_size=400))
def test_decoder_agrees_with_a_plain_one_on_garbage(stream):
    decoder = FrameDecoder()
    found, counts = plain_decoder(stream)
    assert in_order(decoder.feed(stream)) == found
    assert {name: decoder.tally.as_dict()[name] for name in counts} == counts


@settings(deadline=None)
@given(STREAMS, st.lists(st.integers(0, 2000), max_size=30))
def test_any_chopping_gives_the_same_messages_and_tally(stream, cuts):
    whole, pieces = FrameDecoder(), FrameDecoder()
    once = in_order(whole.feed(stream))
    in_pieces = [item for piece in chopped(stream, cuts) for item in in_order(pieces.feed(piece))]
    assert in_pieces == once
    assert pieces.tally == whole.tally
    assert pieces.pending_bytes == whole.pending_bytes


@settings(deadline=None)
@given(STREAMS)
def test_one_byte_at_a_time_accounts_for_every_byte(stream):
    decoder = FrameDecoder()
    for count, byte in enumerate(stream, start=1):
        decoder.feed(bytes([byte]))
        tally = decoder.tally
        assert tally.bytes_accepted + tally.bytes_discarded + decoder.pending_bytes == count
        assert decoder.pending_bytes <= 67


@settings(deadline=None)
@given(st.lists(SAMPLES, max_size=40))
def test_samples_encoded_together_equal_samples_framed_one_by_one(values):
    columns = [np.array(column) for column in zip(*values, strict=True)] or [np.empty(0, np.int64)] * 5
    status, seq, time_us, force, position = columns
    block = SampleBlock(
        seq.astype(np.int64),
        time_us.astype(np.int64),
        force.astype(np.int32),
        position.astype(np.int32),
        status.astype(np.uint8),
    )
    assert encode_samples(block) == b"".join(frame(sample_payload(v)) for v in values)


def even(count, period_us, *, force=0, position=0, status=64, seq=65_530, time_us=2**32 - 500):
    """Samples at an even pace that wrap soon, force and position rising by fifteen and three."""
    place = np.arange(count)
    return SampleBlock(
        (seq + place) % 2**16,
        (time_us + np.rint(place * period_us).astype(np.int64)) % 2**32,
        (force + 15 * place).astype(np.int32),
        (position + 3 * place).astype(np.int32),
        np.full(count, status, np.uint8),
    )


def assert_same(found, sent, within_us=0):
    for column in ("seq", "force", "position", "status"):
        np.testing.assert_array_equal(getattr(found, column), getattr(sent, column))
    assert np.abs((found.time_us - sent.time_us + 2**31) % 2**32 - 2**31).max(initial=0) <= within_us


@pytest.mark.parametrize("rate_hz", [50_000.0, 30_000.0, 44_100.0, 1_001.0])
@pytest.mark.parametrize("count", [0, 9, 10, 1234])
def test_samples_at_an_even_pace_come_back_from_blocks(rate_hz, count):
    sent = even(count, 1e6 / rate_hz, force=-(2**23), position=-1800)
    frames, counts = encode_blocks(sent)
    assert_same(FrameDecoder().feed(frames).samples, sent, within_us=1)
    # by the protocol's table: 68 bytes on the wire for ten, 20 for one
    assert len(frames) == count // 10 * 68 + count % 10 * 20
    assert counts.tolist() == [10] * (count // 10) + [1] * (count % 10)


def test_fifty_thousand_samples_take_at_most_400_kb():
    assert len(encode_blocks(even(50_000, 20.0))[0]) <= 400_000


def with_one_other(name, value, place=14):
    sent = even(40, 20.0)
    column = getattr(sent, name).copy()
    column[place] = value
    return replace(sent, **{name: column})


@pytest.mark.parametrize(
    "sent",
    [
        with_one_other("force", 2**23),
        with_one_other("force", -(2**23) - 1),
        with_one_other("position", 2**31 - 1),
        with_one_other("position", 2**15 + 30),
        with_one_other("status", 65),
        with_one_other("seq", 65_000),
        with_one_other("time_us", 12_345),
    ],
    ids=["force", "low force", "far", "just too far", "status", "a hole", "an uneven time"],
)
def test_what_does_not_fit_into_a_block_is_sent_plain_and_the_rest_in_blocks(sent):
    frames, counts = encode_blocks(sent)
    assert_same(FrameDecoder().feed(frames).samples, sent)
    assert counts.tolist() == [10, *[1] * 10, 10, 10]


@settings(deadline=None)
@given(st.lists(SAMPLES, max_size=45))
def test_any_samples_come_back_from_blocks(values):
    columns = [np.array(column, np.int64) for column in zip(*values, strict=True)] or [
        np.empty(0, np.int64)
    ] * 5
    status, seq, time_us, force, position = columns
    sent = SampleBlock(
        seq, time_us, force.astype(np.int32), position.astype(np.int32), status.astype(np.uint8)
    )
    assert_same(FrameDecoder().feed(encode_blocks(sent)[0]).samples, sent, within_us=1)


def test_a_lost_block_leaves_a_hole_of_ten_numbers():
    frames, _ = encode_blocks(even(30, 20.0, seq=0))
    broken = bytearray(frames)
    broken[68 + 5] ^= 0x40
    decoder = FrameDecoder()
    assert decoder.feed(bytes(broken)).samples.seq.tolist() == [*range(10), *range(20, 30)]
    assert decoder.tally.rejected == 1


@pytest.mark.parametrize(
    "values", [(64, 513, 66_051, -2, 9), (0, 0, 0, 0, 0), (65, 258, 16_909_060, 7, 2**30)]
)
def test_each_flipped_bit_of_a_sample_is_treated_as_a_plain_decoder_does(values):
    good = frame(sample_payload(values))
    for bit in range(8 * (len(good) - 1)):
        bad = bytearray(good)
        bad[bit // 8] ^= 1 << bit % 8
        decoder = FrameDecoder()
        found, counts = plain_decoder(bytes(bad))
        assert found == in_order(decoder.feed(bytes(bad))) == []
        assert {name: decoder.tally.as_dict()[name] for name in counts} == counts


def test_a_sample_whose_last_code_points_past_its_end_is_bad_cobs():
    bad = bytearray(frame(sample_payload((1, 257, 1, 257, 257))))
    place = 0
    while place + bad[place] < len(bad) - 1:
        place += bad[place]
    bad[place] += 1
    decoder = FrameDecoder()
    assert len(decoder.feed(bytes(bad)).samples) == 0
    assert decoder.tally.bad_cobs == decoder.tally.rejected == 1


def test_unwrapped_counters_are_sent_as_they_wrap():
    counts = np.array([5], np.int32)
    block = SampleBlock(np.array([2**16 + 3]), np.array([2**32 + 7]), counts, counts, np.zeros(1, np.uint8))
    back = FrameDecoder().feed(encode_samples(block)).samples
    assert (back.seq.tolist(), back.time_us.tolist()) == ([3], [7])


def test_samples_without_seq_or_of_scaled_force_cannot_be_framed():
    counts, time_us, status = np.zeros(1, np.int32), np.zeros(1, np.int64), np.zeros(1, np.uint8)
    with pytest.raises(InputError, match="no column seq"):
        encode_samples(SampleBlock(None, time_us, counts, counts, status))
    with pytest.raises(InputError, match="force is float64"):
        encode_samples(SampleBlock(time_us, time_us, counts.astype(float), counts, status))


def test_boot_event_stands_between_the_samples_it_came_between():
    before, after = (frame(sample_payload((0, seq, 1, 2, 3))) for seq in (40, 0))
    decoded = FrameDecoder().feed(before + before + encode_frame(Event(EventCode.BOOT, 0, 0, 1)) + after)
    assert [placed.position for placed in decoded.messages] == [2]
    assert decoded.samples.seq.tolist() == [40, 40, 0]


def test_longer_samples_keep_their_place_among_plain_ones():
    stream = b"".join(frame(sample_payload((0, seq, 0, 0, 0), b"\x07" * (seq % 3))) for seq in range(1, 10))
    assert FrameDecoder().feed(stream).samples.seq.tolist() == list(range(1, 10))


def test_a_reply_as_long_as_a_sample_is_still_a_reply():
    stream = frame(struct.pack("<BBHi", 4, 0, 6, 7) + bytes(8))
    (placed,) = FrameDecoder().feed(stream).messages
    assert placed.message == Reply(0, 6, 7)


def test_payload_of_64_bytes_is_accepted_and_one_byte_more_is_too_long():
    decoder = FrameDecoder()
    (placed,) = decoder.feed(frame(b"\x05" + b"n" * 63)).messages
    assert placed.message == Note("n" * 63)
    assert decoder.feed(frame(b"\x05" + b"n" * 64)).messages == ()
    assert decoder.tally.too_long == 1


def test_a_megabyte_without_a_zero_counts_one_and_is_not_held():
    decoder = FrameDecoder()
    for _ in range(16):
        decoder.feed(b"\x55" * 65_536)
    assert decoder.pending_bytes == 0
    decoder.feed(b"\0" + encode_frame(Heartbeat(1)))
    assert (decoder.tally.too_long, decoder.tally.rejected, decoder.tally.accepted) == (1, 1, 1)
    assert decoder.tally.bytes_discarded == 2**20 + 1


def test_restart_drops_an_unfinished_frame_and_nothing_else():
    decoder = FrameDecoder()
    whole = encode_frame(Heartbeat(1))
    decoder.feed(whole[:4])
    decoder.restart()
    assert len(decoder.feed(whole).messages) == 1
    assert (decoder.tally.cut, decoder.tally.bytes_discarded, decoder.tally.rejected) == (1, 4, 1)


def test_blocks_of_different_columns_are_not_joined():
    counts, time_us, status = np.zeros(1, np.int32), np.zeros(1, np.int64), np.zeros(1, np.uint8)
    with_seq = SampleBlock(time_us, time_us, counts, counts, status)
    without = SampleBlock(None, time_us, counts, counts, status)
    assert len(SampleBlock.concatenate([with_seq, with_seq])) == 2
    with pytest.raises(ValueError, match="different columns"):
        SampleBlock.concatenate([with_seq, without])
