"""Pulls: where a held part gives, slips and comes off, from force below zero and platen positions.

Problem: a part that is held by friction first gives with its clamps, then slips, reaches a peak and comes
off; noise makes every largest sample too large, and the force zero wanders between pulls. Plan: the segmenter
finds the pulls. In a recording in tension they are its cycles; where the part is pressed on first, or sticks
to the platen that leaves it, it finds the presses, and then, with both signs reversed, the pulls in each
stretch between them. A pull's zero comes from the unloaded stretches before and after; a straight line
through its first give tells what is slip from what is give, clamps and frame included. Backlash is taken up
before a pull begins, since the platen has been on its way out for longer. All numbers of a pull are positive.
Cost: two passes of the segmenter, a line for each pull.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from math import hypot, inf, isfinite, nan, sqrt
from typing import Any

import numpy as np

from rig.analyser.ragged import BoolArray
from rig.calibration import Calibration, Frame, Signals
from rig.core import all_finite
from rig.errors import InputError
from rig.samples import FloatArray, IntArray, Sense, Status
from rig.segmenter import ON_NOISES, Flag, Segment, Segmenter, SegmenterSettings, ZeroPolicy

NOISE_TIMES = 8.0
"""Noise never exceeds this many standard deviations."""

LEAST_THRESHOLD_N = 0.05
"""Below this no cap is held by anything."""

LEAST_DEPTH = 2.0
"""A stretch that does not go this many times beyond the threshold is a wandering zero, no pull."""

FREE_SAMPLES = 20
"""Shorter unloaded stretches are a force on its way through zero."""

GIVE_FROM, GIVE_TO = 0.2, 0.6
"""Of the peak: the first give is taken as straight in between."""

FEWEST_FOR_LINE = 5

BENT_SHARE = 0.02
"""A first give that strays from its line by more than this share of the peak is no straight one."""

EARLY_FROM = 0.1
"""Of the peak, below the first give: less may be what pressed the part on, still let go."""

LIGHT_SHARE = 0.25
"""A pull with a smaller share of the largest peak was of a part that was not pressed on."""

BENT_SLOPE = 0.25
"""Nor is one whose very beginning is so much softer or stiffer than the rest."""

LEAST_TURN_MM = 0.02
"""A platen that goes back by more, while the part still pulls, has not pulled it off."""

STEADY_SHARE = 0.25
"""Halves of an unloaded stretch agree within this share of the threshold."""

MEDIAN_U = 1.2533
"""Standard uncertainty of a median over that of a mean, of normal noise: the root of pi/2."""

MOST_MEANED = 25
"""Samples to either side that a peak or a slope is taken over at most."""

LEAST_SENSE = 0.01
"""A scale whose lowest reading pulled by a smaller share of its highest was compared pressing only."""

SAME_REACH = 1.001
"""A peak that passes the largest load compared by no more than rounding lies within."""

TOP_NOISES = 3.0
"""Samples that lie this many standard deviations below the largest may have been it."""

MOST_TOP = 500
"""Samples to either side of the peak that are looked through for that."""

TAIL_FROM = 3.0
"""Of the threshold: from there on a pull's end is taken as straight, since noise cuts it short."""

NOT_OFF = "not pulled off"
LOST = "samples lost"
SATURATED = "force saturated"
BENT = "first displacement not linear"
LIGHT = "far below the largest"
BEYOND = "beyond the calibration"
NO_ZERO = "no unloaded stretch after it"


