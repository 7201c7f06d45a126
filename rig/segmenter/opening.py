"""What the opening of a recording tells: noise, force zero, working direction.

Problem: a recording may begin with a rest, with the first sample of a motion, under a stated preload, or in
the middle of a press; it may hold ten samples a second or fifty thousand. Everything found later rests on
what is decided here, and a decision on the first few samples is a decision on luck.

Plan: wait until the platen has come in and gone back once (or until `LONGEST_S` of motion). Then walk back
from the largest force to where the specimen can have been reached first: what lies before is the untouched
stretch. It gives the zero, and the part of it in which the platen stood still gives the noise at rest; what
moves without load gives the noise in motion, and the loading stroke what grows with the load. Where nothing
was untouched, that is reported, and the zero is the recorded one or, in counts or where the platen goes clear
later at a force below it, the lowest force there is.

The opening is looked at at lengths that depend on nothing but the number of samples, so that any cutting of
the recording gives the same answer. Cost: some passes over the opening, at sixteen lengths per doubling.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil, sqrt

import numpy as np

from rig.calibration import Signals
from rig.samples import FloatArray
from rig.segmenter.noise import (
    FEWEST_SAMPLES,
    Noise,
    Scatter,
    median,
    most_repeats,
    noise_beside_motion,
    noise_share_of_load,
    scatter_about_line,
)
from rig.segmenter.zero import ForceZero, ZeroPolicy

FIRST_LOOK = 16
LOOKS_PER_LENGTH = 16
"""The opening is looked at after this many samples, and again when it has grown by a sixteenth."""

LONGEST_S = 60.0
LONGEST_SAMPLES = (4096, 1 << 18)
"""An opening lasts this long at the most, within these counts; a rest before the first motion is cut
short."""

SURELY_SHORT = LONGEST_SAMPLES[0] * LOOKS_PER_LENGTH // (LOOKS_PER_LENGTH + 1)
"""At this many samples, and at the next look, no opening is too long yet, whatever its clock."""

WAIT_S = 0.5
WAIT_SAMPLES = 4
"""What is waited for after the platen came back: its force zero is worth knowing."""

CAME_BACK = 0.8
"""Share of its travel by which a platen has come back."""

DEADBAND_NOISES = 6.0
DEADBAND_RESOLUTIONS = 3.0
"""A position turns when it comes back by this many standard deviations, or steps of its resolution."""

SETTLED_SHARE = 0.05
"""A force that changes by less than this share of its rise, for as long as that, is that of a platen that has
let go; else the opening lasts until the platen comes in again."""

MOVED_DEADBANDS = 4.0
"""A platen that moved by less may as well have stood still."""

EVIDENT_NOISES = 30.0
"""A force that rises by this many times the scatter of neighbours tells the working direction."""

FOOT_SHARES = (0.02, 0.06)
FOOT_NOISES = 6.0
FOOT_REACH = 1.5
"""From the first of these shares of the largest force to the second the platen travels at least as far as
from the contact to the first, for F = k d^n with n up to 2; samples nearer than that are not called
untouched."""

GAP_SHARE = 0.01
"""A platen that stands before it comes in was untouched if it then goes on by this share of its way without a
rise of force: under a preload, force rises at once."""

FLAT_SHARE = 0.1
FLAT_ERRORS = 3.0
FLAT_OF_PEAK = 0.01
"""A platen that stands first was untouched, too, where the force has not changed by the second half of this
first share of its way in: by no more than this many standard errors, which are at most this share of the
largest force. It tells a shallow toe region under noise, whose contact cannot be placed, from a preload."""

SMALLEST_MM = 1e-12
"""Keeps shares finite where the platen's way is none."""

ZERO_S = 0.5
ZERO_SAMPLES = (8, 4096)
"""The zero is the mean over this first part of an untouched stretch: later parts may have drifted."""

FEWEST_STILL = 8
STILL_S = 0.05
"""A shorter rest tells no noise."""

FEWEST_FREEDOM = 4
FEW_ROWS_DOUBT = 4.0
"""Rows clear of the specimen, less one for each stretch of them, that tell a noise where no rest is long
enough; their variance is raised by this over that number, half of what its own doubt is at four."""

LONGEST_STILL_SAMPLES = 8192

REPEATS_SAMPLES = 512
"""Samples over which the habit of a force to repeat itself is looked at."""

