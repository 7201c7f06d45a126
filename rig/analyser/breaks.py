"""Where a specimen broke: tore, cracked or slipped out while the platen came in.

Problem: rough motion and noise lower a force for a moment, and a specimen that bends lets it fall slowly; a
specimen that slips out at once loses contact with the platen still on its way in, so that its loading stroke
just ends. Plan: a break is a drop over a short way, by much more than noise, that takes away a good part of
the force and is not made up for at once; or a contact that ends while the platen goes on. Place and force are
then read from single samples, where a node's mean would miss the tip, and a slow fall on a resting platen is
seen to be relaxation. Cost: a few passes over the nodes of loading, and the samples beside each break.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from rig.analyser.blocks import Blocks
from rig.analyser.ragged import BoolArray, Nodes, along_rows
from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter import Cycles, reduced

Pressed = Callable[[int, slice], tuple[FloatArray, FloatArray]]
"""Position and force of single samples of a row, free of force zero and frame."""

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

SUDDEN_SHARE = 0.02
SUDDEN_SAMPLES = 3
"""Most of a drop happens within this share of the stroke's samples, or within so few: a relaxing force
takes longer."""

STOPPED = 0.5
STOPPED_FOR = 0.75
AT_ONCE = 0.75
"""A platen that goes on by less than this share of what it came by, in as many samples, has stopped: the
force then falls as a specimen relaxes, unless the last share of the fall is over within one sample. Where it
stopped for a break, that lies at the second share of the step in which it stopped, give or take the rest."""

GONE_AT_ONCE = 0.5
"""A force that loses this share within `SUDDEN_SAMPLES` of a platen that stands is that of a piece that
broke: one that relaxes takes longer for as much."""

SPIKE_RISES = 3.0
SPIKE_NOISES = 5.0
"""A last rise larger than this many rises before it, and noise, is a spike and not the tip."""

FALL_DOUBT = 0.1
"""Share of a step that a tip may lie off where the two lines meet: a fall need not be straight."""

TIP_NOISES = 4.0
"""Samples that lie below the largest by fewer standard deviations of the noise may be as large."""

PULL_SHARE = 0.2
CREST_SHARE = 0.01
"""A part that pulls during loading by the first share of the largest force before is fixed to both platens,
if that is more than the second share of the largest of all."""

BEFORE_LOSS = 0.8
"""Contact was lost where the force was last above this share of the largest."""


@dataclass(frozen=True, slots=True)
class Breaks:
    """Position and force just before the first break of each cycle, shape (m,); not-a-number without one.

    Parameters
    ----------
    x_u_mm, u_n
        Standard uncertainties of both: the tip lies between two samples.
    sample
        Last sample before the break; -1 without one.
    is_peak
        Whether no other force of the stroke is larger.
    """

    x_mm: FloatArray
    x_u_mm: FloatArray
    force_n: FloatArray
    u_n: FloatArray
    sample: IntArray
    is_peak: BoolArray

    @property
    def found(self) -> BoolArray:
        """Which cycles hold a break."""
        found: BoolArray = self.sample >= 0
        return found


def find_breaks(
    loading: Nodes,
    blocks: Blocks,
    pressed: Pressed,
    *,
    noise_n: FloatArray,
    stroke_mm: FloatArray,
    deadband_mm: float,
    went_on_mm: FloatArray,
) -> Breaks:
    """Find the first break of each loading stroke.

    Parameters
    ----------
    loading
        Strokes, free of force zero and frame.
    blocks
        Samples of each node.
    pressed
        Gives single samples of a row, as those of the nodes.
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
        run_mm = loading.x_mm[:, lag:] - loading.x_mm[:, :-lag]
        # a platen that goes back takes force away itself
        near = (run_mm <= span_mm[:, None]) & (run_mm >= -deadband_mm) & loading.real[:, lag:]
        # at the turn itself a force falls with the way back, and as a relaxing specimen's does
        near &= loading.x_mm[:, lag:] < (deepest_mm - span_mm)[:, None]
        with np.errstate(invalid="ignore"):
            fell_n = np.where(near, early_n - late_n, 0.0)
        large = fell_n > np.maximum(least_n, DROP_SHARE * highest_n[:, :-lag])
        if not large.any():
            continue
        # what comes next, over as many nodes again, has to stay low
        after = np.minimum(np.arange(count - lag) + 2 * lag, np.maximum(loading.lengths - 1, 0)[:, None])
        later_n = along_rows(force_n, after)
        broken[:, :-lag] |= large & (later_n < early_n - MADE_UP * fell_n)
    lost = went_on_mm > np.maximum(WENT_ON_SHARE * stroke_mm, deadband_mm)
    at_loss = np.where(loading.real, loading.force_n, -np.inf) >= BEFORE_LOSS * largest_n[:, None]
    before_loss = count - 1 - np.argmax(at_loss[:, ::-1], axis=1)
    places: list[list[int]] = [[] for _ in force_n]
    for row in np.flatnonzero(broken.any(axis=1)).tolist():
        places[row] = _tips(force_n[row, : loading.lengths[row]], np.flatnonzero(broken[row]))
    for row in np.flatnonzero(lost & ~broken.any(axis=1)).tolist():
        places[row] = [int(before_loss[row])]
    return _placed(blocks, pressed, places, lost, noise_n)


