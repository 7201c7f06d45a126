"""Readings that repeat themselves while the press goes on: a sensor or its driver hung for some samples.

Problem: a held position beside a live force, or the other way round, bends the curve, and no gap in the
numbers tells of it. A platen that rests, a coarse sensor and a slow converter repeat values too.

Plan: things that no press does. A position or force that moves at speed stops dead for fewer samples
than a hold has and goes on at speed, or goes on with a leap that makes up for its stop. A force rises by
more than any of its steps while the position beside it, much finer than the travel, stays as it was; or rises
and falls again while the position stays at its deepest, as that of a sensor at the end of its range does. A
force that the noise of the recording's start ought to stir repeats itself to the count. Sensors that do so
all the time are let alone: that is how they are. What lies outside a cycle and its no-load stretches is not
looked at, so that the answer does not depend on how the recording was cut. A hold of a few samples right at a
turn looks like the turn, and is not found. Where in the press a reading is held, at its contact, in loading,
at its peak or in unloading, decides what it spoils. Cost: six passes over each channel, and otherwise the
stretches of equal values alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, log, pi, sqrt

import numpy as np
import numpy.typing as npt

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray
from rig.segmenter.noise import Noise
from rig.segmenter.padding import reduced
from rig.segmenter.spans import Cycles, Flag, FlagArray

BoolArray = npt.NDArray[np.bool_]

SLOWEST_STEP_S = 0.05
"""Tables whose rows are farther apart, as those read by hand, stop and leap by their nature."""

PART_SAMPLES = 1 << 14
"""Samples worked on at once, some hundred kilobytes."""

FEWEST_REPEATS = 2

AT_SPEED_SHARE = 0.25
"""Share of a cycle's largest step that counts as speed: a platen or a hand comes below it before it stops."""

LEAP = 2.5
LEAP_STEPS = 4.0
LEAP_NOISES = 12.0
"""A leap is this many times larger than the cycle's largest other step, and than resolution and noise."""

SHOWN_SPEEDS = 5.0
"""A leap of position that is this many times the least speed it shows: twice as fine as is needed elsewhere,
since a hand that all but rests moves by less than a step for long."""

HIDDEN_LEAPS = 2.0
"""What a force rises by while the position stays is no single step, and has to be larger."""

LEAP_BESIDE_NEXT = 1.5
STEPS_AFTER = 3
"""After repeats that noise should have stirred, a step this many times larger than each of the next few makes
up for them; a force's first step in contact is a part of the next ones."""

FINE_STEPS = 3.0
FINE_NOISES = 8.0
"""A channel whose steps at speed are not this many resolutions and noises large shows no stop."""

CHANCE = 1e-7
"""Of this many equal neighbours in a row by noise alone."""

MOST_LIKELY = 0.5
"""Share of equal neighbours above which noise does not stir the force."""

HABIT = 3
"""Times the repeats seen in the recording's no-load start before the force counts as hung."""

CLIPPED_REPEATS = 4
CLIPPED_SHARE = 0.01
"""A force that repeats its largest value this many times, while the platen goes by this share of the depth,
and that came there at speed, is cut off."""

FLAT_SHARE, FLAT_NOISES = 1e-3, 6.0
"""Behind a filter a cut-off force keeps to its top within this share of it, if noise is as much smaller, on
both sides of the turn: a specimen rises towards the turn, or gives way behind it."""

ENDED_MIDDLE = 0.2
ENDED_SHARE = 0.01
"""A position that comes at speed, repeats its deepest value as often and leaves at speed has come to the end
of its range if the force beside it goes on: by more than this share of the largest, up to a top that lies
farther than the first share from both ends, and back by half of that. In a hold it rises at the start alone,
if at all."""

MOST_STOPS = 8
"""In one cycle; a sensor with more is slower than the stream."""

NEAR_CONTACT = 0.3
NEAR_PEAK = 0.8
"""A toe region is fitted below less than this share of the peak force; tangents and peaks are read above less
than this share of the depth."""