FEWEST_BESIDE_MOTION = 64
"""Samples that a recording without a rest needs before its noise can be separated from the bends of a
press."""

FEW_AT_REST = 3.0
"""The motion behind few rows at rest may show this many times the noise of positions that they do."""

FEWEST_ROWS = 16
"""A shorter recording is a table read by hand, at places that somebody chose: its steps are no noise."""

UNTIMED_STEP_S = 0.01
"""Step between samples that have no clock."""

CLEAR_SHARE = 0.1
"""Share of the travel behind the last load from which a platen that goes back is clear of the specimen."""

DRAG_ERRORS = 6.0
DRAG_STEADY = 0.25
"""A platen on its way in shows this many standard errors more force than at rest where guides or cables hold
it back; the halves of that way then agree within this share. A toe region rises instead."""

FEWEST_MOVING = 6
MOVING_MATTERS = 1.4
"""Scatter in motion below this many times that at rest is taken for the same noise, told twice."""


@dataclass(frozen=True, slots=True)
class Opening:
    """What the opening told.

    Parameters
    ----------
    noise
        Of the recording.
    zero
        The force zero that quantities count from.
    detection_zero_n
        The force zero that contact is detected with.
    follow
        Whether that zero may follow drift: not where nothing was untouched.
    direction
        1, or -1 where the working direction is negative in the recording.
    step_s
        Usual time between samples; not-a-number without a clock.
    """

    noise: Noise
    zero: ForceZero
    detection_zero_n: float
    follow: bool
    direction: int
    step_s: float


def usual_step_s(time_s: FloatArray) -> float:
    """Usual time between samples; not-a-number where there is no clock."""
    steps_s = np.diff(time_s)
    if not len(steps_s) or not np.isfinite(steps_s).all() or time_s[-1] <= time_s[0]:
        return float("nan")
    # equal time stamps come from a rounded clock: the mean then tells more than the median
    middle_s = median(steps_s)
    return middle_s if middle_s > 0 else float(time_s[-1] - time_s[0]) / len(steps_s)


def longest_opening(step_s: float) -> int:
    """Return the samples of the longest opening."""
    step_s = step_s if step_s > 0 else UNTIMED_STEP_S
    return int(np.clip(LONGEST_S / step_s, *LONGEST_SAMPLES))


@dataclass(frozen=True)
class Motion:
    """What the platen did in an opening; its noise is judged only where it matters, not at every look.

    Parameters
    ----------
    step_s
        Time between samples, a guess where there is no clock.
    direction
        Sign of force and travel when the specimen is loaded.
    force_n, position_mm
        In the working direction, single spikes smoothed.
    top
        Sample of the largest force.
    recorded_mm, resolution_mm
        Positions as they were recorded, and their resolution.
    """

    step_s: float
    direction: int
    force_n: FloatArray
    position_mm: FloatArray
    top: int
    recorded_mm: FloatArray
    resolution_mm: float

    @classmethod
    def of(cls, signals: Signals, *, tension: bool) -> Motion:
        """Return what a recording's first samples show."""
        step_s = usual_step_s(signals.time_s)
        force_n, position_mm = _without_spikes(signals.force_n), _without_spikes(signals.position_mm)
        direction = _direction_of(force_n) if tension else 1
        force_n, position_mm = direction * force_n, direction * position_mm
        return cls(
            step_s if step_s > 0 else UNTIMED_STEP_S,
            direction,
            force_n,
            position_mm,
            int(np.argmax(force_n)),
            signals.position_mm,
            signals.position_resolution_mm,
        )

    @cached_property
    def noise_mm(self) -> float:
        """Noise of position."""
        floor_mm = self.resolution_mm / sqrt(12)
        if len(self.recorded_mm) < FEWEST_ROWS:
            return floor_mm
        return max(floor_mm, noise_beside_motion(self.recorded_mm))

    @property
    def deadband_mm(self) -> float:
        """The way below which the platen did not move."""
        return max(DEADBAND_NOISES * self.noise_mm, DEADBAND_RESOLUTIONS * self.resolution_mm)

    @property
    def moved(self) -> bool:
        """Whether the platen moved at all."""
        return float(np.ptp(self.position_mm)) > MOVED_DEADBANDS * self.deadband_mm

    @property
    def rose(self) -> bool:
        """Whether the force rose by more than any noise."""
        rise_n = float(self.force_n[self.top] - median(self.force_n[:FEWEST_SAMPLES]))
        return rise_n > EVIDENT_NOISES * noise_beside_motion(self.force_n)

    @property
    def is_over(self) -> bool:
        """Whether the platen has come in, gone back, and that is long enough ago."""
        x_mm = self.position_mm
        since, way_mm = _came_back(x_mm)
        waited = max(ceil(WAIT_S / self.step_s), WAIT_SAMPLES)
        if len(x_mm) - since < waited:
            return False
        # a recording that began deep in a press may have come back by all that it had gone, still loaded
        rise_n = float(self.force_n[self.top] - self.force_n.min())
        settled = float(np.ptp(self.force_n[-waited:])) <= SETTLED_SHARE * rise_n
        nearest = since + int(np.argmin(x_mm[since:]))
        is_back = settled or float(x_mm[nearest:].max() - x_mm[nearest]) >= CAME_BACK * way_mm
        # the noise last: judging it takes as long as all the rest
        return is_back and self.moved and way_mm > MOVED_DEADBANDS * self.deadband_mm


