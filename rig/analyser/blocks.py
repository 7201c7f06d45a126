"""Cut stretches of samples into blocks, and average over each in one pass.

A stretch of few samples keeps every one. A stroke has finer blocks near its turn, where a platen brakes, a
force relaxes and the tangent is read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.samples import FloatArray, IntArray

COARSE_BLOCKS = 80
FINE_BLOCKS = 32
MOST_BLOCKS = COARSE_BLOCKS + FINE_BLOCKS
FINE_SHARE = 0.12
SPARSE_SHARE = 0.25
SMALLEST_FINE = 3
"""This share of a stroke's samples, next to its turn, is cut into the fine blocks, each of which averages
a few."""


PAUSED = 0.05
"""A stroke in which a single block holds this share of the travel, of some hundred, was paused on the way."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Blocks of samples, a row for each stretch.

    Parameters
    ----------
    start, stop
        Half-open sample ranges, shape (rows, longest), rising along each row; padding repeats the last block.
    lengths
        Blocks in each row, shape (rows,).
    """

    start: IntArray
    stop: IntArray
    lengths: IntArray

    @property
    def count(self) -> FloatArray:
        """Samples in each block; 0 in padding."""
        real = np.arange(self.start.shape[1]) < self.lengths[:, None]
        return np.where(real, self.stop - self.start, 0).astype(np.float64)

    @property
    def middle(self) -> FloatArray:
        """Middle sample number of each block."""
        return (self.start + self.stop - 1) / 2


def even_blocks(first: IntArray, last: IntArray, most: int) -> Blocks:
    """At most `most` blocks of even size in each stretch from `first` to `last` (inclusive)."""
    length = np.maximum(last - first + 1, 1)
    size = -(-length // most)
    lengths = -(-length // size)
    column = np.minimum(np.arange(int(lengths.max())), (lengths - 1)[:, None])
    start = column * size[:, None]
    stop = np.minimum(start + size[:, None], length[:, None])
    return Blocks(first[:, None] + start, first[:, None] + stop, lengths)


def stroke_blocks(x_mm: FloatArray, first: IntArray, last: IntArray, *, turn_last: bool) -> Blocks:
    """Return the blocks of strokes from `first` to `last` (inclusive), fine near the turn; where the platen
    paused on its way, half of the blocks are spread over the travel.

    Parameters
    ----------
    x_mm
        Positions of all samples.
    turn_last
        Whether the turn is at the end of the stroke (loading) or at its start (unloading).
    """
    length = np.maximum(last - first + 1, 1)
    whole = length <= MOST_BLOCKS
    fine = np.where(whole, 0, np.ceil(FINE_SHARE * length).astype(np.int64))
    coarse = length - fine
    coarse_size = np.where(whole, 1, -(-coarse // COARSE_BLOCKS))
    fine_size = np.maximum(-(-fine // FINE_BLOCKS), SMALLEST_FINE)
    coarse_count, fine_count = -(-coarse // coarse_size), -(-fine // fine_size)
    lengths = coarse_count + fine_count
    column = np.minimum(np.arange(int(lengths.max())), (lengths - 1)[:, None])
    if turn_last:
        parts = (coarse, coarse_size, coarse_count, fine_size)
    else:
        parts = (fine, fine_size, fine_count, coarse_size)
    border, early_size, early_count, late_size = (part[:, None] for part in parts)
    early = column < early_count
    start = np.where(early, column * early_size, border + (column - early_count) * late_size)
    stop = np.minimum(
        start + np.where(early, early_size, late_size), np.where(early, border, length[:, None])
    )
    return _over_pauses(Blocks(first[:, None] + start, first[:, None] + stop, lengths), x_mm)


def _over_pauses(blocks: Blocks, x_mm: FloatArray) -> Blocks:
    """Return the blocks of strokes in some of which the platen passed much of its way within a few
    blocks."""
    way_mm = np.abs(x_mm[blocks.stop - 1] - x_mm[blocks.start])
    long = blocks.lengths >= FINE_BLOCKS
    leaps = way_mm.max(axis=1) > PAUSED * np.abs(x_mm[blocks.stop[:, -1] - 1] - x_mm[blocks.start[:, 0]])
    averaged = (blocks.stop - blocks.start).max(axis=1) > 1
    for row in np.flatnonzero(long & leaps & averaged).tolist():
        count, begin, end = int(blocks.lengths[row]), int(blocks.start[row, 0]), int(blocks.stop[row, -1])
        # noise of a platen that stands is no travel
        side = 1.0 if x_mm[end - 1] >= x_mm[begin] else -1.0
        gone_mm = np.maximum.accumulate(side * x_mm[begin:end])
        measure = (gone_mm - gone_mm[0]) / (gone_mm[-1] - gone_mm[0]) + np.linspace(0, 1, end - begin)
        edges = begin + np.searchsorted(measure, np.linspace(0, 2, count + 1)[1:-1])
        edges = np.unique(np.concatenate([[begin], edges, [end]]))
        blocks.lengths[row] = len(edges) - 1
        blocks.start[row], blocks.stop[row] = edges[-2], end
        blocks.start[row, : len(edges) - 1], blocks.stop[row, : len(edges) - 1] = edges[:-1], edges[1:]
    return blocks


def block_means(columns: list[FloatArray], blocks: Blocks) -> list[FloatArray]:
    """Return the means of arrays of samples over blocks, one table of shape (rows, longest) for each
    array."""
    size = blocks.stop - blocks.start
    if int(size.max()) == 1:
        return [column[blocks.start] for column in columns]
    # a closing edge behind each row keeps the samples between strokes out of its last block
    real = np.arange(blocks.start.shape[1]) < blocks.lengths[:, None]
    rows = np.arange(len(blocks.lengths))
    closing = blocks.stop[rows, blocks.lengths - 1]
    edges = np.concatenate([np.where(real, blocks.start, -1), closing[:, None]], axis=1).ravel()
    edges = edges[edges >= 0]
    row_starts = np.cumsum(blocks.lengths + 1) - (blocks.lengths + 1)
    column = np.minimum(np.arange(blocks.start.shape[1]), (blocks.lengths - 1)[:, None])
    pick = row_starts[:, None] + column
    first, last = blocks.start[:, 0], closing
    covered = int((last - first).sum())
    if covered < SPARSE_SHARE * (int(edges.max()) - int(edges.min())):
        # short windows far apart: what lies between them need not be summed
        offset = np.cumsum(last - first + 1) - (last - first + 1)
        taken = np.arange(covered + len(first)) - np.repeat(offset - first, last - first + 1)
        edges = edges + np.repeat(offset - first, blocks.lengths + 1)
        columns = [values[np.minimum(taken, len(values) - 1)] for values in columns]
    tables = []
    last_edge = int(edges.max())  # rows may come in any order
    for values in columns:
        padded = values if last_edge < len(values) else np.append(values, 0.0)
        tables.append(np.add.reduceat(padded, edges)[pick] / size)
    return tables
