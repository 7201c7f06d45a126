"""Where the rows of cycles are kept, and how they are read again.

Problem: a hundred columns of eighty thousand cycles are some eighty megabytes, and a live analysis runs for
days. Plan: an analysis hands its blocks of columns to a store, and reads a table back from it, a column or
some rows at a time; what the store does with them is its own matter. In memory is the default; a command
may hand in one that writes to the disk; without any, blocks are only returned. Cost: one further pass over
the rows at the end, since half presses are distinguished from whole ones by the median of all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol, runtime_checkable

import numpy as np

from rig.analyser.strokes import Columns
from rig.samples import FloatArray

ColumnTable = Mapping[str, FloatArray]
"""Columns by name, of equal length; one that is not in memory is read when it is asked for."""


class RowStore(Protocol):
    """Keeps blocks of columns; every block has the same names in the same order."""

    def add(self, block: Columns) -> None:
        """Take the next rows. The block does not change afterwards."""

    def table(self) -> ColumnTable:
        """Return all rows so far; without any, a table without columns."""


@runtime_checkable
class ReadInParts(Protocol):
    """A table that reads some rows without reading whole columns."""

    def part(self, rows: slice) -> Columns:
        """Return some rows of all columns."""


class RowsInMemory:
    """Blocks kept in memory, the default store.

    Examples
    --------
    >>> store = RowsInMemory()
    >>> store.add({"cycle": np.array([1.0, 2.0])})
    >>> store.add({"cycle": np.array([3.0])})
    >>> store.table()["cycle"].tolist()
    [1.0, 2.0, 3.0]
    """

    def __init__(self) -> None:
        self._blocks: list[Columns] = []

    def add(self, block: Columns) -> None:
        """Take the next rows."""
        self._blocks.append(block)

    def table(self) -> Columns:
        """Return all rows in one block, which then takes the place of the others."""
        if not self._blocks:
            return {}
        self._blocks = [joined(self._blocks)]
        return self._blocks[0]


class FlaggedTable(ColumnTable):
    """A table whose flags were decided after its rows had been stored.

    Parameters
    ----------
    table
        As it is stored.
    flags
        Of every cycle, shape (n,).
    """

    def __init__(self, table: ColumnTable, flags: FloatArray) -> None:
        self._table, self._flags = table, flags

    def __getitem__(self, name: str) -> FloatArray:
        return self._flags if name == "flags" else self._table[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._table)

    def __len__(self) -> int:
        return len(self._table)

    def __contains__(self, name: object) -> bool:
        # the one of Mapping would read the column
        return name in tuple(self._table)

    def part(self, rows: slice) -> Columns:
        """Return some rows of all columns."""
        return part_of(self._table, rows) | {"flags": self._flags[rows]}


def joined(blocks: Sequence[Columns]) -> Columns:
    """Return the blocks of the same columns as one; at least one block."""
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


def part_of(table: ColumnTable, rows: slice) -> Columns:
    """Return some rows of all columns of a table."""
    if isinstance(table, ReadInParts):
        return table.part(rows)
    return {name: values[rows] for name, values in table.items()}