def _tips(force_n: FloatArray, drops: IntArray) -> list[int]:
    """Return the nodes just before drops: of nodes that all fall, the highest."""
    tips: list[int] = []
    for first in drops.tolist():
        if not tips or first > tips[-1] + DROP_NODES:
            tips.append(first + int(np.argmax(force_n[first : first + DROP_NODES])))
    return tips


def _placed(
    blocks: Blocks, pressed: Pressed, places: list[list[int]], lost: BoolArray, noise_n: FloatArray
) -> Breaks:
    """Breaks read from the samples around some nodes of each row: the first of them that is one."""
    x_mm, x_u_mm, tip_n, tip_u_n = np.full((4, len(places)), np.nan)
    found = Breaks(x_mm, x_u_mm, tip_n, tip_u_n, np.full(len(places), -1), np.zeros(len(places), bool))
    for row, node in [(row, node) for row, nodes in enumerate(places) for node in nodes]:
        if found.sample[row] >= 0:
            continue
        begin, end = int(blocks.start[row, 0]), int(blocks.stop[row, blocks.lengths[row] - 1])
        nearest = int(blocks.start[row, max(node - DROP_NODES, 0)])
        beyond = int(blocks.stop[row, min(node + 2 * DROP_NODES, blocks.lengths[row] - 1)])
        if lost[row] and beyond == end:
            beyond += SUDDEN_SAMPLES  # the contact may have ended with the sample before the tip
        near_mm, near_n = pressed(row, slice(nearest, beyond))
        # most of the fall happens within a few samples, and what rises again behind it is not the tip
        few = min(max(SUDDEN_SAMPLES, round(SUDDEN_SHARE * (end - begin))), len(near_n) - 1)
        falls_n = near_n[: len(near_n) - few] - near_n[few:]
        behind = int(np.argmax(falls_n)) + few if few > 0 else len(near_n)
        whole_n = near_n[:behind].max() - near_n[behind - few :].min()
        sudden = few > 0 and falls_n.max() > MADE_UP * whole_n
        if not lost[row] and (not sudden or _relaxes(near_mm, near_n, behind - few, few, whole_n)):
            continue
        up_n = near_n[: behind + 2]
        top, share, share_u, rise_n, rise_u_n = _tip(up_n, noise_n[row])
        # of dense samples the largest is the noisiest: the drop comes behind the last that is as large
        large = np.flatnonzero(up_n[top:] >= up_n[top] - TIP_NOISES * noise_n[row])
        at = top + int(large[-1])
        if 0 < at - top < len(up_n) - 1 - top and up_n[at] - up_n[at + 1] < TIP_NOISES * noise_n[row]:
            share_u = np.hypot(share_u, (at - top) / sqrt(12))  # a slow fall began anywhere in between
        step_mm = float(near_mm[min(at + 1, len(near_mm) - 1)] - near_mm[at])
        if at + 2 < len(near_mm) and abs(near_mm[at + 2] - near_mm[at + 1]) < STOPPED * step_mm:
            # the platen stopped for the break, so that it broke nearer to there
            share, share_u = max(share, STOPPED_FOR), max(share_u, 1 - STOPPED_FOR)
            before_mm = float(near_mm[at] - near_mm[max(at - 1, 0)])
            rise_n *= min(step_mm / before_mm, 1.0) if before_mm > 0 else 1.0
        x_mm[row], x_u_mm[row] = near_mm[at] + share * step_mm, share_u * abs(step_mm)
        # the line of the rise is as noisy as two samples, and goes on as it did before or as in its last step
        tip_u_n[row] = np.linalg.norm([sqrt(2) * noise_n[row], min(share_u, 1.0) * rise_n, share * rise_u_n])
        tip_n[row] = near_n[top] + share * rise_n
        found.sample[row] = nearest + at
        # A force that fell slowly before it broke was larger elsewhere too. Of three samples the middle one
        # counts: a single spike is no larger force.
        elsewhere_n = (pressed(row, part)[1] for part in (slice(begin, nearest), slice(beyond, end)))
        largest_n = [
            (np.median(sliding_window_view(part_n, 3), axis=1) if len(part_n) > 2 else part_n).max(
                initial=-np.inf
            )
            for part_n in elsewhere_n
        ]
        found.is_peak[row] = max(largest_n) < tip_n[row] + tip_u_n[row]
    return found


