"""A channel that is new only in every few rows, and repeats its last value in between.

Problem: where a logger writes force in every row and asks the encoder in every tenth, the position lags by
half of that while loading and unloading: energies and hysteresis are off by several per cent.
Plan: in motion such a channel changes every few rows, whatever its speed, by many steps of its
resolution; a coarse converter changes by a single step, and where the platen itself goes in steps, the force
steps along. A position between two updates is read on the straight line between them; where it turned between
them, by what the force did meanwhile. Of a force that is held, nothing is known between its updates: only
those rows are kept. Cost: a few differences of the column.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.capture.resolution import estimate_resolution
from rig.samples import FloatArray, IntArray

LONGEST_HELD = 100
"""Rows between updates; more is a platen that goes in steps."""

FEWEST_UPDATES = 20
USUAL_SHARE = 0.9
"""Changes of which this share are as far apart as usual, or a row farther, show that it is held."""

LEAST_STEPS = 4.0
"""Median change in steps of the resolution: fewer are those of a coarse converter."""

MOVING_STEP = 0.75
RESOLVED = 0.125
"""The usual step of a channel in motion is this quantile of all. A tip that is put back is off by some share
of it (0.04 in presses of specimens with hysteresis and relaxation): that of a resolution of an eighth."""

STEPS_ALONG = 3.0
"""A channel that changes by this many times more in the rows of updates than between them steps along."""


FREE_SHARE = 0.1
LATE_ROWS = 0.5
"""Updates of which this share come a row later than usual have a clock of their own: each was made up to a
row before the row that first shows it."""

TURNING = 0.25
"""A way from update to update below this share of the usual one is no stroke that turns."""


@dataclass(frozen=True, slots=True)
class Held:
    """How a channel is held.

    `rows`: from update to update.
    `updates`: the rows of updates, those at rest included, shape (k,).
    `step`: usual change from update to update in motion, in the channel's unit.
    `late_rows`: by how much later than it was made a row shows an update.
    """

    rows: int
    updates: IntArray
    step: float
    late_rows: float = 0.0

    @property
    def resolution(self) -> float:
        """What is known of a turn between two updates, and of when they were made, as a step of the
        channel."""
        return float(np.hypot(RESOLVED, 2 * self.late_rows / self.rows)) * self.step


def find_held(values: FloatArray, other: FloatArray) -> Held | None:
    """Return how a channel is held between updates; None where it is not.

    `values`: finite, shape (n,), in the order of rows.
    `other`: the other channel of the same rows: force beside a position.
    """
    changed = np.flatnonzero(np.diff(values)) + 1
    if len(changed) < FEWEST_UPDATES:
        return None
    apart = np.diff(changed)
    # The time at rest says nothing: there an update changes nothing.
    usual = int(np.median(apart))
    # of a clock of its own, the larger of two distances may be the more frequent one
    usual -= int(np.count_nonzero(apart == usual - 1) > (1 - USUAL_SHARE) * len(apart))
    near = apart[apart < 2 * usual]
    if not 2 <= usual <= LONGEST_HELD or np.mean((near == usual) | (near == usual + 1)) < USUAL_SHARE:
        return None
    if np.count_nonzero(apart < usual) > (1 - USUAL_SHARE) * len(apart):
        return None
    # At rest only noise is new: the larger steps are those of motion.
    usual_step = float(np.quantile(np.abs(values[changed] - values[changed - 1]), MOVING_STEP))
    if usual_step < LEAST_STEPS * estimate_resolution(values):
        return None
    # Where the platen itself goes in steps, the other channel moves in the rows of updates and not between.
    moved = np.abs(np.diff(other))
    between = np.diff(changed, append=changed[-1]) > 1
    if moved[changed - 1].mean() > STEPS_ALONG * moved[changed[between]].mean():
        return None
    # At rest an update changes nothing: there they come as often as usual, but for the row before a change.
    starts = np.concatenate([[0], changed])
    lengths = np.diff(starts, append=len(values))
    since = np.arange(len(values)) - np.repeat(starts, lengths)
    to_next = np.repeat(lengths, lengths) - since
    updates = np.flatnonzero((since % usual == 0) & ((since == 0) | (to_next >= usual)))
    is_free = np.count_nonzero(near == usual + 1) >= FREE_SHARE * len(near)
    return Held(usual, updates, usual_step, LATE_ROWS if is_free else 0.0)


def on_lines(values: FloatArray, other: FloatArray, time: FloatArray | IntArray, held: Held) -> FloatArray:
    """Return positions whose values between two updates lie on the line between them.

    `values`, `other`: as `find_held` takes them.
    `time`: of each row, rising, in any unit.

    Examples
    --------
    >>> rows = np.arange(200)
    >>> way, force_n = np.repeat(np.round(0.01 * rows[::5] ** 1.5, 3), 5), rows * 0.1
    >>> held = find_held(way, force_n)
    >>> held.rows, on_lines(way, force_n, rows, held)[100:106].round(2).tolist()
    (5, [10.0, 10.15, 10.3, 10.46, 10.61, 10.76])
    """
    last = int(held.updates[-1])
    if held.late_rows:
        # as for updates that come with their rows, at the instants at which they were made
        rows = np.arange(len(time))
        made = np.interp(rows - held.late_rows, rows, time)
        other = np.interp(made, time, other)
        along = on_lines(values, other, made, replace(held, late_rows=0.0))
        return np.interp(time, made, along)
    found = np.interp(time, time[held.updates], values[held.updates])
    # Behind the last update nothing is known of the way.
    found[last:] = values[last:]
    _turn_between(found, other, time, held.updates, TURNING * held.step)
    return found


def _turn_between(
    found: FloatArray, other: FloatArray, time: FloatArray | IntArray, updates: IntArray, least: float
) -> None:
    """Put back the tips of turns between two updates, in place.

    Notes
    -----
    Up to the other channel's own extreme the value goes on as it went with that channel before; behind it, on
    the line to the next update. The lines of the updates before and behind meet above a turn that was braked.
    """
    # A turn between two updates: the ways before and behind it go against each other, and both are strokes.
    way = np.diff(found[updates])
    turns = (way[:-2] * way[2:] < 0) & (np.minimum(np.abs(way[:-2]), np.abs(way[2:])) >= least)
    for place in (np.flatnonzero(turns) + 1).tolist():
        before, begin, end, behind = updates[place - 1 : place + 3].tolist()
        sign = float(np.sign(way[place - 1]))
        with_other = other[begin] - other[before]
        tip = begin + int(np.argmax(np.sign(with_other) * other[begin : end + 1]))
        if not with_other or tip in {begin, end}:
            continue
        # No further than where the line of the way there and that of the way back meet.
        rows = np.arange(begin + 1, tip + 1)
        come = found[begin] + way[place - 1] * (time[rows] - time[begin]) / (time[begin] - time[before])
        go = found[end] - way[place + 1] * (time[end] - time[rows]) / (time[behind] - time[end])
        most = np.minimum(sign * come, sign * go) - sign * found[rows]
        # Up to the tip the value goes on by the other channel, at the rate of the interval before.
        rate = way[place - 1] / with_other
        guided = found[begin] + rate * (other[rows] - other[begin])
        earlier = int(updates[max(place - 2, 0)])
        if sign * (found[before] - found[earlier]) > 0 and (other[before] - other[earlier]) * with_other > 0:
            # A second divided difference bends it: a specimen stiffens, or the crest of its force nears.
            bend = rate - (found[before] - found[earlier]) / (other[before] - other[earlier])
            bend /= other[begin] - other[earlier]
            guided += bend * (other[rows] - other[begin]) * (other[rows] - other[before])
        found[rows] += sign * np.clip(sign * (guided - found[rows]), 0.0, np.maximum(most, 0.0))
        found[tip:end] = np.linspace(found[tip], found[end], end - tip, endpoint=False)