def held_and_clipped(
    signals: Signals,
    cycles: Cycles,
    noise: Noise,
    *,
    usual_step_s: float,
    shortest_dwell: int,
    deadband_mm: float,
) -> tuple[FlagArray, BoolArray]:
    """Return the flags of held readings, and `clipped`, of the same cycles, whose forces are gone through
    once."""
    presses = _Presses(cycles)
    none = np.empty(0, np.int64)
    force = _Reading.of(
        signals.force_n, presses, none, resolution=signals.force_resolution_n, noise=noise.force_n
    )
    position = _Reading.of(
        signals.position_mm, presses, none, resolution=signals.position_resolution_mm, noise=noise.position_mm
    )
    both = (position, force)
    stuck = held(signals, presses, both, noise, usual_step_s=usual_step_s, shortest_dwell=shortest_dwell)
    flags = _parts_held(signals, cycles, stuck)
    ended = at_the_end(presses, position, force, noise.force_n)
    flags[ended] |= np.uint32(Flag.READING_HELD_AT_PEAK)
    cut_off = clipped(signals, presses, force, deadband_mm)
    return flags, cut_off | topped_out(signals, cycles, force, noise.force_n, deadband_mm)


def _parts_held(signals: Signals, cycles: Cycles, stuck: _Stretches) -> FlagArray:
    """Return the flags of the parts of each press in which a reading is held.

    A stretch begins with a live reading and ends before one, and the other channel is live throughout: force
    and position of those two samples tell how far the press had come.
    """
    flags = np.zeros(len(cycles), np.uint32)
    out = np.minimum(stuck.last + 1, len(signals) - 1)
    row, contact = stuck.owner, cycles.contact[stuck.owner]
    load_end, unload_start = cycles.load_end[row], cycles.unload_start[row]
    zero_n, x_mm = cycles.zero_n[row], signals.position_mm
    peak_n = reduced(np.maximum, signals.force_n, cycles.contact, cycles.release)[row] - zero_n
    deep_mm = x_mm[contact] + NEAR_PEAK * (x_mm[load_end] - x_mm[contact])
    comes, goes = stuck.first < load_end, out > unload_start
    at_peak = (comes & ((out > load_end) | (x_mm[out] > deep_mm))) | (
        ~comes & ((stuck.first < unload_start) | (x_mm[stuck.first] > deep_mm))
    )
    at_contact = comes & (signals.force_n[stuck.first] - zero_n < NEAR_CONTACT * peak_n)
    for part, flag in (
        (at_contact, Flag.READING_HELD_AT_CONTACT),
        (comes & ~at_peak, Flag.READING_HELD_IN_LOADING),
        (at_peak, Flag.READING_HELD_AT_PEAK),
        (goes & ~at_peak, Flag.READING_HELD_IN_UNLOADING),
    ):
        flags[row[part]] |= np.uint32(flag)
    return flags


def held(
    signals: Signals,
    presses: _Presses,
    readings: tuple[_Reading, _Reading],
    noise: Noise,
    *,
    usual_step_s: float,
    shortest_dwell: int,
) -> _Stretches:
    """Return the stretches of readings that repeat themselves while the press goes on.

    Parameters
    ----------
    readings
        Positions and forces as if none were lost.
    noise
        Of the recording, with the repeats of its no-load start.
    usual_step_s
        Time between samples; not-a-number where there is no clock, and then nothing is reported.
    shortest_dwell
        Samples of the shortest hold.
    """
    if not usual_step_s <= SLOWEST_STEP_S or len(signals) < 2:
        return _Stretches.joined([])
    # the sample behind a loss; the count of losses only grows, so that its ends tell if there was none
    whole = signals.lost[0] == signals.lost[-1]
    lost = np.empty(0, np.int64) if whole else np.flatnonzero(np.diff(signals.lost)) + 1
    position, force = readings
    if len(lost):
        position = _Reading.of(
            signals.position_mm,
            presses,
            lost,
            resolution=signals.position_resolution_mm,
            noise=noise.position_mm,
        )
        force = _Reading.of(
            signals.force_n, presses, lost, resolution=signals.force_resolution_n, noise=noise.force_n
        )
    fewest = fewest_repeats(noise, signals.force_resolution_n)
    found = [force.hung(presses, fewest)]
    if np.isfinite(fewest) and noise.repeats < STEPS_AFTER:
        found.append(force.leaps_after_repeats(presses, LEAP_NOISES * noise.force_n))
    # a force that repeats itself at rest as no noise does is read more often than it is made
    slow = np.isfinite(fewest) and fewest == HABIT * noise.repeats + 1
    for reading, stops in (
        (position, position.dead_stops(presses, shortest_dwell)),
        (force, force.dead_stops(presses, shortest_dwell, habit=noise.repeats if slow else 0)),
        (position, _rises_without_travel(presses, position, force)),
    ):
        count = np.bincount(stops.owner, minlength=len(presses.contact))
        rows = np.flatnonzero((count > 0) & (count <= MOST_STOPS))
        rows = rows[reading.fine(presses, rows)]
        found.append(stops.selected(np.isin(stops.owner, rows)))
    return _Stretches.joined(found)


