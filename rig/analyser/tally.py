"""Running sums over cycles: what a summary and its warnings need, whatever the number of cycles.

Plan: counts, means and sums of squares of each block are merged with those before it, so that nothing
depends on all values being at hand. Cost: a few operations on each number, in tables of some megabytes.

Reference: T. F. Chan, G. H. Golub and R. J. LeVeque, Algorithms for computing the sample variance, The
American Statistician 37, 1983 (merging of means and sums of squares).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rig.analyser.strokes import Columns
from rig.samples import FloatArray, IntArray
from rig.segmenter import Flag

TABLE_ROWS = 4096
"""Cycles worked on together: the table of all measured columns then takes some megabytes."""

NAMED_CYCLES = 6
"""Of each flag so many cycles are named."""


@dataclass(slots=True)
class FlagTally:
    """How many cycles bear a flag, and the numbers of the first."""

    count: int = 0
    first: list[int] = field(default_factory=list)


@dataclass(slots=True)
class Tally:
    """Takes blocks of columns in order.

    Parameters
    ----------
    conditioning
        First cycles that are left out of means.

    Attributes
    ----------
    cycles, good
        Cycles seen, and those that count.
    first_flags
        Flags of the first cycle.
    flagged
        By flag.
    knee_resolved
        Whether any cycle has samples enough for a knee.
    """

    conditioning: int
    cycles: int = 0
    good: int = 0
    first_flags: int = 0
    knee_resolved: bool = False
    flagged: dict[Flag, FlagTally] = field(default_factory=dict)
    _names: list[str] = field(default_factory=list)
    _missing: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))
    _n: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))
    _mean: FloatArray = field(default_factory=lambda: np.zeros(0))
    _squares: FloatArray = field(default_factory=lambda: np.zeros(0))

    def take(self, block: Columns) -> None:
        """Take the next block: columns of equal length, each measured one with its "_u" beside it."""
        rows = len(block["cycle"])
        if not self.cycles:
            self._names = [name for name in block if f"{name}_u" in block]
            self._missing, self._n = (np.zeros(len(self._names), np.int64) for _ in range(2))
            self._mean, self._squares = (np.zeros(len(self._names)) for _ in range(2))
            self.first_flags = int(block["flags"][0]) if rows else 0
        self._take_flags(block)
        self.knee_resolved = self.knee_resolved or bool(block["knee_resolved"].any())
        counts = (block["flags"] == 0) & (block["cycle"] > self.conditioning)
        self.cycles += rows
        self.good += int(counts.sum())
        for start in range(0, rows, TABLE_ROWS):
            part = slice(start, start + TABLE_ROWS)
            self._merge(np.stack([block[name][part] for name in self._names]), counts[part])

    def _take_flags(self, block: Columns) -> None:
        flags = block["flags"].astype(np.int64)
        if not flags.any():
            return
        for flag in Flag:
            numbers = block["cycle"][(flags & flag) != 0]
            if len(numbers):
                seen = self.flagged.setdefault(flag, FlagTally())
                seen.count += len(numbers)
                seen.first += numbers[: NAMED_CYCLES - len(seen.first)].astype(int).tolist()

    def _merge(self, table: FloatArray, counts: np.ndarray[Any, np.dtype[np.bool_]]) -> None:
        """Merge a table of shape (columns, rows)."""
        self._missing += np.isnan(table).sum(axis=1)
        known = np.isfinite(table) & counts
        n = known.sum(axis=1)
        mean = np.where(known, table, 0.0).sum(axis=1) / np.maximum(n, 1)
        squares = np.where(known, table - mean[:, None], 0.0)
        squares = (squares * squares).sum(axis=1)
        total = self._n + n
        step = mean - self._mean
        share = n / np.maximum(total, 1)
        self._squares += squares + step * step * self._n * share
        self._mean += step * share
        self._n = total

    def always_missing(self, name: str) -> bool:
        """Whether no cycle has the quantity."""
        return int(self._missing[self._names.index(name)]) == self.cycles

    def ever_missing(self, name: str) -> bool:
        """Whether a cycle lacks the quantity."""
        return int(self._missing[self._names.index(name)]) > 0

    def summary(self) -> dict[str, dict[str, float | int]]:
        """Mean, standard deviation and number over the cycles that count, by quantity."""
        summary: dict[str, dict[str, float | int]] = {}
        columns = (each.tolist() for each in (self._n, self._mean, self._squares))
        for name, n, mean, squares in zip(self._names, *columns, strict=True):
            sd = (squares / (n - 1)) ** 0.5 if n > 1 else np.nan
            summary[name] = {"mean": mean if n else np.nan, "sd": sd, "n": n}
        return summary