@dataclass(frozen=True, slots=True)
class PullSettings:
    """How pulls are read.

    Parameters
    ----------
    threshold_n
        Smallest force that counts as a pull; None: a multiple of the recording's own noise.
    slip_offset_mm
        Displacement that counts as first slip.

    Raises
    ------
    InputError
        If a number is not above zero.
    """

    threshold_n: float | None = None
    slip_offset_mm: float = 0.05

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
    slip_mm, slip_mm_u
        Slip from its beginning to the peak.
    travel_mm, travel_mm_u
        Slip from its beginning until the force was gone.
    work_mj, work_mj_u
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
    slip_mm_u: float
    travel_mm: float
    travel_mm_u: float
    work_mj: float
    work_mj_u: float
    flags: tuple[str, ...] = ()

    @property
    def counts(self) -> bool:
        """Whether its peak may go into a mean."""
        return not set(self.flags) - {BENT}

    @property
    def slip_counts(self) -> bool:
        """Whether its slip may be reported."""
        return not self.flags

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping; None for what cannot be had."""
        return {field.name: all_finite(getattr(self, field.name)) for field in fields(self)}


@dataclass(frozen=True, slots=True)
class _Quiet:
    """What the stretches without load say, and the force that is more than that."""

    zero_n: float
    noise_n: float
    noise_mm: float
    threshold_n: float


@dataclass(frozen=True, slots=True)
class _Give:
    """Line through the first give: pull = rest + stiffness x way; its middle, and how well it is known."""

    stiffness_n_per_mm: float
    rest_n: float
    middle_n: float
    relative_u: float
    middle_mm_u: float
    bent: bool

    def give_mm_u(self, pull_n: float) -> float:
        """Return the standard uncertainty of what gives at a pull, of all of it that is not slip."""
        return hypot(self.middle_mm_u, (pull_n - self.middle_n) / self.stiffness_n_per_mm * self.relative_u)

    def slipped_mm(self, pull_n: FloatArray, way_mm: FloatArray) -> FloatArray:
        """Return what of the way is slip."""
        return way_mm - (pull_n - self.rest_n) / self.stiffness_n_per_mm


def find_pulls(
    signals: Signals,
    settings: PullSettings | None = None,
    *,
    sense: Sense = "compression",
    zero: ZeroPolicy | None = None,
    frame: Frame | None = None,
) -> tuple[Pull, ...]:
    """Return every pull of one recording, in order.

    Parameters
    ----------
    signals
        From the first sample to the last, with a clock; turned, if need be, so that pulls are below zero.
    settings
        The defaults if left out.
    sense
        Working direction of the recording. In tension each cycle is a pull.
    zero
        Force zero that is asked for, with the recording's own sign.
    frame
        What is taken off the positions; nothing if left out.

    Raises
    ------
    InputError
        If the recording has no samples or no clock.
    """
    settings = settings or PullSettings()
    if not len(signals) or not np.isfinite(signals.time_s).all():
        raise InputError("pull: the recording has no samples or no clock; expected samples that carry a time")
    signals, stretches = _stretches_of_pulls(signals, settings, sense, zero or ZeroPolicy())
    if frame is not None and stretches:
        deflection_mm = frame.deflection_mm(signals.force_n - stretches[0].quiet.zero_n)
        signals = replace(signals, position_mm=signals.position_mm - deflection_mm)
    found = [
        _pull(signals, settings, stretch)
        for stretch in stretches
        if signals.force_n[stretch.begin : stretch.end].min()
        < stretch.quiet.zero_n - LEAST_DEPTH * stretch.quiet.threshold_n
    ]
    largest_n = max((pull.peak_n for pull in found), default=0.0)
    return tuple(
        replace(pull, flags=(*pull.flags, LIGHT)) if pull.peak_n < LIGHT_SHARE * largest_n else pull
        for pull in found
    )


def flagged_beyond(
    pulls: Sequence[Pull], signals: Signals, calibration: Calibration
) -> tuple[tuple[Pull, ...], float]:
    """Pulls with those flagged that go beyond what the calibration was compared with.

    Readings there still become numbers, of a curve that goes on as it ended; they were not compared with a
    reference. A scale that was not measured has no such range.

    Parameters
    ----------
    pulls
        From `find_pulls`.
    signals
        Of the same recording, the frame's share left in the positions.
    calibration
        That made them; without scales for channels that came scaled.

    Returns
    -------
    tuple
        The pulls, and the largest pull in N that was compared with a reference; infinite where nothing says.
    """
    reach_n = inf
    force, position = calibration.force, calibration.position
    if force is not None and force.uncertainty is not None:
        low_n, high_n = (
            signals.direction * end for end in (force.value_range or (0.0, 0.0))[:: signals.direction]
        )
        reach_n = -low_n if -low_n > LEAST_SENSE * high_n else 0.0
    span = position.value_range if position is not None and position.uncertainty is not None else None
    kept = []
    for pull in pulls:
        way_mm = signals.position_mm[pull.begin : pull.end]
        beyond = pull.peak_n > SAME_REACH * reach_n
        way_mm = signals.direction * way_mm  # as the indicator and the capture count it
        beyond |= span is not None and bool(way_mm.min() < span[0] or way_mm.max() > span[1])
        kept.append(replace(pull, flags=(*pull.flags, BEYOND)) if beyond else pull)
    return tuple(kept), reach_n


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Where a pull is: from its first sample to after its last; and whether the force was gone there."""

    begin: int
    end: int
    released: bool
    quiet: _Quiet


