"""Where the platen is over time: driven, pushed by hand, or following a sine.

Problem: motion must be known exactly at any instant, for the samples, for the truth and for braking in
the middle of a move. Plan: a trajectory is a list of instants with position, speed and acceleration,
each holding until the next, so that position is a piecewise parabola; a sine may be laid over one
stretch. Cost: one binary search for each instant asked for.
Positions are on the platen's own axis in mm and rise towards the fixed platen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rig.samples import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Sine:
    """Adds -amplitude cos(w (t - begin)) from one instant to another, whole periods apart.

    The trajectory under it holds still at the middle and steps there from, and back to, the lowest point.
    """

    begin_s: float
    end_s: float
    amplitude_mm: float
    angular_rad_per_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Trajectory:
    """A piecewise parabola in time.

    `time_s`: instants in rising order, shape (n,); before the first, the platen stands at the first position.
    `position_mm`, `speed_mm_per_s`, `acceleration_mm_per_s2`: at each instant, shape (n,). The last holds for
    ever, so its speed and acceleration are zero.
    """

    time_s: FloatArray
    position_mm: FloatArray
    speed_mm_per_s: FloatArray
    acceleration_mm_per_s2: FloatArray
    sine: Sine | None = None

    @property
    def end_s(self) -> float:
        """When the platen comes to rest."""
        return float(self.time_s[-1])

    def positions_mm(self, time_s: FloatArray) -> FloatArray:
        """Return the position at each instant, shape (n,)."""
        piece, since_s = self._piece(time_s)
        half = 0.5 * self.acceleration_mm_per_s2[piece] * since_s
        position = self.position_mm[piece] + (self.speed_mm_per_s[piece] + half) * since_s
        if self.sine is None:
            return position
        phase, inside = self._phase(self.sine, time_s)
        return position - np.where(inside, self.sine.amplitude_mm * np.cos(phase), 0.0)

    def speeds_mm_per_s(self, time_s: FloatArray) -> FloatArray:
        """Return the speed at each instant, shape (n,); positive is approaching."""
        piece, since_s = self._piece(time_s)
        speed = self.speed_mm_per_s[piece] + self.acceleration_mm_per_s2[piece] * since_s
        if self.sine is None:
            return speed
        phase, inside = self._phase(self.sine, time_s)
        swing = self.sine.amplitude_mm * self.sine.angular_rad_per_s
        return speed + np.where(inside, swing * np.sin(phase), 0.0)

    def _piece(self, time_s: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
        piece = np.maximum(np.searchsorted(self.time_s, time_s, side="right") - 1, 0)
        return piece, np.maximum(time_s - self.time_s[piece], 0.0)

    @staticmethod
    def _phase(sine: Sine, time_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        inside = (time_s >= sine.begin_s) & (time_s < sine.end_s)
        return sine.angular_rad_per_s * (time_s - sine.begin_s), inside


Stops = Sequence[tuple[float, float]]
"""Where to go next, in mm, and how long to stay there, in s."""


def standing(position_mm: float, at_s: float = 0.0) -> Trajectory:
    """Return a platen at rest."""
    return _trajectory([(at_s, position_mm, 0.0, 0.0)])


def driven(
    start_mm: float, stops: Stops, *, speed_mm_per_s: float, acceleration_mm_per_s2: float, at_s: float = 0.0
) -> Trajectory:
    """Go from stop to stop, each time from rest to rest with a trapezoid of speed.

    `start_mm`: where the platen stands at `at_s`.
    `stops`: positions and the waits there.
    `speed_mm_per_s`, `acceleration_mm_per_s2`: largest speed, and how fast speed changes; both positive.
    """
    knots = [(at_s, start_mm, 0.0, 0.0)]
    now_s, now_mm = at_s, start_mm
    for target_mm, wait_s in stops:
        way_mm = target_mm - now_mm
        if way_mm:
            sign = math.copysign(1.0, way_mm)
            # A short way is a triangle of speed: the top is where half of the way is spent on speeding up.
            top = min(speed_mm_per_s, math.sqrt(abs(way_mm) * acceleration_mm_per_s2))
            ramp_s = top / acceleration_mm_per_s2
            ramp_mm = sign * 0.5 * top * ramp_s
            cruise_s = (abs(way_mm) - 2 * abs(ramp_mm)) / top
            knots[-1] = (now_s, now_mm, 0.0, sign * acceleration_mm_per_s2)
            if cruise_s > 0:
                knots.append((now_s + ramp_s, now_mm + ramp_mm, sign * top, 0.0))
            braking = (
                now_s + ramp_s + cruise_s,
                target_mm - ramp_mm,
                sign * top,
                -sign * acceleration_mm_per_s2,
            )
            knots.append(braking)
            now_s, now_mm = braking[0] + ramp_s, target_mm
            knots.append((now_s, now_mm, 0.0, 0.0))
        if wait_s:
            now_s += wait_s
            knots.append((now_s, now_mm, 0.0, 0.0))
    return _trajectory(knots)


def braking(
    at_s: float, position_mm: float, speed_mm_per_s: float, acceleration_mm_per_s2: float
) -> Trajectory:
    """Come to rest from a speed, as fast as the acceleration allows."""
    duration_s = abs(speed_mm_per_s) / acceleration_mm_per_s2
    if duration_s == 0:
        return standing(position_mm, at_s)
    slowing = -math.copysign(acceleration_mm_per_s2, speed_mm_per_s)
    rest_mm = position_mm + 0.5 * speed_mm_per_s * duration_s
    return _trajectory([(at_s, position_mm, speed_mm_per_s, slowing), (at_s + duration_s, rest_mm, 0.0, 0.0)])


def _trajectory(knots: Sequence[tuple[float, float, float, float]]) -> Trajectory:
    columns = np.array(knots, np.float64).T
    return Trajectory(columns[0].copy(), columns[1].copy(), columns[2].copy(), columns[3].copy())
