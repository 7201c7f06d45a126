"""Turns and holds of a press, from position alone.

A stroke turns where the position has come back from its extreme by more than the deadband, and by more
than a share of the way so far: a hand's tremor in a deep press is no cycle. The extreme
itself is the first sample that reaches it. Deep presses that never let go are split at the turn where the
platen comes in again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.samples import FloatArray, IntArray
from rig.segmenter.padding import padded_rows, reduced

WANDER_SHARE = 0.1
"""Reversals below this share of the deflection so far do not end a stroke."""

FIRST_LOOK_SAMPLES = 256

NODE_SAMPLES = 128
LONG_SAMPLES = 32 * NODE_SAMPLES
"""Stretches longer than this are looked at by the extremes of this many samples first: an extreme costs as
much as a hundred samples."""

HOLD_FACTOR = 4.0
"""A hold lasts this many times longer than an even turn would need within the same band."""

HOLD_BANDS = (0.06, 0.02, 0.005)
"""Shares of the depth within which a platen may overshoot, settle and creep in a hold; beside the
deadband."""

OVERSHOOT_BANDS = (0.25, 0.1)
SETTLED_BAND, SETTLED_TIME = 0.01, 0.8
"""A platen may come back to its hold from farther beyond: within these shares of the depth, if it stays for
most of that time as near as this to where it is at last."""

HOLD_SPEED = 0.15
"""Share of a stroke's speed below which the platen is taken to hold."""

