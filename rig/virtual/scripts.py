"""Scripted runs: what the platen does by itself, squeeze after squeeze, and where each squeeze lies in time.

A script waits without load, squeezes a number of times and ends at rest in the gap. Three kinds of
motion: `driven` (steady speed), `hand` (uneven speed, tremor, pauses, half presses) and `sine`.
Cost: about eight instants for a driven squeeze, two hundred a second for one by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from rig.errors import InputError
from rig.samples import BoolArray, FloatArray
from rig.virtual.trajectory import Sine, Stops, Trajectory, driven

MotionKind = Literal["driven", "hand", "sine"]

LONGEST_BY_HAND = 5000
"""Squeezes by hand in one script; a person pushes no more, and each holds hundreds of instants."""

_HAND_STEP_S = 0.005
"""Grid of the hand's speed, fine beside its tremor."""
_TREMOR_HZ = 9.0
"""Physiological tremor lies at 8 to 12 Hz."""
_TREMOR_MM = 0.01
_UNEVENNESS = 0.35
"""Standard deviation of the logarithm of a hand's speed within a stroke."""
_SMOOTHING_S = 0.15
"""Over how long a hand keeps its speed."""
_PAUSE_CHANCE = 0.2
_HALF_PRESS_CHANCE = 0.15
_DEPTH_SPREAD = 0.02
"""Standard deviation of the depth a hand reaches, as a share of the depth wanted."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a scripted run is to do.

    `cycles`: how many squeezes, half presses included.
    `depth_mm`: travel past the first contact.
    `gap_mm`: clearance in between; a negative gap keeps that much deflection and never lets go.
    `speed_mm_per_s`: speed of both strokes; the largest speed of a sine, the mean speed of a hand.
    `hold_s`, `rest_s`: stop at depth and stop in the gap, after each squeeze.
    `no_load_s`: stop in the gap before the first squeeze.
    """

    cycles: int = 5
    depth_mm: float = 10.0
    gap_mm: float = 2.0
    speed_mm_per_s: float = 10.0
    hold_s: float = 0.0
    rest_s: float = 0.5
    no_load_s: float = 1.0
    motion: MotionKind = "driven"
    acceleration_mm_per_s2: float = 200.0

    def __post_init__(self) -> None:
        rules: tuple[tuple[str, bool, str], ...] = (
            ("cycles", self.cycles >= 1, "at least 1"),
            ("depth_mm", 0 < self.depth_mm < math.inf, "above 0"),
            ("gap_mm", -self.depth_mm < self.gap_mm < math.inf, "above minus the depth"),
            ("speed_mm_per_s", 0 < self.speed_mm_per_s < math.inf, "above 0"),
            ("acceleration_mm_per_s2", 0 < self.acceleration_mm_per_s2 < math.inf, "above 0"),
            ("hold_s", 0 <= self.hold_s < math.inf, "0 or more"),
            ("rest_s", 0 <= self.rest_s < math.inf, "0 or more"),
            ("no_load_s", 0 <= self.no_load_s < math.inf, "0 or more"),
            ("motion", self.motion in ("driven", "hand", "sine"), "driven, hand or sine"),
        )
        for name, holds, expected in rules:
            if not holds:
                raise InputError(f"{name}: found {getattr(self, name)!r}, expected {expected}")
        if self.motion == "hand" and self.cycles > LONGEST_BY_HAND:
            raise InputError(
                f"cycles: found {self.cycles} by hand, expected at most {LONGEST_BY_HAND}; "
                "use driven motion for more"
            )

    @property
    def clearance_mm(self) -> float:
        """Gap in which the platen waits before the first squeeze and after the last."""
        return self.gap_mm if self.gap_mm > 0 else 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Script:
    """A trajectory with the instants that bound each squeeze, arrays of shape (cycles,).

    Loading lies between `begins_s` and `deepest_s`, hold up to `returns_s`, unloading and rest up to
    `ends_s`. `full` is False for a half press.
    """

    trajectory: Trajectory
    begins_s: FloatArray
    deepest_s: FloatArray
    returns_s: FloatArray
    ends_s: FloatArray
    full: BoolArray

    @property
    def end_s(self) -> float:
        """When the last rest is over."""
        return max(self.trajectory.end_s, float(self.ends_s[-1]))


