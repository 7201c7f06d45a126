"""Turns and dwells of a press, from position alone.

A stroke turns where the position has come back from its extreme by more than the deadband, and by more
than a share of the way so far: a hand's tremor in a deep press is a wobble, not a cycle. The extreme
itself is the first sample that reaches it. Deep presses that never let go are split at the turn where the
platen comes in again.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rig.samples import FloatArray, IntArray
from rig.segmenter.rows import padded_rows

WOBBLE_SHARE = 0.1
"""Reversals below this share of the deflection so far do not end a stroke."""

FIRST_LOOK_SAMPLES = 256

DWELL_FACTOR = 4.0
"""A stop lasts this many times longer than an even turn would."""


LEVEL_SHARE = 0.15


def next_kept_turn(position_mm: FloatArray, deadband_mm: float) -> int | None:
    """Where a press that is still in contact turns to come in again.

    Parameters
    ----------
    position_mm
        From the start of the cycle on, shape (n,).

    Returns
    -------
    Index of the first sample of the lowest position between the first two presses, or None if it did not
    turn twice.

    Notes
    -----
    Looks at prefixes of growing length, so that many cycles in one stretch do not cost the square of their
    number; the answer does not depend on how much follows it.
    """
    length = FIRST_LOOK_SAMPLES
    while True:
        turn = _kept_turn(position_mm[:length], deadband_mm)
        if turn is not None or length >= len(position_mm):
            return turn
        length *= 2


def _kept_turn(position_mm: FloatArray, deadband_mm: float) -> int | None:
    if not len(position_mm):
        return None
    highest = np.maximum.accumulate(position_mm)
    back = highest - position_mm > _reversal(highest - position_mm[0], deadband_mm)
    if not back.any():
        return None
    turned = int(np.argmax(back))
    peak_mm = highest[turned]
    unloading = position_mm[turned:]
    lowest = np.minimum.accumulate(unloading)
    again = unloading - lowest > _reversal(peak_mm - position_mm[0], deadband_mm)
    if not again.any():
        return None
    came_in = int(np.argmax(again))
    return turned + int(np.argmin(unloading[: came_in + 1]))


def turns_once(
    position_mm: FloatArray, starts: IntArray, ends: IntArray, deadband_mm: float
) -> npt.NDArray[np.bool_]:
    """Which stretches hold a single press: `next_kept_turn` would find nothing in them.

    Parameters
    ----------
    position_mm
        Shape (n,).
    starts, ends
        Stretches as half-open index ranges, shape (m,).

    Returns
    -------
    Boolean array of shape (m,).
    """
    single = np.empty(len(starts), bool)
    for rows, index in padded_rows(starts, ends):
        table = position_mm[index]
        highest = np.maximum.accumulate(table, axis=1)
        start_mm = table[:, :1]
        back = highest - table > _reversal(highest - start_mm, deadband_mm)
        turned = back.any(axis=1)
        first = np.argmax(back, axis=1)
        columns = np.arange(table.shape[1])
        unloading = np.where(columns >= first[:, None], table, np.inf)
        lowest = np.minimum.accumulate(unloading, axis=1)
        peak_mm = np.take_along_axis(highest, first[:, None], axis=1)
        with np.errstate(invalid="ignore"):
            rise = np.where(columns >= first[:, None], table - lowest, 0.0)
        again = rise > _reversal(peak_mm - start_mm, deadband_mm)
        single[rows] = ~(turned & again.any(axis=1))
    return single


def _reversal(deflection_mm: FloatArray, deadband_mm: float) -> FloatArray:
    return np.maximum(deadband_mm, WOBBLE_SHARE * deflection_mm)


def peaks_and_dwells(
    position_mm: FloatArray, starts: IntArray, ends: IntArray, deadband_mm: float, shortest: int
) -> tuple[IntArray, IntArray]:
    """Ends of loading strokes and starts of unloading strokes.

    Parameters
    ----------
    position_mm
        Shape (n,).
    starts, ends
        Presses as half-open index ranges, shape (m,).
    deadband_mm
        A stop within this of the deepest position is a dwell.
    shortest
        Samples that a dwell lasts at the least.

    Returns
    -------
    load_end, unload_start
        Indices of shape (m,). Both are the first deepest sample where the platen turns without a stop; else
        the first and last sample of the dwell.

    Notes
    -----
    A platen that turns at speed also spends time within the deadband: as long as it needs to cross it
    twice. A dwell lasts `DWELL_FACTOR` times longer than that.
    """
    load_end = np.empty(len(starts), np.int64)
    unload_start = np.empty(len(starts), np.int64)
    for rows, index in padded_rows(starts, ends):
        table = position_mm[index]
        length = ends[rows] - starts[rows]
        deepest = table.max(axis=1)
        peak = np.argmax(table, axis=1)
        depth_mm = deepest - np.minimum(table[:, 0], deepest)
        near = table >= (deepest - deadband_mm)[:, None]
        near &= np.arange(table.shape[1]) < length[:, None]
        first = np.argmax(near, axis=1)
        last = table.shape[1] - 1 - np.argmax(near[:, ::-1], axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            crossing = np.where(depth_mm > 0, 2 * deadband_mm * np.maximum(peak, 1) / depth_mm, 0.0)
        stops = last - first >= np.maximum(DWELL_FACTOR * crossing, shortest)
        dwells = stops & _is_level(table, first, last, stops, deadband_mm)
        load_end[rows] = starts[rows] + np.where(dwells, first, peak)
        unload_start[rows] = starts[rows] + np.where(dwells, last, peak)
    return load_end, unload_start


def _is_level(
    table: FloatArray, first: IntArray, last: IntArray, which: npt.NDArray[np.bool_], deadband_mm: float
) -> npt.NDArray[np.bool_]:
    """Which rows stand still between `first` and `last`, rather than turn as slowly as a sine does.

    Notes
    -----
    The middle third of a slow turn lies higher than its whole: by 0.3 of the deadband for a parabola.
    """
    level = np.zeros(len(table), bool)
    rows = np.flatnonzero(which)
    if not len(rows):
        return level
    running = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(table[rows], axis=1)], axis=1)
    each = np.arange(len(rows))

    def mean(start: IntArray, stop: IntArray) -> FloatArray:
        sums: FloatArray = running[each, stop] - running[each, start]
        return sums / (stop - start)

    start, stop = first[rows], last[rows] + 1
    third = (stop - start) // 3
    rises_mm = mean(start + third, stop - third) - mean(start, stop)
    level[rows] = rises_mm < LEVEL_SHARE * deadband_mm
    return level
