"""Requests and their replies: commands with request ids, repeated until they are answered.

Problem: a command or its reply can be lost, and a motion must not be carried out twice. Plan: a device
answers a repeated request id with the same reply, so a lost reply is asked for again under the same id;
and since it remembers only the last id, one request is under way at a time. What cannot wait (a halt)
first makes the others give up, because a motion repeated behind it would be carried out anew. Replies
are handed in by the thread that reads. A probe that no caller waits for tells how long the link takes: what
is received after its reply was sent after the probe. Cost: a caller waits for its reply, at most attempts x
timeout.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable

from rig.errors import DeviceError
from rig.wire import AskState, Command, Reply, encode_frame

REPLY_TIMEOUT_S = 0.3
"""A reply takes 1 ms on the wire; behind a full buffer of samples at 115 200 baud, up to 0.3 s."""

ATTEMPTS = 4
"""On a line that damages a tenth of its frames, four in a row fail once in 1000 requests."""

PROBE_EVERY_S = 1.0
PROBE_AGAIN_S = 0.1
LATE_PROBE_S = 0.2
"""The round trip is measured so often, and sooner again where it was late."""

PROBE_PATIENCE_S = 3.0
"""Replies get lost on a noisy line; a device that answers no probe for so long is not heard in time."""

LAST_REQUEST_ID = 65_535


class Exchange:
    """Requests to one device, one at a time.

    `write`: sends bytes; False if they could not be sent.
    """

    def __init__(self, write: Callable[[bytes], bool]) -> None:
        self._write = write
        self._turn = threading.RLock()
        self._sending = threading.Lock()
        self._changed = threading.Condition()
        self._awaited = 0
        self._reply: Reply | None = None
        self._interruptions = 0
        self._interrupted_by = ""
        self._probe = 0
        self._probed_s: float | None = None
        self._unanswered_s: float | None = None
        self._round_trip_s = 0.0
        # Not from 1 each time: a device would take the first request for a repetition of an earlier one.
        self._last_id = secrets.randbelow(LAST_REQUEST_ID)

    def next_id(self) -> int:
        """Return a fresh request id, 1 to 65535."""
        with self._changed:
            self._last_id = self._last_id % LAST_REQUEST_ID + 1
            return self._last_id

    def send(self, command: Command) -> bool:
        """Send a command once, without waiting for a reply. False if it could not be sent."""
        # The 0x00 before it ends whatever noise the device may have received.
        return self._write(b"\x00" + encode_frame(command))

    def send_if_free(self, command: Command) -> bool:
        """As `send`, but only while no request is under way: the device would forget that one's id."""
        if not self._turn.acquire(blocking=False):
            return False
        try:
            return self.send(command)
        finally:
            self._turn.release()

    @property
    def round_trip_s(self) -> float:
        """How long the last probe took to be answered; longer while none has been for a while."""
        waiting_s = self._unanswered_s
        if waiting_s is not None and time.monotonic() - waiting_s > PROBE_PATIENCE_S:
            return time.monotonic() - waiting_s
        return self._round_trip_s

    def forget_probes(self) -> None:
        """What is asked from now on has nothing to do with what was asked before."""
        with self._changed:
            self._probe, self._probed_s, self._unanswered_s, self._round_trip_s = 0, None, None, 0.0

    def probe(self) -> None:
        """Ask the device how it stands, if that is due and no request is under way; wait for nothing."""
        now_s = time.monotonic()
        every_s = PROBE_AGAIN_S if self._round_trip_s > LATE_PROBE_S and not self._probe else PROBE_EVERY_S
        if self._probed_s is not None and now_s - self._probed_s < every_s:
            return
        request = self.next_id()
        with self._changed:
            # Before it is sent, or its reply could come first.
            before = self._probe, self._probed_s
            self._probe, self._probed_s = request, now_s
        if not self.send_if_free(AskState(request)):
            self._probe, self._probed_s = before
            return
        if self._unanswered_s is None and self._probe:
            self._unanswered_s = now_s

    def request(
        self,
        build: Callable[[int], Command],
        *,
        attempts: int = ATTEMPTS,
        timeout_s: float = REPLY_TIMEOUT_S,
    ) -> Reply:
        """Send a command and wait for its reply, repeating it under the same id if the reply is lost.

        Raises DeviceError if no reply came, or if it was given up for a halt, a reset or a lost link. Whether
        the command was carried out is then not known.

        `attempts`, `timeout_s`: how often it is sent, and how long each time is waited.
        """
        return self._ask(build(self.next_id()), None, attempts, timeout_s)

    def deliver(self, reply: Reply) -> None:
        """Hand in a reply that was read; called by the thread that reads."""
        with self._changed:
            if reply.request == self._probe and self._probed_s is not None:
                self._round_trip_s = time.monotonic() - self._probed_s
                self._probe, self._unanswered_s = 0, None
            if reply.request == self._awaited:
                self._reply = reply
                self._changed.notify_all()

    def _ask(
        self,
        command: Command,
        since: int | None = None,
        attempts: int = ATTEMPTS,
        timeout_s: float = REPLY_TIMEOUT_S,
    ) -> Reply:
        """As `request`; it gives up after any interruption but the first `since`, which are past."""
        past = self._interruptions if since is None else since
        with self._turn:
            self._expect(command)
            for _ in range(attempts):
                # looking and sending are one step, or the command could slip out behind a halt that ended it
                with self._sending:
                    self._check_uninterrupted(command, past)
                    self.send(command)
                reply = self._reply_within(timeout_s, lambda: self._interruptions != past)
                if reply is not None:
                    return reply
        raise _unanswered(command, attempts, timeout_s)

    def _ask_at_once(self, command: Command) -> Reply:
        """Send before whatever else is under way or waits for its turn, which is given up; then as `_ask`."""
        self._send_at_once(command)
        with self._turn:
            self._expect(command)
            for _ in range(ATTEMPTS):
                # Again even if it was heard at once: the reply may have come while no caller awaited it.
                self.send(command)
                reply = self._reply_within(REPLY_TIMEOUT_S, lambda: False)
                if reply is not None:
                    return reply
        raise _unanswered(command, ATTEMPTS, REPLY_TIMEOUT_S)

    def _send_at_once(self, command: Command) -> bool:
        """As `_ask_at_once`, but no caller waits for the reply: for the thread that reads."""
        self._interrupt("a halt went before it")
        # Whoever looked before the interruption has sent by the time that it lets go: this one goes last.
        with self._sending:
            return self.send(command)

    def _interrupt(self, why: str) -> None:
        """Make every request that was begun give up."""
        with self._changed:
            self._interruptions += 1
            self._interrupted_by = why
            self._changed.notify_all()

    def _expect(self, command: Command) -> None:
        with self._changed:
            self._awaited, self._reply = command.request, None

    def _check_uninterrupted(self, command: Command, past: int) -> None:
        if self._interruptions != past:
            raise DeviceError(
                f"device: {command} was given up because {self._interrupted_by}; "
                "whether it was carried out is not known: ask for the state before going on"
            )

    def _reply_within(self, timeout_s: float, interrupted: Callable[[], bool]) -> Reply | None:
        with self._changed:
            self._changed.wait_for(lambda: self._reply is not None or interrupted(), timeout_s)
            return self._reply


def _unanswered(command: Command, attempts: int, timeout_s: float) -> DeviceError:
    return DeviceError(
        f"device: no reply to {command} after {attempts} attempts of {timeout_s} s; "
        "it may be off, reset or unplugged"
    )