LEVEL_SHARE = 0.15
"""A hold whose middle third lies above its whole by more than this share of its height is a slow turn."""


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
    """Return which stretches hold a single press: `next_kept_turn` would find nothing in them.

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
    single = _surely_once(position_mm, starts, ends, deadband_mm)
    left = np.flatnonzero(~single)
    for part, index in padded_rows(starts[left], ends[left]):
        rows = left[part]
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


def _surely_once(
    position_mm: FloatArray, starts: IntArray, ends: IntArray, deadband_mm: float
) -> npt.NDArray[np.bool_]:
    """Return which long stretches turn once whatever the order of the samples between their nodes."""
    once = np.zeros(len(starts), bool)
    long = np.flatnonzero(ends - starts > LONG_SAMPLES)
    if not len(long):
        return once
    first, stop, tables = _nodes(starts[long], ends[long])
    most_mm = reduced(np.maximum, position_mm, first, stop)
    least_mm = reduced(np.minimum, position_mm, first, stop)
    for rows, nodes in tables:
        most, least = most_mm[nodes], least_mm[nodes]
        start_mm = position_mm[starts[long[rows]], None]
        highest = np.maximum.accumulate(most, axis=1)
        before = np.concatenate([start_mm, highest[:, :-1]], axis=1)
        # coming back grows with the highest position and with depth, so these two bound it within a node
        back = highest - least > _reversal(highest - start_mm, deadband_mm)
        sure = before - least > _reversal(before - start_mm, deadband_mm)
        row, column = np.nonzero(back & ~sure)
        at = nodes[row, column, None]
        within_mm = position_mm[np.minimum(first[at] + np.arange(NODE_SAMPLES), stop[at] - 1)]
        so_far = np.maximum(np.maximum.accumulate(within_mm, axis=1), before[row, column, None])
        apart = so_far - within_mm > _reversal(so_far - start_mm[row], deadband_mm)
        back[row, column] = apart.any(axis=1)
        turned = np.argmax(back, axis=1)[:, None]
        # the peak is no lower than before that node, and the unloading no longer than from its start
        peak_mm = np.take_along_axis(before, turned, axis=1)
        unloading = np.arange(most.shape[1]) >= turned
        lowest = np.minimum.accumulate(np.where(unloading, least, np.inf), axis=1)
        with np.errstate(invalid="ignore"):
            again = unloading & (most - lowest > _reversal(peak_mm - start_mm, deadband_mm))
        once[long[rows]] = ~(back.any(axis=1) & again.any(axis=1))
    return once


def _nodes(starts: IntArray, ends: IntArray) -> tuple[IntArray, IntArray, list[tuple[IntArray, IntArray]]]:
    """First samples of nodes of stretches and one past their last ones, and the nodes of each stretch as
    tables."""
    counts = -(-(ends - starts) // NODE_SAMPLES)
    behind = np.cumsum(counts)
    owner = np.repeat(np.arange(len(starts)), counts)
    first = starts[owner] + NODE_SAMPLES * (np.arange(behind[-1]) - np.repeat(behind - counts, counts))
    return first, np.minimum(first + NODE_SAMPLES, ends[owner]), padded_rows(behind - counts, behind)


def _reversal(deflection_mm: FloatArray, deadband_mm: float) -> FloatArray:
    return np.maximum(deadband_mm, WANDER_SHARE * deflection_mm)


def peaks_and_holds(
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
        Reversals below this are noise.
    shortest
        Samples that a hold lasts at the least.

    Returns
    -------
    load_end, unload_start
        Indices of shape (m,). Both are the first deepest sample where the platen turns without a stop; else
        the first and last sample of the hold.

    Notes
    -----
    A platen that turns at speed also spends time near its deepest position: as long as it needs to cross that
    band twice. A hold lasts `HOLD_FACTOR` times longer. Within the widest band for which that is so, it
    begins where the platen has come down to `HOLD_SPEED` of its speed, and ends where it takes up speed
    again: overshoot, settling and creep belong to it.
    """
    load_end = np.empty(len(starts), np.int64)
    unload_start = np.empty(len(starts), np.int64)
    for rows, nodes in _deepest(position_mm, starts, ends):
        begin, deepest_mm = starts[rows], nodes.most_mm.max(axis=1)
        depth_mm = deepest_mm - np.minimum(position_mm[begin], deepest_mm)
        peak = nodes.above(position_mm, deepest_mm)[0]
        load_end[rows] = unload_start[rows] = peak
        peak -= begin
        decided = ends[rows] - begin < shortest
        for share in (*OVERSHOOT_BANDS, *HOLD_BANDS, 0.0):
            if decided.all():
                break
            band_mm = np.maximum(deadband_mm, share * depth_mm)
            first, last = nodes.above(position_mm, deepest_mm - band_mm)
            with np.errstate(divide="ignore", invalid="ignore"):
                crossing = np.where(depth_mm > 0, 2 * band_mm * np.maximum(peak, 1) / depth_mm, 0.0)
            held = ~decided & (last - first + 1 >= np.maximum(HOLD_FACTOR * crossing, shortest))
            for row in np.flatnonzero(held).tolist():
                start = int(begin[row])
                press_mm = position_mm[start : ends[rows[row]]]
                found = _hold(
                    press_mm, int(first[row]) - start, int(last[row]) - start, deadband_mm, shortest
                )
                settled_mm = max(SETTLED_BAND * depth_mm[row], deadband_mm)
                if found is not None and (
                    share <= HOLD_BANDS[0] or _came_back(press_mm[found[0] : found[1] + 1], settled_mm)
                ):
                    decided[row] = True
                    load_end[rows[row]] = start + found[0]
                    unload_start[rows[row]] = start + found[1]
    return load_end, unload_start


@dataclass(frozen=True, slots=True)
class _NodeRows:
    """Nodes of stretches, a row for each; padding repeats the last one.

    Parameters
    ----------
    first, stop
        Half-open ranges of samples, shape (rows, nodes).
    most_mm
        The deepest position in each.
    """

    first: IntArray
    stop: IntArray
    most_mm: FloatArray

    def above(self, position_mm: FloatArray, level_mm: FloatArray) -> tuple[IntArray, IntArray]:
        """First and last sample of each row that reach its level; some have to."""
        near = self.most_mm >= level_mm[:, None]
        rows, columns = np.arange(len(near)), near.shape[1]
        early, late = np.argmax(near, axis=1), columns - 1 - np.argmax(near[:, ::-1], axis=1)
        first, stop = self.first[rows, early], self.stop[rows, late]
        if int((self.stop - self.first).max()) == 1:
            return first, stop - 1
        within = np.arange(NODE_SAMPLES)
        ahead = np.minimum(first[:, None] + within, self.stop[rows, early, None] - 1)
        behind = np.maximum(stop[:, None] - 1 - within, self.first[rows, late, None])
        return (
            first + np.argmax(position_mm[ahead] >= level_mm[:, None], axis=1),
            stop - 1 - np.argmax(position_mm[behind] >= level_mm[:, None], axis=1),
        )