def clipped(signals: Signals, presses: _Presses, force: _Reading, deadband_mm: float) -> BoolArray:
    """Return which cycles have the top of their force cut off: it stays at its largest while the platen goes
    on.

    A plateau comes to its top by small steps, and noise or resolution stir it there.
    """
    found = np.zeros(len(presses.contact), bool)
    top_n, deepest_mm = (
        reduced(np.maximum, values, presses.contact, presses.release)
        for values in (signals.force_n, signals.position_mm)
    )
    for row, first, last in force.at_largest(presses, top_n):
        depth_mm = deepest_mm[row] - signals.position_mm[presses.contact[row]]
        way_mm = float(np.ptp(signals.position_mm[first : last + 1]))
        # the step into the top may be a part of one
        came_at_speed = force.step[max(first - 1, 0) : first + 1].max() >= force.speed[row]
        found[row] |= came_at_speed and way_mm > max(CLIPPED_SHARE * depth_mm, deadband_mm)
    return found


def topped_out(
    signals: Signals, cycles: Cycles, force: _Reading, noise_n: float, deadband_mm: float
) -> BoolArray:
    """Return which cycles have the top of their force cut off before a filter or noise came to it: the same
    force on both sides of the turn, come to and left at speed."""
    found = np.zeros(len(cycles), bool)
    top_n = reduced(np.maximum, signals.force_n, cycles.contact, cycles.release)
    flat_n = FLAT_SHARE * (top_n - cycles.zero_n)
    # a top that is cut off holds the samples beside the turn as well, which few presses' tops do
    beside = np.clip(cycles.load_end[:, None] + np.arange(-1, 2), 0, len(signals) - 1)
    at_top = (signals.force_n[beside] >= (top_n - flat_n)[:, None]).all(axis=1)
    for row in np.flatnonzero(at_top & (flat_n > FLAT_NOISES * noise_n)).tolist():
        begin, turn, stop = (int(at[row]) for at in (cycles.contact, cycles.load_end, cycles.release))
        below = np.flatnonzero(signals.force_n[begin:stop] < top_n[row] - flat_n[row]) + begin
        after = int(np.searchsorted(below, turn))
        if not 0 < after < len(below):
            continue
        first, last = int(below[after - 1]) + 1, int(below[after]) - 1
        way_mm = signals.position_mm[turn] - signals.position_mm[[first, last]].max()
        depth_mm = signals.position_mm[turn] - signals.position_mm[begin]
        steps = force.step[max(first - 1, 0) : first + 1].max(), force.step[last + 1 : last + 3].max()
        found[row] = min(steps) >= force.speed[row] and way_mm > max(CLIPPED_SHARE * depth_mm, deadband_mm)
    return found


def at_the_end(presses: _Presses, position: _Reading, force: _Reading, force_noise_n: float) -> BoolArray:
    """Return which cycles have their depth cut off: the position sensor was at the end of its range."""
    found = np.zeros(len(presses.contact), bool)
    deepest_mm, top_n = (
        reduced(np.maximum, reading.values, presses.contact, presses.release) for reading in (position, force)
    )
    for row, first, last in position.at_largest(presses, deepest_mm):
        # the step into the end, or out of it, may be a part of one
        into, out = position.step[max(first - 1, 0) : first + 1], position.step[last + 1 : last + 3]
        if min(into.max(), out.max(initial=0.0)) < position.speed[row]:
            continue
        force_n = force.values[first : last + 1]
        top = int(np.argmax(force_n))
        rose_n, fell_n = force_n[top] - force_n[[0, -1]]
        least_n = max(
            LEAP_NOISES * force_noise_n, ENDED_SHARE * (top_n[row] - force.values[presses.before[row]])
        )
        margin = ENDED_MIDDLE * (last - first)
        found[row] |= rose_n > least_n and fell_n > rose_n / 2 and margin <= top <= last - first - margin
    rows = np.flatnonzero(found)
    # a gentle turn stays within one step of a coarse sensor, and comes and goes by a whole one
    found[rows] = position.fine(presses, rows)
    return found


