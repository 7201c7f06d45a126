"""The deepest point of a press, where the turn falls between samples.

Problem: the largest sample is not the turn. Between two samples the platen may have gone on by up to half
a step; with dense samples the largest is the noisiest instead. And a force that lags or relaxes is not what
a line through the stroke before it would say.

Plan: three regimes for the position. A hold: the mean of its samples, or its deepest part where it creeps on.
Dense samples: the top of a parabola through those within the deadband. Else: where the lines of both strokes
meet, less what braking between samples takes off. The force of each stroke is the mean over its own samples
within the deadband, carried the last micrometres along the stroke's tangent; in a hold that creeps, where a
specimen follows no tangent, it is not carried.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.analyser.ragged import BoolArray, along_rows
from rig.analyser.settings import MeasuringNoise
from rig.analyser.symmetric import inverse_symmetric3, times_vector
from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter import Cycles

REACH = 12
TIP_ROWS = 12
"""Single samples at the turn in which a hard stop is looked for: some more than the nodes there average."""

DENSE = 7
HOLD_PICKS = 64
HOLD_PARTS = 8
CREEP_NOISES = 6.0
"""A hold is looked at in this many parts; parts whose means differ by more than this many of their standard
errors show that the platen moved on: eight of them differ by four and a half at most by chance (p = 0.03)."""

HOLD_SAMPLES = 3
ARRIVAL_DOUBT = 0.3
"""A hold's force at its start is carried back from its first samples; this share of it is in doubt."""

STOOD_SHARE = 0.05
"""A last row of loading over less than this share of the usual way is one in which the platen stood."""

LATE_ROWS = 2.5
"""A hold's first row that comes this many times later than the rows before it has others missing before
it."""

WHOLLY_BRAKED = (0.8, 1.2)
"""A turn whose braking takes this many steps between samples, or more, is the top of a parabola."""

AVERAGED_STEPS = 0.5
AVERAGED_WIDTH = 0.12
AVERAGED_ABOVE = 0.125
"""A sharp turn that a converter averaged over looks just like one braked within half a step, and lies a
quarter of a step above it: near there both are taken for possible."""

BRAKED_SHARE = 0.125
BRAKED_U = 0.19
BRAKED_FIT_U = 0.05
"""A turn that no sample shows to be braked may have been braked between two samples, over anything up to the
way from the turn to the nearest sample: it lies lower by none to half of that. An eighth is taken, with this
standard uncertainty, twice which reaches both ends; and what is left in steps where the braking shows."""

BEAT_ROWS, ON_BEAT, OFF_BEAT = 6, 0.02, 0.05
"""Rows whose times show the beat of a recording, what their steps may differ by, and how much earlier than on
the beat a last row comes that was written because the press ended."""

UNEVEN_CLOCK, CLOCK_SPREADS = 0.2, 1.5
"""The rows beside a turn were written at times of their own where an interval there differs from the usual
one by this share of it, and by this many times what those around differ by, as rounding makes them do."""

LONG_AWAY = 0.5
"""On an even clock a turn lies farther than this many rows from the nearest sample only where the platen
brakes."""

UNEVEN_SHARE = 0.5
UNEVEN_REACH = 0.25
"""A turn of an uneven stroke may be missed by this share of how its steps change, at the most of what line
and parabola differ by, or of a quarter of the steps on either side."""

LATE_GAP, LOST_SHARE = 1.2, 0.25
"""A gap beside the turn that is this many times as long as most gaps may hide some of the way: this share of
what the platen went in the time above the usual."""

PASSED_ROWS = 0.1
"""A turn lies before or behind the deepest sample for sure where the lines of both strokes meet this many
rows away from it."""

SHOWN_NOISES = 8.0
SMALLEST_MM = 1e-12
LINES_NOISE = 1.5
"""Two lines carried on by a step, and a sample, are off by this many noises of a position."""

CUSP_SHARE = 0.19
"""A parabola fitted to an even, sharp turn peaks this share of its depth too low (least squares of |t|
over -1..1 by 3/16 + 15/16 t^2); half of it is added, and is the standard uncertainty: a braked turn lies one
of them above, a sharp one below."""


_WINDOW = np.arange(-REACH, REACH + 1)


