"""Creep under a held load, and how far the zero comes back: from one recording.

Problem: a cell that creeps reads more and more under a load that stands still, and does not come back to its
zero at once. Plan: the longest stretch above half of the load is the hold; what lies before and after it is
without load. Means over short windows after the load has settled, at the hold's end, before the load and
after it are compared. Their uncertainty comes from means of blocks, since neighbouring readings are not
independent. Drift with temperature cannot be told from creep; a long look at the zero beforehand shows it.
Cost: a few passes over one recording.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from rig.core import finite
from rig.core.measured import Measured, combined, line_slope
from rig.errors import InputError
from rig.samples import FloatArray

SETTLE_S = 2.0
"""Left out after a load was put on or taken off, and before: the hand is still on it."""

WINDOW_S = 2.0
"""What a reading is averaged over."""

BLOCKS = 8
"""Means of this many parts of a window show how well its mean is known."""

USUAL_HOLD_S = 300.0
"""Five minutes; a shorter hold shows less creep, and says so."""

SHORTEST_HOLD_S = 20.0
"""Below this nothing is seen but the load's coming to rest."""

FIT_POINTS = 60
"""Means, spread by the logarithm of time, that creep per decade is fitted to."""

_FEWEST_DECADES = 0.5


@dataclass(frozen=True, slots=True)
class CreepResult:
    """What a held load and its removal showed; changes in per cent of the load.

    `load`: from zero to the beginning of the hold, in the unit of what was given.
    `per_decade`: per tenfold time since the load was put on; None where the hold is too short for it.
    `zero_return`: from before the load to right after it; None where there is no stretch without load on both
    sides.
    `zero_return_after_s`: how long after its removal that was read.
    """

    load: float
    hold_s: float
    creep: Measured
    per_decade: Measured | None
    zero_return: Measured | None
    zero_return_after_s: float | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        fields: dict[str, Any] = asdict(self)
        for name in ("creep", "per_decade", "zero_return"):
            change: Measured | None = getattr(self, name)
            if change is not None:
                fields[name] = {
                    "pct": change.value,
                    "u_pct": change.u,
                    "degrees_of_freedom": finite(change.freedom),
                    "interval_pct": change.reach(),
                }
        return fields


def creep_and_return(time_s: FloatArray, force: FloatArray, *, resolution: float = 0.0) -> CreepResult:
    """Return creep under the longest hold of a recording, and the zero's return after it.

    Parameters
    ----------
    time_s
        Instants, shape (n,), rising.
    force
        In newtons or counts, shape (n,); compression positive.
    resolution
        Smallest step of `force`; 0 if unknown.

    Raises
    ------
    InputError
        If there is no stretch under load that is long enough, or none before it to count the load from.
    """
    if len(force) < BLOCKS or not np.all(np.isfinite(time_s)):
        raise InputError("creep: found too few samples, or samples without times; expected a held load")
    begins, ends = _hold(time_s, force)
    hold_s = float(time_s[ends - 1] - time_s[begins])
    if hold_s < SHORTEST_HOLD_S:
        raise InputError(
            f"creep: the longest stretch under load lasts {hold_s:.1f} s; expected a load that is held for "
            f"{USUAL_HOLD_S:.0f} s, or {SHORTEST_HOLD_S:.0f} s at the very least"
        )
    before = _window(time_s, force, time_s[begins] - SETTLE_S - WINDOW_S, resolution)
    if before is None:
        raise InputError(
            f"creep: the recording begins under load; expected {SETTLE_S + WINDOW_S:.0f} s without load "
            "before it"
        )
    # a hold of SHORTEST_HOLD_S has room for both windows
    first = _window(time_s, force, time_s[begins] + SETTLE_S, resolution)
    last = _window(time_s, force, time_s[ends - 1] - SETTLE_S - WINDOW_S, resolution)
    assert first is not None
    assert last is not None
    load = first.value - before.value
    after = _window(time_s, force, time_s[ends - 1] + SETTLE_S, resolution)
    notes = ["A drift of the zero, with temperature or time, is in these figures too."]
    if hold_s < USUAL_HOLD_S:
        notes.append(f"The load was held for {hold_s:.0f} s; {USUAL_HOLD_S:.0f} s are usual and show more.")
    if after is None:
        notes.append(f"No zero return: there are no {SETTLE_S + WINDOW_S:.0f} s without load after it.")
    return CreepResult(
        load,
        hold_s,
        _change(first, last, load),
        _per_decade(time_s, force, (begins, ends), load),
        None if after is None else _change(before, after, load),
        None if after is None else SETTLE_S,
        tuple(notes),
    )