def fewest_repeats(noise: Noise, resolution_n: float) -> float:
    """Return how often in a row a force repeats itself at the least if it hangs; infinite if noise does not
    stir it.

    Parameters
    ----------
    noise
        Of the recording.
    resolution_n
        Step of the force.
    """
    stirred_n = sqrt(max(noise.force_n**2 - resolution_n**2 / 12, 0.0))
    # two normal values fall on one step: its width times the density of their difference at zero
    likelihood = resolution_n / (2 * sqrt(pi) * stirred_n) if stirred_n > 0 else inf
    if not 0 < likelihood <= MOST_LIKELY:
        return inf
    return max(ceil(log(CHANCE) / log(likelihood)), HABIT * noise.repeats + 1)


def _rises_without_travel(presses: _Presses, position: _Reading, force: _Reading) -> _Stretches:
    """Return the stretches in which the force rose by more than a leap while a position that shows speed
    stayed."""
    shows = (position.leap >= SHOWN_SPEEDS * position.speed) & np.isfinite(force.speed)
    owner = presses.owner(position.first)
    ours = (owner >= 0) & shows[owner]
    owner, first = owner[ours], position.first[ours]
    last = np.minimum(position.last[ours], presses.release[owner] - 1)
    if not len(first):
        return _Stretches.joined([])
    most_n = reduced(np.maximum, force.values, first, last + 1)
    hidden = most_n - force.values[first] >= HIDDEN_LEAPS * force.leap[owner]
    return _Stretches(owner, first, last).selected(hidden)


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Rows of presses, and the first and last sample of stretches of equal values in them, shape (k,)."""

    owner: IntArray
    first: IntArray
    last: IntArray

    def selected(self, which: BoolArray) -> _Stretches:
        return _Stretches(self.owner[which], self.first[which], self.last[which])

    @classmethod
    def joined(cls, parts: list[_Stretches]) -> _Stretches:
        none = np.empty(0, np.int64)
        columns = zip(*((part.owner, part.first, part.last) for part in parts), strict=True)
        return cls(*map(np.concatenate, columns)) if parts else cls(none, none, none)


class _Presses:
    """Which samples belong to which press: those in contact."""

    def __init__(self, cycles: Cycles) -> None:
        self.contact, self.release = cycles.contact, cycles.release
        self.before, self.after = cycles.before, cycles.after

    def owner(self, at: IntArray) -> IntArray:
        """Return the row of the press that holds each of these samples, in rising order; -1 without one."""
        # samples before the first press, in it, between it and the next, and so on
        within = np.searchsorted(at, np.array((self.contact, self.release)).ravel("F"))
        rows = np.full(2 * len(self.contact) + 1, -1)
        rows[1::2] = np.arange(len(self.contact))
        return np.repeat(rows, np.diff(within, prepend=0, append=len(at)))


@dataclass(frozen=True, slots=True)
class _Reading:
    """One channel of a segment.

    Parameters
    ----------
    values, step
        Readings, and how far each lies from the one before, shape (n,).
    first, last
        First and last samples of stretches of equal values, of three at the least.
    speed, leap
        From which step on a press counts as at speed, or as leaping, shape (m,); the speed is infinite where
        the channel is too coarse to show a stop.
    """

    values: FloatArray
    step: FloatArray
    first: IntArray
    last: IntArray
    speed: FloatArray
    leap: FloatArray

    @classmethod
    def of(
        cls, values: FloatArray, presses: _Presses, lost: IntArray, *, resolution: float, noise: float
    ) -> _Reading:
        step, rest = np.empty_like(values), np.zeros(len(values), bool)
        step[0] = 0.0
        # part by part, so that a step is still in the cache when it is compared
        for begin in range(1, len(values), PART_SAMPLES):
            end = min(begin + PART_SAMPLES, len(values))
            here = step[begin:end]
            np.subtract(values[begin:end], values[begin - 1 : end - 1], out=here)
            np.abs(here, out=here)
            np.equal(here, 0.0, out=rest[begin:end])
        # samples that equal both of their neighbours are far fewer than those that equal one of them
        rest[:-1] &= rest[1:]
        rest[-1] = False
        inner = np.flatnonzero(rest)
        first = inner[np.diff(inner, prepend=-2) > 1] - 1
        last = inner[np.diff(inner, append=len(values) + 1) > 1] + 1
        # steps behind a loss or a stretch that stood still are not the platen's own
        out = last + 1
        apart = np.concatenate([lost, out[out < len(step)]])
        own, step[apart] = step[apart], 0.0
        largest = reduced(np.maximum, step, presses.contact, presses.release)
        step[apart] = own
        coarse = max(FINE_STEPS * resolution, FINE_NOISES * noise)
        speed = np.where(largest >= coarse, np.maximum(AT_SPEED_SHARE * largest, coarse), np.inf)
        leap = np.maximum(LEAP * largest, max(LEAP_STEPS * resolution, LEAP_NOISES * noise))
        return cls(values, step, first, last, speed, leap)

    def fine(self, presses: _Presses, rows: IntArray) -> BoolArray:
        """Return which presses are resolved as finely as is stated: a channel can be coarser than it
        says."""
        fine = []
        for row in rows.tolist():
            levels = np.unique(self.values[presses.before[row] : presses.after[row]])
            finest = np.diff(levels).min(initial=np.inf)
            fine.append(self.leap[row] >= LEAP * FINE_STEPS * finest)
        return np.array(fine, bool)

    def at_largest(self, presses: _Presses, largest: FloatArray) -> list[tuple[int, int, int]]:
        """Return press, first and last sample of each longer stretch at the largest value of its press."""
        is_long = self.last - self.first >= CLIPPED_REPEATS
        first, last = self.first[is_long], self.last[is_long]
        owner = presses.owner(first)
        top = (owner >= 0) & (self.values[first] >= largest[owner])
        columns = (column[top].tolist() for column in (owner, first, last))
        return list(zip(*columns, strict=True))

    def dead_stops(self, presses: _Presses, shortest_dwell: int, *, habit: int = 0) -> _Stretches:
        """Return the stops that come without braking, or that a leap makes up for; those of no more repeats
        than are the channel's habit do not count."""
        # a platen goes on from nearly all stretches of a coarse channel by less than counts in any press
        out = np.minimum(self.last + 1, len(self.step) - 1)
        leaves = np.flatnonzero(self.step[out] >= np.minimum(self.speed, self.leap).min(initial=np.inf))
        first, last = self.first[leaves], self.last[leaves]
        stops = []
        # one that begins in a press, or before it and ends in it; what lies behind its rest is not known
        for at, begins in ((first, True), (last + 1, False)):
            owner = presses.owner(at)
            ours = (owner >= 0) & (begins | (presses.owner(first) != owner))
            ours &= last - first > habit
            owner, begun, out = owner[ours], first[ours], last[ours] + 1
            known = out < np.minimum(presses.after[owner], len(self.step))
            owner, begun, out = owner[known], begun[known], out[known]
            entered = (begun > presses.before[owner]) & (self.step[begun] >= self.speed[owner])
            at_speed = entered & (self.step[out] >= self.speed[owner]) & (out - begun <= shortest_dwell)
            rested = out - np.maximum(begun, presses.before[owner]) > FEWEST_REPEATS
            leapt = rested & (self.step[out] >= self.leap[owner])
            stops.append(_Stretches(owner, begun, out - 1).selected(at_speed | leapt))
        return _Stretches.joined(stops)

    def leaps_after_repeats(self, presses: _Presses, least: float) -> _Stretches:
        """Return the stretches of repeats that the step behind them makes up for."""
        owner = presses.owner(self.last + 1)
        known = (owner >= 0) & (self.first > presses.before[owner])
        known &= self.last + 1 + STEPS_AFTER < presses.release[owner]
        stretches = _Stretches(owner, self.first, self.last).selected(known)
        out = stretches.last + 1
        following = out[:, None] + 1 + np.arange(STEPS_AFTER)
        next_most = self.step[following].max(axis=1, initial=0.0)
        return stretches.selected(self.step[out] >= np.maximum(LEAP_BESIDE_NEXT * next_most, least))

    def hung(self, presses: _Presses, fewest: float) -> _Stretches:
        """Return the stretches of a value that repeats itself so often in a row in a press, or just before
        it."""
        found = []
        for at in (self.first, self.last, self.last + 1):
            owner = presses.owner(at)
            ours = owner >= 0
            owner = owner[ours]
            first = np.maximum(self.first[ours], presses.before[owner])
            last = np.minimum(self.last[ours], presses.after[owner] - 1)
            found.append(_Stretches(owner, first, last).selected(last - first >= fewest))
        return _Stretches.joined(found)
