from __future__ import annotations

import threading
from itertools import pairwise

import pytest
from scripted_device import wait_until

from rig.errors import DeviceError
from rig.reader import Session
from rig.wire import FrameDecoder, Halt, Heartbeat, Identify, Reply, ReplyResult


class Wire:
    """Keeps what is written, and answers after a number of attempts."""

    def __init__(self, answers_after: int) -> None:
        self.sent: list[object] = []
        self.session = Session(self.write)
        self._answers_after = answers_after
        self._decoder = FrameDecoder()

    def write(self, data: bytes) -> bool:
        self.sent += [placed.message for placed in self._decoder.feed(data).messages]
        if len(self.sent) >= self._answers_after:
            self.session.deliver(Reply(ReplyResult.BUSY, self.sent[-1].request, 9))
        return True


def test_a_request_is_repeated_under_the_same_id_until_it_is_answered() -> None:
    wire = Wire(answers_after=3)
    reply = wire.session.request(Halt, timeout_s=0.01)
    assert (reply.result, reply.value) == (ReplyResult.BUSY, 9)
    assert len(wire.sent) == 3
    assert len(set(wire.sent)) == 1


def test_a_request_that_is_never_answered_ends_in_words() -> None:
    wire = Wire(answers_after=100)
    with pytest.raises(DeviceError, match=r"no reply to Halt\(request=\d+\) after 2 attempts of 0.01 s"):
        wire.session.request(Halt, attempts=2, timeout_s=0.01)
    assert len(wire.sent) == 2


def test_a_reply_to_another_request_is_no_answer() -> None:
    wire = Wire(answers_after=100)
    wire.session.deliver(Reply(ReplyResult.ACCEPTED, wire.session.next_id(), 0))
    with pytest.raises(DeviceError):
        wire.session.request(Halt, attempts=1, timeout_s=0.01)


def test_request_ids_run_from_1_to_65535_and_start_anywhere() -> None:
    session = Session(lambda data: True)
    ids = [session.next_id() for _ in range(70_000)]
    assert (min(ids), max(ids)) == (1, 65_535)
    assert all(b == a % 65_535 + 1 for a, b in pairwise(ids))
    assert len({Session(lambda data: True).next_id() for _ in range(20)}) > 1


def test_nothing_comes_between_a_request_and_its_repetition_but_a_plain_send() -> None:
    wire = Wire(answers_after=100)

    def ask() -> None:
        with pytest.raises(DeviceError):
            wire.session.request(Halt)

    asked = threading.Thread(target=ask)
    asked.start()
    wait_until(lambda: len(wire.sent) > 0)
    assert not wire.session.send_if_free(Identify(5))
    assert wire.session.send(Heartbeat(6))
    asked.join()
    assert wire.session.send_if_free(Identify(7))
    assert [type(command) for command in wire.sent if not isinstance(command, Halt)] == [Heartbeat, Identify]
