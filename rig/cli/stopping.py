"""Ctrl-C and SIGTERM as a wish to stop, for commands that have something to finish first."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def stop_on_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C and SIGTERM set, instead of raising in the middle of a write.

    Look at it with `is_set`: the main thread must not wait on it, because a handler that runs within
    `Event.wait` would wait for the event's own lock.
    """
    stopped = threading.Event()

    def stop(number: int, frame: object) -> None:
        del number, frame
        stopped.set()

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stopped
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
