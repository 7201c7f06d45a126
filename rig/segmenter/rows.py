"""Stretches of unequal length as dense tables, so that running extremes of many need no loop over them."""

from __future__ import annotations

import numpy as np

from rig.samples import IntArray


def padded_rows(starts: IntArray, ends: IntArray) -> list[tuple[IntArray, IntArray]]:
    """Sample numbers of stretches, one table for each power of two of length.

    Parameters
    ----------
    starts, ends
        Half-open ranges, shape (m,); each holds a sample at least.

    Returns
    -------
    Pairs of (row numbers of the stretches, table of sample numbers of shape (rows, longest)); short rows
    repeat their last sample.
    """
    lengths = ends - starts
    bucket = np.ceil(np.log2(np.maximum(lengths, 1))).astype(np.int64)
    tables = []
    for power in np.unique(bucket):
        rows = np.flatnonzero(bucket == power)
        columns = np.arange(int(lengths[rows].max()))
        tables.append((rows, np.minimum(starts[rows, None] + columns, ends[rows, None] - 1)))
    return tables