def make_script(plan: Plan, contact_mm: float, seed: int) -> Script:
    """Return the run that a plan describes.

    Parameters
    ----------
    contact_mm
        Where the specimen is first reached, on the platen's axis.
    seed
        Of the hand's unevenness; other motions are the same with any.
    """
    if plan.motion == "hand":
        return _by_hand(plan, contact_mm, np.random.default_rng(seed))
    return _by_sine(plan, contact_mm) if plan.motion == "sine" else _by_drive(plan, contact_mm)


def _by_drive(plan: Plan, contact_mm: float) -> Script:
    start_mm, low_mm, high_mm = (
        contact_mm - plan.clearance_mm,
        contact_mm - plan.gap_mm,
        contact_mm + plan.depth_mm,
    )
    first = _strokes(
        plan, start_mm, [(start_mm, plan.no_load_s), (high_mm, plan.hold_s), (low_mm, plan.rest_s)]
    )
    again = _strokes(plan, low_mm, [(high_mm, plan.hold_s), (low_mm, plan.rest_s)])
    away = _strokes(plan, low_mm, [(start_mm, plan.rest_s)])
    repeats = plan.cycles - 1
    # All squeezes but the first are the same, so one is worked out and laid end to end.
    starts_s = first.end_s + again.end_s * np.arange(repeats + 1, dtype=np.float64)
    pieces = [first, _repeated(again, starts_s[:-1]), _shifted(away, float(starts_s[-1]))]
    # Both strokes go the same way and take the same time: half of what is left beside hold and rest.
    stroke_s = again.end_s - plan.hold_s - plan.rest_s
    begins_s = np.concatenate([[plan.no_load_s], starts_s[:-1]])
    ends_s = np.concatenate([[first.end_s], starts_s[1:]])
    returns_s = ends_s - plan.rest_s - stroke_s / 2
    return Script(
        _joined(pieces),
        begins_s,
        returns_s - plan.hold_s,
        returns_s,
        ends_s,
        np.ones(plan.cycles, np.bool_),
    )


def _by_sine(plan: Plan, contact_mm: float) -> Script:
    start_mm, low_mm = contact_mm - plan.clearance_mm, contact_mm - plan.gap_mm
    # The largest speed of a sine is amplitude x angular frequency.
    amplitude_mm = (plan.depth_mm + plan.gap_mm) / 2
    angular = plan.speed_mm_per_s / amplitude_mm
    approach = _strokes(plan, start_mm, [(start_mm, plan.no_load_s), (low_mm, plan.rest_s)])
    period_s = 2 * math.pi / angular
    begins_s = approach.end_s + period_s * np.arange(plan.cycles, dtype=np.float64)
    end_s = approach.end_s + period_s * plan.cycles
    middle = _strokes(plan, low_mm + amplitude_mm, [(low_mm + amplitude_mm, period_s * plan.cycles)])
    away = _strokes(plan, low_mm, [(low_mm, plan.rest_s), (start_mm, plan.rest_s)])
    joined = _joined([approach, _shifted(middle, approach.end_s), _shifted(away, end_s)])
    deepest_s = begins_s + period_s / 2
    return Script(
        replace(joined, sine=Sine(approach.end_s, end_s, amplitude_mm, angular)),
        begins_s,
        deepest_s,
        deepest_s,
        begins_s + period_s,
        np.ones(plan.cycles, np.bool_),
    )


def _by_hand(plan: Plan, contact_mm: float, random: np.random.Generator) -> Script:
    low_mm = contact_mm - plan.clearance_mm
    full = random.random(plan.cycles) >= _HALF_PRESS_CHANCE
    full[0] = True
    depth_mm = plan.depth_mm * np.where(
        full,
        np.clip(1 + _DEPTH_SPREAD * random.standard_normal(plan.cycles), 0.9, 1.1),
        random.uniform(0.35, 0.6, plan.cycles),
    )
    pieces = [_strokes(plan, low_mm, [(low_mm, plan.no_load_s)])]
    bounds = np.empty((plan.cycles, 4))
    now_s = plan.no_load_s
    for cycle, depth in enumerate(depth_mm):
        way_mm = plan.clearance_mm + float(depth)
        inward = _hand_stroke(random, low_mm, way_mm, plan.speed_mm_per_s)
        outward = _hand_stroke(random, low_mm + way_mm, -way_mm, plan.speed_mm_per_s)
        turn_s = now_s + inward.end_s
        back_s = turn_s + plan.hold_s * random.uniform(0.8, 1.2)
        rested_s = back_s + outward.end_s + plan.rest_s * random.uniform(0.8, 1.5)
        bounds[cycle] = now_s, turn_s, back_s, rested_s
        pieces += [_shifted(inward, now_s), _shifted(outward, back_s)]
        now_s = rested_s
    begins_s, deepest_s, returns_s, ends_s = (np.ascontiguousarray(column) for column in bounds.T)
    return Script(_joined(pieces), begins_s, deepest_s, returns_s, ends_s, full)