def _relaxes(x_mm: FloatArray, force_n: FloatArray, tip: int, few: int, fell_n: float) -> bool:
    """Return whether a force falls because the platen stopped, within samples around `tip`: with the
    stop, and not within a single sample as that of a specimen that breaks."""
    tip = max(tip - few, 0) + int(np.argmax(force_n[max(tip - few, 0) : tip + 1]))
    behind = min(tip + few, len(x_mm) - 1)
    stopped = x_mm[behind] - x_mm[tip] < STOPPED * (x_mm[tip] - x_mm[max(tip - few, 0)])
    return bool(stopped and -np.diff(force_n[tip : behind + 1]).min(initial=0.0) < AT_ONCE * fell_n)


def loaded_until(force_n: FloatArray, cycles: Cycles) -> IntArray:
    """Return the last sample of each loading stroke up to which its force rises: that of the largest force
    where much of it was lost before the turn, and that of the first crest where it turns to pull; else the
    last one."""
    last = cycles.load_end.copy()
    least_n = reduced(np.minimum, force_n, cycles.contact, last + 1)
    for row in np.flatnonzero(least_n < cycles.zero_n).tolist():
        part_n = force_n[cycles.contact[row] : last[row] + 1] - cycles.zero_n[row]
        crest_n = np.maximum.accumulate(part_n)
        pulls = (part_n < -PULL_SHARE * crest_n) & (crest_n > CREST_SHARE * crest_n[-1])
        if pulls.any():
            last[row] = cycles.contact[row] + int(np.argmax(part_n[: int(np.argmax(pulls)) + 1]))
    largest_n = reduced(np.maximum, force_n, cycles.contact, last + 1)
    lost = force_n[last] - cycles.zero_n < BEFORE_LOSS * (largest_n - cycles.zero_n)
    for row in np.flatnonzero(lost).tolist():
        first = int(cycles.contact[row])
        last[row] = first + int(np.argmax(force_n[first : last[row] + 1]))
    return last


