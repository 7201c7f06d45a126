"""What a laboratory makes of a dense course: rows of a table, with its noise, rounding, zero and sign.

In: dense time, position and force. Out: the rows that were written. Nothing here depends on the code under
test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

MOVING_MM_PER_S = 0.02
"""A platen is in motion above this speed; noise of motion comes and goes with it."""


@dataclass(frozen=True)
class Laboratory:
    """How a table came about.

    Parameters
    ----------
    rate_hz
        Rows a second.
    noise_n, noise_mm
        Standard deviation of white noise.
    correlated_n, correlation
        Standard deviation of first-order autoregressive noise, and its coefficient from row to row.
    moving_n
        Further white noise of force while the platen moves.
    load_share
        Further noise in proportion to the load.
    rough_n, rough_share, rough_rows
        Friction: a slow wander of the force along the way while the platen moves, part constant, part in
        proportion to the load, over so many rows.
    spikes
        Rows on average between single wrong rows; 0 for none.
    spike_n, spike_mm
        Size of wrong rows.
    spike_rows
        Wrong rows in a row, the second of them off by less.
    zero_n, drift_n_per_s
        Force that is written without contact, and how it moves.
    averaged
        A row is the mean over the time since the row before: "both" channels, "force" alone with positions
        of the middle of that time, or "none".
    decimals
        Of time, position and force; None for as many as a float has.
    quantum_n, quantum_mm
        Steps of the converters before anything is written; 0 for none.
    drift_bend
        How far the zero strays from an even drift midway, as a share of all that it drifts.
    thinned
        While the platen stands still, only every so-manieth row is written.
    lost_share
        Share of rows that are missing, one by one.
    clock_step_s
        Times are written in steps of a coarse clock, so that some are equal; 0 for none.
    late_share
        Rows come this share of their interval too late or too early, and their times say so.
    position_every, force_every
        The channel is new in every so-manieth row only; the rows between repeat its last value.
    ends_off_beat
        The last row is that of the last instant, a part of an interval after the one before.
    """

    rate_hz: float = 100.0
    noise_n: float = 0.01
    noise_mm: float = 0.0005
    correlated_n: float = 0.0
    correlation: float = 0.0
    moving_n: float = 0.0
    load_share: float = 0.0
    rough_n: float = 0.0
    rough_share: float = 0.0
    rough_rows: float = 20.0
    spikes: float = 0.0
    spike_n: float = 0.0
    spike_mm: float = 0.0
    spike_at_turn: bool = False
    spike_rows: int = 1
    zero_n: float = 0.0
    drift_n_per_s: float = 0.0
    averaged: str = "none"
    decimals: tuple[int, int, int] | None = (4, 4, 4)
    quantum_n: float = 0.0
    quantum_mm: float = 0.0
    drift_bend: float = 0.0
    thinned: int = 1
    lost_share: float = 0.0
    clock_step_s: float = 0.0
    late_share: float = 0.0
    position_every: int = 1
    force_every: int = 1
    ends_off_beat: bool = False


def rows_of(lab, course, dense, part, random):
    """Columns of time in s, position in mm and force in N."""
    time_s, position_mm, force_n = dense
    stride = max(round(1 / lab.rate_hz / course.step_s), 1)
    index = _instants(lab, part, stride, position_mm, random)
    row_s = time_s[index]
    if lab.averaged == "none":
        row_mm, row_n = position_mm[index], force_n[index]
    else:
        index = index[index >= stride]
        row_s = time_s[index]
        row_n = _means(force_n, index, stride)
        # the middle of an even number of instants lies between two of them
        middle_mm = (position_mm[index - stride // 2] + position_mm[index - (stride - 1) // 2]) / 2
        row_mm = _means(position_mm, index, stride) if lab.averaged == "both" else middle_mm
    speed = np.abs(np.gradient(position_mm, course.step_s))[index]
    moves = speed > MOVING_MM_PER_S
    noise = lab.noise_n * random.normal(size=len(index))
    noise += lab.moving_n * moves * random.normal(size=len(index))
    noise += lab.load_share * row_n * random.normal(size=len(index))
    if lab.correlated_n:
        noise += lab.correlated_n * _autoregressive(random, len(index), lab.correlation)
    if lab.rough_n or lab.rough_share:
        wander = _autoregressive(random, len(index), np.exp(-1 / lab.rough_rows))
        noise += moves * (lab.rough_n + lab.rough_share * row_n) * wander
    row_n = row_n + noise + lab.zero_n + _drift_n(lab, row_s)
    row_mm = row_mm + lab.noise_mm * random.normal(size=len(index))
    wrong = _wrong_rows(lab, course, index, random)
    off = random.uniform(0.3, 1.0, len(wrong)) * random.choice([-1, 1], len(wrong))
    row_n[wrong] += lab.spike_n * off
    row_mm[wrong] += lab.spike_mm * random.uniform(0.3, 1.0, len(wrong)) * random.choice([-1, 1], len(wrong))
    for further in range(1, lab.spike_rows):
        behind = np.minimum(wrong + further, len(row_n) - 1)
        row_n[behind] += lab.spike_n * off * random.uniform(0.5, 1.0, len(wrong))
    if lab.quantum_n:
        row_n = np.rint(row_n / lab.quantum_n) * lab.quantum_n
    if lab.quantum_mm:
        row_mm = np.rint(row_mm / lab.quantum_mm) * lab.quantum_mm
    row_mm, row_n = _held(row_mm, lab.position_every), _held(row_n, lab.force_every)
    row_s = row_s - row_s[0]
    if lab.clock_step_s:
        row_s = np.floor(row_s / lab.clock_step_s) * lab.clock_step_s
    return row_s, row_mm, row_n


def _instants(lab, part, stride, position_mm, random):
    """Dense instants at which rows are taken."""
    begin = part.first or int(random.integers(0, stride))
    index = np.arange(begin, part.last + 1, stride)
    if lab.late_share:
        late = np.rint(random.uniform(-0.5, 0.5, len(index)) * lab.late_share * stride).astype(np.int64)
        index = np.unique(np.clip(index + late, part.first, part.last))
    if lab.ends_off_beat:
        index = np.unique(np.append(index, part.last))
    if lab.thinned > 1:
        still = np.abs(np.diff(position_mm[index], prepend=np.nan)) < 1e-9
        index = index[~still | (np.arange(len(index)) % lab.thinned == 0)]
    if lab.lost_share:
        index = index[random.random(len(index)) >= lab.lost_share]
    return index


def _held(values, every):
    return values[np.arange(len(values)) // every * every]


def _drift_n(lab, row_s):
    """Where the zero has gone: evenly, with a bend."""
    share = (row_s - row_s[0]) / max(row_s[-1] - row_s[0], 1e-9)
    return lab.drift_n_per_s * (row_s[-1] - row_s[0]) * (share + 4 * lab.drift_bend * share * (1 - share))


def _means(values, index, stride):
    total = np.concatenate([[0.0], np.cumsum(values)])
    return (total[index + 1] - total[index + 1 - stride]) / stride


def _autoregressive(random, count, coefficient):
    """Noise of standard deviation 1 whose neighbours correlate by the coefficient."""
    steps = np.sqrt(1 - coefficient**2) * random.normal(size=count)
    steps[:1] = random.normal(size=min(count, 1))
    return lfilter([1.0], [1.0, -coefficient], steps)


def _wrong_rows(lab, course, index, random):
    """Single rows that are wrong, one of them at a turn where that is asked for."""
    if not lab.spikes:
        return np.empty(0, np.int64)
    wrong = np.flatnonzero(random.random(len(index)) < 1 / lab.spikes)
    if lab.spike_at_turn and course.presses:
        press = course.presses[int(random.integers(len(course.presses)))]
        wrong = np.append(wrong, int(np.searchsorted(index, press.arrived)))
    wrong = np.unique(np.clip(wrong, 0, len(index) - 1))
    # two wrong rows side by side would be no single ones
    return wrong[np.diff(wrong, prepend=-9) > 3]