def _hand_stroke(
    random: np.random.Generator, start_mm: float, way_mm: float, speed_mm_per_s: float
) -> Trajectory:
    """Return one stroke from rest to rest, its speed a straight line between instants of the hand's grid."""
    points = max(math.ceil(abs(way_mm) / speed_mm_per_s / _HAND_STEP_S), 12)
    width = min(int(_SMOOTHING_S / _HAND_STEP_S), points)
    # A hand's speed: white noise smoothed over the time for which it is kept, as a factor that is never below
    # zero, with a ramp at both ends, an occasional stop, and tremor on top.
    rough = random.standard_normal(points + width - 1)
    smooth = np.convolve(rough, np.full(width, 1 / math.sqrt(width)), "valid")
    ramp = np.minimum(1.0, np.minimum(np.arange(points), np.arange(points)[::-1]) / min(10, points // 3))
    pace = np.exp(_UNEVENNESS * smooth) * ramp
    if random.random() < _PAUSE_CHANCE:
        pace = _paused(random, pace)
    phase = 2 * math.pi * (_TREMOR_HZ * _HAND_STEP_S * np.arange(len(pace)) + random.random())
    pace *= way_mm / (pace.sum() * _HAND_STEP_S)
    tremor = 2 * math.pi * _TREMOR_HZ * _TREMOR_MM * np.cos(phase)
    speed = pace + np.where(pace != 0, tremor, 0.0)
    # The trapezoids between the instants must cover the way exactly, or the platen would wander off.
    speed *= way_mm / (speed.sum() * _HAND_STEP_S)
    speed[0] = speed[-1] = 0.0
    acceleration = np.append(np.diff(speed) / _HAND_STEP_S, 0.0)
    travel = np.append(0.0, np.cumsum(0.5 * (speed[1:] + speed[:-1]) * _HAND_STEP_S))
    position = start_mm + travel * (way_mm / travel[-1])
    scale = way_mm / travel[-1]
    return Trajectory(
        _HAND_STEP_S * np.arange(len(speed), dtype=np.float64), position, speed * scale, acceleration * scale
    )


def _paused(random: np.random.Generator, pace: FloatArray) -> FloatArray:
    """Return a stop somewhere in the stroke, with the speed falling and rising around it."""
    at = int(random.integers(len(pace) // 4, 3 * len(pace) // 4))
    still = np.zeros(int(random.uniform(0.1, 0.4) / _HAND_STEP_S))
    slope = np.linspace(1.0, 0.0, 6)
    before, after = pace[:at].copy(), pace[at:].copy()
    before[-min(6, at) :] *= slope[-min(6, at) :]
    after[: min(6, len(after))] *= slope[::-1][: min(6, len(after))]
    return np.concatenate([before, still, after])


def _strokes(plan: Plan, start_mm: float, stops: Stops) -> Trajectory:
    return driven(
        start_mm,
        stops,
        speed_mm_per_s=plan.speed_mm_per_s,
        acceleration_mm_per_s2=plan.acceleration_mm_per_s2,
    )


def _shifted(piece: Trajectory, by_s: float) -> Trajectory:
    return replace(piece, time_s=piece.time_s + by_s)


def _repeated(piece: Trajectory, starts_s: FloatArray) -> Trajectory:
    """Return copies of a piece in one trajectory, empty for none: no Python object for each squeeze."""
    times = len(starts_s)
    return Trajectory(
        (starts_s[:, None] + piece.time_s[None, :]).ravel(),
        np.tile(piece.position_mm, times),
        np.tile(piece.speed_mm_per_s, times),
        np.tile(piece.acceleration_mm_per_s2, times),
    )


def _joined(pieces: list[Trajectory]) -> Trajectory:
    return Trajectory(
        # Where pieces meet, rounding may put one end a hair after the next start.
        np.maximum.accumulate(np.concatenate([piece.time_s for piece in pieces])),
        np.concatenate([piece.position_mm for piece in pieces]),
        np.concatenate([piece.speed_mm_per_s for piece in pieces]),
        np.concatenate([piece.acceleration_mm_per_s2 for piece in pieces]),
    )
