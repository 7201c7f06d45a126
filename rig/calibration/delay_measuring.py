"""How much later than the position the force is reported, from slow and fast presses of a spring.

Problem: a delay looks like hysteresis, and every spring, sensor and frame has a little true hysteresis too.
Plan: what is lost in friction or backlash is the same at every speed, while a delay t takes t * integral of
(dF/dt) dx off the loop. So the losses of presses at several speeds, each over the press's own energy, lie on
a line whose slope is the delay. The delay found is applied and the rest measured again until none is left,
since the line is straight for short delays only. Cost: some four passes over the recordings.

A dashpot loses energy just as a negative delay does, so that the spring must be of metal: foam or rubber
would hide part of the delay. Losses that depend on speed in another way show as a curve, and are refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.calibration.calibration import Calibration, Delay
from rig.calibration.presses import Press, Presses, Sensing, aligned, presses_of
from rig.calibration.provenance import Provenance
from rig.calibration.scatter import chance_of_ratio, variance_factor
from rig.core.measured import Measured, combined
from rig.errors import InputError
from rig.samples import FloatArray, IntArray, Samples

LEAST_PRESSES = 2
"""At each speed: one alone has no scatter."""

LEAST_MOVING = 8
"""Values in both strokes of a press; fewer are no loop."""

LEAST_RATIO = 2.0
"""The fastest presses against the slowest: below this the line hangs on its noise."""

NEW_SPEED_RATIO = 1.25
"""Presses that differ by less were meant to be equally fast."""

SAME_DEPTH = 0.8
"""Smallest over largest peak force: losses can be compared only at about one depth."""

CURVED_CHANCE = 0.01
"""Losses that lie off the line by so much that chance does it this seldom depend on speed themselves."""

CURVED_LOSS = 0.002
"""What they may lie off the line without a word: 0.2 points of hysteresis."""

LARGEST_LOSS = 0.5
"""At the slowest speed. A spring that loses more is none."""

IMPLAUSIBLE_U = 3.0
"""A delay below zero by this many times its uncertainty is none."""

MOST_ROUNDS = 12
SETTLED_S, SETTLED_SHARE = 1e-7, 0.1
"""What may be left: seconds, or a share of the uncertainty; noise moves the ends of a press a little."""

STUBBORN_SHARE = 0.1
"""Of the delay, that may go on changing however often it is taken off."""

NO_SPRING = "presses whose force does not rise and fall with the position; expected presses of a spring"

_CHANGES = 100
"""Of force and position, from which a press's change with delay is taken."""

_EDGE_SHARE = 0.05
"""Of the depth, left out at both ends where samples that move are counted."""


@dataclass(frozen=True, slots=True)
class TimedPress:
    """One press: how fast it was and what it seemed to lose.

    `rate_per_s`: how much of its energy a press seems to lose for each second of delay.
    `loss_before_pct`, `loss_after_pct`: seeming hysteresis with the delay so far and with the one that was
    found, in per cent.
    """

    speed_mm_per_s: float
    peak_force_n: float
    rate_per_s: float
    loss_before_pct: float
    loss_after_pct: float


@dataclass(frozen=True, slots=True)
class DelayMeasurement:
    """What slow and fast presses say.

    `interval_s`: half its 95 % interval.
    `loss_pct`: what is lost at any speed, in per cent: friction and backlash.
    """

    delay: Delay
    interval_s: float
    loss_pct: float
    presses: tuple[TimedPress, ...]
    left_out: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Loops:
    """Columns of shape (presses,): seeming loss over energy, its change with delay, its variance from noise,
    and what it is off by where friction turns, which all presses at a speed may share."""

    loss: FloatArray
    rate_per_s: FloatArray
    variance: FloatArray
    turn_u: FloatArray
    speed_mm_per_s: FloatArray
    peak_force_n: FloatArray
    left_out: int


@dataclass(frozen=True, slots=True)
class _Line:
    """Delay that is left, loss at any speed, and how far the losses are curved over the speeds."""

    left_s: Measured
    loss: float
    curved: float


