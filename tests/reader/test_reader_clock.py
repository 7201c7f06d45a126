"""Samples are told apart by their force, which is the true number of each; -1 marks a false one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.reader import DeviceClock, LinkEvent
from rig.samples import Samples
from rig.wire import SampleBlock

PERIOD_US = 2_000
SEQ_MODULUS = 2**16
TIME_MODULUS = 2**32
FALSE = -1


@dataclass(frozen=True)
class Sent:
    """Samples as a device sent them: true numbers, and what stands on the wire."""

    true: np.ndarray
    seq: np.ndarray
    time_us: np.ndarray
    host_s: np.ndarray

    def __getitem__(self, part: object) -> Sent:
        return Sent(self.true[part], self.seq[part], self.time_us[part], self.host_s[part])

    def __add__(self, other: Sent) -> Sent:
        return Sent(
            np.concatenate([self.true, other.true]),
            np.concatenate([self.seq, other.seq]),
            np.concatenate([self.time_us, other.time_us]),
            np.concatenate([self.host_s, other.host_s]),
        )

    def block(self) -> SampleBlock:
        count = self.true.astype(np.int32)
        return SampleBlock(self.seq, self.time_us, count, count, np.zeros(len(count), np.uint8))


def sent(
    count: int, *, first_seq: int = 0, first_us: int = 0, jitter_us: float = 0.0, first_true: int = 0
) -> Sent:
    number = np.arange(count)
    rng = np.random.default_rng(count)
    time_us = first_us + number * PERIOD_US + np.rint(rng.uniform(-jitter_us, jitter_us, count)).astype(int)
    return Sent(
        first_true + number,
        (first_seq + number) % SEQ_MODULUS,
        time_us % TIME_MODULUS,
        (number + first_true) * PERIOD_US * 1e-6,
    )


def run(stream: Sent, cuts: list[int], clock: DeviceClock | None = None) -> tuple[Samples, list[LinkEvent]]:
    """Feed a stream cut into blocks, each heard when its last sample was taken."""
    clock = clock or DeviceClock()
    samples, events = [], []
    bounds = [0, *sorted(cut for cut in cuts if 0 < cut < len(stream.true)), len(stream.true)]
    for begin, end in pairwise(bounds):
        if end > begin:
            reading = clock.take(stream[begin:end].block(), float(stream.host_s[end - 1]))
            samples.append(reading.samples)
            events += reading.events
    reading = clock.flush(float(stream.host_s[-1]))
    return Samples.concatenate([*samples, reading.samples]), [*events, *reading.events]


def total(events: list[LinkEvent], kind: str, field: str) -> int:
    return sum(int(event.fields[field]) for event in events if event.kind == kind)


def kinds(events: list[LinkEvent]) -> list[str]:
    return [event.kind for event in events]


def assert_true_clock(samples: Samples, stream: Sent, first_us: int) -> None:
    """Each sound sample came out once, with the number and time that it truly has."""
    sound = stream.true[stream.true != FALSE]
    expected = np.array(list(dict.fromkeys(sound.tolist())))
    np.testing.assert_array_equal(samples.force, expected)
    np.testing.assert_array_equal(np.diff(samples.seq), np.diff(expected))
    np.testing.assert_array_equal(np.diff(samples.time_us), np.diff(expected) * PERIOD_US)
    assert samples.time_us[0] == first_us + expected[0] * PERIOD_US


cuts = st.lists(st.integers(1, 400), max_size=30)


def test_time_goes_on_over_the_wrap_at_2_to_the_32_microseconds() -> None:
    first_us = TIME_MODULUS - 100 * PERIOD_US
    stream = sent(300, first_us=first_us)
    samples, events = run(stream, [50, 101])
    assert_true_clock(samples, stream, first_us)
    assert samples.time_us[-1] > TIME_MODULUS
    assert events == []


def test_seq_goes_on_over_its_wrap() -> None:
    samples, events = run(sent(140_000, first_seq=65_000), [70_000])
    np.testing.assert_array_equal(samples.seq, 65_000 + np.arange(140_000))
    assert events == []


@pytest.mark.parametrize("lost", [1, 40_000, 65_535, 65_536, 100_000, 1_500_000])
def test_a_gap_longer_than_seq_can_count_is_counted_by_time(lost: int) -> None:
    stream = sent(lost + 200, jitter_us=100)
    stream = stream[:100] + stream[100 + lost :]
    samples, events = run(stream, [100])
    np.testing.assert_array_equal(samples.force, stream.true)
    np.testing.assert_array_equal(samples.seq, stream.true)
    assert total(events, "gap", "missing") == lost
    assert [event.fields["after_seq"] for event in events] == [99]


@pytest.mark.parametrize("hours", [1.0, 2.5, 30.0])
def test_an_outage_longer_than_the_device_can_count_is_bridged_by_the_host_clock(hours: float) -> None:
    stream = sent(2_000)
    lost = round(hours * 3600e6 / PERIOD_US)
    late = Sent(
        stream.true + lost,
        (stream.seq + lost) % SEQ_MODULUS,
        (stream.time_us + lost * PERIOD_US) % TIME_MODULUS,
        # The host's clock runs 40 ppm fast, and the first read after an outage comes 0.2 s late.
        (stream.true + lost) * PERIOD_US * 1e-6 * 1.00004 + 0.2,
    )
    samples, events = run(stream + late[2_000 - 500 :], list(range(20, 2_500, 20)))
    np.testing.assert_array_equal(samples.time_us, samples.force.astype(np.int64) * PERIOD_US)
    np.testing.assert_array_equal(samples.seq, samples.force)
    assert kinds(events) == ["gap"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.booleans(), min_size=60, max_size=400),
    cuts,
    st.integers(0, 65_535),
    st.integers(0, 2**32 - 1),
)
def test_lost_samples_give_exactly_the_gaps(
    arrives: list[bool], places: list[int], first_seq: int, first_us: int
) -> None:
    everything = sent(len(arrives) + 10, first_seq=first_seq, first_us=first_us)
    # The pace is taken from the first samples, of which a few must come in a row.
    arrived = np.array([True] * 10 + arrives)
    stream = everything[arrived]
    samples, events = run(stream, places)
    assert_true_clock(samples, stream, first_us)
    last = np.flatnonzero(arrived)[-1]
    assert total(events, "gap", "missing") == np.count_nonzero(~arrived[:last])
    assert set(kinds(events)) <= {"gap"}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 3), min_size=20, max_size=300), cuts)
def test_repeated_samples_are_kept_once_and_counted(times: list[int], places: list[int]) -> None:
    stream = sent(len(times))[np.repeat(np.arange(len(times)), times)]
    samples, events = run(stream, places)
    assert_true_clock(samples, stream, 0)
    assert total(events, "repeated", "samples") == sum(times) - len(times)


false_sample = st.tuples(st.integers(10, 290), st.integers(0, 65_535), st.integers(0, 2**32 - 1))


# Two false samples that equal each other are one and its repeat, which is another test's matter.
@settings(max_examples=150, deadline=None)
@given(st.lists(false_sample, max_size=8, unique_by=lambda sample: sample[1:]), cuts)
def test_a_false_sample_that_passed_its_check_is_left_out_and_spoils_nothing(
    false: list[tuple[int, int, int]], places: list[int]
) -> None:
    stream, spoiled = with_false_samples(sent(300, first_seq=65_400, first_us=TIME_MODULUS - 200_000), false)
    samples, events = run(stream, places)
    assert_true_clock(samples, stream, TIME_MODULUS - 200_000)
    assert total(events, "implausible", "samples") == spoiled


def with_false_samples(stream: Sent, false: list[tuple[int, int, int]]) -> tuple[Sent, int]:
    """Damage single samples; those that would stay near to the truth are no test of plausibility."""
    seq, time_us, true = stream.seq.copy(), stream.time_us.copy(), stream.true.copy()
    spoiled = set()
    for place, false_seq, false_us in false:
        far_seq = (false_seq - seq[place] + 400) % SEQ_MODULUS > 800
        far_time = (false_us - time_us[place] + 10**6) % TIME_MODULUS > 2 * 10**6
        if far_seq and far_time and not spoiled & set(range(place - 6, place + 7)):
            seq[place], time_us[place], true[place] = false_seq, false_us, FALSE
            spoiled.add(place)
    return Sent(true, seq, time_us, stream.host_s), len(spoiled)


@pytest.mark.parametrize("off_by", [-40_000, -300, -2, -1, 1, 2, 5, 300, 40_000])
def test_a_sample_with_a_false_number_only_is_left_out(off_by: int) -> None:
    stream = sent(100)
    stream.seq[50] = (stream.seq[50] + off_by) % SEQ_MODULUS
    stream.true[50] = FALSE
    samples, _ = run(stream, [51])
    assert_true_clock(samples, stream, 0)


@pytest.mark.parametrize("off_by_us", [-(2**31), -100_000, -4_001, 4_001, 100_000, 2**20, 2**31])
def test_a_sample_with_a_false_time_only_is_left_out(off_by_us: int) -> None:
    stream = sent(100, first_us=2**31)
    stream.time_us[50] = (stream.time_us[50] + off_by_us) % TIME_MODULUS
    stream.true[50] = FALSE
    samples, _ = run(stream, [51])
    assert_true_clock(samples, stream, 2**31)


def test_a_sample_that_is_late_but_in_order_is_kept() -> None:
    stream = sent(100)
    stream.time_us[50] += round(0.95 * PERIOD_US)
    samples, events = run(stream, [51])
    np.testing.assert_array_equal(samples.force, stream.true)
    np.testing.assert_array_equal(samples.seq, stream.true)
    assert events == []


def test_a_clock_that_jitters_by_a_whole_period_loses_nothing() -> None:
    rng = np.random.default_rng(3)
    stream = sent(3_000)
    time_us = np.sort(stream.time_us + rng.integers(0, 2 * PERIOD_US, 3_000))
    stream = replace(stream, time_us=time_us)
    samples, events = run(stream, list(range(1, 3_000, 7)))
    np.testing.assert_array_equal(samples.seq, stream.true)
    np.testing.assert_array_equal(np.diff(samples.time_us), np.diff(time_us))
    assert events == []


def test_a_reset_that_was_told_starts_the_numbers_again_and_time_goes_on() -> None:
    clock = DeviceClock()
    before, after = sent(50_000), sent(400, first_us=700_000)
    first = clock.take(before.block(), 100.0)
    told = clock.reset(103.0, "boot, cause 4")
    second = clock.take(after.block(), 104.5)
    assert kinds([*first.events, *told.events, *second.events]) == ["reset"]
    samples = Samples.concatenate([first.samples, told.samples, second.samples])
    assert len(samples) == 50_400
    # Heard 4.5 s after the last sample before.
    assert samples.time_us[50_000] - samples.time_us[49_999] == pytest.approx(4.5e6, abs=1)
    assert np.all(np.diff(samples.seq) > 0)


def test_a_reset_whose_messages_were_lost_is_told_from_a_wrap_and_loses_no_sample() -> None:
    stream = sent(1_000, first_seq=30_000, first_us=10**9) + sent(400, first_true=1_000)
    for places in ([], [1_000], list(range(1, 1_400))):
        samples, events = run(stream, places)
        np.testing.assert_array_equal(samples.force, stream.true)
        assert kinds(events) == ["reset"]
        assert np.all(np.diff(samples.time_us) > 0)
        assert np.all(np.diff(samples.seq) > 0)


def test_a_wrap_is_not_taken_for_a_reset() -> None:
    stream = sent(400, first_seq=65_500, first_us=TIME_MODULUS - 72_000)
    _, events = run(stream, [36])
    assert events == []


def test_a_false_sample_just_after_a_reset_costs_only_itself() -> None:
    after = sent(50, first_true=100)
    after.seq[2], after.time_us[2], after.true[2] = 51_111, 3_999_999_999, FALSE
    stream = sent(100, first_seq=30_000, first_us=10**9) + after
    samples, events = run(stream, [102])
    np.testing.assert_array_equal(samples.force, stream.true[stream.true != FALSE])
    # The number of the false sample is missing.
    assert sorted(kinds(events)) == ["gap", "implausible", "reset"]
    assert total(events, "gap", "missing") == 1


def test_a_new_boot_id_after_an_outage_is_a_reset_even_if_the_numbers_could_go_on() -> None:
    clock = DeviceClock()
    clock.take(sent(1_000).block(), 2.0)
    clock.wait()
    # Booted at once when the cable was pulled: its numbers and time look like a gap of 56 s.
    booted = sent(300, first_seq=29_000, first_us=29_000 * PERIOD_US)
    kept_back = clock.take(booted.block(), 75.0)
    settled = clock.settle(75.1, new_boot_id=7)
    assert len(kept_back.samples) == 0
    assert kinds(list(settled.events)) == ["reset"]
    assert settled.samples.time_us[0] == pytest.approx(999 * PERIOD_US + 73e6, abs=1)


def test_the_same_boot_id_after_an_outage_goes_on_by_the_device_clock() -> None:
    clock = DeviceClock()
    stream = sent(40_000)
    clock.take(stream[:1_000].block(), 2.0)
    clock.wait()
    clock.take(stream[31_000:31_300].block(), 62.4)
    settled = clock.settle(62.5, new_boot_id=None)
    np.testing.assert_array_equal(settled.samples.time_us, np.arange(31_000, 31_300) * PERIOD_US)
    assert settled.events[0].fields == {"after_seq": 999, "gaps": 1, "missing": 30_000}


def test_samples_kept_back_after_an_outage_are_bounded() -> None:
    clock = DeviceClock()
    clock.wait()
    came = sum(
        len(clock.take(sent(10_000, first_seq=10_000 * n, first_us=n * 20_000_000).block(), n).samples)
        for n in range(9)
    )
    assert clock.pending < 65_537
    assert came > 0


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_any_chopping_gives_the_same_samples(data: st.DataObject) -> None:
    count = 300
    arrives = np.array(data.draw(st.lists(st.integers(0, 4), min_size=count, max_size=count)))
    stream, _ = with_false_samples(sent(count, jitter_us=300), data.draw(st.lists(false_sample, max_size=6)))
    times = np.array([0, 1, 1, 1, 2])[arrives]
    times[0] = 1
    stream = stream[np.repeat(np.arange(count), times)]
    whole, events_whole = run(stream, [])
    parts, events_parts = run(stream, data.draw(cuts))
    for name in ("seq", "time_us", "force", "position", "status"):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))
    for kind, field in (("gap", "missing"), ("repeated", "samples"), ("implausible", "samples")):
        assert total(events_parts, kind, field) == total(events_whole, kind, field)


def test_lines_without_numbers_find_gaps_and_repeats_by_time() -> None:
    stream = sent(1_000, jitter_us=150)
    arrives = np.ones(1_000, np.int64)
    arrives[[200, 201, 202, 500]] = 0
    arrives[[300, 700]] = 2
    stream = stream[np.repeat(np.arange(1_000), arrives)]
    clock = DeviceClock()
    readings = []
    for begin in range(0, len(stream.true), 13):
        block = replace(stream[begin : begin + 13].block(), seq=None)
        readings.append(clock.take(block, float(stream.host_s[min(begin + 12, len(stream.true) - 1)])))
    readings.append(clock.flush(2.0))
    samples = Samples.concatenate([reading.samples for reading in readings])
    events = [event for reading in readings for event in reading.events]
    np.testing.assert_array_equal(samples.seq, np.flatnonzero(arrives))
    assert total(events, "gap", "missing") == 4
    assert total(events, "repeated", "samples") == 2


def test_samples_that_share_a_time_of_a_coarse_clock_are_no_repeats() -> None:
    true_us = np.arange(2_000) * 5_000
    tens_of_ms = true_us // 10_000 * 10_000
    force = (np.arange(2_000) // 3).astype(np.int32)  # a slow converter, so that many neighbours are equal
    force[0:4] = [5, 6, 7, 8]
    block = SampleBlock(None, tens_of_ms, force, force, np.zeros(2_000, np.uint8), has_status=False)
    clock = DeviceClock()
    samples = Samples.concatenate([clock.take(block, 10.0).samples, clock.flush(10.0).samples])
    np.testing.assert_array_equal(samples.time_us, tens_of_ms)
    np.testing.assert_array_equal(samples.seq - samples.seq[0], np.arange(2_000))


@pytest.mark.parametrize("numbered", [True, False])
def test_lines_without_time_get_the_host_clock_spread_over_each_read(numbered: bool) -> None:
    clock = DeviceClock(None, has_time=False)
    readings = []
    for n in range(200):  # 8 samples in each read, 100 samples/s, reads up to 10 ms late
        seq = np.arange(8 * n, 8 * n + 8) % SEQ_MODULUS if numbered else None
        counts = np.arange(8 * n, 8 * n + 8).astype(np.int32)
        block = SampleBlock(seq, None, counts, counts, np.zeros(8, np.uint8), has_status=False)
        readings.append(clock.take(block, 5.0 + 0.08 * n + 0.01 * (n % 2)))
    readings.append(clock.flush(30.0))
    samples = Samples.concatenate([reading.samples for reading in readings])
    assert samples.clock == "host"
    np.testing.assert_array_equal(samples.force, np.arange(1_600))
    np.testing.assert_array_equal(samples.seq, np.arange(1_600))
    steps = np.diff(samples.time_us)
    assert np.all(steps > 0)
    assert samples.time_us[-1] - samples.time_us[0] == pytest.approx(1_599 * 10_000, abs=20_000)
    assert np.max(np.abs(steps[400:] - 10_000)) < 2_500


def test_a_time_that_does_not_wrap_is_taken_as_it_is() -> None:
    stream = sent(100)
    far = replace(stream, time_us=stream.time_us + 2**40)
    samples, events = run(far, [30], DeviceClock(None))
    np.testing.assert_array_equal(samples.time_us, far.time_us)
    assert events == []


def test_a_changed_rate_is_taken_up() -> None:
    slow = sent(200)
    time_us = slow.time_us.copy()
    time_us[100:] = time_us[99] + np.arange(1, 101) * 20_000
    clock = DeviceClock()
    run(replace(slow, time_us=time_us), [], clock)
    later = Sent(np.array([60_000]), np.array([60_199]), time_us[-1:] + 60_000 * 20_000, np.array([1_200.0]))
    reading = clock.take(later.block(), 1_200.0)
    final = clock.flush(1_200.0)
    assert total([*reading.events, *final.events], "gap", "missing") == 59_999


def test_raw_arrays_keep_the_type_of_the_wire() -> None:
    reading = DeviceClock().take(sent(50).block(), 1.0)
    assert reading.samples.force.dtype == np.int32
    assert reading.samples.status.dtype == np.uint8
    assert reading.samples.seq.dtype == np.int64
