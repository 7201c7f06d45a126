"""Recordings of a virtual cap that is pressed on and pulled off, with a truth that needs no measuring."""

from __future__ import annotations

import numpy as np

from rig.calibration import Signals
from rig.virtual import PressedCap

RATE_HZ = 500.0
SPEED_MM_PER_S = 1.0
GAP_MM = 3.0


def pulled_cap(
    cap: PressedCap,
    pulls: int,
    *,
    noise_n: float = 0.0,
    drift_n_per_s: float = 0.0,
    zero_n: float = 0.0,
    off: bool = True,
    seed: int = 0,
) -> Signals:
    """Rest, then press to just beyond the seat and pull, again and again; stopping half way if not `off`."""
    top_mm = cap.engagement_mm + cap.going_on_n / cap.grip_n_per_mm
    step_mm = SPEED_MM_PER_S / RATE_HZ
    way = [np.full(int(RATE_HZ), -GAP_MM)]
    for _ in range(pulls):
        way += [np.arange(-GAP_MM, top_mm, step_mm), np.full(100, top_mm)]
        low_mm = -GAP_MM if off else cap.engagement_mm - 2.0
        way += [np.arange(top_mm, low_mm, -step_mm), np.full(int(RATE_HZ), low_mm)]
    if not off:
        way.append(np.arange(low_mm, top_mm, step_mm))
    position_mm = np.concatenate(way)
    force_n, _ = cap.respond(cap.fresh(), position_mm, 1 / RATE_HZ)
    random, count = np.random.default_rng(seed), len(position_mm)
    time_s = np.arange(count) / RATE_HZ
    nothing = np.zeros(count, np.int64)
    read_n = force_n + noise_n * random.standard_normal(count) + drift_n_per_s * time_s + zero_n
    return Signals(time_s, read_n, position_mm, nothing.astype(np.uint8), nothing)
