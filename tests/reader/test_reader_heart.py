"""Heartbeats go out only behind fresh samples."""

from __future__ import annotations

import numpy as np
import pytest

from rig.reader import Delivery, Heart, Session
from rig.samples import Samples
from rig.wire import FrameDecoder, Heartbeat


class Host:
    """A session that keeps what it sends, and wall time that moves when told to."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.sent: list[object] = []
        self.works = True
        self._decoder = FrameDecoder()
        self.heart = Heart(Session(self._write), lambda: self.now_s)

    def _write(self, data: bytes) -> bool:
        if self.works:
            self.sent += [placed.message for placed in self._decoder.feed(data).messages]
        return self.works

    def deliver(self, *time_us: int, waited_s: float = 0.0) -> bool:
        """Samples whose device times count from what the host's clock shows now."""
        now_us = round((self.now_s - 100.0) * 1e6)
        count = len(time_us)
        zeros = np.zeros(count, np.int32)
        times = now_us + np.array(time_us, np.int64)
        samples = Samples(np.arange(count), times, zeros, zeros.copy(), np.zeros(count, np.uint8))
        return self.heart.beat_after(Delivery(samples, (), self.now_s - waited_s))


def test_the_first_samples_are_followed_by_a_heartbeat() -> None:
    host = Host()
    assert host.heart.age_s is None
    assert host.deliver(10, 20)
    (beat,) = host.sent
    assert isinstance(beat, Heartbeat)
    assert beat.request > 0
    host.now_s += 0.25
    assert host.heart.age_s == pytest.approx(0.25)


def test_a_delivery_without_samples_is_followed_by_none() -> None:
    host = Host()
    assert not host.deliver()
    assert host.sent == []


@pytest.mark.parametrize("time_us", [20 - 1_000_000, 19 - 1_000_000])
def test_samples_that_are_not_newer_are_followed_by_none(time_us: int) -> None:
    host = Host()
    host.deliver(10, 20)
    host.now_s += 1.0
    assert not host.deliver(time_us)
    assert host.deliver(21)


def test_heartbeats_are_100_ms_apart_at_least() -> None:
    host = Host()
    sent_at = []
    for turn in range(100):
        host.now_s = 100.0 + 0.015 * turn
        if host.deliver(1000 + turn):
            sent_at.append(turn)
    # Every seventh delivery is the first that comes 100 ms after the one before.
    assert sent_at == list(range(0, 100, 7))


def test_samples_that_waited_too_long_say_nothing_of_now() -> None:
    host = Host()
    assert not host.deliver(10, waited_s=0.3)
    assert host.deliver(20, waited_s=0.2)


def test_a_heartbeat_that_could_not_be_sent_does_not_count() -> None:
    host = Host()
    host.works = False
    assert not host.deliver(10)
    assert host.heart.age_s is None
    host.works = True
    assert host.deliver(20)


def test_a_lag_that_grows_stops_the_heartbeats_before_it_is_longer_than_stated() -> None:
    host = Host()
    lag_s, beaten_at = 0.0, []
    for _ in range(400):
        host.now_s += 0.02
        lag_s += 0.01  # the link falls behind by half a second per second
        if host.deliver(-round(lag_s * 1e6)):
            beaten_at.append(lag_s)
    assert 0.2 < max(beaten_at) <= 0.26


def test_heartbeats_go_on_once_the_lag_is_made_up() -> None:
    host = Host()
    assert host.deliver(0)
    host.now_s += 0.5
    assert not host.deliver(-400_000)
    host.now_s += 0.1
    assert host.deliver(0)


def test_a_clock_that_is_slow_by_one_per_cent_is_no_lag() -> None:
    host = Host()
    beats = 0
    for turn in range(6000):
        host.now_s += 0.02
        beats += host.deliver(-round(turn * 0.0002 * 1e6))
    assert beats >= 1000


def test_a_clock_that_runs_many_times_faster_than_the_hosts_is_no_lag() -> None:
    host = Host()
    beats = 0
    for turn in range(500):
        host.now_s += 0.02
        beats += host.deliver(turn * 600_000)
    assert beats >= 80
