"""One open port, spoken with plainly: raw bytes out, messages and samples in, with the time each was heard.

Problem: the session of the reader hides what a device does wrong, because it repeats, waits and recovers; a
check must see it. Plan: one thread, one loop. Each turn reads what has arrived, decodes it and, while a
heartbeat is owed, sends it behind fresh samples. A clock that is given lets a rig in software be checked
without waiting. Cost: what is heard is kept until the next check begins, up to a limit.
"""

from __future__ import annotations

import secrets
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from cobs import cobs

from rig.conformance.exceptions import InterruptedCheckError
from rig.wire import (
    Command,
    DeviceMessage,
    Event,
    FrameDecoder,
    Heartbeat,
    Identity,
    LineDecoder,
    Message,
    Reply,
    SampleBlock,
    State,
    Tally,
    encode_frame,
    seal,
)

REPLY_S = 0.3
"""A reply takes milliseconds; behind a full buffer of samples at 115 200 baud, up to this."""

ATTEMPTS = 3
"""A reply may be lost on a real line; a repeated request is answered again."""

BEAT_EVERY_S = 0.1

MOST_HEARD = 20_000
MOST_BLOCKS = 400_000
"""What one check may hold: minutes of any stream. Older blocks of samples are given up first."""

MOST_RECENT_BYTES = 4096
MOST_SHOWN = 60
"""Bytes of a line that are quoted."""

FIRST_GAP_S = 0.5
"""How long no byte may come before the line counts as quiet."""

PIECE_BYTES = 128
"""Bytes written at once: a slow line must not make a long write look like a device that does not listen."""

LAST_REQUEST_ID = 65_535


def bare_frame(kind: int, request: int, rest: bytes = b"") -> bytes:
    """Return the frame of a command that has no class, or another body than its own."""
    return seal(bytes([kind]) + request.to_bytes(2, "little") + rest)


def payload_of(command: Command) -> bytes:
    """Return the payload of a command."""
    payload: bytes = cobs.decode(encode_frame(command)[:-1])[:-2]
    return payload


class Port(Protocol):
    """What a dialogue is held over; `rig.reader.Link` is one."""

    def read(self) -> bytes:
        """Return what has arrived; waits a little for it."""

    def write(self, data: bytes) -> bool:
        """Send; False if it could not be sent in time."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A message and the host's time at which it was read, in seconds."""

    message: DeviceMessage
    at_s: float


@dataclass(frozen=True, slots=True)
class Told:
    """A command and the host's time at which it was first sent, in seconds."""

    command: Command
    at_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """A block of samples and the host's time at which it was read, in seconds."""

    block: SampleBlock
    at_s: float


