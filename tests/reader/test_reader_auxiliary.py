"""Temperatures of lines: placed on the clock, and told as one mean a second."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.reader import Delivery, Intake, LinkEvent, newest_auxiliary
from rig.samples import Samples
from rig.wire import LineFormat

LINES = LineFormat(columns=("time_us", "force", "position", "specimen_temperature", "humidity"), time_bits=32)
WRAP_US = 2**32


def line(number: int, period_us: int, start_us: int = 0) -> bytes:
    """A line whose temperature is its own time in seconds, and whose humidity is 40 %."""
    time_us = start_us + number * period_us
    return b"%d,%d,%d,%.6f,40\n" % (time_us % WRAP_US, number, number, time_us / 1e6)


def fed(intake: Intake, pieces: list[bytes], step_s: float = 0.01) -> list[Delivery]:
    deliveries = [intake.feed(piece, 10.0 + step_s * n)[0] for n, piece in enumerate(pieces)]
    return [*deliveries, intake.flush(10.0 + step_s * len(pieces))]


def told(deliveries: list[Delivery]) -> list[LinkEvent]:
    return [event for each in deliveries for event in each.events if event.kind == "auxiliary"]


def test_each_second_of_device_time_is_told_once_with_its_mean() -> None:
    # 100 lines a second for 5.5 s; the temperature is the time, so that its mean is the mean time.
    pieces = [b"\n", *(line(n, 10_000) for n in range(550))]
    events = told(fed(Intake(LINES), pieces))
    assert [event.fields["count"] for event in events] == [100] * 5 + [50]
    means_s = [0.495, 1.495, 2.495, 3.495, 4.495, 5.245]
    assert [event.fields["specimen_temperature"] for event in events] == pytest.approx(means_s, abs=1e-4)
    assert [event.time_us for event in events] == [round(1e6 * mean_s) for mean_s in means_s]
    assert {event.fields["humidity"] for event in events} == {40.0}


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 3_000), max_size=40), st.integers(2_000, 400_000))
def test_any_cut_of_the_stream_gives_the_same_means(sizes: list[int], period_us: int) -> None:
    data = b"\n" + b"".join(line(n, period_us) for n in range(300))
    pieces, at = [], 0
    for size in sizes:
        pieces.append(data[at : at + size])
        at += size
    pieces.append(data[at:])
    events = told(fed(Intake(LINES), pieces))
    seconds = np.arange(300) * period_us // 1_000_000
    if len(set(seconds.tolist())) <= 32:  # more in one read are gathered
        expected = [float(np.mean(np.arange(300)[seconds == one])) for one in sorted(set(seconds.tolist()))]
        found = [event.fields["specimen_temperature"] for event in events]
        assert found == pytest.approx([period_us / 1e6 * each for each in expected], abs=1e-4)
    assert sum(int(event.fields["count"] or 0) for event in events) == 300
    assert len(events) <= seconds[-1] + 1


def test_means_go_on_evenly_where_the_clock_wraps() -> None:
    start_us = WRAP_US - 2_000_000
    pieces = [b"\n", *(line(n, 10_000, start_us) for n in range(400))]
    events = told(fed(Intake(LINES), pieces))
    # The wrap at 4294.967296 s lies within a second; each event's time is the mean of its temperatures.
    assert [event.time_us for event in events] == pytest.approx(
        [1e6 * float(event.fields["specimen_temperature"] or 0) for event in events], abs=100
    )
    assert len(events) == 5


def test_a_rig_that_runs_faster_than_time_cannot_fill_a_delivery_with_events() -> None:
    # 2000 lines, 1 s apart, in one read.
    deliveries = fed(Intake(LINES), [b"\n" + b"".join(line(n, 1_000_000) for n in range(2_000))])
    assert max(len(told([each])) for each in deliveries) <= 32
    events = told(deliveries)
    assert sum(int(event.fields["count"] or 0) for event in events) == 2_000
    weighted = sum(
        float(event.fields["specimen_temperature"] or 0) * int(event.fields["count"] or 0) for event in events
    )
    assert weighted / 2_000 == pytest.approx(999.5, abs=1e-3)


def test_a_pause_within_a_second_makes_no_second_event_in_it() -> None:
    intake = Intake(LINES)
    first = [*(intake.feed(piece, 1.0)[0] for piece in (b"\n", line(0, 100_000), line(1, 100_000)))]
    silent = intake.flush(1.3)
    rest = fed(intake, [line(n, 100_000) for n in range(2, 30)])
    events = told([*first, silent, *rest])
    assert len(events) == 3
    assert [event.fields["count"] for event in events] == [2, 18, 10]


def test_a_damaged_temperature_is_counted_and_costs_its_line_only() -> None:
    lines = [line(n, 10_000) for n in range(100)]
    lines[50] = lines[50].replace(b"0.500000", b"0.5x0000")
    intake = Intake(LINES)
    deliveries = fed(intake, [b"\n" + b"".join(lines)])
    samples = Samples.concatenate([each.samples for each in deliveries])
    assert samples.force.tolist() == [n for n in range(100) if n != 50]
    assert intake.decoder.tally.not_a_number == 1
    (event,) = told(deliveries)
    # The sum of 0 to 99 without 50, in hundredths of a second.
    assert event.fields["specimen_temperature"] == pytest.approx(0.01 * (4950 - 50) / 99, abs=1e-4)


def test_a_sensor_that_says_it_failed_costs_no_line_and_no_other_channel() -> None:
    # It fails from 0.5 s to 2 s, and humidity after 1 s.
    lines = [
        b"%d,%d,1,%s,%s\n"
        % (10_000 * n, n, b"-999" if 50 <= n < 200 else b"21.5", b"-1" if n >= 100 else b"40")
        for n in range(300)
    ]
    deliveries = fed(Intake(LINES), [b"\n" + b"".join(lines)])
    assert sum(len(each.samples) for each in deliveries) == 300
    assert [(event.time_us, dict(event.fields)) for event in told(deliveries)] == [
        (495_000, {"specimen_temperature": 21.5, "humidity": 40.0, "count": 100}),
        (2_495_000, {"specimen_temperature": 21.5, "count": 100}),
    ]


def test_a_line_that_came_twice_counts_once() -> None:
    lines = [line(n, 10_000) for n in range(100)]
    lines.insert(90, lines[89] + lines[88])
    (event,) = told(fed(Intake(LINES), [b"\n" + b"".join(lines)]))
    assert event.fields["count"] == 100
    assert event.fields["specimen_temperature"] == pytest.approx(0.495, abs=1e-4)


def test_without_a_clock_the_seconds_are_the_hosts() -> None:
    lines = LineFormat(columns=("force", "position", "ambient_temperature"))
    pieces = [b"\n", *(b"%d,1,21.5\n" % n for n in range(400))]
    events = told(fed(Intake(lines), pieces))
    assert 4 <= len(events) <= 5
    assert {event.fields["ambient_temperature"] for event in events} == {21.5}


def test_lines_without_temperatures_tell_of_none() -> None:
    plain = LineFormat(columns=("time_us", "force", "position"))
    pieces = [b"\n", *(b"%d,1,2\n" % (10_000 * n) for n in range(300))]
    assert told(fed(Intake(plain), pieces)) == []


def test_the_newest_of_a_delivery_is_its_last_mean() -> None:
    def event(kind: str, **fields: float) -> LinkEvent:
        return LinkEvent(kind, 1.0, 5, fields)  # type: ignore[arg-type]

    early = event("auxiliary", specimen_temperature=21.0, humidity=40.0, count=5)
    late = event("auxiliary", specimen_temperature=22.0, humidity=41.0, count=5)
    empty = Intake(LINES).clock.empty()
    delivery = Delivery(empty, (early, late, event("gap", missing=3)), 1.0)
    assert newest_auxiliary(delivery) == {"specimen_temperature": 22.0, "humidity": 41.0}
    assert newest_auxiliary(Delivery(empty, (), 1.0)) == {}
