"""The host's side for tests of the virtual rig: sends commands, and collects what comes back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.virtual import VirtualRig
from rig.wire import (
    Arm,
    Command,
    Event,
    FrameDecoder,
    Heartbeat,
    Home,
    Limits,
    Message,
    Reply,
    ReplyResult,
    SampleBlock,
    StreamAt,
    encode_frame,
)

RATE_HZ = 500.0


@dataclass
class Clock:
    """Wall time that moves when told to."""

    now_s: float = 100.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Host:
    """A rig, a decoder, and everything heard so far."""

    rig: VirtualRig
    clock: Clock = field(default_factory=Clock)
    messages: list[Message] = field(default_factory=list)
    blocks: list[SampleBlock] = field(default_factory=list)
    next_request: int = 1

    def __post_init__(self) -> None:
        self.decoder = FrameDecoder()

    def hear(self, data: bytes) -> list[Message]:
        decoded = self.decoder.feed(data)
        heard = [placed.message for placed in decoded.messages]
        self.messages += heard
        self.blocks.append(decoded.samples)
        return heard

    def send(self, command: Command) -> list[Message]:
        return self.hear(self.rig.receive(encode_frame(command)))

    def ask(self, kind: type[Any], *values: int) -> Reply:
        """Send a command with a fresh request id; its reply."""
        request, self.next_request = self.next_request, self.next_request + 1
        heard = self.send(kind(request, *values))
        (reply,) = (each for each in heard if isinstance(each, Reply))
        assert reply.request == request
        return reply

    def run(self, seconds: float, beat: bool = True) -> list[Message]:
        """Let time pass, wall and device alike, in the steps of a host that beats its heart."""
        heard: list[Message] = []
        for _ in range(round(seconds / 0.1)):
            self.clock.now_s += 0.1
            if beat:
                heard += self.send(Heartbeat(0))
            heard += self.hear(self.rig.advance(0.1))
        return heard

    @property
    def samples(self) -> SampleBlock:
        return SampleBlock.concatenate(self.blocks)

    @property
    def events(self) -> list[Event]:
        return [each for each in self.messages if isinstance(each, Event)]

    def endings(self, request: int) -> list[int]:
        """Codes of the events that end a motion, of one request."""
        ends = {2, 4, 5, 6, 8, 9, 10, 11, 12, 15}
        return [int(each.code) for each in self.events if each.request == request and each.code in ends]


def commanded_host(specimen: Any, **settings: Any) -> Host:
    """A rig that waits for commands, streaming."""
    clock = Clock()
    rig = VirtualRig(specimen, scripted=False, rate_hz=RATE_HZ, clock=clock, **settings)
    host = Host(rig, clock)
    host.hear(rig.receive(b""))
    assert host.ask(StreamAt, round(RATE_HZ * 1000)).result == ReplyResult.ACCEPTED
    return host


def ready_host(specimen: Any, **settings: Any) -> Host:
    """The same, with limits of +-40 N and 0 to 60 mm set, armed and homed."""
    host = commanded_host(specimen, **settings)
    assert host.ask(Limits, -40_000, 40_000, 0, 12_000).result == ReplyResult.ACCEPTED
    assert host.ask(Arm).result == ReplyResult.ACCEPTED
    assert host.ask(Home, 4000).result == ReplyResult.ACCEPTED
    host.run(2.0)
    assert host.endings(host.next_request - 1) == [2]
    return host


def scripted_bytes(rig: VirtualRig, blocks: list[int]) -> bytes:
    """All that a scripted rig sends when its time passes in blocks of so many samples, over and over."""
    rig.start()
    sent = [rig.receive(encode_frame(StreamAt(1, round(RATE_HZ * 1000))))]
    left = int((rig.script_s or 0.0) * RATE_HZ)
    turn = 0
    while left > 0:
        before_s = rig.device.machine.now_s
        sent.append(rig.advance_samples(min(blocks[turn % len(blocks)], left)))
        left -= round((rig.device.machine.now_s - before_s) * RATE_HZ)
        turn += 1
    return b"".join(sent)


def decoded(data: bytes) -> SampleBlock:
    """Samples in a stretch of frames."""
    return FrameDecoder().feed(data).samples


def rows(block: Any) -> set[tuple[int, ...]]:
    """Samples as tuples, to compare sets of them."""
    columns = [block.seq, block.time_us, block.force, block.position]
    return set(map(tuple, np.stack(columns, axis=1).tolist()))
