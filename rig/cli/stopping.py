"""Signals, a closed terminal and a broken pipe as a wish to stop; the one place for all commands.

Problem: a platen that is driven by this process runs on until its heartbeats are missed if the process just
ends, and its capture has no end. A signal, a terminal that is closed and output without a reader
all end a process. Plan: where something moves or is recorded, each of them sets one event, which whoever
moves looks at between two deliveries; a write that fails says so to the event and to nobody else, so that it
cannot break off a motion. Everywhere else a signal ends the command as Ctrl-C does: the port is closed and
its lock given back. Cost: a pipe, and one call more for each write.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP")
"""Ctrl-C, kill, a closed terminal, Ctrl-\\ and Ctrl-Z: a command that is suspended sends no heartbeats."""

_LEFT_IGNORED = ("SIGHUP",)
"""Signals that stay ignored if whoever started the command had them ignored, as `nohup` does."""


class StopWish(threading.Event):
    """The wish to stop. It can be waited for with `select`, which a signal ends at once, in any thread.

    Look at it with `is_set` or `select`: the main thread must not `wait` on it, because a handler that runs
    within would wait for the event's own lock.
    """

    def __init__(self) -> None:
        super().__init__()
        self._woken, self.wakes = os.pipe()
        os.set_blocking(self.wakes, False)

    def fileno(self) -> int:
        """Gives a byte for every wish."""
        return self._woken

    def set(self) -> None:
        """Wish to stop. May be called from a signal's handler, again and again."""
        if not self.is_set():
            super().set()
            os.write(self.wakes, b"\0")

    def close(self) -> None:
        """Give the pipe back."""
        os.close(self._woken)
        os.close(self.wakes)


class _Unread:
    """A stream whose failing writes are a wish to stop instead of an error."""

    def __init__(self, stream: TextIO, stopped: StopWish) -> None:
        self._stream, self._stopped = stream, stopped
        self._terminal = stream.isatty()

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)

    def isatty(self) -> bool:
        """As the stream's; a terminal that no longer is one has been closed. Progress asks at every turn."""
        terminal = self._stream.isatty()
        if self._terminal and not terminal:
            self._stopped.set()
        return terminal

    def write(self, text: str) -> int:
        try:
            return self._stream.write(text)
        except OSError:
            self._stopped.set()
            return len(text)

    def flush(self) -> None:
        try:
            self._stream.flush()
        except OSError:
            self._stopped.set()


def interrupt_on_signals() -> None:
    """Have every signal that ends a program end it as Ctrl-C does; `stop_on_signals` goes before."""

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    for name in set(_NAMES) - {"SIGTSTP"}:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, interrupt)


@contextmanager
def stop_on_signals(*, suspends: bool = True) -> Iterator[StopWish]:
    """An event that a signal, a closed terminal or a broken pipe sets, instead of raising in mid-motion.

    `suspends`: whether Ctrl-Z is such a signal too; False for a command that moves nothing.
    """
    stopped = StopWish()

    def stop(number: int, frame: object) -> None:
        del number, frame
        stopped.set()

    numbers = [getattr(signal, name) for name in _NAMES if hasattr(signal, name)]
    ignored = {getattr(signal, name, None) for name in _LEFT_IGNORED}
    before = {
        number: signal.signal(number, stop)
        for number in numbers
        if not (number in ignored and signal.getsignal(number) == signal.SIG_IGN)
        and (suspends or number != getattr(signal, "SIGTSTP", None))
    }
    # the system's own handler writes there too, whatever the main thread is busy with
    wakes = stopped.wakes if os.name == "posix" else -1  # elsewhere it has to be a socket
    before_fd = signal.set_wakeup_fd(wakes, warn_on_full_buffer=False)
    streams = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (_guarded(stream, stopped) for stream in streams)
    try:
        yield stopped
    finally:
        sys.stdout, sys.stderr = streams
        signal.set_wakeup_fd(before_fd)
        for number, handler in before.items():
            signal.signal(number, handler)
        stopped.close()


def _guarded(stream: TextIO, stopped: StopWish) -> TextIO:
    # closed before the start; then nothing is written
    return stream if stream is None else _Unread(stream, stopped)  # type: ignore[return-value]
