"""A device for the tests of the reader: a real pseudo-terminal, and behaviour that a test can script.

The force of each sample is its true number since the device was made, so that a test can tell which
samples came through.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

import numpy as np

from rig.wire import (
    Capability,
    Event,
    EventCode,
    FrameDecoder,
    Identify,
    Identity,
    LineFormat,
    Message,
    Reply,
    ReplyResult,
    SampleBlock,
    StreamAt,
    encode_frame,
    encode_lines,
    encode_samples,
)

PATIENCE_S = 20.0
TICK_S = 0.005


def wait_until(holds: Callable[[], bool]) -> None:
    """Wait for a condition that another thread brings about."""
    end = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not holds():
        assert time.monotonic() < end, "the awaited condition did not come about"
        pause.wait(0.002)


class ScriptedDevice:
    """Answers identify and stream, and sends a sample for each period that passes.

    Attributes
    ----------
    commands
        All commands received.
    numbers
        True numbers of all samples that were put on the wire.
    """

    def __init__(
        self,
        link: Path,
        *,
        answers: bool = True,
        talks: bool = False,
        rate_hz: int = 1_000,
        lose_replies: int = 0,
        result: ReplyResult = ReplyResult.ACCEPTED,
        protocol: int = 1,
        lines: LineFormat | None = None,
    ) -> None:
        self.commands: list[Message] = []
        self.numbers: list[int] = []
        self.boot_id = 1
        self._link = link
        self._answers = answers
        self._rate_hz = rate_hz
        self._lose_replies = lose_replies
        self._result = result
        self._protocol = protocol
        self._lines = lines
        self._talks = talks
        self._streams = talks
        self._number = 0
        self._seq = 65_000
        self._time_us = 2**32 - 500_000
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._out = b""
        self._master, self._slave = -1, -1
        self._decoder = FrameDecoder()
        self._plug()
        self._thread = threading.Thread(target=self._run, name="scripted-device")

    def __enter__(self) -> ScriptedDevice:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()
        self._unplug()

    def send(self, data: bytes) -> None:
        """Put bytes on the wire between two samples."""
        with self._lock:
            self._out += data

    def reboot(self, *, say_so: bool = True) -> None:
        """Numbers and time start again; silent until told to stream."""
        with self._lock:
            self.boot_id += 1
            self._seq, self._time_us, self._streams = 0, 0, self._talks
            if say_so:
                self._out += b"\0" + encode_frame(Event(EventCode.BOOT, 0, 0, 1)) + self._identity()

    def fall_silent(self) -> None:
        """Stop streaming without a word."""
        with self._lock:
            self._streams = False

    def unplug(self) -> None:
        """The port vanishes."""
        with self._lock:
            self._unplug()

    def replug(self, *, missed: int) -> None:
        """A new port appears at the same link; so many samples were taken meanwhile."""
        with self._lock:
            self._skip(missed)
            self._plug()

    def streams(self) -> list[StreamAt]:
        """The stream commands received."""
        return [command for command in self.commands if isinstance(command, StreamAt)]

    def _plug(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._decoder = FrameDecoder()
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(os.ttyname(self._slave))

    def _unplug(self) -> None:
        if self._master >= 0:
            self._link.unlink()
            os.close(self._master)
            os.close(self._slave)
            self._master = -1

    def _run(self) -> None:
        while not self._stop.wait(TICK_S):
            with self._lock:
                if self._master < 0:
                    continue
                if self._streams:
                    self._sample(round(self._rate_hz * TICK_S))
                self._read()
                self._write()

    def _read(self) -> None:
        if not select.select([self._master], [], [], 0)[0]:
            return
        for placed in self._decoder.feed(os.read(self._master, 4096)).messages:
            self.commands.append(placed.message)
            if self._answers:
                self._answer(placed.message)

    def _write(self) -> None:
        with suppress(BlockingIOError):
            self._out = self._out[os.write(self._master, self._out) :] if self._out else b""

    def _answer(self, command: Message) -> None:
        if isinstance(command, Identify):
            self._out += self._identity() + encode_frame(Reply(ReplyResult.ACCEPTED, command.request, 0))
        elif isinstance(command, StreamAt):
            self._streams = command.rate_mhz > 0 and self._result == ReplyResult.ACCEPTED
            if self._lose_replies:
                self._lose_replies -= 1
                return
            self._out += encode_frame(Reply(self._result, command.request, command.rate_mhz))

    def _identity(self) -> bytes:
        return encode_frame(
            Identity(
                self._protocol,
                1,
                0,
                Capability(0),
                self.boot_id,
                self._rate_hz * 1000,
                b"bench\0\0\0",
                "bench",
            )
        )

    def _sample(self, count: int) -> None:
        if len(self._out) > 60_000:
            return
        block = self.block(count)
        self._out += encode_samples(block) if self._lines is None else encode_lines(block, self._lines)
        self.numbers += block.force.tolist()

    def block(self, count: int) -> SampleBlock:
        """The next samples, as columns."""
        steps = np.arange(count)
        period_us = 1_000_000 // self._rate_hz
        number = (self._number + steps).astype(np.int32)
        block = SampleBlock(
            (self._seq + steps) % 2**16,
            (self._time_us + steps * period_us) % 2**32,
            number,
            number,
            np.zeros(count, np.uint8),
        )
        self._skip(count)
        return block

    def _skip(self, count: int) -> None:
        self._number += count
        self._seq += count
        self._time_us += count * (1_000_000 // self._rate_hz)
