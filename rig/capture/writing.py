"""Write a capture so that a kill, a power cut or a full disk costs at most the last second.

The problem: the recorder can die at any moment, and the disk can refuse at any write. The plan: samples
gather for half a second or one batch, then go to the system in one write, so that a kill tears nothing
that was written before; syncs follow every few seconds. When the disk refuses, the file is cut back to
its last whole batch, a reserve file is given up, and the end is written into the room it leaves. The
cost: one write per batch, and one reading of the files for their checksums at the end.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from rig.capture import recorder_lock
from rig.capture.batches import BATCH_ROWS, END_OF_STREAM, schema_of, to_message
from rig.capture.disk import file_checksum, sync_folder, write_in_place, write_new
from rig.capture.ending import END_FILE, Ending, FileTally, ending_text
from rig.capture.events import EVENTS_FILE, event_line
from rig.capture.header import HEADER_FILE, CaptureHeader, header_text
from rig.capture.opened import LAST_RUN, open_capture
from rig.capture.summary import SUMMARY_FILE, row_line
from rig.core import EventKind, append_whole, file_names, open_lines
from rig.errors import CaptureError, RecorderError
from rig.samples import Samples, raw_type

FLUSH_AFTER_S = 0.5
"""Samples wait no longer than this for the disk; with one tick more, a kill costs under a second."""

SYNC_AFTER_S = 5.0
"""A power cut costs this much; syncing more often wears flash and delays the recorder."""

RESERVE_FILE = "reserve"
RESERVE_BYTES = 64 * 1024
"""Room for the last events and the end; both are a few KiB, and some disks hand out 16 KiB at a time."""

_DISK_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


class CaptureWriter:
    """Writes one run of one capture. Owned by one thread; a context manager that always says how it ended.

    Leaving the block by an exception ends the capture with that reason. `append` and `tick` write what
    has waited long enough; whoever owns the writer calls one of them at least twice a second.
    """

    def __init__(
        self,
        path: Path,
        header: CaptureHeader,
        *,
        run: int = 1,
        earlier: Mapping[str, FileTally] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = path
        self.header = header
        self.ended = False
        self.samples = sum(tally.samples for tally in (earlier or {}).values())
        self._clock = clock
        self._run = run
        self._earlier = dict(earlier or {})
        self._pending: list[Samples] = []
        self._waiting = 0
        self._waiting_since = 0.0
        self._batches = 0
        self._sealed = False
        self._written_here = 0
        self._time_range_us: tuple[int, int] | None = None
        self._synced = clock()
        self._summary: FileIO | None = None
        # the first table of a process loads libraries for tenths of a second: not while a platen is armed
        to_message(Samples.empty(header.force, header.position, header.clock), header, run, 0)
        head = schema_of(header, run, header_text(header)).serialize().to_pybytes()
        with ExitStack() as opened:
            samples_path = path / f"samples-{run:04d}.arrow"
            self._file = opened.enter_context(samples_path.open("xb", buffering=0))
            recorder_lock.hold(self._file.fileno())
            self._events = opened.enter_context(open_lines(path / EVENTS_FILE))
            append_whole(self._file, head)
            self._opened = opened.pop_all()

    @classmethod
    def create(
        cls, parent: Path, header: CaptureHeader, *, clock: Callable[[], float] = time.monotonic
    ) -> Self:
        """Begin a capture in a new folder of `parent`.

        Raises CaptureError if the header holds what could not be read back. Raises RecorderError if the disk
        refuses.
        """
        text = header_text(header)
        try:
            path = _new_folder(parent, header)
        except OSError as refusal:
            raise _cannot_begin(parent, refusal) from refusal
        try:
            write_new(path / HEADER_FILE, text)
            write_new(path / RESERVE_FILE, os.urandom(RESERVE_BYTES))
            writer = cls(path, header, clock=clock)
            sync_folder(path)
            sync_folder(parent)
        except OSError as refusal:
            shutil.rmtree(path, ignore_errors=True)
            raise _cannot_begin(parent, refusal) from refusal
        writer.event("started")
        for warning in header.warnings:
            writer.event("warning", text=warning)
        return writer

    @classmethod
    def resume(cls, path: Path, *, reopen: bool = False, clock: Callable[[], float] = time.monotonic) -> Self:
        """Go on with a capture whose recorder was killed, in a new samples file.

        Parameters
        ----------
        reopen
            Go on with one that has ended properly too; its end is kept as `end-N.yaml`, N being its last
            samples file.

        Raises
        ------
        CaptureError
            If there is no readable capture, or it has ended properly and is not to be reopened.
        RecorderError
            If the disk refuses.
        """
        capture = open_capture(path)
        ended = capture.ending is not None or (path / END_FILE).exists()
        if ended and not reopen:
            raise CaptureError(f"{path}: has ended ({capture.how_it_ended}); record a new capture instead")
        earlier = {
            index.path.name: _tally(index.path, index.last_number, index.samples) for index in capture.files
        }
        run = capture.last_run + 1
        if run > LAST_RUN:
            last = f"samples-{capture.last_run}.arrow"
            raise CaptureError(f"{path}: {last} leaves no number for the next file; move it elsewhere")
        try:
            reserve = path / RESERVE_FILE
            reserve.unlink(missing_ok=True)
            write_new(reserve, os.urandom(RESERVE_BYTES))
            writer = cls(path, capture.header, run=run, earlier=earlier, clock=clock)
            if ended:
                (path / END_FILE).rename(path / f"end-{run - 1}.yaml")
            sync_folder(path)
        except OSError as refusal:
            raise _cannot_begin(path, refusal) from refusal
        writer.event("resumed", run=run, samples_before=writer.samples)
        return writer

    def append(self, samples: Samples) -> None:
        """Take samples, and write what fills a batch or has waited long enough.

        Raises RecorderError if the disk refuses; the capture is then ended, with all that was written before.
        Raises ValueError if the samples are not of the channels that the header declares.
        """
        self._must_be_open()
        self._must_fit(samples)
        if len(samples):
            self._waiting_since = self._waiting_since if self._waiting else self._clock()
            self._pending.append(samples)
            self._waiting += len(samples)
        if self._waiting >= BATCH_ROWS:
            with self._guarded():
                self._write_pending(self._waiting - self._waiting % BATCH_ROWS)
        self.tick()

    def tick(self) -> None:
        """Write and sync whatever is due."""
        self._must_be_open()
        now = self._clock()
        if self._waiting and now - self._waiting_since >= FLUSH_AFTER_S:
            self.flush()
        if now - self._synced >= SYNC_AFTER_S:
            with self._guarded():
                self._sync()
            # counted from its end: a slow disk has to write in between, too
            self._synced = self._clock()

    def flush(self) -> None:
        """Hand everything taken so far to the system, where a kill of this process cannot reach it."""
        self._must_be_open()
        with self._guarded():
            self._write_pending(self._waiting)

    def sync(self) -> None:
        """Hand everything taken so far to the disk itself, where a power cut cannot reach it."""
        self.flush()
        with self._guarded():
            self._sync()
        self._synced = self._clock()

    def event(self, kind: EventKind, **fields: Any) -> None:
        """Record that something happened, with the wall time of now."""
        self._must_be_open()
        with self._guarded():
            append_whole(self._events, event_line(kind, fields))

    def rows(self, rows: Iterable[Mapping[str, Any]]) -> None:
        """Record rows that were worked out of the samples; see `rig.capture.summary`."""
        self._must_be_open()
        lines = b"".join(row_line(row) for row in rows)
        with self._guarded():
            if self._summary is None:
                self._summary = self._opened.enter_context(open_lines(self.path / SUMMARY_FILE))
            append_whole(self._summary, lines)

    def end(self, reason: str, tallies: Mapping[str, Any] | None = None) -> None:
        """End the capture properly; a second call does nothing."""
        if self.ended:
            return
        self.flush()
        with self._guarded():
            self._finish(reason, tallies or {})
        self._close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.end("finished")
            return
        reason = "interrupted" if isinstance(error, KeyboardInterrupt) else f"error: {error!r:.500}"
        # The error under way is the one to be told; a disk that refuses too has said so in its end.
        with suppress(RecorderError):
            self.end(reason)

    def _write_pending(self, rows: int) -> None:
        """Write the first `rows` of what waits, in batches."""
        if not rows:
            return
        waiting = Samples.concatenate(self._pending)
        self._pending = [waiting]
        for first in range(0, rows, BATCH_ROWS):
            part = waiting[first : min(first + BATCH_ROWS, rows)]
            append_whole(self._file, to_message(part, self.header, self._run, self._batches + 1))
            self._batches += 1
            self.samples += len(part)
            self._written_here += len(part)
            self._waiting -= len(part)
            begun_us, last_us = int(part.time_us[0]), int(part.time_us[-1])
            self._time_range_us = (self._time_range_us[0] if self._time_range_us else begun_us, last_us)
            self._pending = [waiting[first + len(part) :]]
        self._waiting_since = self._clock()

    def _sync(self) -> None:
        # a file that was deleted or moved would go on taking samples that are lost
        if not os.path.samestat(Path(self._file.name).stat(), os.fstat(self._file.fileno())):
            raise FileNotFoundError(errno.ENOENT, "another file has its name", self._file.name)
        os.fsync(self._file.fileno())
        os.fsync(self._events.fileno())
        if self._summary is not None:
            os.fsync(self._summary.fileno())

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        """Turn a refusal of the disk into a proper end and an error in words."""
        try:
            yield
        except FileNotFoundError as gone:
            self._close()
            raise RecorderError(
                f"{self.path}: deleted or moved while it was recorded, after {self.samples} samples; record "
                "a new capture"
            ) from gone
        except OSError as refusal:
            full = refusal.errno in _DISK_FULL
            reason = "disk full" if full else f"disk failed: {refusal.strerror}"
            with suppress(OSError):
                self._finish(reason, {})
            self._close()
            what_to_do = "free some space" if full else "check the disk"
            raise RecorderError(
                f"{self.path}: {reason} after {self.samples} samples, {self._waiting} could not be written; "
                f"{what_to_do} and record a new capture"
            ) from refusal

    def _finish(self, reason: str, tallies: Mapping[str, Any]) -> None:
        (self.path / RESERVE_FILE).unlink(missing_ok=True)  # its room is for what follows
        # The disk may have refused further on in a first attempt.
        if not self._sealed:
            append_whole(self._file, END_OF_STREAM)
            self._sealed = True
        append_whole(self._events, event_line("ended", {"reason": reason, "samples": self.samples}))
        self._sync()
        own = _tally(Path(self._file.name), self._batches, self._written_here)
        names = (HEADER_FILE, EVENTS_FILE, SUMMARY_FILE)
        texts = {name: _tally(self.path / name) for name in names if (self.path / name).exists()}
        duration_s = None
        # Over several runs the device may have been reset, so that its times do not make one length.
        if self._time_range_us is not None and not self._earlier and self.header.clock != "none":
            begun_us, last_us = self._time_range_us
            duration_s = (last_us - begun_us) / 1e6
        ending = Ending(
            reason=reason,
            samples=self.samples,
            duration_s=duration_s,
            unwritten_samples=self._waiting,
            tallies=tallies,
            files=texts | self._earlier | {Path(self._file.name).name: own},
        )
        write_in_place(self.path / END_FILE, ending_text(ending))

    def _close(self) -> None:
        self.ended = True
        self._opened.close()

    def _must_fit(self, samples: Samples) -> None:
        pairs = (
            (samples.clock, self.header.clock),
            (samples.force_channel, self.header.force),
            (samples.position_channel, self.header.position),
            (samples.force.dtype, raw_type(self.header.force)),
            (samples.position.dtype, raw_type(self.header.position)),
        )
        for found, declared in pairs:
            if found != declared:
                raise ValueError(f"{self.path}: samples of {found}; the header declares {declared}")

    def _must_be_open(self) -> None:
        if self.ended:
            raise RecorderError(f"{self.path}: the capture has ended; record a new one")


def _tally(path: Path, batches: int = 0, samples: int = 0) -> FileTally:
    return FileTally(path.stat().st_size, file_checksum(path), batches, samples)


def _new_folder(parent: Path, header: CaptureHeader) -> Path:
    parent.mkdir(parents=True, exist_ok=True)
    specimen = file_names([header.specimen], "specimen")[header.specimen]
    name = f"{header.started.astimezone(UTC):%Y-%m-%dT%H%M%SZ}-{specimen}"
    for attempt in range(1, 1000):
        path = parent / (name if attempt == 1 else f"{name}_{attempt}")
        try:
            path.mkdir()
        except FileExistsError:
            continue
        return path
    raise FileExistsError(errno.EEXIST, f"a thousand captures named {name}", str(parent))


def _cannot_begin(path: Path, refusal: OSError) -> RecorderError:
    return RecorderError(
        f"{path}: no capture can be started here ({refusal.strerror}); choose another folder"
    )
