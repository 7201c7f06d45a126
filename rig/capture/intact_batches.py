"""Find every intact batch of a samples file, whatever happened to the rest of it.

The problem: a stretch anywhere may be zeroed, overwritten or cut out, the schema at the head included,
and lengths found in a damaged file lead anywhere. The plan: search for the capture's id, look back from
it for a message start, read that one message with the schema known from the header, check its CRC. What
lies between two intact batches is damage. Nothing is trusted but the search, so an undamaged file takes
the same way. The cost: one pass over the file through a window of a few MiB.
"""

from __future__ import annotations

import io
import struct
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa

from rig.capture.batches import END_OF_STREAM, Batch, from_message
from rig.capture.ending import FileTally
from rig.capture.header import CaptureHeader
from rig.core import open_file
from rig.errors import CaptureError
from rig.samples import IntArray

LARGEST_MESSAGE = 1 << 20
"""Bytes; a batch is a seventh of it, and the schema with its copy of the header at most half."""

_LARGEST_MARK = 1 << 12
_WINDOW = 4 << 20
_CONTINUATION = b"\xff\xff\xff\xff"


@dataclass(frozen=True, slots=True)
class Damage:
    """A part of a capture that cannot be read: which file, where in it, and what was lost."""

    file: str
    offset: int
    length: int
    lost: str

    def __str__(self) -> str:
        return f"{self.file}, byte {self.offset}, {self.length} bytes: {self.lost}"


@dataclass(frozen=True, slots=True)
class FileIndex:
    """Where the intact batches of one samples file are, in order of their numbers."""

    path: Path
    run: int
    offsets: IntArray
    last_number: int
    samples: int
    damage: tuple[Damage, ...]


def index_file(path: Path, header: CaptureHeader, run: int, expected: FileTally | None = None) -> FileIndex:
    """Find the intact batches of a samples file.

    Raises CaptureError if the file cannot be opened or the disk refuses to read it.

    `path`, `header`, `run`: the file, the header that says its id and channels, and the run in the file's
    name.
    `expected`: what it held at the proper end of the capture; None if the recorder was killed.
    """
    numbers, starts, lengths, samples = array("q"), array("q"), array("q"), array("q")
    try:
        with open_file(path) as file:
            window = _Window(file)
            head = _schema_length(window)
            for start, length, batch in _intact(window, header, run):
                numbers.append(batch.number)
                starts.append(start)
                lengths.append(length)
                samples.append(len(batch.samples))
            # A batch found twice is one batch.
            number, kept = np.unique(np.asarray(numbers, np.int64), return_index=True)
            offset = np.asarray(starts, np.int64)[kept]
            end = offset + np.asarray(lengths, np.int64)[kept]
            damage = _gaps(path.name, number, offset, end, head)
            damage += _tail(path.name, window, int(end.max(initial=head)), number, expected)
    except OSError as refusal:
        raise CaptureError(f"{path}: cannot be read ({refusal.strerror}); check the disk") from refusal
    count = int(np.asarray(samples, np.int64)[kept].sum())
    return FileIndex(path, run, offset, int(number.max(initial=0)), count, tuple(damage))


def read_batches(index: FileIndex, header: CaptureHeader) -> Iterator[Batch]:
    """Read the batches of an index one by one, in order of their numbers.

    Raises CaptureError if the file is no longer what it was when it was indexed.
    """
    try:
        with open_file(index.path) as file:
            window = _Window(file)
            for offset in index.offsets:
                found = _message_at(window, int(offset), header, index.run)
                if found is None:
                    raise CaptureError(
                        f"{index.path}, byte {offset}: changed while being read; open it again"
                    )
                yield found[1]
    except OSError as refusal:
        raise CaptureError(f"{index.path}: cannot be read ({refusal.strerror})") from refusal


def header_copy(path: Path) -> bytes | None:
    """Return the copy of the header in a samples file's schema, or None if that is damaged too."""
    try:
        with open_file(path) as file:
            schema = pa.ipc.read_schema(pa.py_buffer(file.read(LARGEST_MESSAGE)))
        copy: bytes | None = (schema.metadata or {}).get(b"header")
    except Exception:
        return None
    return copy