def measure_delay(recordings: Sequence[Samples], calibration: Calibration) -> DelayMeasurement:
    """Find the delay of the force against the position.

    Parameters
    ----------
    recordings
        Presses of a metal spring at two speeds or more, in any order; each recording whole.
    calibration
        So far; its scales need only be right in proportion.

    Raises
    ------
    InputError
        If there are too few presses or speeds, the speeds are too similar, or the losses are not those of a
        spring and a delay.

    Notes
    -----
    Losses over energies, y = A/W with A the loop's area and W the mean of what goes in and comes out, are
    fitted by y = h - t g, where g = (integral of dF/dt dx)/W. Weights come from noise, resolution and the
    size of a step at the contact; the uncertainty from the scatter about the line.
    """
    # noise of values as they were taken: taking a delay off smooths positions, not their errors
    raw = aligned(recordings, replace(calibration, delay=Delay()))
    sensing = presses_of(raw).sensing(raw[0])
    # as the delay known so far leaves them; the record shows what they seemed to lose then
    first = loops = _loops(presses_of(aligned(recordings, calibration)), sensing)
    speeds = _speeds(first)
    delay_s = calibration.delay.s
    for _ in range(MOST_ROUNDS):
        line = _fit(loops, speeds)
        delay_s += line.left_s.value
        if abs(line.left_s.value) < max(SETTLED_S, SETTLED_SHARE * line.left_s.u):
            break
        signals = aligned(recordings, replace(calibration, delay=Delay(delay_s)))
        loops = _loops(presses_of(signals), sensing)
        if len(loops.loss) != len(first.loss):
            raise InputError("the presses are not whole once the delay is taken off; expected longer rests")
    else:
        if abs(line.left_s.value) > STUBBORN_SHARE * abs(delay_s):
            raise InputError(
                f"no delay makes the losses equal (the last try was {1e3 * delay_s:.4g} ms); expected "
                "presses of a metal spring, slow and fast"
            )
        # coarse times make the losses jump: what goes on jumping is uncertain
        left_s = line.left_s
        line = replace(line, left_s=replace(left_s, own_u=math.hypot(left_s.u, left_s.value)))
    _refuse_what_is_no_delay(line, delay_s, loops, speeds)
    return _measurement(line, delay_s, (first, loops), speeds, _notes(recordings, speeds))


def _loops(presses: Presses, sensing: Sensing) -> _Loops:
    # one row per press, turned into one array per column
    rows = [_loop(press, sensing) for press in presses.whole]
    loss, rate, variance, turn_u, speed, peak = np.array(rows).T
    return _Loops(loss, rate, variance, turn_u, speed, peak, presses.left_out)


