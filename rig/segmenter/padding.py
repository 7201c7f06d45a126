"""Stretches of unequal length as dense tables, so that running extremes of many need no loop over them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from rig.samples import IntArray


def reduced(
    extreme: np.ufunc, values: npt.NDArray[Any], starts: IntArray, ends: IntArray
) -> npt.NDArray[Any]:
    """Return the extreme of each stretch of values, by `np.maximum` and the like.

    Parameters
    ----------
    extreme
        A ufunc of two arguments.
    values
        Shape (n,).
    starts, ends
        Half-open ranges in rising order, shape (m,); each holds a sample at least.
    """
    bounds = np.array((starts, ends)).ravel("F")
    # `reduceat` takes no bound behind the last value, and goes to the end without one
    if len(bounds) and bounds[-1] >= len(values):
        bounds = bounds[:-1]
    extremes: npt.NDArray[Any] = extreme.reduceat(values, bounds)[0::2] if len(bounds) else values[:0]
    return extremes


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
    for power in np.flatnonzero(np.bincount(bucket)):
        rows = np.flatnonzero(bucket == power)
        columns = np.arange(int(lengths[rows].max()))
        tables.append((rows, np.minimum(starts[rows, None] + columns, ends[rows, None] - 1)))
    return tables