def earliest_end(signals: Signals) -> int:
    """Return the samples before which the opening of a recording in compression cannot be over: until then,
    the platen has not come in and gone back. More than there are where it never has.

    It asks less than `Motion.is_over`, of the positions alone, and of all lengths of an opening at once.
    """
    x_mm = _without_spikes(signals.position_mm)
    deepest_mm = np.maximum.accumulate(x_mm)
    is_deeper = np.diff(deepest_mm, prepend=-np.inf) > 0
    # how far the platen had come in where it was deepest so far
    way_mm = deepest_mm - np.minimum.accumulate(x_mm)
    way_mm = way_mm[np.maximum.accumulate(np.where(is_deeper, np.arange(len(x_mm)), 0))]
    least_mm = MOVED_DEADBANDS * DEADBAND_RESOLUTIONS * signals.position_resolution_mm
    is_back = (x_mm <= deepest_mm - CAME_BACK * way_mm) & (way_mm > least_mm)
    first = int(is_back.argmax())
    return first + WAIT_SAMPLES if is_back[first] else len(x_mm) + 1


def _came_back(x_mm: FloatArray) -> tuple[int, float]:
    """Return the first sample at which the platen was back, or how many there are; and how far it went."""
    deepest = int(np.argmax(x_mm))
    way_mm = float(x_mm[deepest] - x_mm[: deepest + 1].min())
    is_back = x_mm[deepest:] <= x_mm[deepest] - CAME_BACK * way_mm
    first = int(is_back.argmax())
    return deepest + first if is_back[first] else len(x_mm), way_mm


