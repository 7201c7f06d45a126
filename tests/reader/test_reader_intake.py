"""Decoder and clock together, fed with the bytes of whole runs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.reader import Intake
from rig.samples import Samples
from rig.wire import (
    Capability,
    Event,
    EventCode,
    Identity,
    LineFormat,
    SampleBlock,
    State,
    StateFlag,
    encode_frame,
    encode_lines,
    encode_samples,
)


def block(first: int, count: int, *, seq: int | None = None, time_us: int | None = None) -> SampleBlock:
    """Samples whose force is their true number, at 1000 samples/s."""
    steps = np.arange(count)
    number = (first + steps).astype(np.int32)
    seq = first if seq is None else seq
    time_us = 1_000 * first if time_us is None else time_us
    return SampleBlock(
        (seq + steps) % 2**16,
        (time_us + 1_000 * steps) % 2**32,
        number,
        number,
        np.zeros(count, np.uint8),
    )


def identity(boot_id: int) -> Identity:
    return Identity(1, 2, 5, Capability(0), boot_id, 1_000_000, b"F90-0001", "bench")


def boot() -> bytes:
    return b"\0" + encode_frame(Event(EventCode.BOOT, 0, 12, 4))


def run(intake: Intake, data: bytes, size: int = 65_536) -> tuple[Samples, list[str]]:
    deliveries = [intake.feed(data[at : at + size], 1e-5 * at)[0] for at in range(0, len(data), size)]
    deliveries.append(intake.flush(1e-5 * len(data)))
    kinds = [event.kind for each in deliveries for event in each.events]
    return Samples.concatenate([each.samples for each in deliveries]), kinds


def test_a_reset_between_two_samples_of_one_read_is_put_between_them() -> None:
    data = (
        encode_frame(identity(1))
        + encode_samples(block(5_000, 100))
        + boot()
        + encode_frame(identity(2))
        + encode_samples(block(6_000, 100, seq=0, time_us=500))
    )
    samples, kinds = run(Intake("framed"), data)
    np.testing.assert_array_equal(samples.force, [*range(5_000, 5_100), *range(6_000, 6_100)])
    assert kinds == ["identified", "reset", "device_event", "identified"]
    assert np.all(np.diff(samples.seq) > 0)
    assert np.all(np.diff(samples.time_us) > 0)


@pytest.mark.parametrize("size", [1, 7, 64, 10**6])
def test_a_reset_whose_boot_event_was_lost_is_noticed_once(size: int) -> None:
    data = (
        encode_frame(identity(1))
        + encode_samples(block(5_000, 100))
        + encode_samples(block(6_000, 3, seq=0, time_us=500))
        + encode_frame(identity(2))
        + encode_samples(block(6_003, 100, seq=3, time_us=3_500))
    )
    samples, kinds = run(Intake("framed"), data, size)
    np.testing.assert_array_equal(samples.force, [*range(5_000, 5_100), *range(6_000, 6_103)])
    assert kinds.count("reset") == 1


def test_an_identity_that_repeats_itself_is_told_once() -> None:
    data = encode_frame(identity(1)) + encode_samples(block(0, 10))
    data += encode_frame(identity(1)) + encode_samples(block(10, 10))
    samples, kinds = run(Intake("framed"), data)
    assert kinds == ["identified"]
    assert len(samples) == 20


def test_states_and_unknown_events_are_handed_on() -> None:
    state = State(1, StateFlag.STREAMING, 0, 0, 3, -5, 5, -9, 9, 2)
    intake = Intake("framed")
    delivery, messages = intake.feed(encode_frame(state) + encode_frame(Event(99, 4, 5, 6)), 1.0)
    assert delivery.events[0].fields["cycles_done"] == 3
    assert delivery.events[1].fields == {
        "code": 99,
        "name": "unknown",
        "request": 4,
        "value": 6,
        "device_time_us": 5,
    }
    assert [rebooted for _, rebooted in messages] == [False, False]


def test_rejected_bytes_are_told_at_most_once_a_second_and_all_of_them() -> None:
    intake = Intake("framed")
    told = []
    for n in range(100):
        delivery, _ = intake.feed(b"\x05\x01\x02\0", 0.05 * n)
        told += [event for event in delivery.events if event.kind == "rejected"]
    told += intake.flush(5.0).events
    assert len(told) <= 6
    assert sum(event.fields["bytes"] for event in told) == 400
    assert sum(event.fields["bad_cobs"] for event in told) == 100


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=90), st.integers(1, 40)), max_size=20), st.integers(1, 200))
def test_no_bytes_raise_and_no_sound_sample_is_lost(parts: list[bytes | int], size: int) -> None:
    data, number = b"", 0
    for part in parts:
        if isinstance(part, bytes):
            data += b"\0" + part + b"\0"
        else:
            data += encode_samples(
                block(number, part, seq=60_000 + number, time_us=2**32 - 20_000 + 1_000 * number)
            )
            number += part
    samples, _ = run(Intake("framed"), data, size)
    np.testing.assert_array_equal(samples.force, np.arange(number))
    if number:
        np.testing.assert_array_equal(samples.seq, 60_000 + np.arange(number))


class FaultyRun:
    """A run with losses, damage, repeats, noise, gaps and resets, as reads with their host times.

    Attributes
    ----------
    reads
        Bytes of each read and when it came.
    arrived
        True numbers of the samples that arrived sound, once each, in order.
    resets
        How often the device was reset; each reset says so, though its message may be damaged.
    """

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self.reads: list[tuple[bytes, float]] = []
        self.arrived: list[int] = []
        self.resets = 0
        self._number, self._seq, self._time_us = 0, 64_000, 2**32 - 3_000_000
        self._host_s = 50.0
        self._unread = encode_frame(identity(0))
        for _ in range(60):
            self._stretch(int(self._random.integers(10, 60)))
            chance = self._random.random()
            if chance < 0.05:
                self._skip(int(self._random.choice([50, 80_000, 3_000_000])))
            elif chance < 0.1:
                self._reset()
        self._read()

    def _chance(self, share: float) -> bool:
        return bool(self._random.random() < share)

    def _stretch(self, count: int) -> None:
        for _ in range(count):
            frame = encode_samples(block(self._number, 1, seq=self._seq, time_us=self._time_us))
            if self._chance(0.03):
                place = int(self._random.integers(len(frame) - 1))
                frame = frame[:place] + bytes([frame[place] ^ 0x10]) + frame[place + 1 :]
                self._unread += frame
            elif not self._chance(0.03):
                self._unread += frame * (2 if self._chance(0.03) else 1)
                self.arrived.append(self._number)
            if self._chance(0.02):
                self._unread += b"\0" + self._random.bytes(int(self._random.integers(1, 90))) + b"\0"
            self._skip(1)
            if self._chance(0.2):
                self._read()

    def _skip(self, count: int) -> None:
        if count > 1:
            self._read()
        self._number += count
        self._seq += count
        self._time_us += 1_000 * count
        self._host_s += 0.001 * count

    def _reset(self) -> None:
        self._read()
        self.resets += 1
        self._seq, self._time_us = 0, 300_000
        self._host_s += 1.5
        told = [boot(), encode_frame(identity(self.resets))]
        self._unread += b"".join(told if self._chance(0.5) else told[1:])

    def _read(self) -> None:
        self.reads.append((self._unread, self._host_s + self._random.uniform(0, 0.02)))
        self._unread = b""


@pytest.mark.parametrize("seed", range(12))
def test_with_all_faults_at_once_each_sound_sample_comes_out_once(seed: int) -> None:
    faulty = FaultyRun(seed)
    intake = Intake("framed")
    deliveries = [intake.feed(data, host_s)[0] for data, host_s in faulty.reads]
    deliveries.append(intake.flush(faulty.reads[-1][1]))
    samples = Samples.concatenate([each.samples for each in deliveries])
    np.testing.assert_array_equal(samples.force, faulty.arrived)
    assert np.all(np.diff(samples.seq) > 0)
    assert np.all(np.diff(samples.time_us) > 0)
    assert [event.kind for each in deliveries for event in each.events].count("reset") == faulty.resets


def test_milliseconds_wrap_where_their_column_does() -> None:
    lines = LineFormat(columns=("time_ms", "force", "position"), time_bits=32)
    first_us = 2**32 * 1_000 - 100_000
    wrapped = SampleBlock(
        None,
        first_us + 1_000 * np.arange(400),
        *[np.arange(400).astype(np.int32)] * 2,
        np.zeros(400, np.uint8),
    )
    data = b"\n" + encode_lines(wrapped, lines)
    samples, kinds = run(Intake(lines), data, 100)
    np.testing.assert_array_equal(samples.time_us, first_us + 1_000 * np.arange(400))
    assert kinds in ([], ["rejected"])


def test_scaled_lines_keep_their_unit() -> None:
    lines = LineFormat(columns=("time_us", "force", "position"), force_unit="lbf", position_unit="in")
    samples, _ = run(Intake(lines), b"\n" + b"".join(b"%d,%d.5,0.25\n" % (n * 1_000, n) for n in range(20)))
    assert (samples.force_channel.unit, samples.position_channel.unit) == ("lbf", "in")
    assert samples.force_channel.resolution == 0
    np.testing.assert_allclose(samples.force, np.arange(20) + 0.5)