class _Window:
    """A file read through one buffer, so that its size never matters."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._start = 0
        self._data = b""
        self.size = file.seek(0, io.SEEK_END)

    def at(self, offset: int, length: int) -> memoryview:
        """Return the bytes from `offset` on, at most `length`, fewer at the end of the file."""
        length = min(length, self.size - offset)
        if offset < self._start or offset + length > self._start + len(self._data):
            self._load(offset, length)
        begin = offset - self._start
        return memoryview(self._data)[begin : begin + length]

    def find(self, mark: bytes, offset: int) -> int:
        """Return the offset of the next `mark` at or after `offset`, or -1."""
        while offset + len(mark) <= self.size:
            if not self._start <= offset <= self._start + len(self._data) - len(mark):
                self._load(offset, _WINDOW)
                if len(self._data) < len(mark):
                    return -1
            hit = self._data.find(mark, offset - self._start)
            if hit >= 0:
                return self._start + hit
            # A mark may lie across the edge of the window.
            offset = self._start + len(self._data) - len(mark) + 1
        return -1

    def _load(self, offset: int, length: int) -> None:
        self._file.seek(offset)
        self._start, self._data = offset, self._file.read(max(length, _WINDOW))


def _intact(window: _Window, header: CaptureHeader, run: int) -> Iterator[tuple[int, int, Batch]]:
    # The id stands in the metadata of a message, behind its start; a hit that belongs to no intact message
    # (the schema's, a damaged batch's) is passed, and the search goes on one byte further.
    mark = header.id.encode()
    offset = 0
    while (hit := window.find(mark, offset)) >= 0:
        offset = hit + 1
        for start in _starts_before(window, hit):
            found = _message_at(window, start, header, run)
            if found is not None:
                yield start, *found
                offset = start + found[0]
                break


def _starts_before(window: _Window, hit: int) -> list[int]:
    """Return the possible message starts whose metadata would cover the mark at `hit`."""
    first = max(0, hit - _LARGEST_MARK)
    before = bytes(window.at(first, hit - first))
    # A message begins with the continuation mark and the length of its metadata (Arrow IPC, encapsulated
    # messages), which must reach from there past the hit.
    starts = []
    place = before.find(_CONTINUATION)
    while 0 <= place <= len(before) - 8:
        (length,) = struct.unpack_from("<I", before, place + 4)
        if hit - first - place < 8 + length <= _LARGEST_MARK:
            starts.append(first + place)
        place = before.find(_CONTINUATION, place + 1)
    return starts


def _message_at(window: _Window, start: int, header: CaptureHeader, run: int) -> tuple[int, Batch] | None:
    """Return the length and batch of the message at `start`, if it is an intact one of this run."""
    bounded = pa.BufferReader(window.at(start, LARGEST_MESSAGE))
    try:
        pa.ipc.read_message(bounded)
    except Exception:
        return None
    length = bounded.tell()
    batch = from_message(window.at(start, length), header, run)
    return None if batch is None else (length, batch)


def _schema_length(window: _Window) -> int:
    """Return the bytes that an intact schema message takes at the head; 0 if it is damaged."""
    head = pa.BufferReader(window.at(0, LARGEST_MESSAGE))
    try:
        pa.ipc.read_schema(head)
    except Exception:
        return 0
    return int(head.tell())


def _gaps(name: str, number: IntArray, start: IntArray, end: IntArray, head: int) -> list[Damage]:
    """Return the damage before each batch: numbers that are missing, and bytes that belong to nothing."""
    last = np.concatenate(([0], number[:-1]))
    before = np.concatenate(([head], end[:-1]))
    damage = []
    for place in np.flatnonzero((number != last + 1) | (start != before)):
        if number[place] > last[place] + 1:
            lost = _batches(int(last[place]) + 1, int(number[place]) - 1)
        else:
            lost = "the description at the head; no samples" if before[place] == 0 else "no samples"
        length = max(0, int(start[place] - before[place]))
        damage.append(Damage(name, int(before[place]), length, lost))
    return damage


def _tail(name: str, window: _Window, end: int, number: IntArray, expected: FileTally | None) -> list[Damage]:
    """Return the damage after the last batch: a proper end has its mark there, a killed recorder nothing."""
    last = int(number.max(initial=0))
    rest = window.size - end
    if expected is not None and last < expected.batches:
        return [Damage(name, end, rest, _batches(last + 1, expected.batches))]
    killed = expected is None or expected.bytes == window.size
    if bytes(window.at(end, len(END_OF_STREAM) + 1)) == END_OF_STREAM or (killed and rest == 0):
        return []
    lost = "an unfinished batch at the end" if killed else "the mark at the end; no samples"
    return [Damage(name, end, rest, lost)]


def _batches(first: int, last: int) -> str:
    return f"batch {first}" if first == last else f"batches {first} to {last}"
