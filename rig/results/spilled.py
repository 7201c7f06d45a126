"""Rows of a long analysis on disk, for as long as a command needs them.

Problem: a command that writes tables of eighty thousand cycles must not hold them. Plan: each block of
columns is appended to one temporary file, column behind column; a column, or some rows of all, are read
back with a few seeks, into memory of their own (a mapped file would count as the process's). A short table
never reaches the disk. The file has no name and goes with the process. Cost: eight bytes for each number.
"""

from __future__ import annotations

import tempfile
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Self

import numpy as np

from rig.analyser import Columns, ColumnTable
from rig.errors import RecorderError
from rig.samples import FloatArray

NUMBER_BYTES = 8

IN_MEMORY_BYTES = 1 << 20
"""A table of no more bytes, some thousand cycles, is not worth a file."""


class SpilledRows(ColumnTable):
    """A store of rows, and their table. A context manager; nothing is read after it is left.

    Raises RecorderError by `add`, if the folder for temporary files is full or cannot be written.
    """

    def __init__(self) -> None:
        self._file = tempfile.SpooledTemporaryFile(IN_MEMORY_BYTES, prefix="pressrig-")  # noqa: SIM115  # closed by leaving
        self._names: list[str] = []
        self._starts: list[int] = []
        self._begins = [0]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ending: object) -> None:
        self._file.close()

    def add(self, block: Columns) -> None:
        """Append the next rows."""
        self._names = self._names or list(block)
        with _said_in_words():
            start = self._file.seek(0, 2)
            for name in self._names:
                self._file.write(np.ascontiguousarray(block[name], np.float64).tobytes())
        self._starts.append(start)
        self._begins.append(self._begins[-1] + len(block[self._names[0]]))

    def table(self) -> ColumnTable:
        """Return all rows so far."""
        return self

    def __getitem__(self, name: str) -> FloatArray:
        if name not in self._names:
            raise KeyError(name)
        column = np.empty(self._begins[-1])
        rank = self._names.index(name)
        for block in range(len(self._starts)):
            begin, end = self._begins[block : block + 2]
            column[begin:end] = self._read(block, rank, 1)
        return column

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        # the one of Mapping would read the column
        return name in self._names

    def part(self, rows: slice) -> Columns:
        """Return some consecutive rows of all columns."""
        first, last, _ = rows.indices(self._begins[-1])
        table = np.empty((len(self._names), max(last - first, 0)))
        block = bisect_right(self._begins, first) - 1
        while block < len(self._starts) and self._begins[block] < last:
            begin, end = self._begins[block : block + 2]
            low, high = max(first, begin), min(last, end)
            # a block at once: a read for each of its columns costs more than the rows that are left out
            whole = self._read(block, 0, len(self._names)).reshape(len(self._names), -1)
            table[:, low - first : high - first] = whole[:, low - begin : high - begin]
            block += 1
        return dict(zip(self._names, table, strict=True))

    def _read(self, block: int, rank: int, columns: int) -> FloatArray:
        """Return some columns of a block, end to end."""
        column_bytes = NUMBER_BYTES * (self._begins[block + 1] - self._begins[block])
        with _said_in_words():
            self._file.seek(self._starts[block] + rank * column_bytes)
            data = self._file.read(columns * column_bytes)
        return np.frombuffer(data, np.float64)


@contextmanager
def _said_in_words() -> Iterator[None]:
    try:
        yield
    except OSError as refusal:
        raise RecorderError(
            f"{tempfile.gettempdir()}: the temporary table of cycles cannot be kept "
            f"({refusal.strerror or refusal}); set TMPDIR to a folder with room"
        ) from refusal