def judge(
    signals: Signals,
    motion: Motion,
    policy: ZeroPolicy,
    *,
    force_noise_n: float | None = None,
    position_noise_mm: float | None = None,
) -> Opening:
    """Return what an opening tells of the recording.

    Parameters
    ----------
    signals
        As they were recorded.
    motion
        Of the same signals.
    policy
        What a person asked for.
    force_noise_n, position_noise_mm
        Noise that a person stated.
    """
    force_n = motion.direction * signals.force_n
    floor_n = signals.force_resolution_n / sqrt(12)
    still = _still_start(motion)
    untouched = _untouched_start(motion, _rough_noise(force_n, still, floor_n))
    at_rest = (
        _rest_scatter(force_n[: min(still, untouched)], motion)
        or _rest_scatter(force_n[:untouched], motion)
        or _rest_scatter_behind(force_n, motion)
        or _few_clear(force_n, untouched, motion)
    )
    beside_n = noise_beside_motion(force_n) if at_rest is None else at_rest.sd
    if at_rest is None and motion.moved and len(force_n) < FEWEST_BESIDE_MOTION:
        beside_n = 0.0  # a table read by hand bends more between its few points than any noise
    rest_n = max(beside_n, floor_n)
    correlated = 1.0 if at_rest is None else at_rest.correlated
    zero_window = int(np.clip(round(ZERO_S / motion.step_s), *ZERO_SAMPLES))
    samples = untouched if untouched >= FEWEST_SAMPLES else 0
    count = min(samples, zero_window)
    start_n = median(force_n[: min(max(still, 1), zero_window)])
    clear = _below_zero(force_n, motion, rest_n) if signals.force_in_newtons and not samples else None
    if samples:
        low_n = float(np.clip(force_n[:count], start_n - 6 * rest_n, start_n + 6 * rest_n).mean())
        low_u = Scatter(rest_n, correlated).mean_u(count)
    else:
        low_n, low_u = clear or _lowest(force_n, motion, rest_n)
    is_seen = samples > 0 or clear is not None or not signals.force_in_newtons
    kind = policy.kind or ("untouched" if is_seen else "as-recorded")
    value_n, u_n = {
        "untouched": (low_n, low_u),
        "as-recorded": (0.0, 0.0),
        "stated": (motion.direction * policy.value_n, 0.0),
    }[kind]
    asked = policy.kind is not None
    zero = ForceZero(kind, asked, value_n, u_n, start_n, samples * motion.step_s)
    approach_n = force_n[still:untouched]
    moving_n, share = _moving_noise(force_n - low_n, motion, approach_n, rest_n)
    noise = Noise(
        low_n if samples else zero.value_n,
        moving_n if force_noise_n is None else force_noise_n,
        _position_noise(signals, motion, still) if position_noise_mm is None else position_noise_mm,
        samples,
        # a clipped or hung force at the top of a press is no habit
        most_repeats(signals.force_n[: min(samples or REPEATS_SAMPLES, REPEATS_SAMPLES)]),
        rest_n if force_noise_n is None else force_noise_n,
        share if force_noise_n is None else 0.0,
        correlated if force_noise_n is None else 1.0,
        _drag_n(force_n, still, slice(still, untouched), at_rest) if force_noise_n is None else 0.0,
    )
    return Opening(noise, zero, noise.zero_n, samples > 0, motion.direction, usual_step_s(signals.time_s))


def working_direction(signals: Signals) -> int:
    """Return the sign that force and travel of a recording in tension have where the specimen is pulled."""
    return _direction_of(_without_spikes(signals.force_n))


def _direction_of(force_n: FloatArray) -> int:
    start_n = median(force_n[:FEWEST_SAMPLES])
    return 1 if force_n[int(np.argmax(np.abs(force_n - start_n)))] >= start_n else -1


def _without_spikes(values: FloatArray) -> FloatArray:
    """Medians of three neighbours; the ends as they are."""
    if len(values) < 3:
        return values
    smoothed = values.copy()
    before, here, after = values[:-2], values[1:-1], values[2:]
    # the middle one of three: ten times as fast as `np.median` along an axis
    low, high = np.minimum(before, here), np.maximum(before, here)
    np.maximum(low, np.minimum(high, after), out=smoothed[1:-1])
    return smoothed