def _stretches_of_pulls(
    signals: Signals, settings: PullSettings, sense: Sense, zero: ZeroPolicy
) -> tuple[Signals, list[_Stretch]]:
    """Return the pulls that the segmenter finds, and the signals without spikes."""
    finder = Segmenter(SegmenterSettings(sense=sense, zero=zero, pulls_apart=True))
    # with the signs of the recording: the segmenter finds which one a pull in tension has
    segments = _segments(finder, signals.turned(1))
    assert finder.noise is not None
    assert finder.zero is not None
    noise = finder.noise
    threshold_n = settings.threshold_n or max(finder.detection_n, LEAST_THRESHOLD_N)

    def quiet(zero_n: float) -> _Quiet:
        return _Quiet(zero_n, noise.rest_force_n, noise.position_mm, threshold_n)

    # contact is detected at a multiple of the noise: this noise makes it the threshold
    stated = SegmenterSettings(
        force_noise_n=threshold_n / ON_NOISES, position_noise_mm=noise.position_mm, pulls_apart=True
    )
    parts: list[tuple[int, float | None, list[Segment]]] = []
    if sense == "tension":
        by_whole = Segmenter(replace(stated, sense=sense, zero=zero))
        parts.append((0, None, _segments(by_whole, signals.turned(1))))
    else:
        for start, stop, zero_n in _between_presses(finder, segments, len(signals)):
            if signals.force_n[start:stop].min() < zero_n - threshold_n:
                part = signals[start:stop]
                reverse = replace(part, force_n=-part.force_n, position_mm=-part.position_mm)
                by_part = Segmenter(replace(stated, zero=ZeroPolicy("stated", -zero_n)))
                parts.append((start, zero_n, _segments(by_part, reverse)))
    force_n = signals.force_n.copy()
    found: list[_Stretch] = []
    for start, between_n, pulls in parts:
        for segment in pulls:
            cycles, first = segment.cycles, start + segment.offset
            # the segmenter turns its signals so that pulls are above zero, and takes spikes off
            force_n[first : first + len(segment.signals)] = -segment.signals.force_n
            ends_pulled = (cycles.flags & np.uint32(Flag.NOT_RELEASED | Flag.ONE_WAY)) != 0
            zeros_n = -cycles.zero_n if between_n is None else np.full(len(cycles), between_n)
            rows = (cycles.contact + first, cycles.release + first, ~ends_pulled, zeros_n)
            for begin, end, released, zero_n in zip(*(column.tolist() for column in rows), strict=True):
                found.append(_Stretch(begin, end, released, quiet(zero_n)))
    return replace(signals, force_n=force_n), found


def _segments(segmenter: Segmenter, signals: Signals) -> list[Segment]:
    return [part for part in (segmenter.push(signals), segmenter.finish()) if part is not None]


def _between_presses(
    finder: Segmenter, segments: Sequence[Segment], samples: int
) -> Iterator[tuple[int, int, float]]:
    """Yield the stretches without a press as half-open ranges, and the force zero in use there."""
    assert finder.zero is not None
    zero_n, checks = finder.zero.value_n, finder.contact_checks
    presses = [(0, 0, zero_n)]
    for segment in segments:
        cycles, first = segment.cycles, segment.offset
        columns = (cycles.contact + first, cycles.release + first, cycles.zero_n)
        presses += zip(*(column.tolist() for column in columns), strict=True)
    presses += (
        (*ends, zero_n) for ends in zip(checks.contact.tolist(), checks.release.tolist(), strict=True)
    )
    presses.sort()
    for (_, start, in_use_n), (stop, *_) in zip(presses, [*presses[1:], (samples, 0, 0.0)], strict=True):
        if stop > start:
            yield start, stop, in_use_n


def _stretches(inside: BoolArray) -> IntArray:
    """Return runs of true as half-open ranges, shape (m, 2)."""
    edges = np.diff(np.concatenate([[0], inside.astype(np.int8), [0]]))
    return np.column_stack([np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)])