class Dialogue:
    """A conversation with one device.

    Parameters
    ----------
    port
        Open.
    decoder
        Of its bytes.
    clock
        The host's time in seconds.
    stopped
        Whether somebody wants to stop; looked at in each turn.

    Attributes
    ----------
    beating
        Whether heartbeats are sent behind fresh samples.
    beat_s
        When the last heartbeat was sent.
    recent
        The newest bytes as they came, some kilobytes.
    record
        Everything said, heard and taken in its order, for whoever looks at whole checks; taken out by them.
        What was read at once stands there in the order of the wire.
    sent
        How often each request id was sent.
    """

    def __init__(
        self,
        port: Port,
        decoder: FrameDecoder | LineDecoder,
        *,
        clock: Callable[[], float] = time.monotonic,
        stopped: Callable[[], bool] = lambda: False,
    ) -> None:
        self._port = port
        self._decoder = decoder
        self.clock = clock
        self._stopped = stopped
        self.beating = False
        self.beat_s = 0.0
        self.heard: list[Heard] = []
        self.taken: list[Taken] = []
        self.record: list[Told | Heard | Taken] = []
        self.sent: Counter[int] = Counter()
        self.latest: SampleBlock | None = None
        self.recent = b""
        self.unwritten = 0
        # not from 1 each time: a device would take the first request for a repetition of an earlier one
        self._last_id = secrets.randbelow(LAST_REQUEST_ID)

    @property
    def tally(self) -> Tally:
        """Counts of what was received since the beginning."""
        return self._decoder.tally

    @property
    def damaged(self) -> int:
        """Frames or lines that were damaged: a message of a later version is skipped, and no damage."""
        return self.tally.rejected - self.tally.unknown_type

    def thrown_away(self) -> str:
        """Return what was not understood so far: the causes with their counts, and the last such line."""
        causes = ", ".join(f"{name.replace('_', ' ')} {count}" for name, count in self.tally.causes.items())
        line = self._decoder.last_rejected if isinstance(self._decoder, LineDecoder) else None
        return causes if line is None else f"{causes}; the last line: {line[:MOST_SHOWN]!r}"

    def forget(self) -> None:
        """Let go of what was heard before."""
        self.heard.clear()
        self.taken.clear()

    def insist(self) -> None:
        """From now on no wish to stop is looked at: the device has to be left in a safe state."""
        self._stopped = lambda: False

    def next_id(self) -> int:
        """Return a fresh request id."""
        self._last_id = self._last_id % LAST_REQUEST_ID + 1
        return self._last_id

    def turn(self) -> None:
        """Read once, and beat if a heartbeat is owed."""
        if self._stopped():
            raise InterruptedCheckError
        data = self._port.read()
        if not data:
            return
        now_s = self.clock()
        self.recent = (self.recent + data)[-MOST_RECENT_BYTES:]
        decoded = self._decoder.feed(data)
        recorded = 0
        for placed in decoded.messages:
            if isinstance(placed.message, DeviceMessage) and len(self.heard) < MOST_HEARD:
                if placed.position > recorded:
                    self.record.append(Taken(decoded.samples[recorded : placed.position], now_s))
                    recorded = placed.position
                self.heard.append(Heard(placed.message, now_s))
                self.record.append(self.heard[-1])
        if len(decoded.samples) > recorded:
            self.record.append(Taken(decoded.samples[recorded:], now_s))
        if len(decoded.samples):
            self._keep(decoded.samples, now_s)

    def _keep(self, block: SampleBlock, now_s: float) -> None:
        self.latest = block
        self.taken.append(Taken(block, now_s))
        if len(self.record) > MOST_BLOCKS:
            del self.record[: MOST_BLOCKS // 2]
        if len(self.taken) > MOST_BLOCKS:
            del self.taken[: MOST_BLOCKS // 2]
        if self.beating and now_s - self.beat_s >= BEAT_EVERY_S:
            self.beat()

    def beat(self) -> None:
        """Send a heartbeat now."""
        self.beat_s = self.clock()
        self.send(Heartbeat(self.next_id()))

    def until(self, holds: Callable[[], bool], limit_s: float) -> bool:
        """Go on reading until something holds; False if it does not within the limit."""
        end_s = self.clock() + limit_s
        while not holds():
            if self.clock() >= end_s:
                return False
            self.turn()
        return True

    def listen(self, duration_s: float) -> None:
        """Go on reading for a while."""
        self.until(lambda: False, duration_s)

    def count(self, duration_s: float) -> int:
        """Read for a while, and keep the samples of it only; their number."""
        self.taken.clear()
        self.listen(duration_s)
        return sum(len(taken.block) for taken in self.taken)

    def drain(self, limit_s: float = 2.0) -> None:
        """Read until nothing has come for a moment."""
        end_s = self.clock() + limit_s
        quiet_from_s = self.clock()
        while self.clock() < end_s and self.clock() - quiet_from_s < FIRST_GAP_S / 5:
            before = self.tally.bytes_accepted + self.tally.bytes_discarded
            self.turn()
            if self.tally.bytes_accepted + self.tally.bytes_discarded != before:
                quiet_from_s = self.clock()

    def send(self, command: Command) -> None:
        """Send a command once. The 0x00 before it ends whatever the device may have received."""
        self.send_together(command)

    def send_together(self, *commands: Command) -> None:
        """Send commands once, without a pause between them."""
        self.record += [Told(command, self.clock()) for command in commands]
        self.sent.update(command.request for command in commands)
        self.send_bytes(b"".join(b"\x00" + encode_frame(command) for command in commands))

    def send_bytes(self, data: bytes) -> None:
        """Send any bytes, in small pieces."""
        for first in range(0, len(data), PIECE_BYTES):
            if not self._port.write(data[first : first + PIECE_BYTES]):
                self.unwritten += 1

    def reply_to(self, request: int) -> Reply | None:
        """Return the first reply to a request that was heard."""
        return next(iter(self.replies_to(request)), None)

    def replies_to(self, request: int) -> list[Reply]:
        """Return all replies to a request that were heard."""
        return [m for m in self.messages() if isinstance(m, Reply) and m.request == request]

    def messages(self) -> list[Message]:
        """Return all messages heard, oldest first."""
        return [each.message for each in self.heard]

    def events(self) -> list[Event]:
        """Return all events heard, oldest first."""
        return [m for m in self.messages() if isinstance(m, Event)]

    def ask(self, command: Command, attempts: int = ATTEMPTS) -> Reply | None:
        """Send a command until it is answered; None if it is not."""
        self.record.append(Told(command, self.clock()))
        return self.ask_bytes(encode_frame(command), command.request, attempts)

    def ask_bytes(self, frame: bytes, request: int, attempts: int = ATTEMPTS) -> Reply | None:
        """As `ask`, for a frame that no command makes."""
        for _ in range(attempts):
            self.sent[request] += 1
            self.send_bytes(b"\x00" + frame)
            if self.until(lambda: self.reply_to(request) is not None, REPLY_S):
                return self.reply_to(request)
        return None

    def newest(self, kind: type[Identity] | type[State]) -> Identity | State | None:
        """Return the newest message of a class that was heard."""
        found = [m for m in self.messages() if isinstance(m, kind)]
        return found[-1] if found else None