@dataclass(frozen=True, slots=True)
class Side:
    """Mean of a stroke's samples next to the turn, each column of shape (m,)."""

    x_mm: FloatArray
    force_n: FloatArray
    count: IntArray
    doubt_n: FloatArray | float = 0.0
    """Standard uncertainty of the force beside that of noise."""


@dataclass(frozen=True, slots=True)
class Tip:
    """Single samples of a stroke, the one at the turn first, shape (m, `TIP_ROWS`).

    The last one stands again where the stroke has no more.
    """

    x_mm: FloatArray
    force_n: FloatArray


@dataclass(frozen=True, slots=True)
class Turn:
    """Where presses turn.

    Parameters
    ----------
    x_mm, u_mm
        Deepest positions and their standard uncertainties, shape (m,).
    loading, unloading
        What the samples on either side say; forces still with their zero.
    crept
        Where the platen went on in a hold: no tangent says what the force did there.
    over
        Where it went deeper before it came back to a hold: the force there, not-a-number elsewhere.
    over_mj
        Work between the first time at the hold's place and the end of the hold; 0 without an overshoot.
    ahead
        Rows from the deepest sample to the turn, less than zero where the turn came before it; not-a-number
        where the samples do not tell.
    tips
        Single samples of each stroke from the turn on, the one at the turn first.
    """

    x_mm: FloatArray
    u_mm: FloatArray
    loading: Side
    unloading: Side
    crept: BoolArray
    over: Side
    over_mj: FloatArray
    ahead: FloatArray
    tips: tuple[Tip, Tip]


def find_turns(
    signals: Signals, cycles: Cycles, noise: MeasuringNoise, deadband_mm: float, *, backlash: bool = False
) -> Turn:
    """Deepest points of presses.

    Parameters
    ----------
    deadband_mm
        Samples this near to the deepest one belong to the turn.
    backlash
        Whether positions are read behind a backlash: the reading then rests at the turn, which lifts a
        parabola by as much as a sharp turn lies above it.
    """
    x_mm = signals.position_mm
    index, near = _near(x_mm, cycles.load_end, cycles, deadband_mm)
    height = x_mm[index] - x_mm[cycles.load_end][:, None]
    inside = (cycles.load_end[:, None] + _WINDOW == index) & _within(index, cycles)
    rise, rise_u, ahead = _between_samples(
        height,
        inside,
        noise.position_mm,
        rows=_rows_beside(signals.time_s[index], inside),
        ended=_ended_there(signals.time_s, cycles.load_end),
    )
    rise_u = np.hypot(rise_u, _lost_mm(signals, index, height))
    dense = np.flatnonzero(np.count_nonzero(near, axis=1) >= DENSE)
    if len(dense):
        rise[dense], rise_u[dense] = _parabola(
            height[dense], near[dense], noise.position_mm, CUSP_SHARE / 2 * (not backlash)
        )
    peak_mm = x_mm[cycles.load_end] + rise
    crept = np.zeros(len(peak_mm), bool)
    hold = np.flatnonzero(cycles.unload_start > cycles.load_end)
    if len(hold):
        peak_mm[hold], rise_u[hold], crept[hold] = _hold_place(x_mm, cycles.selected(hold), noise.position_mm)
    # a hold's first and last few samples say what force it begins and ends with
    holds = (cycles.unload_start > cycles.load_end)[:, None]
    begins, ends = (_WINDOW >= 0) & (_WINDOW < HOLD_SAMPLES), (_WINDOW <= 0) & (_WINDOW > -HOLD_SAMPLES)
    # a sample behind the turn, and one before it, belong to the other stroke, if that has no nearer one
    passed, before = (
        ~holds & (np.count_nonzero(near, axis=1) < DENSE)[:, None] & beyond[:, None] & near[:, [REACH + step]]
        for beyond, step in ((ahead < -PASSED_ROWS, -1), (ahead > PASSED_ROWS, 1))
    )
    comes, goes = (_WINDOW < 0) | ((_WINDOW == 0) & ~passed), (_WINDOW > 0) | ((_WINDOW == 0) & ~before)
    loading = _side(signals, index, near & np.where(holds, begins, comes))
    if len(hold):
        loading = _at_arrival(signals, cycles, hold, loading)
    index, near = _near(x_mm, cycles.unload_start, cycles, deadband_mm)
    unloading = _side(signals, index, near & np.where(holds, ends, goes))
    step_mm = noise.position_resolution_mm / sqrt(12)
    over, over_mj = _overshoots(signals, cycles, peak_mm, deadband_mm, hold[~crept[hold]])
    rows = np.arange(TIP_ROWS)
    tips = (
        np.maximum(cycles.load_end[:, None] - rows, cycles.contact[:, None]),
        np.minimum(
            cycles.unload_start[:, None] + rows, np.maximum(cycles.release - 1, cycles.unload_start)[:, None]
        ),
    )
    return Turn(
        peak_mm,
        np.hypot(rise_u, step_mm),
        loading,
        unloading,
        crept,
        over,
        over_mj,
        ahead,
        (Tip(x_mm[tips[0]], signals.force_n[tips[0]]), Tip(x_mm[tips[1]], signals.force_n[tips[1]])),
    )


