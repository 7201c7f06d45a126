"""Running sums over cycles: what a summary and its warnings need, whatever the number of cycles.

Plan: counts, means and sums of squares of each block are merged with those before it, so that nothing
depends on all values being at hand. Cost: a few operations on each number, in tables of some megabytes.

Reference: T. F. Chan, G. H. Golub and R. J. LeVeque, Algorithms for computing the sample variance, The
American Statistician 37, 1983 (merging of means and sums of squares).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy

from rig.analyser.propagation import CALIBRATION_PART, FREEDOM
from rig.analyser.ragged import BoolArray
from rig.analyser.spoiling import spoilt
from rig.analyser.strokes import Columns
from rig.core.measured import coverage_factor, effective_freedom
from rig.samples import FloatArray, IntArray
from rig.segmenter import Flag

TABLE_ROWS = 4096
"""Cycles worked on together: the table of all measured columns then takes some megabytes."""

FEWEST_FOR_TREND = 4
"""Cycles; a line through three fits almost anything."""

TREND_CHANCE = 0.01
TREND_SHARE = 0.5
"""Of the squares of the scatter that a trend explains at the least."""

NAMED_CYCLES = 6
"""Of each flag this many cycles are named."""


TREND = ("trend_per_decade", "trend_per_decade_u", "last", "last_u")
"""Keys of a summary's entry that are there only where the quantity goes on changing."""


@dataclass(slots=True)
class FlagTally:
    """How many cycles bear a flag, and the numbers of the first."""

    count: int = 0
    first: list[int] = field(default_factory=list)


class RunningMeans:
    """Number, mean and spread of the known values of many columns, block by block."""

    def __init__(self, columns: int) -> None:
        self.n: IntArray = np.zeros(columns, np.int64)
        self.mean: FloatArray = np.zeros(columns)
        self._squares: FloatArray = np.zeros(columns)

    def take(self, table: FloatArray, counts: BoolArray) -> None:
        """Merge a table of shape (columns, rows), of which some values count, by a mask of that shape."""
        known = np.isfinite(table) & counts
        n = known.sum(axis=1)
        mean = np.where(known, table, 0.0).sum(axis=1) / np.maximum(n, 1)
        squares = np.where(known, table - mean[:, None], 0.0)
        squares = (squares * squares).sum(axis=1)
        total = self.n + n
        step = mean - self.mean
        share = n / np.maximum(total, 1)
        self._squares += squares + step * step * self.n * share
        self.mean += step * share
        self.n = total

    @property
    def variance(self) -> FloatArray:
        """Of single values, shape (columns,); not-a-number below two."""
        return np.where(self.n > 1, self._squares / np.maximum(self.n - 1, 1), np.nan)


