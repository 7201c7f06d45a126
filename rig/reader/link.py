"""One open port: locked, then opened, read for what is there, and closed.

Problem: a cable can be pulled at any moment, and each system says so in its own way. Plan: every failure
of an open port becomes `PortLostError`; only a port that cannot be opened is a `DeviceError`. A read hands
over what has arrived and never loses it to a failure that follows. Cost: three system calls for a read.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path

import serial

from rig.errors import DeviceError
from rig.reader.lock import PortLock

READ_TIMEOUT_S = 0.05
"""How long a read waits for the first byte: the delay of a stop, and of a timeout that is noticed."""

WRITE_TIMEOUT_S = 0.1
"""A command of 30 bytes takes 3 ms at 115 200 baud; a device that takes none in this time does not listen."""

READ_LIMIT = 65_536


class PortLostError(DeviceError):
    """An open port stopped working. It stays inside this package: the reader opens it again."""


class Link:
    """A port that this program holds.

    `lock_places`: directories of the lock files; None for the system's.

    Raises DeviceError if the port is in use, absent, or may not be opened.
    """

    def __init__(self, path: str, baud: int, lock_places: Sequence[Path] | None = None) -> None:
        self.path = path
        self._writing = threading.Lock()
        self._lock = PortLock(path, lock_places)
        try:
            self._port = _open(path, baud)
        except BaseException:
            self._lock.release()
            raise

    def read(self) -> bytes:
        """Return what has arrived, up to `READ_LIMIT` bytes; empty after `READ_TIMEOUT_S` without any.

        Raises PortLostError if the port is gone.
        """
        try:
            data: bytes = self._port.read(1)
        except _failures() as problem:
            raise self._lost(problem) from problem
        if data:
            # The first byte must not be lost to a failure here, which the next read meets again.
            with suppress(*_failures()):
                data += self._port.read(min(self._port.in_waiting, READ_LIMIT - 1))
        return data

    def write(self, data: bytes) -> bool:
        """Send a command, from any thread. False if the device did not take it in `WRITE_TIMEOUT_S`.

        Raises PortLostError if the port is gone.
        """
        with self._writing:
            try:
                self._port.write(data)
            except serial.SerialTimeoutException:
                return False
            except _failures() as problem:
                raise self._lost(problem) from problem
        return True

    def _lost(self, problem: Exception) -> PortLostError:
        # of a port that is readable and empty the library says the same in more words
        why = "" if "reports readiness" in str(problem) else f" ({problem})"
        return PortLostError(f"port {self.path}: unplugged, or another program reads it too{why}")

    def close(self) -> None:
        """Close the port and release its lock; may be called again."""
        # A number of a closed file can be given to another at once: no write may be under way.
        with self._writing, suppress(*_failures()):
            self._port.close()
        self._lock.release()


def _open(path: str, baud: int) -> serial.Serial:
    try:
        return serial.Serial(
            path,
            baud,
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True if os.name == "posix" else None,
        )
    except _failures() as problem:
        raise DeviceError(f"port {path}: {_in_words(problem)}") from problem
    except ValueError as problem:
        raise DeviceError(f"port {path}: the system refuses {baud} baud ({problem})") from problem


def _in_words(problem: Exception) -> str:
    number = getattr(problem, "errno", None)
    if isinstance(number, int):
        reason = os.strerror(number)
        if isinstance(OSError(number, reason), PermissionError):
            return f"{reason}; your user needs the right to open it (on many systems: the group dialout)"
        if isinstance(OSError(number, reason), BlockingIOError):
            return "another program has it open; end that program first"
        return f"it does not open: {reason}"
    return f"it does not open: {problem}"


@cache
def _failures() -> tuple[type[Exception], ...]:
    """Return what a port that vanished raises: `TypeError` comes from a port closed in another thread."""
    if os.name == "nt":
        return (OSError, TypeError)
    import termios  # noqa: PLC0415  (absent on Windows)

    return (OSError, TypeError, termios.error)