def _pull(signals: Signals, settings: PullSettings, stretch: _Stretch) -> Pull:
    begin, end, quiet = stretch.begin, stretch.end, stretch.quiet
    gaps = _gaps(signals, quiet, (begin, end))
    zero_n, zero_u = _zero(signals, quiet, begin, gaps) if len(gaps) else (quiet.zero_n, quiet.noise_n)
    pull_n = zero_n - signals.force_n[begin:end]
    way_mm = signals.position_mm[begin] - signals.position_mm[begin:end]
    at = int(np.argmax(pull_n))
    peak_n, peak_u = _peak(pull_n, at, quiet.noise_n, signals.force_resolution_n)
    flags = list(_flags(signals, stretch, gaps))
    off = NOT_OFF not in flags
    noises = (zero_u, quiet.noise_n, quiet.noise_mm)
    give = _give(pull_n[: at + 1], way_mm[: at + 1], peak_n, noises)
    flags += [BENT] if give is not None and give.bent else []
    tail = _tail(pull_n, way_mm, quiet.threshold_n)
    slip = _Slip.none() if give is None else _slip(give, (pull_n, way_mm, at), tail, settings, noises)
    work_mj, work_u = _work(pull_n, way_mm, give, tail, noises)
    return Pull(
        begin=begin,
        peak=begin + at,
        end=end,
        time_s=float(signals.time_s[begin + at]),
        zero_n=zero_n,
        zero_n_u=zero_u,
        peak_n=peak_n,
        peak_n_u=hypot(peak_u, zero_u),
        slip_n=slip.force_n,
        slip_n_u=slip.force_n_u,
        give_n_per_mm=nan if give is None else give.stiffness_n_per_mm,
        slip_mm=slip.peak_mm,
        slip_mm_u=slip.peak_mm_u,
        travel_mm=slip.travel_mm if off else nan,
        travel_mm_u=slip.travel_mm_u if off else nan,
        work_mj=work_mj if off else nan,
        work_mj_u=work_u if off else nan,
        flags=tuple(flags),
    )


@dataclass(frozen=True, slots=True)
class _Slip:
    """What the line of the first give leaves as slip, each with its standard uncertainty."""

    force_n: float
    force_n_u: float
    peak_mm: float
    peak_mm_u: float
    travel_mm: float
    travel_mm_u: float

    @classmethod
    def none(cls) -> _Slip:
        return cls(nan, nan, nan, nan, nan, nan)


def _slip(
    give: _Give,
    pulled: tuple[FloatArray, FloatArray, int],
    tail: tuple[float, float],
    settings: PullSettings,
    noises: tuple[float, float, float],
) -> _Slip:
    pull_n, way_mm, at = pulled
    zero_u, noise_n, noise_mm = noises
    slipped_mm = give.slipped_mm(pull_n, way_mm)
    slip_n, slope = _first_slip(pull_n[: at + 1], slipped_mm[: at + 1], settings.slip_offset_mm)
    each_mm = hypot(noise_mm, noise_n / give.stiffness_n_per_mm)
    slip_u = hypot(zero_u, noise_n, slope * hypot(each_mm, give.give_mm_u(slip_n)))
    # among samples that noise alone may have made the largest, which one it was says nothing
    top = np.flatnonzero(pull_n >= pull_n[at] - TOP_NOISES * noise_n)
    near_mm = slipped_mm[top[(top >= at - MOST_TOP) & (top <= at + MOST_TOP)]]
    within_mm = float(np.ptp(near_mm)) + float(np.abs(np.diff(way_mm[max(at - 1, 0) : at + 2])).max())
    peak_mm = float(near_mm.max() + near_mm.min()) / 2
    rest_mm, _ = tail
    last_mm = float(slipped_mm[-1]) + rest_mm
    return _Slip(
        slip_n,
        slip_u if isfinite(slip_n) else nan,
        peak_mm,
        hypot(within_mm / sqrt(12), each_mm, give.give_mm_u(float(pull_n[at]))),
        last_mm,
        hypot(rest_mm / sqrt(3), each_mm, give.give_mm_u(0.0)),
    )


def _tail(pull_n: FloatArray, way_mm: FloatArray, threshold_n: float) -> tuple[float, float]:
    """Way and work from where a pull was lost in the threshold to its end, straight on.

    Nothing of either where it was lost too quickly for a line: then it was off.
    """
    last = np.flatnonzero(pull_n >= TAIL_FROM * threshold_n)
    if not len(last) or last[-1] == 0:
        return 0.0, 0.0
    line = _line(way_mm[last[-1] :], pull_n[last[-1] :])
    if line is None or not line[0] < 0:
        return 0.0, 0.0
    left_n = max(line[1] + line[0] * float(way_mm[-1]), 0.0)
    rest_mm = min(left_n / -line[0], float(way_mm[-1] - way_mm[last[-1]]))
    return rest_mm, left_n * rest_mm / 2