def _still_start(motion: Motion) -> int:
    """Return the samples before the platen leaves its first position, less what it may have crept before
    that showed."""
    x_mm = motion.position_mm
    away = np.abs(x_mm - median(x_mm[:FEWEST_SAMPLES])) > motion.deadband_mm
    if not away.any():
        return len(x_mm)
    left = int(np.argmax(away))
    # at the speed it left with, it needed so long to cross the deadband
    after = min(left + max(left // 4, FEWEST_SAMPLES), len(x_mm) - 1)
    speed_mm = abs(float(x_mm[after] - x_mm[left])) / max(after - left, 1)
    crossing = ceil(2 * motion.deadband_mm / speed_mm) if speed_mm > 0 else left
    return max(left - crossing, 0)


def _rough_noise(force_n: FloatArray, still: int, floor_n: float) -> float:
    scatter = scatter_about_line(force_n[:still][:LONGEST_STILL_SAMPLES]) if still >= FEWEST_STILL else None
    return max(noise_beside_motion(force_n) if scatter is None else scatter.sd, floor_n)


def _untouched_start(motion: Motion, noise_n: float) -> int:
    """Return the samples before the specimen can have been reached; 0 if none are sure to be."""
    if not motion.moved:
        return len(motion.force_n)
    still = _still_start(motion)
    motion = _without_drag(motion, still)
    recorded, motion = motion, _without_drift(motion, still)
    force_n, x_mm, top = motion.force_n, motion.position_mm, motion.top
    start_n = median(force_n[: max(FEWEST_SAMPLES, min(still, top))])
    lowest = int(np.argmin(force_n[: top + 1]))
    if start_n - force_n[lowest] > 2 * FOOT_NOISES * noise_n and x_mm[lowest] < x_mm[0] - motion.deadband_mm:
        return 0  # it began under a load that the platen then took away
    peak_n = float(force_n[top]) - start_n
    if peak_n <= 2 * FOOT_NOISES * noise_n:
        return still
    low_n, high_n = (start_n + max(share * peak_n, FOOT_NOISES * noise_n) for share in FOOT_SHARES)
    high_n = max(high_n, start_n + 3 * (low_n - start_n))
    clear = _clear_start(motion, low_n, high_n)
    if clear < still:
        # where noise is low, a smaller rise shows a shorter way to the contact; a clear gap has to come out
        low_n = start_n + FOOT_NOISES * noise_n
        gap_mm = GAP_SHARE * (float(x_mm[top]) - float(x_mm[0])) + 2 * motion.deadband_mm
        clear = max(clear, _clear_start(motion, low_n, start_n + 3 * (low_n - start_n), gap_mm))
    if clear < still:
        # noise may have been taken for a drift
        clear = max([clear, *(_flat_start(taken, still, peak_n) for taken in (motion, recorded))])
    return clear


def _without_drag(motion: Motion, still: int) -> Motion:
    """Return the motion with a force taken off that comes with the first motion and then stays."""
    force_n, x_mm, top = motion.force_n, motion.position_mm, motion.top
    at_rest = scatter_about_line(force_n[:still]) if FEWEST_STILL <= still < top else None
    if at_rest is None:
        return motion
    share = (x_mm[still : top + 1] - x_mm[still]) / max(float(x_mm[top] - x_mm[still]), SMALLEST_MM)
    ahead = slice(*(still + int(np.argmax(share > part)) for part in (FLAT_SHARE / 5, FLAT_SHARE)))
    drag_n = _drag_n(force_n, still, ahead, at_rest)
    return replace(motion, force_n=force_n - drag_n * (np.arange(len(force_n)) >= still))


def _flat_start(motion: Motion, still: int, peak_n: float) -> int:
    """Return the samples of a still start whose force stays as it was while the platen comes in; else 0."""
    force_n, x_mm, top = motion.force_n, motion.position_mm, motion.top
    at_rest = scatter_about_line(force_n[:still]) if FEWEST_STILL <= still < top else None
    if at_rest is None:
        return 0
    start_mm = median(x_mm[:still])
    share = (x_mm[still : top + 1] - start_mm) / (float(x_mm[top]) - start_mm)
    ahead = still + int(np.argmax(share > FLAT_SHARE / 2)), still + int(np.argmax(share > FLAT_SHARE))
    count = ahead[1] - ahead[0]
    if count < FEWEST_MOVING:
        return 0
    error_n = float(np.hypot(at_rest.mean_u(still), at_rest.mean_u(count)))
    changed_n = abs(float(force_n[slice(*ahead)].mean() - force_n[:still].mean()))
    least_n = FLAT_ERRORS * error_n
    return still if changed_n <= least_n <= FLAT_OF_PEAK * peak_n else 0


def _without_drift(motion: Motion, still: int) -> Motion:
    """Return the motion with the drift of its still start taken off, up to as long again."""
    if still < FEWEST_STILL:
        return motion
    half = still // 2
    early_n, late_n = (median(part) for part in np.split(motion.force_n[:still], [half]))
    per_sample_n = (late_n - early_n) / (still - half)
    drift_n = per_sample_n * np.minimum(np.arange(len(motion.force_n)), 2 * still)
    return replace(motion, force_n=motion.force_n - drift_n)


def _clear_start(motion: Motion, low_n: float, high_n: float, gap_mm: float = 0.0) -> int:
    """Return the samples farther from the first rise through two forces than the specimen can have been
    reached."""
    force_n, x_mm, top = motion.force_n, motion.position_mm, motion.top
    # the first rise, be it a press or a contact before it
    low = int(np.argmax(force_n[: top + 1] >= low_n)) - 1
    high = int(np.argmax(force_n[: top + 1] >= min(high_n, force_n[top]))) - 1
    if low < 0:
        return 0
    if low == high and not gap_mm:
        return low  # reached between two samples: those before are clear of it
    low_mm, high_mm = (
        float(np.interp(level_n, force_n[[at, at + 1]], x_mm[[at, at + 1]]))
        for level_n, at in ((low_n, low), (high_n, high))
    )
    # a contact that never reaches the higher level is left at once
    reach_mm = FOOT_REACH * max(high_mm - low_mm, 0.0) + motion.deadband_mm + gap_mm
    clear = np.flatnonzero(x_mm[: low + 1] <= low_mm - reach_mm)
    return int(clear[-1]) + 1 if len(clear) else 0


def _rest_scatter(rest_n: FloatArray, motion: Motion) -> Scatter | None:
    """Scatter of a stretch without load; None where it is too short."""
    if len(rest_n) < max(FEWEST_STILL, STILL_S / motion.step_s):
        return None
    return scatter_about_line(rest_n[-LONGEST_STILL_SAMPLES:])


def _rest_scatter_behind(force_n: FloatArray, motion: Motion) -> Scatter | None:
    """Scatter of the rest that follows the first press, if there is one."""
    x_mm = motion.position_mm
    moving = np.flatnonzero(np.abs(x_mm - median(x_mm[-FEWEST_SAMPLES:])) > motion.deadband_mm)
    since = int(moving[-1]) + 1 if len(moving) else len(x_mm)
    since += (len(x_mm) - since) // 4  # a specimen that was just let go may still push
    return _rest_scatter(force_n[since:], motion)


def _few_clear(force_n: FloatArray, untouched: int, motion: Motion) -> Scatter | None:
    """Scatter of the few rows before and behind the first press that lie clear of the specimen together.

    Each stretch has its own middle; so few rows may agree by chance, which widens what they say.
    """
    behind = np.flatnonzero(motion.position_mm[motion.top :] <= motion.position_mm[max(untouched - 1, 0)])
    # up to where the platen comes in again
    behind = behind[behind - behind[:1].sum() == np.arange(len(behind))]
    behind += motion.top
    stretches = [part for part in (force_n[:untouched], force_n[behind]) if len(part) > 1]
    freedom = sum(map(len, stretches)) - len(stretches)
    if untouched < FEWEST_SAMPLES or freedom < FEWEST_FREEDOM:
        return None
    square = sum(float(((part - part.mean()) ** 2).sum()) for part in stretches) / freedom
    return Scatter(sqrt(square * (1 + FEW_ROWS_DOUBT / freedom)), 1.0)


def _lowest(force_n: FloatArray, motion: Motion, noise_n: float) -> tuple[float, float]:
    """Return the lowest force that lasts, and how far it may be from what an untouched platen would show."""
    width = int(np.clip(round(0.1 / motion.step_s), FEWEST_SAMPLES, max(len(force_n) // 4, 1)))
    pieces = len(force_n) // width
    if pieces < 2:
        return float(force_n.min()), float(np.ptp(force_n)) / 4
    means_n = force_n[: pieces * width].reshape(pieces, width).mean(axis=1)
    lowest = int(np.argmin(means_n))
    # a force that was on its way there may have gone on
    beside_n = float(np.abs(np.diff(means_n[max(lowest - 1, 0) : lowest + 2])).min(initial=np.inf))
    return float(means_n[lowest]), max(min(beside_n, float(np.ptp(force_n))), noise_n)


def _below_zero(force_n: FloatArray, motion: Motion, noise_n: float) -> tuple[float, float] | None:
    """Return the force of a platen that is clear of the specimen, and its standard uncertainty, where that is
    below the recorded zero, which was then taken under load; else None.

    Farthest away, force stays the same over some travel: a tacky face or a spent specimen shows a change.
    """
    share = (motion.position_mm - motion.position_mm.min()) / max(
        float(np.ptp(motion.position_mm)), SMALLEST_MM
    )
    far, near = (force_n[(share >= low) & (share < low + CLEAR_SHARE / 4)] for low in (0.0, CLEAR_SHARE / 4))
    if not motion.moved or min(len(far), len(near)) < FEWEST_SAMPLES:
        return None
    far_n, near_n = median(far), median(near)
    error_n = noise_n * float(np.hypot(len(far) ** -0.5, len(near) ** -0.5))
    is_flat = abs(near_n - far_n) <= FLAT_ERRORS * error_n <= FLAT_OF_PEAK * float(force_n.max() - far_n)
    return (far_n, error_n) if is_flat and far_n < -DRAG_ERRORS * error_n else None


def _moving_noise(
    load_n: FloatArray, motion: Motion, approach_n: FloatArray, rest_n: float
) -> tuple[float, float]:
    """Noise while the platen moves without load, and what grows with the load."""
    retreat_n = load_n[_retreat(motion)]
    approach = scatter_about_line(approach_n) if len(approach_n) >= FEWEST_MOVING else None
    # a specimen may still push during unloading: second differences take that off
    found = (
        (0.0 if approach is None else approach.sd, len(approach_n)),
        (noise_beside_motion(retreat_n) if len(retreat_n) >= 2 * FEWEST_MOVING else 0.0, len(retreat_n)),
    )
    # few samples tell it badly: they have to show more of it
    moving_n = max(
        (sd for sd, count in found if count and sd > MOVING_MATTERS * (1 + 2 / sqrt(count)) * rest_n),
        default=rest_n,
    )
    top = motion.top
    begun = np.flatnonzero(load_n[:top] < FOOT_NOISES * moving_n)
    contact = int(begun[-1]) + 1 if len(begun) else 0
    return moving_n, noise_share_of_load(load_n[contact : top + 1], moving_n)


def _drag_n(force_n: FloatArray, still: int, ahead: slice, at_rest: Scatter | None) -> float:
    """Return the force that a platen needs to move on its way in, above that at rest; 0 if none shows.

    Parameters
    ----------
    still
        Samples at rest, at the start.
    ahead
        Samples while the platen approaches.
    """
    # the rest tells its drift for no longer than that
    ahead = slice(ahead.start, min(ahead.stop, max(3 * still, ahead.start + 2 * FEWEST_MOVING)))
    count = ahead.stop - ahead.start
    if at_rest is None or still < FEWEST_STILL or count < 2 * FEWEST_MOVING:
        return 0.0
    # a zero that drifts at rest goes on drifting
    early_n, late_n = (median(half) for half in np.array_split(force_n[:still], 2))
    half_way = np.array([0.25, 0.75]) * count + ahead.start
    gone = (half_way - still / 2) / (still / 2)
    expected_n = (early_n + late_n) / 2 + (late_n - early_n) * gone
    levels_n = [median(half) for half in np.array_split(force_n[ahead], 2)] - expected_n
    error_n = at_rest.mean_u(min(still // 2, count // 2)) * (1 + float(gone[1]))
    drag_n = float(levels_n.min())
    if drag_n <= DRAG_ERRORS * error_n or float(np.ptp(levels_n)) > DRAG_STEADY * drag_n:
        return 0.0
    return drag_n


def _retreat(motion: Motion) -> slice:
    """Return the samples in which the platen goes on back, well clear of where it was loaded on its way
    in."""
    force_n, x_mm, top = motion.force_n, motion.position_mm, motion.top
    level_n = float(force_n.min()) + FOOT_SHARES[1] * float(np.ptp(force_n))
    loaded = np.flatnonzero(force_n[top:] > level_n)
    since = top + (int(loaded[-1]) + 1 if len(loaded) else 0)
    # as far again as from the level to where it turned into no more than a toe region
    let_go_mm = float(x_mm[since - 1]) - CLEAR_SHARE * (float(x_mm[top]) - float(x_mm.min()))
    clear = np.flatnonzero(x_mm[since:] < let_go_mm)
    still = np.flatnonzero(np.abs(x_mm[since:] - x_mm[-1]) > motion.deadband_mm)
    if not len(clear) or not len(still):
        return slice(0, 0)
    return slice(since + int(clear[0]), since + int(still[-1]))


def _position_noise(signals: Signals, motion: Motion, still: int) -> float:
    floor_mm = signals.position_resolution_mm / sqrt(12)
    if still >= FEWEST_STILL:
        rest_mm = signals.position_mm[:still]
        noise_mm = noise_beside_motion(rest_mm)
        if still < FEWEST_BESIDE_MOTION:
            # of few rows that step by their resolution, the median of differences may be any step, or none;
            # the motion behind them tells more, but its own bends count as noise
            scatter = scatter_about_line(rest_mm)
            seen_mm = noise_mm if scatter is None else max(noise_mm, scatter.sd)
            noise_mm = min(max(seen_mm, motion.noise_mm), FEW_AT_REST * seen_mm)
        return max(noise_mm, floor_mm)
    return max(motion.noise_mm, floor_mm)
