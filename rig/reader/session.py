"""The one that talks to the device: commands with request ids, repeated until they are answered.

Problem: a command or its reply can be lost, and a motion must not be carried out twice. Plan: a device
answers a repeated request id with the same reply, so a lost reply is asked for again under the same id;
and since it remembers only the last id, one request is under way at a time. Replies are handed in by the
thread that reads. Cost: a caller waits for its reply, at most attempts x timeout.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable

from rig.errors import DeviceError
from rig.wire import Command, Reply, ReplyResult, StreamAt, encode_frame

REPLY_TIMEOUT_S = 0.3
"""A reply takes 1 ms on the wire; behind a full buffer of samples at 115 200 baud, up to 0.3 s."""

ATTEMPTS = 4
"""On a line that damages a tenth of its frames, four in a row fail once in 1000 requests."""

LAST_REQUEST_ID = 65_535


class Session:
    """Requests to one device.

    Parameters
    ----------
    write
        Sends bytes; False if they could not be sent.
    """

    def __init__(self, write: Callable[[bytes], bool]) -> None:
        self._write = write
        self._turn = threading.Lock()
        self._answered = threading.Condition()
        self._awaited = 0
        self._reply: Reply | None = None
        # Not from 1 each time: a device would take the first request for a repetition of an earlier one.
        self._last_id = secrets.randbelow(LAST_REQUEST_ID)

    def next_id(self) -> int:
        """A fresh request id, 1 to 65535."""
        with self._answered:
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

    def request(
        self,
        build: Callable[[int], Command],
        *,
        attempts: int = ATTEMPTS,
        timeout_s: float = REPLY_TIMEOUT_S,
    ) -> Reply:
        """Send a command and wait for its reply, repeating it under the same id if the reply is lost.

        Parameters
        ----------
        build
            Makes the command from a request id.
        attempts, timeout_s
            How often it is sent, and how long each time is waited.

        Raises
        ------
        DeviceError
            If no reply came. Whether the command was carried out is then not known.
        """
        with self._turn:
            command = build(self.next_id())
            with self._answered:
                self._awaited, self._reply = command.request, None
            for _ in range(attempts):
                self.send(command)
                with self._answered:
                    self._answered.wait_for(lambda: self._reply is not None, timeout_s)
                    if self._reply is not None:
                        return self._reply
        raise DeviceError(
            f"device: no reply to {command} after {attempts} attempts of {timeout_s} s; "
            "it may be off, reset or unplugged"
        )

    def deliver(self, reply: Reply) -> None:
        """Hand in a reply that was read; called by the thread that reads."""
        with self._answered:
            if reply.request == self._awaited:
                self._reply = reply
                self._answered.notify_all()

    def stop_stream(self) -> None:
        """Ask the device to send no more samples.

        Raises
        ------
        DeviceError
            If it does not reply, or refuses.
        """
        reply = self.request(lambda request: StreamAt(request, 0))
        if reply.result != ReplyResult.ACCEPTED:
            raise DeviceError(f"device: it refused to stop its stream ({name_of(reply.result)})")


def name_of(result: ReplyResult | int) -> str:
    """A reply's result in words."""
    if isinstance(result, ReplyResult):
        return result.name.lower().replace("_", " ")
    return f"result {result}, unknown to this version"