def _work(
    pull_n: FloatArray,
    way_mm: FloatArray,
    give: _Give | None,
    tail: tuple[float, float],
    noises: tuple[float, float, float],
) -> tuple[float, float]:
    """Return the area below a pull and its standard uncertainty, with what lies below the threshold at
    both ends."""
    zero_u, noise_n, noise_mm = noises
    begin_mj = 0.0 if give is None else float(pull_n[0]) ** 2 / (2 * give.stiffness_n_per_mm)
    steps_mm, steps_n = np.diff(way_mm), np.diff(pull_n)
    work_mj = float(np.trapezoid(pull_n, way_mm)) + begin_mj + tail[1]
    u = hypot(
        zero_u * float(way_mm[-1]),
        noise_n * float(np.sqrt(np.sum(steps_mm**2))),
        noise_mm * float(np.sqrt(np.sum(steps_n**2))),
        float(np.sqrt(np.sum((steps_mm * steps_n) ** 2) / 12)),
        begin_mj / sqrt(3),
        tail[1] / sqrt(3),
    )
    return work_mj, u


def _gaps(signals: Signals, quiet: _Quiet, stretch: tuple[int, int]) -> IntArray:
    """Return the gaps before and after a pull as half-open ranges, shape (up to 2, 2).

    A gap is where nothing is felt and the platen stands farther away than where the part came off. A small
    force alone makes no gap: on its way from a press to a pull it is small too.
    """
    begin, end = stretch
    last_mm = float(signals.position_mm[begin:end].min())
    away = signals.position_mm < last_mm - NOISE_TIMES * quiet.noise_mm
    gaps = _stretches(away & (np.abs(signals.force_n - quiet.zero_n) < quiet.threshold_n))
    steady = [high - low >= FREE_SAMPLES and _steady(signals.force_n[low:high], quiet) for low, high in gaps]
    gaps = gaps[np.array(steady, np.bool_)]
    return np.concatenate([gaps[gaps[:, 1] <= begin][-1:], gaps[gaps[:, 0] >= end - 1][:1]])


def _steady(force_n: FloatArray, quiet: _Quiet) -> bool:
    """Return whether both halves of a gap agree: of a zero that has wandered off, only the hold's last is
    left."""
    first, second = np.array_split(force_n, 2)
    return bool(abs(np.median(first) - np.median(second)) < STEADY_SHARE * quiet.threshold_n)


def _zero(signals: Signals, quiet: _Quiet, begin: int, gaps: IntArray) -> tuple[float, float]:
    """Return the force zero at a pull, between those of the gaps beside it."""
    means = [float(np.median(signals.force_n[low:high])) for low, high in gaps]
    u = MEDIAN_U * quiet.noise_n / sqrt(min(int(high - low) for low, high in gaps))
    if len(means) == 1:
        return means[0], u
    times = [float(signals.time_s[low:high].mean()) for low, high in gaps]
    passed_s = times[1] - times[0]
    # a clock that stands tells no order between the gaps
    part = (float(signals.time_s[begin]) - times[0]) / passed_s if passed_s > 0 else 0.5
    # the zero may have wandered by a quarter of their difference from the line between them
    return means[0] + part * (means[1] - means[0]), hypot(u, 0.25 * (means[1] - means[0]))


def _peak(pull_n: FloatArray, at: int, noise_n: float, resolution_n: float) -> tuple[float, float]:
    """Return the largest pull; where samples are dense beside the noise, the largest of means of some of
    them.

    This many are averaged as let a peak with the slope found beside it fall by about the noise: the largest
    of many noisy samples is too large by a few standard deviations.
    """
    low, high = max(at - MOST_MEANED, 0), min(at + MOST_MEANED, len(pull_n) - 1)
    falls = [abs(pull_n[at] - pull_n[edge]) / abs(edge - at) for edge in (low, high) if edge != at]
    step_n = max([*falls, 1e-12])
    count = min(round(noise_n / step_n), MOST_MEANED, at, len(pull_n) - 1 - at)
    near = pull_n[max(low - count, 0) : high + count + 1]
    if count:
        mean_n = float(np.convolve(near, np.full(2 * count + 1, 1 / (2 * count + 1)), "valid").max())
        # between nothing, for a flat top, and what the mean of an even peak falls short of it
        short_n = step_n * count * (count + 1) / (2 * count + 1)
    else:
        mean_n = float(pull_n[at])
        # the peak lies between samples, by no more than half of what the next one is lower
        steps_n = np.abs(np.diff(pull_n[max(at - 1, 0) : at + 2]))
        short_n = float(steps_n.max(initial=0.0)) / 2
    # twice: its own noise, and that the largest of several means is too large by about as much
    each_u = noise_n / sqrt(2 * count + 1)
    u = hypot(each_u, each_u, resolution_n / sqrt(12), short_n / sqrt(12))
    return mean_n + short_n / 2, u


