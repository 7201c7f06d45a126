"""Motions of a platen and the signals of a spring under it, made for tests of the segmenter."""

from dataclasses import replace

import numpy as np

from rig.calibration import Signals

RATE_HZ = 500.0


def signals(
    position_mm,
    *,
    stiffness=2.5,
    force_noise=0.005,
    position_noise=0.001,
    drift_n=0.0,
    seed=0,
    status=None,
    lost=None,
):
    rng = np.random.default_rng(seed)
    n = len(position_mm)
    force = stiffness * np.maximum(position_mm, 0.0) + drift_n * np.linspace(0, 1, n)
    force = force + rng.normal(0, force_noise, n) if force_noise else force
    read = position_mm + rng.normal(0, position_noise, n) if position_noise else position_mm
    return Signals(
        np.arange(n) / RATE_HZ,
        np.round(force / 0.001) * 0.001,
        np.round(read / 0.005) * 0.005,
        np.zeros(n, np.uint8) if status is None else status,
        np.zeros(n, np.int64) if lost is None else lost,
        0.001,
        0.005,
    )


def path(*stops, speed_mm_per_s=10.0):
    """Positions from stop to stop at an even speed; a pair (position, seconds) rests there."""
    position = []
    here = None
    for stop in stops:
        target, rest_s = stop if isinstance(stop, tuple) else (stop, 0.0)
        if here is not None and target != here:
            steps = max(int(abs(target - here) / speed_mm_per_s * RATE_HZ), 1)
            position.extend(np.linspace(here, target, steps, endpoint=False))
        position.extend([target] * (int(rest_s * RATE_HZ) + 1))
        here = target
    return np.array(position, float)


def triangles(count, depth_mm=10.0, gap_mm=2.5, rest_s=0.4):
    return path((-gap_mm, 1.0), *[stop for _ in range(count) for stop in (depth_mm, (-gap_mm, rest_s))])


def with_two_wrong_rows(recording, at, off_n):
    """The same signals with a force that is off in one row, and by less in the next."""
    force_n = recording.force_n.copy()
    force_n[at : at + 2] += off_n, 0.7 * off_n
    return replace(recording, force_n=force_n)


def with_a_zero_that_jumps(recording, at_s, by_n):
    """The same signals with a force whose zero is set anew at a time."""
    jumped_n = np.where(recording.time_s >= at_s, by_n, 0.0)
    return replace(recording, force_n=recording.force_n + jumped_n)