class RunningTrend:
    """Straight line of many columns over the logarithm of the cycle number, block by block, and their last
    values."""

    def __init__(self, columns: int) -> None:
        self._n: IntArray = np.zeros(columns, np.int64)
        self._x, self._y, self._xx, self._xy, self._yy = (np.zeros(columns) for _ in range(5))
        self.last: FloatArray = np.full(columns, np.nan)
        self.last_u: FloatArray = np.full(columns, np.nan)

    def take(self, cycle: FloatArray, table: FloatArray, table_u: FloatArray, counts: BoolArray) -> None:
        """Merge a table of shape (columns, rows) with its uncertainties, of which some values count."""
        known = np.isfinite(table) & counts
        n = known.sum(axis=1)
        log10 = np.log10(np.maximum(cycle, 1.0))
        x, y = (
            np.where(known, values, 0.0).sum(axis=1) / np.maximum(n, 1) for values in (log10[None, :], table)
        )
        dx, dy = (
            np.where(known, values, 0.0) for values in (log10[None, :] - x[:, None], table - y[:, None])
        )
        total = self._n + n
        weight = self._n * n / np.maximum(total, 1)
        step_x, step_y, share = x - self._x, y - self._y, n / np.maximum(total, 1)
        self._xx += (dx * dx).sum(axis=1) + step_x * step_x * weight
        self._xy += (dx * dy).sum(axis=1) + step_x * step_y * weight
        self._yy += (dy * dy).sum(axis=1) + step_y * step_y * weight
        self._x += step_x * share
        self._y += step_y * share
        self._n = total
        rows = np.flatnonzero(n)
        at = table.shape[1] - 1 - np.argmax(known[rows, ::-1], axis=1)
        self.last[rows], self.last_u[rows] = table[rows, at], table_u[rows, at]

    def slopes(self) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Return the change per tenfold number of cycles, its standard uncertainty, and which are trends.

        Notes
        -----
        A trend is a slope that chance gives in less than one of a hundred recordings and that explains most
        of the scatter; a mean over it says little of any cycle.
        """
        freedom = np.maximum(self._n - 2, 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = self._xy / self._xx
            left = np.maximum(self._yy - slope * self._xy, 0.0) / freedom
            slope_u = np.sqrt(left / self._xx)
            explained = self._xy**2 / (self._xx * self._yy)
        sure = np.abs(slope) > scipy.special.stdtrit(freedom, 1 - TREND_CHANCE / 2) * slope_u
        trends: BoolArray = (self._n >= FEWEST_FOR_TREND) & sure & (explained > TREND_SHARE)
        return slope, slope_u, trends


@dataclass(slots=True)
class ColumnTally:
    """Takes blocks of columns in order.

    Parameters
    ----------
    conditioning
        First cycles that are left out of means.

    Attributes
    ----------
    cycles, good
        Cycles seen, and those that count with all their quantities.
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
    _values: RunningMeans = field(default_factory=lambda: RunningMeans(0))
    _trend: RunningTrend = field(default_factory=lambda: RunningTrend(0))
    _read_u2: RunningMeans = field(default_factory=lambda: RunningMeans(0))
    _calibration_u: RunningMeans = field(default_factory=lambda: RunningMeans(0))
    _calibration_u4: RunningMeans = field(default_factory=lambda: RunningMeans(0))

    def take(self, block: Columns) -> None:
        """Take the next block: columns of equal length, each measured one with its "_u" beside it."""
        rows = len(block["cycle"])
        if not self.cycles:
            self._begin(block)
        self._take_flags(block)
        self.knee_resolved = self.knee_resolved or bool(block["knee_resolved"].any())
        conditioned = block["cycle"] > self.conditioning
        self.cycles += rows
        self.good += int(((block["flags"] == 0) & conditioned).sum())
        for start in range(0, rows, TABLE_ROWS):
            part = slice(start, start + TABLE_ROWS)
            self._merge({name: values[part] for name, values in block.items()}, conditioned[part])

    def _begin(self, block: Columns) -> None:
        self._names = [name for name in block if f"{name}_u" in block]
        count = len(self._names)
        self._missing = np.zeros(count, np.int64)
        self._values, self._read_u2, self._calibration_u, self._calibration_u4 = (
            RunningMeans(count) for _ in range(4)
        )
        self._trend = RunningTrend(count)
        self.first_flags = int(block["flags"][0]) if len(block["flags"]) else 0

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

    def _merge(self, block: Columns, conditioned: BoolArray) -> None:
        values = np.stack([block[name] for name in self._names])
        # each quantity counts its own cycles: a flag leaves out what it spoils
        counts = conditioned & ~spoilt(block["flags"], self._names)
        self._missing += np.isnan(values).sum(axis=1)
        self._values.take(values, counts)
        u = np.stack([block[f"{name}_u"] for name in self._names])
        self._trend.take(block["cycle"], values, u, counts)
        u2 = u * u
        calibrated = f"{self._names[0]}{CALIBRATION_PART}" in block
        if calibrated:
            # ratios of forces, such as what is left after a minute, have no part of it
            none, unlimited = np.zeros(values.shape[1]), np.full(values.shape[1], np.inf)
            part_u = np.stack([block.get(f"{name}{CALIBRATION_PART}", none) for name in self._names])
            freedom = np.stack([block.get(f"{name}{FREEDOM}", unlimited) for name in self._names])
            self._calibration_u.take(part_u, counts)
            # by Welch and Satterthwaite only the calibration's part has few degrees of freedom
            self._calibration_u4.take(u2 * u2 / freedom, counts)
            u2 = np.maximum(u2 - part_u * part_u, 0.0)
        self._read_u2.take(u2, counts)

    def always_missing(self, name: str) -> bool:
        """Return whether no cycle has the quantity."""
        return int(self._missing[self._names.index(name)]) == self.cycles

    def ever_missing(self, name: str) -> bool:
        """Return whether a cycle lacks the quantity."""
        return int(self._missing[self._names.index(name)]) > 0

    def summary(self) -> dict[str, dict[str, float | int]]:
        """Return the mean, standard deviation and number over the cycles that count, by quantity.

        Beside them the standard uncertainty of the mean, `u`, and the half width of its 95 % interval,
        `half95`. Scatter from cycle to cycle makes the mean better with their number; what the calibration
        leaves is the same in all, and stays. Where a quantity goes on changing with the number of cycles,
        `trend_per_decade` and the `last` counted cycle stand beside the mean, each with its `_u`: the last
        cycle is the one to quote then.
        """
        if not self._names:
            return {}
        n, variance = self._values.n, self._values.variance
        number = np.maximum(n, 1)
        # a scatter that came out below what one reading is worth is luck
        read_u2 = np.where(self._read_u2.n > 0, self._read_u2.mean, np.nan)
        scattered = np.nan_to_num(variance, nan=-1.0) >= np.nan_to_num(read_u2)
        mean_u2 = np.where(scattered, variance, read_u2) / number
        part_u2 = self._calibration_u.mean**2
        u2 = mean_u2 + part_u2
        with np.errstate(divide="ignore", invalid="ignore"):
            fourth = np.where(scattered, mean_u2**2 / np.maximum(n - 1, 1), 0.0) + self._calibration_u4.mean
        half95 = coverage_factor(effective_freedom(u2, fourth)) * np.sqrt(u2)
        summary: dict[str, dict[str, float | int]] = {}
        columns = (each.tolist() for each in (n, self._values.mean, np.sqrt(variance), np.sqrt(u2), half95))
        for name, count, mean, sd, u, half in zip(self._names, *columns, strict=True):
            known = (mean, sd, u, half) if count else (np.nan,) * 4
            summary[name] = dict(zip(("mean", "sd", "u", "half95"), known, strict=True)) | {"n": count}
        slope, slope_u, trends = self._trend.slopes()
        for at in np.flatnonzero(trends):
            numbers = (slope[at], slope_u[at], self._trend.last[at], self._trend.last_u[at])
            summary[self._names[at]] |= dict(zip(TREND, map(float, numbers), strict=True))
        return summary