def _tip(near_n: FloatArray, noise_n: float) -> tuple[int, float, float, float, float]:
    """Sample of the largest force before a drop, despite one spike; the share of a step that the tip lies
    behind it, with its standard uncertainty; and what the force rises by in a step, and how that changed.

    The tip lies between the last sample of the rise and the next one: where the line of the rise meets that
    of the fall, or, where the fall is over within one sample, anywhere between the two. A fall that is over
    in the second step was steeper than that step and began later: evenly likely up to the next sample.
    """
    rises_n = np.diff(near_n, prepend=near_n[:1])
    padded_n = np.append(near_n, near_n[-1:].repeat(3))
    for top in np.argsort(near_n)[::-1].tolist():
        earlier_n = rises_n[max(top - 5, 1) : top]
        rise_n = float(np.median(np.abs(earlier_n))) if len(earlier_n) else abs(float(rises_n[top]))
        if rises_n[top] > SPIKE_RISES * rise_n + SPIKE_NOISES * noise_n:
            continue
        fell_n, falls_n, then_n = (
            float(padded_n[top + step] - padded_n[top + step + 1]) for step in range(3)
        )
        changed_n = abs(float(rises_n[top]) - rise_n)
        if fell_n > max(rise_n, falls_n):
            return top, 0.5, 1 / sqrt(12), rise_n, changed_n
        # top + rise s = next - falls (s - 1), with s the share of a step behind the top sample
        meets = (falls_n - fell_n) / (rise_n + falls_n) if rise_n + falls_n > 0 else 0.0
        doubt = min(FALL_DOUBT + 2 * noise_n / max(rise_n + falls_n, noise_n), 1 / sqrt(12))
        meets = float(np.clip(meets, 0.0, 1.0))
        if then_n < falls_n / 2:
            doubt = max(doubt, (1 - meets) / sqrt(3))
        return top, meets, doubt, rise_n, changed_n
    return int(np.argmax(near_n)), 0.0, 1 / sqrt(12), 0.0, 0.0


def went_on_mm(signals: Signals, cycles: Cycles, deadband_mm: float) -> FloatArray:
    """Return how far the platen went on, deeper than in contact, behind the end of each contact.

    Infinite where the force went at once and the platen had not come back: a piece that relaxes in a hold
    loses its force slowly, and one that stays flat is left by a platen that comes back.
    """
    x_mm, force_n = signals.position_mm, signals.force_n
    end = np.minimum(cycles.release, len(signals) - 1)
    # where nothing follows a contact, any sample stands for it: it is not looked at below
    behind = reduced(np.maximum, x_mm, end, np.clip(cycles.after, end + 1, len(signals)))
    deepest, largest_n = (
        reduced(np.maximum, column, cycles.contact, cycles.release) for column in (x_mm, force_n)
    )
    fell_n = force_n[np.maximum(end - DROP_NODES, cycles.contact)] - force_n[end]
    let_go = (fell_n > BEFORE_LOSS * (largest_n - force_n[end])) & (deepest - x_mm[end] <= deadband_mm)
    # a machine that sees a break stops at once, and what is left of the piece may still carry a little
    rows = np.flatnonzero(~let_go)
    stretches = zip(cycles.contact[rows].tolist(), cycles.release[rows].tolist(), strict=True)
    tip = np.array([first + int(force_n[first:stop].argmax()) for first, stop in stretches], np.int64)
    soon = np.minimum(tip + SUDDEN_SAMPLES, len(signals) - 1)
    gone = force_n[tip] - force_n[soon] > GONE_AT_ONCE * (force_n[tip] - cycles.zero_n[rows])
    for row, begin, end in zip(rows[gone].tolist(), tip[gone].tolist(), soon[gone].tolist(), strict=True):
        let_go[row] = x_mm[begin : end + 1].min() >= x_mm[begin] - deadband_mm
    return np.where(let_go, np.inf, np.where(cycles.after > cycles.release, behind - deepest, 0.0))