def _overshoots(
    signals: Signals, cycles: Cycles, peak_mm: FloatArray, deadband_mm: float, holds: IntArray
) -> tuple[Side, FloatArray]:
    """Return the largest forces where the platen passed the place of its hold, and the work of going
    there and back."""
    x_mm, force_n = signals.position_mm, signals.force_n
    tip_mm, tip_n, doubt_n = np.full((3, len(peak_mm)), np.nan)
    count, over_mj = np.ones(len(peak_mm), np.int64), np.zeros(len(peak_mm))
    for row in holds[x_mm[cycles.load_end[holds]] > peak_mm[holds] + deadband_mm].tolist():
        first, last, stop = (
            int(each[row]) for each in (cycles.contact, cycles.load_end, cycles.unload_start)
        )
        passed = np.flatnonzero(x_mm[first : last + 1] <= peak_mm[row])
        start = first + (int(passed[-1]) if len(passed) else 0) + 1
        begin = max(start - 1, last - REACH)
        near_n = force_n[begin : min(last + REACH, stop) + 1]
        # of dense samples a short mean: the largest alone is the noisiest
        width = max(len(near_n) // DENSE, 1)
        smooth_n = np.convolve(near_n, np.ones(width) / width, mode="valid")
        top = int(np.argmax(smooth_n))
        # a sharp tip lies above its largest sample by no more than half of what it falls by to either side
        beside_n = smooth_n[[max(top - width, 0), min(top + width, len(smooth_n) - 1)]]
        short_n = max(smooth_n[top] - beside_n.max(), 0.0) / 4
        tip_mm[row], tip_n[row] = x_mm[begin + top + width // 2], smooth_n[top] + short_n
        doubt_n[row], count[row] = short_n / sqrt(3), width
        there = np.concatenate([[peak_mm[row]], x_mm[start : stop + 1], [peak_mm[row]]])
        along_n = np.concatenate(
            [force_n[start : start + 1], force_n[start : stop + 1], force_n[stop : stop + 1]]
        )
        over_mj[row] = np.trapezoid(along_n, there)
    return Side(tip_mm, tip_n, count, doubt_n), over_mj


def _usual_change(height_mm: FloatArray) -> FloatArray:
    """Return by how much a step differs from the next one, half of the time, on one stroke; 0 where none are
    known."""
    sides = (height_mm[:, :REACH], height_mm[:, REACH + 1 :])
    change = np.sort(np.concatenate([np.abs(np.diff(side, 2, axis=1)) for side in sides], axis=1), axis=1)
    # not-a-numbers stand last
    half = (np.count_nonzero(np.isfinite(change), axis=1) - 1) // 2
    return np.nan_to_num(along_rows(change, np.maximum(half, 0)[:, None])[:, 0])


def _lost_mm(signals: Signals, index: IntArray, height: FloatArray) -> FloatArray:
    """Return what the place of turns is uncertain by where rows beside the deepest one are missing or late: a
    turn may lie anywhere in the longer gap, and a share of what the platen went in it above the rows."""
    gap_s = np.diff(signals.time_s[index], axis=1)
    usual_s = np.sort(np.where(gap_s > 0, gap_s, np.inf), axis=1)
    half = np.maximum(np.count_nonzero(np.isfinite(usual_s), axis=1) // 2, 0)
    usual_s = along_rows(usual_s, half[:, None])
    beside_s, drop_mm = gap_s[:, REACH - 1 : REACH + 1], -height[:, [REACH - 1, REACH + 1]]
    with np.errstate(divide="ignore", invalid="ignore"):
        longer = np.where(beside_s > LATE_GAP * usual_s, 1 - usual_s / beside_s, 0.0)
    lost_mm: FloatArray = LOST_SHARE * (longer * drop_mm).max(axis=1)
    return lost_mm


def _within(index: IntArray, cycles: Cycles) -> BoolArray:
    return (index >= cycles.contact[:, None]) & (index < cycles.release[:, None])


def _near(
    x_mm: FloatArray, centre: IntArray, cycles: Cycles, deadband_mm: float
) -> tuple[IntArray, BoolArray]:
    """Return the samples around `centre`, and which of them lie within the deadband without a break."""
    index = centre[:, None] + _WINDOW
    inside = _within(index, cycles)
    index = np.clip(index, 0, len(x_mm) - 1)
    near = inside & (x_mm[index] >= (x_mm[centre] - deadband_mm)[:, None])
    near[:, REACH:] = np.logical_and.accumulate(near[:, REACH:], axis=1)
    near[:, REACH::-1] = np.logical_and.accumulate(near[:, REACH::-1], axis=1)
    return index, near


def _side(signals: Signals, index: IntArray, near: BoolArray) -> Side:
    count = np.maximum(np.count_nonzero(near, axis=1), 1)
    weight = near / count[:, None]
    return Side(
        np.einsum("rj,rj->r", weight, signals.position_mm[index]),
        np.einsum("rj,rj->r", weight, signals.force_n[index]),
        count,
    )


def _ended_there(time_s: FloatArray, last: IntArray) -> BoolArray:
    """Return which samples are the last of the recording and came earlier than its even steps say: they were
    written because the press ended there."""
    ended = np.zeros(len(last), bool)
    if len(time_s) > BEAT_ROWS:
        *steps_s, last_s = np.diff(time_s[-BEAT_ROWS - 1 :])
        even = np.ptp(steps_s) <= ON_BEAT * np.mean(steps_s)
        ended = (last == len(time_s) - 1) & even & (last_s < (1 - OFF_BEAT) * np.mean(steps_s))
    return ended


def _rows_beside(time_s: FloatArray, inside: BoolArray) -> FloatArray:
    """Return how long the intervals before and behind the largest sample are, in those before and behind
    them, shape (m, 2): 1 where a clock is even or does not tell.

    A table with a row per step of travel or force leaves the turn in an interval of its own length.
    """
    steps_s = np.where(inside[:, 1:] & inside[:, :-1], np.diff(time_s, axis=1), np.nan)
    beside = np.array([REACH - 1, REACH])
    around_s = np.delete(steps_s, beside, axis=1)
    lasting = np.count_nonzero(around_s > 0, axis=1) >= BEAT_ROWS
    rows = np.ones((len(time_s), 2))
    if not lasting.any():
        return rows
    around_s, own_s, next_s = (
        around_s[lasting],
        steps_s[lasting][:, beside],
        steps_s[lasting][:, beside + np.array([-1, 1])],
    )
    usual_s = np.nanmedian(around_s, axis=1)
    spread_s = np.nanmax(around_s, axis=1) - np.nanmin(around_s, axis=1)
    off_s = np.abs(own_s - usual_s[:, None]).max(axis=1)
    told = (off_s > np.maximum(UNEVEN_CLOCK * usual_s, CLOCK_SPREADS * spread_s)) & (next_s > 0).all(axis=1)
    rows[lasting] = np.where(told[:, None], own_s / np.where(told[:, None], next_s, 1.0), 1.0)
    return rows


def _between_samples(
    height: FloatArray, inside: BoolArray, noise_mm: float, *, rows: FloatArray, ended: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rise of the turn above the largest sample, its standard uncertainty, and rows from there to the turn.

    `rows` holds how many of their rows the intervals before and behind the largest sample last.

    Notes
    -----
    1. The lines through two samples on either side meet above the turn: for braking over b steps by b/2 of a
       step, if the speeds are equal.
    2. A sample at d steps from the turn lies below both lines by (b - d)^2 / (2 b) steps, as long as it is
       braked: from that follows b, and with it the turn. Where it lies on a line, b is anything up to d.
    3. Braking over more than about a step bends the lines themselves: then the parabola through the largest
       sample and its neighbours has the turn at its top.
    """
    drop = np.where(inside, -height, np.nan)
    # drops below the largest sample, the nearest first; the lines run through the nearest two of each side
    (b1, b2, b3), (a1, a2, a3) = drop[:, REACH - 3 : REACH][:, ::-1].T, drop[:, REACH + 1 : REACH + 4].T
    come, go = b2 - b1, a2 - a1
    step = (come + go) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        parabola = (b1 - a1) ** 2 / (8 * (a1 + b1))
        # on an even clock both intervals are one row
        place = (b1 - a1 + go * rows[:, 1] - come * rows[:, 0]) / (2 * step)
        meet = -b1 + come * (rows[:, 0] + place)
        below = np.maximum(np.minimum(come * rows[:, 0] - b1, go * rows[:, 1] - a1) / step, 0.0)
        # a platen brakes no earlier because rows are missing before the turn
        away = np.clip(np.abs(place), 0.0, np.where((rows == 1).all(axis=1), 1.0, LONG_AWAY))
        braked = away + below + np.sqrt(below**2 + 2 * below * away)
    usable = (come > 0) & (go > 0) & np.isfinite(meet) & (a1 + b1 > 0)
    parabola, step, below, away, braked = (
        np.where(usable & np.isfinite(each), each, 0.0) for each in (parabola, step, below, away, braked)
    )
    # noise of positions lets a sample on a line seem a little below it
    shows = np.clip(below * step / np.maximum(SHOWN_NOISES * noise_mm, SMALLEST_MM), 0.0, 1.0)
    under = step * (shows * braked / 2 + (1 - shows) * BRAKED_SHARE * away)
    under_u = step * (shows * BRAKED_FIT_U + (1 - shows) * BRAKED_U * away)
    averaged = np.exp(-(((braked - AVERAGED_STEPS) / AVERAGED_WIDTH) ** 2)) * shows * AVERAGED_ABOVE * step
    line = np.clip(
        np.where(usable, meet - under + averaged, parabola),
        parabola,
        np.fmax(np.fmax(b1, a1) * rows.max(axis=1), parabola),
    )
    rounded = np.clip((braked - WHOLLY_BRAKED[0]) / (WHOLLY_BRAKED[1] - WHOLLY_BRAKED[0]), 0.0, 1.0)
    rise = np.where(usable, rounded * parabola + (1 - rounded) * line, parabola)
    # how much the speed changes from step to step is how far a line can miss
    uneven = np.nan_to_num(np.abs(b3 - 2 * b2 + b1)) + np.nan_to_num(np.abs(a3 - 2 * a2 + a1))
    # three steps may be equal by chance: those of the whole window say what is usual
    usual = _usual_change(np.where(inside, height, np.nan)) - SHOWN_NOISES * noise_mm
    uneven = np.maximum(uneven, 2 * usual)
    # but a platen that goes in jerks may have gone on by some of its last steps where line and parabola agree
    jerk = np.where(usable, UNEVEN_REACH * (a1 + b1), 0.0)
    missed_u = UNEVEN_SHARE * np.minimum(uneven, np.maximum(np.abs(line - parabola), jerk))
    line_u = (1 - rounded) * np.sqrt(under_u**2 + averaged**2 + missed_u**2)
    # between both kinds either may be right
    torn_u = rounded * (1 - rounded) * np.abs(line - parabola)
    # with samples on one side only (the end of a recording) nothing shows the turn: the platen may have gone
    # on by as much as a step, evenly likely anywhere there
    alone = np.where(np.isfinite(b1) & np.isfinite(a1), np.fmax(b1, a1) / 2, np.fmax(b1, a1))
    alone_u = np.where(usable | ended, 0.0, np.maximum(np.nan_to_num(alone), 0.0) / sqrt(3))
    rise_u = np.sqrt(line_u**2 + torn_u**2 + alone_u**2 + (LINES_NOISE * noise_mm) ** 2)
    return rise, rise_u, np.where(usable, place, np.nan)


def _parabola(
    height: FloatArray, near: BoolArray, noise_mm: float, added: float
) -> tuple[FloatArray, FloatArray]:
    """Rise of a parabola's top above the largest sample, by least squares over the near samples.

    A share of the parabola's depth is added.
    """
    t = _WINDOW / REACH
    weight = near.astype(np.float64)
    moments = np.stack([weight @ t**k for k in range(5)], axis=1)
    targets = np.stack([(weight * height) @ t**k for k in range(3)], axis=1)
    order = np.arange(3)
    inverse = inverse_symmetric3(moments[:, order[:, None] + order])
    constant, linear, bend = times_vector(inverse, targets).T
    with np.errstate(divide="ignore", invalid="ignore"):
        at = np.clip(-linear / (2 * bend), -1, 1)
    at = np.where((bend < 0) & np.isfinite(at), at, 0.0)
    top = constant + linear * at + bend * at**2
    depth = np.abs(bend) * np.where(near, np.abs(t), 0).max(axis=1) ** 2
    direction = np.stack([np.ones_like(at), at, at**2], axis=1)
    fit_u = noise_mm * np.sqrt(np.maximum(np.einsum("ri,rij,rj->r", direction, inverse, direction), 0))
    return top + added * depth, np.hypot(fit_u, CUSP_SHARE / 2 * depth)


def _at_arrival(signals: Signals, cycles: Cycles, rows: IntArray, side: Side) -> Side:
    """Return the force with which a hold began, which is more than the mean of its first samples: a specimen
    relaxes from the first instant.

    The platen arrived up to a step before the hold's first sample: how much, its last step says beside the
    one before. The force is carried back to there along the line through the first samples of the hold, as
    far as that line stands out of their scatter. Where a specimen relaxes within few rows, or rows of a
    platen that stands are left out of a table, so long has passed that nothing of this shows; then the
    loading stroke is carried on to there.
    """
    x_mm, first, contact = signals.position_mm, cycles.load_end[rows], cycles.contact[rows]
    carried, doubt = side.force_n.copy(), np.zeros_like(side.force_n)
    ends = cycles.unload_start[rows]
    carried[rows], doubt[rows] = _arrival_n(signals, first, contact, ends, carried[rows])
    # a platen that went only a little further in its last row may have arrived before it: the force has
    # relaxed for the longer, if that makes it larger
    before = [np.maximum(first - back, contact) for back in (1, 2, 3)]
    stood = x_mm[first] - x_mm[before[0]] < STOOD_SHARE * (x_mm[before[1]] - x_mm[before[2]])
    earlier_n, earlier_u = _arrival_n(signals, before[0], contact, ends, None)
    larger = stood & (earlier_n > carried[rows])
    carried[rows], doubt[rows] = (
        np.where(larger, *pair) for pair in ((earlier_n, carried[rows]), (earlier_u, doubt[rows]))
    )
    return Side(side.x_mm, carried, side.count, doubt)


def _arrival_n(
    signals: Signals, first: IntArray, contact: IntArray, ends: IntArray, mean_n: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Return the force with which holds began, and what it is uncertain by beside noise.

    Parameters
    ----------
    first, contact, ends
        First sample of each hold, of its press in contact, and of its unloading, shape (m,).
    mean_n
        Mean force of the first samples of each hold; None: that of all of them.
    """
    x_mm, time_s = signals.position_mm, signals.time_s
    last = np.minimum(first + HOLD_SAMPLES - 1, ends)
    whole = last - first == HOLD_SAMPLES - 1
    take = np.minimum(first[:, None] + np.arange(HOLD_SAMPLES), len(signals.force_n) - 1)
    force_n = signals.force_n[take]
    fall_n = (force_n[:, 0] - force_n[:, -1]) / (HOLD_SAMPLES - 1)
    bend_n = np.abs(np.diff(force_n, 2, axis=1)).max(axis=1)
    before = [np.maximum(first - back, contact) for back in (1, 2)]
    step, usual = x_mm[first] - x_mm[before[0]], x_mm[before[0]] - x_mm[before[1]]
    arrived = np.clip(np.where(usual > 0, step / np.where(usual > 0, usual, 1.0), 1.0), 0.0, 1.0)
    trust = np.where(fall_n > 0, fall_n**2 / (fall_n**2 + bend_n**2 / 2 + SMALLEST_MM), 0.0)
    whole_n = np.where(whole, np.maximum(fall_n, 0.0) * (1 - arrived + (HOLD_SAMPLES - 1) / 2), 0.0)
    rise_n = trust * whole_n
    carried = (force_n.mean(axis=1) if mean_n is None else mean_n) + rise_n
    # what is not put on is in doubt too
    doubt = np.hypot(ARRIVAL_DOUBT * rise_n, whole_n - rise_n)
    gap_s, row_s = time_s[first] - time_s[before[0]], time_s[before[0]] - time_s[before[1]]
    rise_row_n = signals.force_n[before[0]] - signals.force_n[before[1]]
    onward_n = arrived * rise_row_n
    # where the force falls in a row of the hold by as much as it rose in one before, much of the fall is over
    # within the row in which the platen arrived
    fell_n = np.maximum(fall_n, signals.force_n[before[0]] - force_n[:, 0])
    rises = whole & (usual > 0) & (rise_row_n > 0)
    fast = np.where(rises, np.clip(fell_n / np.where(rises, rise_row_n, 1.0), 0.0, 1.0), 0.0)
    fast[(gap_s > LATE_ROWS * row_s) & (row_s > 0) & (usual > 0)] = 1.0
    more_n = np.maximum(signals.force_n[before[0]] + onward_n - carried, 0.0)
    carried = carried + fast * more_n
    doubt = np.sqrt(
        ((1 - np.where(more_n > 0, fast**2, 0.0)) * doubt) ** 2
        + (fast * ARRIVAL_DOUBT * onward_n) ** 2
        + (fast * (1 - fast) * more_n) ** 2
    )
    return carried, doubt


def arrival_s(signals: Signals, first: int, contact: int) -> float:
    """Return when a platen arrived for a hold: within the step before its first sample, as far as that goes
    beside the one before."""
    before, earlier = max(first - 1, contact), max(first - 2, contact)
    usual_mm = float(signals.position_mm[before] - signals.position_mm[earlier])
    step_mm = float(signals.position_mm[first] - signals.position_mm[before])
    arrived = min(max(step_mm / usual_mm, 0.0), 1.0) if usual_mm > 0 else 1.0
    row_s = float(signals.time_s[before] - signals.time_s[earlier])
    return min(float(signals.time_s[before]) + arrived * row_s, float(signals.time_s[first]))


def _hold_place(
    x_mm: FloatArray, cycles: Cycles, noise_mm: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Position of holds, from samples spread over their length: the mean, or the deepest part of a hold that
    creeps on by more than noise; and whether it does."""
    length = cycles.unload_start - cycles.load_end
    picks = np.rint(np.linspace(0, 1, HOLD_PICKS) * length[:, None]).astype(np.int64)
    part_mm = x_mm[cycles.load_end[:, None] + picks].reshape(len(length), HOLD_PARTS, -1).mean(axis=2)
    part_u = noise_mm / np.sqrt(np.clip(length / HOLD_PARTS, 1, HOLD_PICKS / HOLD_PARTS))
    mean_u = noise_mm / np.sqrt(np.minimum(length + 1, HOLD_PICKS))
    deepest_mm = part_mm.max(axis=1)
    crept = deepest_mm - part_mm[:, 0] > CREEP_NOISES * part_u
    # a hold that begins with an overshoot has its first parts beyond
    usual_mm = np.median(part_mm, axis=1)
    over = part_mm[:, 0] - usual_mm > CREEP_NOISES * part_u
    mean_mm = np.where(over, usual_mm, part_mm.mean(axis=1))
    mean_u = np.where(over, np.hypot(part_u, usual_mm - part_mm[:, -1]), mean_u)
    # within the deepest part, the platen has gone on by no more than from the part beside it
    beside_mm = np.sort(part_mm, axis=1)[:, -2]
    place_mm = np.where(crept, deepest_mm, mean_mm)
    return place_mm, np.where(crept, np.hypot(part_u, (deepest_mm - beside_mm) / 2), mean_u), crept
