"""Tells the service supervisor of the system how the daemon is: ready, alive, stopping.

Problem: systemd starts what depends on a service when it says so, and kills one that hangs. Plan: its
protocol is a datagram of NAME=VALUE lines to a socket named in the environment (sd_notify(3)); where
none is named, nothing is sent. Cost: one datagram every few seconds.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress

BEATS_PER_LIMIT = 3
"""This many beats fall into the time after which the supervisor takes a daemon for dead."""


class Notifier:
    """Sends what the supervisor wants to hear; silent where there is none.

    `environment`: holds NOTIFY_SOCKET, and WATCHDOG_USEC and WATCHDOG_PID where a watchdog is wanted.
    """

    def __init__(
        self, environment: Mapping[str, str] = os.environ, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._clock = clock
        limit_us, process = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
        watched = limit_us.isdigit() and process in ("", str(os.getpid()))
        self._beat_every_s = int(limit_us) / 1e6 / BEATS_PER_LIMIT if watched else 0.0
        self._due_s = 0.0
        self._socket: socket.socket | None = None
        place = environment.get("NOTIFY_SOCKET", "")
        if place.startswith(("/", "@")) and hasattr(socket, "AF_UNIX"):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.setblocking(False)
            with suppress(OSError):
                # an @ stands for the zero byte that begins an abstract name
                self._socket.connect("\0" + place[1:] if place.startswith("@") else place)

    def ready(self, status: str) -> None:
        """The service is up."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """The loop has turned; passed on as often as the watchdog wants it."""
        now_s = self._clock()
        if self._beat_every_s and now_s >= self._due_s:
            self._due_s = now_s + self._beat_every_s
            self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """The service goes down."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Give the socket back."""
        if self._socket is not None:
            self._socket.close()

    def _send(self, text: str) -> None:
        if self._socket is not None:
            # a supervisor that does not listen must not stop the rig
            with suppress(OSError):
                self._socket.send(text.encode())