def _hold(time_s: FloatArray, force: FloatArray) -> tuple[int, int]:
    """Return the first and one past the last sample of the longest stretch above half of the load."""
    # percentiles, since a single spike would move the half
    low, high = np.percentile(force, (1, 99))
    loaded = force > (low + high) / 2
    # changes come in pairs: where a stretch begins, and one past its end
    starts, stops = np.flatnonzero(np.diff(loaded, prepend=False, append=False)).reshape(-1, 2).T
    if not len(starts) or high == low:
        raise InputError("creep: the force never rises; expected a load that is put on, held and taken off")
    longest = int(np.argmax(time_s[stops - 1] - time_s[starts]))
    return int(starts[longest]), int(stops[longest])


def _window(time_s: FloatArray, force: FloatArray, from_s: float, resolution: float) -> Measured | None:
    """Return the mean over a window, and how well it is known; None where the recording does not hold all
    of it."""
    step_s = float(np.median(np.diff(time_s)))
    if from_s < time_s[0] - step_s or from_s + WINDOW_S > time_s[-1] + step_s:
        return None
    part = force[(time_s >= from_s) & (time_s < from_s + WINDOW_S)]
    if len(part) < 2:
        return None
    # means of blocks, since neighbouring readings of a filtered converter are not independent
    blocks = np.array([block.mean() for block in np.array_split(part, min(BLOCKS, len(part)))])
    noise = float(blocks.std(ddof=1)) / math.sqrt(len(blocks))
    # a reading is anywhere within its step: uniform, step / sqrt(12) (JCGM 100:2008, F.2.2.1)
    return Measured(float(part.mean()), math.hypot(noise, resolution / math.sqrt(12)), len(blocks) - 1)


def _change(before: Measured, after: Measured, load: float) -> Measured:
    """Return the change between two means of windows, in per cent of the load."""
    u, freedom = combined((mean.u, mean.freedom) for mean in (before, after))
    return Measured(after.value - before.value, u, freedom).scaled(100 / load)


def _per_decade(time_s: FloatArray, force: FloatArray, hold: tuple[int, int], load: float) -> Measured | None:
    """Return the slope over the logarithm of the time since the load was put on."""
    part = slice(*hold)
    since_s = time_s[part] - time_s[hold[0]]
    # means in steps of log(time): the late readings are many, and would else outweigh the first seconds
    edges = np.geomspace(SETTLE_S, since_s[-1] - SETTLE_S, FIT_POINTS + 1)
    if math.log10(edges[-1] / edges[0]) < _FEWEST_DECADES:
        return None
    number = np.digitize(since_s, edges) - 1
    inside = (number >= 0) & (number < FIT_POINTS)
    counts = np.bincount(number[inside], minlength=FIT_POINTS)
    kept = counts > 0
    sums = np.bincount(number[inside], force[part][inside], minlength=FIT_POINTS)
    logs = np.bincount(number[inside], np.log10(since_s[inside]), minlength=FIT_POINTS)
    means, decades = sums[kept] / counts[kept], logs[kept] / counts[kept]
    if len(means) < 4:
        return None
    return line_slope(decades, means).scaled(100 / load)
