"""Where a specimen broke: tore, cracked or slipped out while the platen came in.

Problem: rough motion and noise lower a force for a moment, and a specimen that bends lets it fall slowly; a
specimen that slips out at once loses contact with the platen still on its way in, so that its loading stroke
just ends. Plan: a break is a drop over a short way, by much more than noise, that takes away a good part of
the force and is not made up for at once; or a contact that ends while the platen goes on. Cost: a few passes
over the nodes of loading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analyser.ragged import BoolArray, Nodes
from rig.calibration import Signals
from rig.samples import FloatArray
from rig.segmenter import Cycles

DROP_SHARE = 0.1
LEAST_SHARE = 0.05
"""A break takes away this share of the force reached before, and this share of the press's largest."""

DROP_NOISES = 12.0
DROP_SPAN = 0.03
"""It happens within this share of the depth: a specimen that bends takes longer."""

DROP_NODES = 6
"""Nodes over which a drop is looked for; more of them lie within `DROP_SPAN` of no stroke."""

MADE_UP = 0.5
"""A force that regains this share of its drop within as short a way again had only been rough."""

WENT_ON_SHARE = 0.03
"""A platen that goes on by this share of the depth behind the end of contact has not let the specimen go."""

BEFORE_LOSS = 0.8
"""Contact was lost where the force was last above this share of the largest."""


@dataclass(frozen=True, slots=True)
class Breaks:
    """Position and force just before the first break of each cycle, shape (m,); not-a-number without one."""

    x_mm: FloatArray
    force_n: FloatArray

    @property
    def found(self) -> BoolArray:
        """Which cycles hold a break."""
        found: BoolArray = np.isfinite(self.x_mm)
        return found


def find_breaks(
    loading: Nodes, noise_n: FloatArray, stroke_mm: FloatArray, deadband_mm: float, went_on_mm: FloatArray
) -> Breaks:
    """Breaks of loading strokes.

    Parameters
    ----------
    loading
        Strokes, free of force zero and frame.
    noise_n
        Noise of a node's force at most, shape (m,).
    stroke_mm
        Depths of the strokes.
    deadband_mm
        Ways below which the platen did not move.
    went_on_mm
        How far the platen went on behind the end of contact.
    """
    force_n = np.where(loading.real, loading.force_n, -np.inf)
    highest_n = np.maximum.accumulate(force_n, axis=1)
    largest_n = highest_n[:, -1]
    span_mm = DROP_SPAN * np.where(stroke_mm > 0, stroke_mm, 0.0)
    count = force_n.shape[1]
    deepest_mm = np.where(loading.real, loading.x_mm, -np.inf).max(axis=1)
    broken = np.zeros(force_n.shape, bool)
    least_n = np.maximum(DROP_NOISES * noise_n, LEAST_SHARE * largest_n)[:, None]
    for lag in range(1, min(DROP_NODES, count - 1) + 1):
        early_n, late_n = force_n[:, :-lag], force_n[:, lag:]
        near = (loading.x_mm[:, lag:] - loading.x_mm[:, :-lag] <= span_mm[:, None]) & loading.real[:, lag:]
        # at the turn itself a force falls with the way back, and as a relaxing specimen's does
        near &= loading.x_mm[:, lag:] < (deepest_mm - span_mm)[:, None]
        with np.errstate(invalid="ignore"):
            fell_n = np.where(near, early_n - late_n, 0.0)
        large = fell_n > np.maximum(least_n, DROP_SHARE * highest_n[:, :-lag])
        if not large.any():
            continue
        # what comes next, over as many nodes again, has to stay low
        after = np.minimum(np.arange(count - lag) + 2 * lag, np.maximum(loading.lengths - 1, 0)[:, None])
        later_n = np.take_along_axis(force_n, after, axis=1)
        broken[:, :-lag] |= large & (later_n < early_n - MADE_UP * fell_n)
    last = np.maximum(loading.lengths - 1, 0)[:, None]
    lost = went_on_mm > np.maximum(WENT_ON_SHARE * stroke_mm, deadband_mm)
    at_loss = np.where(loading.real, loading.force_n, -np.inf) >= BEFORE_LOSS * largest_n[:, None]
    before_loss = count - 1 - np.argmax(at_loss[:, ::-1], axis=1)
    # of nodes that all fall, the highest lies just before the drop
    first = np.argmax(broken, axis=1)
    ahead = np.minimum(first[:, None] + np.arange(DROP_NODES), last)
    at = np.take_along_axis(ahead, np.argmax(np.take_along_axis(force_n, ahead, axis=1), axis=1)[:, None], 1)
    which = np.where(broken.any(axis=1), at[:, 0], before_loss)
    found = broken.any(axis=1) | lost
    rows = np.arange(len(which))
    return Breaks(
        np.where(found, loading.x_mm[rows, which], np.nan),
        np.where(found, loading.force_n[rows, which], np.nan),
    )


def went_on_mm(signals: Signals, cycles: Cycles) -> FloatArray:
    """How far the platen went on, deeper than in contact, behind the end of each contact."""
    x_mm = np.append(signals.position_mm, -np.inf)
    bounds = np.stack([cycles.release, np.maximum(cycles.after, cycles.release + 1)], axis=1).ravel()
    behind = np.maximum.reduceat(x_mm, np.minimum(bounds, len(x_mm) - 1))[0::2]
    bounds = np.stack([cycles.contact, cycles.release], axis=1).ravel()
    deepest = np.maximum.reduceat(x_mm, bounds)[0::2]
    return np.where(cycles.after > cycles.release, behind - deepest, 0.0)