def _deepest(position_mm: FloatArray, starts: IntArray, ends: IntArray) -> list[tuple[IntArray, _NodeRows]]:
    """Deepest positions of nodes of stretches: of every sample, or of more where a stretch is long."""
    long = ends - starts > LONG_SAMPLES
    rows = np.flatnonzero(~long)
    tables = [
        (rows[part], _NodeRows(index, index + 1, position_mm[index]))
        for part, index in padded_rows(starts[rows], ends[rows])
    ]
    rows = np.flatnonzero(long)
    if len(rows):
        first, stop, parts = _nodes(starts[rows], ends[rows])
        most_mm = reduced(np.maximum, position_mm, first, stop)
        tables += [(rows[part], _NodeRows(first[at], stop[at], most_mm[at])) for part, at in parts]
    return tables


def _hold(
    press_mm: FloatArray, first: int, last: int, deadband_mm: float, shortest: int
) -> tuple[int, int] | None:
    """First and last sample of the hold within a stretch near the deepest position; None for a slow turn."""
    start = first + _settled(press_mm[: last + 1], first, deadband_mm)
    backwards = press_mm[::-1]
    stop = last - _settled(backwards[: len(press_mm) - first], len(press_mm) - 1 - last, deadband_mm)
    if stop - start + 1 < shortest:
        return None
    held_mm = press_mm[start : stop + 1]
    third = len(held_mm) // 3
    # the middle third of a slow turn lies higher than its whole: by 0.3 of its height for a parabola
    rises_mm = held_mm[third : len(held_mm) - third].mean() - held_mm.mean()
    height_mm = float(np.ptp(held_mm))
    # positions that repeat to the last digit have no height, and are no turn
    if height_mm > 0 and rises_mm >= LEVEL_SHARE * max(height_mm, deadband_mm):
        return None
    return start, stop


def _came_back(held_mm: FloatArray, band_mm: float) -> bool:
    """Return whether a platen went beyond the place of a hold at first, and then stayed there."""
    away_mm = held_mm - np.median(held_mm[len(held_mm) // 2 :])
    stayed = np.count_nonzero(np.abs(away_mm) <= band_mm) >= SETTLED_TIME * len(held_mm)
    return bool(stayed and away_mm.min() > -band_mm)


def _settled(way_mm: FloatArray, first: int, deadband_mm: float) -> int:
    """Samples from `first` on until a platen on its way to a hold is slow."""
    length = len(way_mm) - first
    if first == 0 or length < 3:
        return 0
    half = int(np.argmax(way_mm[: first + 1] >= (way_mm[0] + way_mm[first]) / 2))
    speed_mm = (way_mm[first] - way_mm[min(half, first - 1)]) / max(first - half, 1)
    if speed_mm <= 0:
        return 0
    slow_mm = HOLD_SPEED * speed_mm
    # over this many samples, the way at that speed stands out from the noise
    window = int(np.clip(np.ceil(deadband_mm / 3 / slow_mm), 1, max(length // 4, 1)))
    onward_mm = way_mm[first:]
    slow = onward_mm[window:] - onward_mm[:-window] < slow_mm * window
    begun = int(np.argmax(slow)) if slow.any() else 0
    ahead_mm = onward_mm[begun : begun + window + 1]
    return begun + int(np.argmax(ahead_mm >= ahead_mm.max() - deadband_mm / 2))