def _loop(press: Press, sensing: Sensing) -> tuple[float, ...]:
    """Return one row of `_Loops`."""
    time_s, force_n, position_mm = press.time_s, press.force_n, press.position_mm
    # energy in N mm by the trapezoidal rule, loading and unloading apart
    work = 0.5 * (force_n[1:] + force_n[:-1]) * np.diff(position_mm)
    goes_in, comes_out = float(work[: press.turn].sum()), float(-work[press.turn :].sum())
    energy_mj = 0.5 * (goes_in + comes_out)
    deepest_mm, peak_n = float(position_mm.max()), press.peak_force_n
    reached = np.flatnonzero(force_n > _EDGE_SHARE * peak_n)
    depth_mm = deepest_mm - float(position_mm[reached[0]])
    if not (depth_mm > 0 and energy_mj > 0):
        raise InputError(NO_SPRING)
    way = (deepest_mm - position_mm) / depth_mm
    moving = (way > _EDGE_SHARE) & (way < 1 - _EDGE_SHARE)
    if moving.sum() < LEAST_MOVING:
        raise InputError(
            f"found {int(moving.sum())} values in both strokes of a press; expected {LEAST_MOVING} at the "
            "least: press more slowly, or deeper"
        )
    # values of both strokes as if they went on evenly to the ends, where starts and stops are slower
    count = float(moving.sum()) / (1 - 2 * _EDGE_SHARE)
    change = _change_with_delay(press, max(int(count) // _CHANGES, 1))
    step_mm = 2 * depth_mm / count
    # a sample's error is multiplied by the step beside it; the step of the contact has a corner in it
    # the force's noise counts before the contact as well, on the way that the press was cut with
    further = (deepest_mm - float(position_mm.min())) / depth_mm
    variance = count * (
        further * (sensing.force_u_n * step_mm) ** 2 + (sensing.position_u_mm * 2 * peak_n / count) ** 2
    )
    # the trapezoidal rule is off by slope step^2 / 12 at a corner (Euler and Maclaurin), at both contacts
    variance += 2 * (peak_n / depth_mm * step_mm**2 / 12) ** 2
    # friction turns within a step: the force jumps by twice its mean there, where it grows with the load
    turn_u = abs(2 * (goes_in - comes_out) / depth_mm * step_mm) / math.sqrt(12)
    # speed over the time that was spent in the moving part, not from turn to turn
    strokes = np.flatnonzero(moving)
    spent_s = float(np.diff(time_s)[strokes[strokes < len(time_s) - 1]].sum())
    speed = 2 * depth_mm * (1 - 2 * _EDGE_SHARE) / spent_s if spent_s > 0 else math.nan
    loss, rate_per_s = (goes_in - comes_out) / energy_mj, change / energy_mj
    return loss, rate_per_s, variance / energy_mj**2, turn_u / energy_mj, speed, peak_n


def _change_with_delay(press: Press, stride: int) -> float:
    """Return the integral of dF/dt dx, N mm/s, over steps of this many samples.

    Over longer steps the product of two noises is small, and a straight stroke is as straight.
    """
    # a host's clock may give two samples one time
    few = np.flatnonzero(np.diff(press.time_s, append=np.inf) > 0)[::stride]
    work = np.diff(press.force_n[few]) * np.diff(press.position_mm[few])
    return float(np.sum(work / np.diff(press.time_s[few])))


def _speeds(loops: _Loops) -> IntArray:
    """Return which presses were meant to be equally fast: a number for each, slowest first."""
    rate = loops.rate_per_s
    if not (np.isfinite(rate).all() and (rate > 0).all()):
        raise InputError(NO_SPRING)
    speed = loops.speed_mm_per_s
    order = np.argsort(speed)
    # in order of speed, a new group begins where the next press is clearly faster
    steps = speed[order][1:] > NEW_SPEED_RATIO * speed[order][:-1]
    speeds = np.empty(len(speed), np.int64)
    speeds[order] = np.concatenate([[0], np.cumsum(steps)])
    _, counts = np.unique(speeds, return_counts=True)
    told = ", ".join(f"{n} at {_of_speed(loops, speeds, k):.3g} mm/s" for k, n in enumerate(counts))
    if len(counts) < 2 or speed.max() < LEAST_RATIO * speed.min():
        raise InputError(
            f"found presses at one speed only ({told}); expected slow and fast ones, the fast "
            f"{LEAST_RATIO:g} times as fast at the least, and better ten times"
        )
    if counts.min() < LEAST_PRESSES:
        raise InputError(f"found {told}; expected {LEAST_PRESSES} presses at each speed at the least")
    low_n, high_n = loops.peak_force_n.min(), loops.peak_force_n.max()
    if low_n < SAME_DEPTH * high_n:
        raise InputError(
            f"found presses with peaks from {low_n:.4g} N to {high_n:.4g} N; expected all equally deep, "
            "and by a metal spring, which neither softens nor stiffens with speed"
        )
    return speeds


def _of_speed(loops: _Loops, speeds: IntArray, which: int) -> float:
    return float(np.median(loops.speed_mm_per_s[speeds == which]))


def _fit(loops: _Loops, speeds: IntArray) -> _Line:
    """Return the line of losses over rates, weighted by what noise does to each loss."""
    root = np.sqrt(loops.variance)
    design = np.column_stack([np.ones_like(root), -loops.rate_per_s]) / root[:, None]
    # a slow press has a rate near zero beside a fast one's: columns of like size
    size = np.linalg.norm(design, axis=0)
    solved, *_ = np.linalg.lstsq(design / size, loops.loss / root, rcond=None)
    loss, left_s = solved / size
    covariance = np.linalg.inv((design / size).T @ (design / size)) / np.outer(size, size)
    residual = loops.loss - (loss - left_s * loops.rate_per_s)
    # scatter about the line, or what noise explains of it; a curve over the speeds where it says more
    factor, freedom = variance_factor(float(np.sum(residual**2 / loops.variance)), len(residual) - 2)
    curved, curve_factor, curve_freedom = _curvature(loops, speeds, residual)
    if curve_factor > factor:
        factor, freedom = curve_factor, curve_freedom
    turn_u_s = float(loops.turn_u.max() / np.ptp(loops.rate_per_s))
    u_s, freedom = combined([(math.sqrt(factor * covariance[1, 1]), freedom), (turn_u_s, math.inf)])
    return _Line(Measured(float(left_s), u_s, freedom), float(loss), curved)


def _curvature(loops: _Loops, speeds: IntArray, residual: FloatArray) -> tuple[float, float, float]:
    """Return how far the mean losses of the speeds lie off the line, if not by chance, and the variance
    of it."""
    groups, counts = np.unique(speeds, return_counts=True)
    off = len(groups) - 2
    if off < 1:
        return 0.0, 0.0, math.inf
    # one-way analysis of variance of the residuals, weighted: between the speeds against within them
    weight = 1 / loops.variance
    sums = np.bincount(speeds, weight)
    mean = np.bincount(speeds, weight * residual) / sums
    between = float(np.sum(sums * mean**2))
    within = float(np.sum(weight * (residual - mean[speeds]) ** 2))
    inner = int(np.sum(counts - 1))
    factor, freedom = variance_factor(within, inner)
    if chance_of_ratio(between / off / factor, off, min(freedom, 1e9)) >= CURVED_CHANCE:
        return 0.0, 0.0, math.inf
    return float(np.abs(mean).max()), between / off, float(off)


def _refuse_what_is_no_delay(line: _Line, delay_s: float, loops: _Loops, speeds: IntArray) -> None:
    if line.curved > CURVED_LOSS:
        told = ", ".join(
            f"{100 * float(np.mean(loops.loss[speeds == k])):.3g} % at {_of_speed(loops, speeds, k):.3g} mm/s"
            for k in range(int(speeds.max()) + 1)
        )
        raise InputError(
            f"with {1e3 * delay_s:.4g} ms of delay taken off, the specimen still loses {told}: its loss "
            "depends on speed in a way that no delay explains; expected a metal spring"
        )
    if line.loss > LARGEST_LOSS or line.loss < -LARGEST_LOSS:
        raise InputError(
            f"the specimen loses {100 * line.loss:.3g} % at any speed; expected a metal spring, which loses "
            "next to nothing"
        )
    if delay_s < -IMPLAUSIBLE_U * line.left_s.u:
        raise InputError(
            f"found {1e3 * delay_s:.4g} ms (u {1e3 * line.left_s.u:.2g} ms): the force would come before the "
            "position; expected a metal spring, since foam and rubber lose more the faster they are pressed"
        )


def _notes(recordings: Sequence[Samples], speeds: IntArray) -> tuple[str, ...]:
    notes = []
    if speeds.max() < 2:
        notes.append(
            "Two speeds only: a spring whose loss itself depends on speed would not show. Three or more do."
        )
    if any(samples.clock == "host" for samples in recordings):
        notes.append(
            "Times are the host's, not the rig's: they shake by milliseconds, and the delay of the "
            "line is in them."
        )
    return tuple(notes)


def _measurement(
    line: _Line,
    delay_s: float,
    before_and_after: tuple[_Loops, _Loops],
    speeds: IntArray,
    notes: tuple[str, ...],
) -> DelayMeasurement:
    first, loops = before_and_after
    presses = tuple(
        TimedPress(
            float(loops.speed_mm_per_s[i]),
            float(loops.peak_force_n[i]),
            float(loops.rate_per_s[i]),
            100 * float(first.loss[i]),
            100 * float(loops.loss[i]),
        )
        for i in range(len(loops.loss))
    )
    details = {
        "found_ms": 1e3 * delay_s,
        "loss_at_any_speed_pct": 100 * line.loss,
        "speeds_mm_per_s": [_of_speed(loops, speeds, k) for k in range(int(speeds.max()) + 1)],
        "presses": [
            {
                "speed_mm_per_s": press.speed_mm_per_s,
                "loss_before_pct": press.loss_before_pct,
                "loss_after_pct": press.loss_after_pct,
            }
            for press in presses
        ],
    }
    # a delay below zero by less than its uncertainty allows is none
    record = Provenance(details=details)
    delay = Delay(max(delay_s, 0.0), line.left_s.u, line.left_s.freedom, record)
    return DelayMeasurement(delay, line.left_s.reach(), 100 * line.loss, presses, loops.left_out, notes)
