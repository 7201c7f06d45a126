"""Pulls: where a held part gives, slips and comes off, from force below zero and platen positions.

Problem: a part that is held by friction first gives with its clamps, then slips, reaches a peak and comes off;
noise makes every largest sample too large, and the force zero wanders between pulls. Plan: a pull is a stretch
below a multiple of the noise, with two levels so that noise does not cut it; its zero comes from the unloaded
stretches before and after; a straight line through its first give tells what is slip from what is give. All
numbers of a pull are positive. Cost: a few passes over the samples, a line for each pull.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from math import hypot, isfinite, sqrt
from typing import Any

import numpy as np

from rig.calibration import Signals
from rig.errors import InputError
from rig.samples import FloatArray, IntArray, Status

NOISE_TIMES = 8.0
"""Noise reaches so many standard deviations once in a year of samples."""

LEAST_THRESHOLD_N = 0.05
"""Below this no cap is held by anything."""

LEAST_DEPTH = 2.0
"""A stretch that does not go so many times beyond the threshold is a touch of noise, no pull."""

FREE_SAMPLES = 20
"""Shorter unloaded stretches are a force on its way through zero."""

GIVE_FROM, GIVE_TO = 0.2, 0.6
"""Of the peak: the first give is taken as straight in between."""

FEWEST_FOR_LINE = 5

BENT_SHARE = 0.02
"""A first give that strays from its line by more than this share of the peak is no straight one."""

MOST_MEANED = 25

NOT_OFF = "not pulled off"
LOST = "samples lost"
SATURATED = "force saturated"
BENT = "first give not straight"
NO_ZERO = "no unloaded stretch beside it"


@dataclass(frozen=True, slots=True)
class PullSettings:
    """How pulls are read.

    Parameters
    ----------
    threshold_n
        Pull that counts as one; None: a multiple of the recording's own noise.
    slip_offset_mm
        Slip at which the force at first slip is read.
    no_load_s
        Unloaded stretch at the start that noise and zero are taken from.
    """

    threshold_n: float | None = None
    slip_offset_mm: float = 0.05
    no_load_s: float = 0.5

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if value is not None and not (isfinite(value) and value > 0):
                raise InputError(f"pull: {field.name}: found {value:g}, expected more than zero")


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull; what cannot be had is not-a-number, and `flags` say why.

    Parameters
    ----------
    begin, peak, end
        Indices of its first sample below zero, of its peak, and after its last.
    time_s
        Of the peak.
    zero_n, zero_n_u
        Force zero that was taken off.
    peak_n, peak_n_u
        Peak pull-off force and its standard uncertainty, without the calibration's part.
    slip_n, slip_n_u
        Force at first slip.
    give_n_per_mm
        Stiffness of what gives before anything slips.
    slip_mm
        Slip from its beginning to the peak.
    travel_mm
        Slip from its beginning until the force was gone.
    work_mj
        Of the whole pull.
    flags
        Why not everything is as it should be; empty for a clean pull.
    """

    begin: int
    peak: int
    end: int
    time_s: float
    zero_n: float
    zero_n_u: float
    peak_n: float
    peak_n_u: float
    slip_n: float
    slip_n_u: float
    give_n_per_mm: float
    slip_mm: float
    travel_mm: float
    work_mj: float
    flags: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain mapping; None for what cannot be had."""
        found = {field.name: getattr(self, field.name) for field in fields(self)}
        return {
            name: None if isinstance(value, float) and not isfinite(value) else value
            for name, value in found.items()
        } | {"flags": list(self.flags)}


@dataclass(frozen=True, slots=True)
class _Quiet:
    """What the unloaded start says."""

    zero_n: float
    noise_n: float
    noise_mm: float


def find_pulls(signals: Signals, settings: PullSettings | None = None) -> tuple[Pull, ...]:
    """Every pull of one recording, in order.

    Parameters
    ----------
    signals
        From the first sample to the last, with a clock; it begins unloaded.
    settings
        The defaults if left out.

    Raises
    ------
    InputError
        If the recording has no clock, or is too short to begin with an unloaded stretch.
    """
    settings = settings or PullSettings()
    quiet = _quiet_start(signals, settings)
    floor_n = max(NOISE_TIMES * quiet.noise_n, 2 * signals.force_resolution_n, LEAST_THRESHOLD_N)
    threshold_n = floor_n if settings.threshold_n is None else settings.threshold_n
    force_n = signals.force_n - quiet.zero_n
    free = _long(np.abs(force_n) < threshold_n, FREE_SAMPLES)
    return tuple(_pulls(signals, settings, quiet, threshold_n, free))


def _quiet_start(signals: Signals, settings: PullSettings) -> _Quiet:
    if not len(signals) or not np.isfinite(signals.time_s).all():
        raise InputError("pull: the recording has no samples or no clock; expected samples that carry a time")
    until = int(np.searchsorted(signals.time_s, signals.time_s[0] + settings.no_load_s))
    if until < FREE_SAMPLES or until >= len(signals):
        raise InputError(
            f"pull: found {until} samples in the first {settings.no_load_s:g} s of {len(signals)}, "
            f"expected {FREE_SAMPLES} or more, unloaded, and the pulls after them"
        )
    start = signals.force_n[:until]
    # of differences, so that a platen on its way or a drift does not pass for noise
    noise_mm = float(np.std(np.diff(signals.position_mm[:until], n=2))) / sqrt(6)
    return _Quiet(float(np.median(start)), float(np.std(np.diff(start))) / sqrt(2), noise_mm)


def _stretches(inside: np.ndarray[Any, np.dtype[np.bool_]]) -> IntArray:
    """Runs of true as half-open ranges, shape (m, 2)."""
    edges = np.diff(np.concatenate([[0], inside.astype(np.int8), [0]]))
    return np.column_stack([np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)])


def _long(inside: np.ndarray[Any, np.dtype[np.bool_]], least: int) -> IntArray:
    found = _stretches(inside)
    return found[found[:, 1] - found[:, 0] >= least]


def _pulled(force_n: FloatArray, threshold_n: float) -> IntArray:
    """Stretches below the threshold; each lasts until the force is back within half of it."""
    below, back = force_n < -threshold_n, force_n > -threshold_n / 2
    decided = np.flatnonzero(below | back)
    if not len(decided) or not below.any():
        return np.empty((0, 2), np.int64)
    last = np.searchsorted(decided, np.arange(len(force_n)), side="right") - 1
    return _stretches(np.where(last >= 0, below[decided[np.maximum(last, 0)]], False))


def _pulls(
    signals: Signals, settings: PullSettings, quiet: _Quiet, threshold_n: float, free: IntArray
) -> Iterator[Pull]:
    force_n = signals.force_n - quiet.zero_n
    for begin, end in _pulled(force_n, threshold_n):
        if force_n[begin:end].min() < -LEAST_DEPTH * threshold_n:
            yield _pull(signals, settings, quiet, (int(begin), int(end)), free)


def _pull(
    signals: Signals, settings: PullSettings, quiet: _Quiet, stretch: tuple[int, int], free: IntArray
) -> Pull:
    begin, end = stretch
    zero_n, zero_u = _zero(signals, quiet, stretch, free)
    pull_n = zero_n - signals.force_n[begin:end]
    way_mm = signals.position_mm[begin] - signals.position_mm[begin:end]
    at = int(np.argmax(pull_n))
    peak_n, peak_u = _peak(pull_n, at, quiet.noise_n, signals.force_resolution_n)
    flags = list(_flags(signals, stretch, at, free))
    line = _give(pull_n[: at + 1], way_mm[: at + 1], peak_n)
    slip = (float("nan"),) * 5
    if line is not None:
        stiffness, rest_n, stray_n = line
        if stray_n > max(4 * quiet.noise_n, BENT_SHARE * peak_n):
            flags.append(BENT)
        slipped_mm = way_mm - (pull_n - rest_n) / stiffness
        slip_n, slope = _first_slip(pull_n[: at + 1], slipped_mm[: at + 1], settings.slip_offset_mm)
        slip_u = hypot(zero_u, quiet.noise_n, slope * (quiet.noise_mm + quiet.noise_n / stiffness))
        travel_mm = float("nan") if NOT_OFF in flags else float(slipped_mm[-1])
        slip = (slip_n, slip_u, stiffness, float(slipped_mm[at]), travel_mm)
    work_mj = float(np.trapezoid(pull_n, way_mm))
    return Pull(
        begin,
        begin + at,
        end,
        float(signals.time_s[begin + at]),
        zero_n,
        zero_u,
        peak_n,
        hypot(peak_u, zero_u),
        *slip,
        float("nan") if NOT_OFF in flags else work_mj,
        tuple(flags),
    )


def _zero(signals: Signals, quiet: _Quiet, stretch: tuple[int, int], free: IntArray) -> tuple[float, float]:
    """Force zero at a pull, between those of the unloaded stretches on both sides."""
    begin, end = stretch
    before, after = free[free[:, 1] <= begin], free[free[:, 0] >= end]
    sides = [*before[-1:], *after[:1]]
    if not sides:
        return quiet.zero_n, quiet.noise_n
    means = [float(signals.force_n[low:high].mean()) for low, high in sides]
    counts = [int(high - low) for low, high in sides]
    u = quiet.noise_n / sqrt(min(counts))
    if len(means) == 1:
        return means[0], u
    times = [float(signals.time_s[low:high].mean()) for low, high in sides]
    part = (float(signals.time_s[begin]) - times[0]) / (times[1] - times[0])
    # the zero may have wandered by a quarter of their difference from the line between them
    return means[0] + part * (means[1] - means[0]), hypot(u, 0.25 * (means[1] - means[0]))


def _peak(pull_n: FloatArray, at: int, noise_n: float, resolution_n: float) -> tuple[float, float]:
    """Largest pull; where samples are dense beside the noise, the mean of some around it.

    As many are averaged as a peak with the slope found beside it falls by the noise: the largest of many noisy
    samples is too large by a few standard deviations.
    """
    low, high = max(at - MOST_MEANED, 0), min(at + MOST_MEANED + 1, len(pull_n))
    falls = [abs(pull_n[at] - pull_n[edge]) / max(abs(edge - at), 1) for edge in (low, high - 1)]
    step_n = max(*falls, 1e-12)
    count = int(np.clip(round(noise_n / step_n), 0, MOST_MEANED))
    around = pull_n[max(at - count, 0) : at + count + 1]
    between_n = max(np.abs(np.diff(pull_n[max(at - 1, 0) : at + 2])), default=0.0) / 2
    between_n = 0.0 if count else float(between_n)
    u = hypot(noise_n / sqrt(len(around)), resolution_n / sqrt(12), between_n / sqrt(3), count * step_n / 4)
    return float(around.mean()), u


def _flags(signals: Signals, stretch: tuple[int, int], at: int, free: IntArray) -> Iterator[str]:
    begin, end = stretch
    position_mm = signals.position_mm
    if end >= len(signals) or position_mm[end] > position_mm[begin + at]:
        yield NOT_OFF
    if signals.lost[min(end, len(signals) - 1)] > signals.lost[begin]:
        yield LOST
    if (signals.status[begin:end] & Status.FORCE_SATURATED).any():
        yield SATURATED
    if not ((free[:, 1] <= begin).any() or (free[:, 0] >= end).any()):
        yield NO_ZERO


def _give(pull_n: FloatArray, way_mm: FloatArray, peak_n: float) -> tuple[float, float, float] | None:
    """Slope, rest and stray of the line through the first give; None with too few samples."""
    inside = (pull_n > GIVE_FROM * peak_n) & (pull_n < GIVE_TO * peak_n)
    last = int(np.argmax(pull_n >= GIVE_TO * peak_n)) if (pull_n >= GIVE_TO * peak_n).any() else len(pull_n)
    inside[last:] = False
    if inside.sum() < FEWEST_FOR_LINE or np.ptp(way_mm[inside]) <= 0:
        return None
    x, y = way_mm[inside], pull_n[inside]
    slope = float(np.polyfit(x, y, 1)[0])
    if not slope > 0:
        return None
    rest_n = float(y.mean() - slope * x.mean())
    return slope, rest_n, float(np.std(y - rest_n - slope * x))


def _first_slip(pull_n: FloatArray, slipped_mm: FloatArray, offset_mm: float) -> tuple[float, float]:
    """Force where the slip passes the offset for good, and its slope over the slip; else not-a-number."""
    short = np.flatnonzero(slipped_mm < offset_mm)
    if not len(short) or short[-1] + 1 >= len(pull_n):
        return float("nan"), 0.0
    at = int(short[-1])
    low, high = max(at - MOST_MEANED, 0), min(at + MOST_MEANED, len(pull_n) - 1)
    span_mm = float(slipped_mm[high] - slipped_mm[low])
    slope = float(pull_n[high] - pull_n[low]) / span_mm if span_mm > 0 else 0.0
    part = (offset_mm - slipped_mm[at]) / (slipped_mm[at + 1] - slipped_mm[at])
    return float(pull_n[at] + part * (pull_n[at + 1] - pull_n[at])), abs(slope)