def _flags(signals: Signals, stretch: _Stretch, gaps: IntArray) -> Iterator[str]:
    begin, end, quiet = stretch.begin, stretch.end, stretch.quiet
    way_mm = signals.position_mm[begin:end]
    slack_mm = max(NOISE_TIMES * quiet.noise_mm, 2 * signals.position_resolution_mm, LEAST_TURN_MM)
    if not stretch.released or way_mm[-1] > way_mm.min() + slack_mm:
        yield NOT_OFF
    elif not ((gaps[:, 0] >= end - 1) & (gaps[:, 0] < 2 * end - begin)).any():
        # so soon after it nothing may be felt, unless the zero has wandered off
        yield NO_ZERO
    if signals.lost[min(end, len(signals) - 1)] > signals.lost[begin]:
        yield LOST
    if (signals.status[begin:end] & Status.FORCE_SATURATED).any():
        yield SATURATED


def _give(
    pull_n: FloatArray, way_mm: FloatArray, peak_n: float, noises: tuple[float, float, float]
) -> _Give | None:
    """Line through the first give, up to the peak; None with too few samples."""
    _, noise_n, noise_mm = noises
    until = int(np.argmax(pull_n >= GIVE_TO * peak_n))
    inside = np.flatnonzero(pull_n[:until] > GIVE_FROM * peak_n)
    line = _line(way_mm[inside], pull_n[inside])
    if line is None or not line[0] > 0:
        return None
    slope, rest_n, per_noise = line
    noise_n = hypot(noise_n, slope * noise_mm)  # noise of the position is one of the force on a slope
    u = per_noise * noise_n
    stray_n = float(np.std(pull_n[inside] - rest_n - slope * way_mm[inside]))
    bent = stray_n > max(4 * noise_n, BENT_SHARE * peak_n)
    first = np.flatnonzero((pull_n[:until] > EARLY_FROM * peak_n) & (pull_n[:until] <= GIVE_FROM * peak_n))
    early = _line(way_mm[first], pull_n[first])
    if early is not None:
        bent |= abs(early[0] - slope) > max(BENT_SLOPE * slope, 4 * hypot(u, early[2] * noise_n))
    middle_mm_u = noise_n / slope / sqrt(len(inside))
    return _Give(slope, rest_n, float(pull_n[inside].mean()), u / slope, middle_mm_u, bool(bent))


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, float] | None:
    """Return the slope, rest, and the slope's standard uncertainty for a noise of one, by least squares;
    None with too few points."""
    if len(x) < FEWEST_FOR_LINE or np.ptp(x) <= 0:
        return None
    away = x - x.mean()
    slope = float(away @ y / (away @ away))
    return slope, float(y.mean() - slope * x.mean()), 1 / sqrt(float(away @ away))


def _first_slip(pull_n: FloatArray, slipped_mm: FloatArray, offset_mm: float) -> tuple[float, float]:
    """Return the force where the slip passes the offset for good before the peak, and how it grows with
    the slip there; else not-a-number."""
    short = np.flatnonzero(slipped_mm < offset_mm)
    if not len(short) or short[-1] + 1 >= len(pull_n):
        return nan, 0.0
    at = int(short[-1])
    low, high = max(at - MOST_MEANED, 0), min(at + MOST_MEANED, len(pull_n) - 1)
    span_mm = float(slipped_mm[high] - slipped_mm[low])
    slope = float(pull_n[high] - pull_n[low]) / span_mm if span_mm > 0 else 0.0
    part = (offset_mm - slipped_mm[at]) / (slipped_mm[at + 1] - slipped_mm[at])
    return float(pull_n[at] + part * (pull_n[at + 1] - pull_n[at])), abs(slope)
