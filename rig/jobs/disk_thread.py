"""A capture written in a thread of its own, so that a slow disk delays no heartbeat.

Problem: a sync to a slow disk takes tenths of a second to seconds, and whoever waits for it sends no
heartbeat. Plan: whoever drives a platen leaves samples and events here and goes on; one thread hands them to
the writer of the capture, in order. What waits is bounded in number and in time; beyond that the disk counts
as failed, and the run is halted. A write that took long is an event in the capture. Cost: one thread, and one
queue.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from rig.capture import CaptureWriter
from rig.core import EventKind
from rig.errors import RecorderError
from rig.samples import Samples

BACKLOG_S = 20.0
"""A disk that has not taken anything for so long has failed; a platen is not driven on in the hope of it."""

BACKLOG_SAMPLES = 500_000
"""Some 15 MB: longer than `BACKLOG_S` at any rate that a serial port carries."""

BACKLOG_ENTRIES = 100_000

SLOW_S = 0.3
"""A step of the disk that took longer is noted in the capture; a sync takes milliseconds."""

TICK_S = 0.1
"""How often what waits in the writer is looked at when nothing comes."""


_Entry = tuple[Callable[[CaptureWriter], None], int]
"""What is to be done to the capture, and the number of samples in it."""


class DiskThread:
    """Stands before the writer of a capture; a context manager, used by one thread.

    Everything but `end` returns at once. All raise what the writer has raised since the last call.

    Raises RecorderError if the disk has refused, or has fallen too far behind; ending the capture where that
    is possible.

    `writer`: not yet entered.
    """

    def __init__(self, writer: CaptureWriter) -> None:
        self.path: Path = writer.path
        self.samples = writer.samples
        self._writer = writer
        self._changed = threading.Condition()
        self._waiting: deque[_Entry] = deque()
        self._waiting_samples = 0
        self._working_since: float | None = None
        self._failure: Exception | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="rig-disk")

    @property
    def ended(self) -> bool:
        """Whether nothing can be recorded any more."""
        return self._writer.ended or self._failure is not None or self._closing

    def append(self, samples: Samples) -> None:
        """Leave samples to be written."""
        if len(samples):
            self._leave(lambda writer: writer.append(samples), len(samples))
            self.samples += len(samples)

    def event(self, kind: EventKind, **fields: Any) -> None:
        """Leave an event to be written, with the wall time of now."""
        wall = datetime.now(UTC).isoformat(timespec="milliseconds")
        self._leave(lambda writer: writer.event(kind, **{"wall": wall} | fields))

    def rows(self, rows: Iterable[Mapping[str, Any]]) -> None:
        """Leave rows to be written."""
        kept = list(rows)
        self._leave(lambda writer: writer.rows(kept))

    def tick(self) -> None:
        """Raise if the disk has failed."""
        with self._changed:
            self._check()

    def sync(self) -> threading.Event:
        """Have all that was left so far brought down to the disk; set once it is."""
        done = threading.Event()

        def bring_down(writer: CaptureWriter) -> None:
            writer.sync()
            done.set()

        self._leave(bring_down)
        return done

    def end(self, reason: str, tallies: Mapping[str, Any] | None = None) -> None:
        """End the capture properly, once all is written; it waits for the disk."""
        if self.ended:
            return
        self._leave(lambda writer: writer.end(reason, tallies))
        self._close()
        if self._failure is not None:
            raise self._failure

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: TracebackType | None) -> None:
        self._close()
        error = error or self._failure
        self._writer.__exit__(None if error is None else type(error), error, trace)

    def _close(self) -> None:
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join()

    def _leave(self, do: Callable[[CaptureWriter], None], samples: int = 0) -> None:
        with self._changed:
            self._check()
            self._waiting.append((do, samples))
            self._waiting_samples += samples
            self._changed.notify_all()

    def _check(self) -> None:
        if self._failure is None and self._writer.ended and not self._closing:
            # a writer that fails has ended a moment before its thread can say why
            self._changed.wait_for(lambda: self._failure is not None, TICK_S)
        if self._failure is not None:
            raise self._failure
        if self._writer.ended or self._closing:
            raise RecorderError(f"{self.path}: the capture has ended; record a new one")
        since_s = self._working_since
        behind_s = 0.0 if since_s is None else time.monotonic() - since_s
        full = self._waiting_samples > BACKLOG_SAMPLES or len(self._waiting) > BACKLOG_ENTRIES
        if full or behind_s > BACKLOG_S:
            raise RecorderError(
                f"{self.path}: nothing could be written to disk for {behind_s:.1f} s, "
                f"{self._waiting_samples} samples are waiting; check the disk and record a new capture"
            )

    # The thread.

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or self._closing, TICK_S)
                entry = self._waiting.popleft() if self._waiting else None
                if entry is None and self._closing:
                    return
                self._working_since = time.monotonic()
            try:
                self._work(entry)
            except Exception as problem:  # whatever it is, it must reach whoever drives
                with self._changed:
                    self._failure = problem
                    self._waiting.clear()
                    self._working_since = None
                    self._changed.notify_all()
                return

    def _work(self, entry: _Entry | None) -> None:
        writer, began_s = self._writer, time.monotonic()
        if entry is None:
            writer.tick()
        else:
            entry[0](writer)
        took_s = time.monotonic() - began_s
        with self._changed:
            self._waiting_samples -= 0 if entry is None else entry[1]
            waiting = self._waiting_samples
            self._working_since = None
        if took_s > SLOW_S and not writer.ended:
            writer.event("slow disk", took_s=took_s, samples_waiting=waiting)
