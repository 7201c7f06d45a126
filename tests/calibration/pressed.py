"""Recordings of presses made from closed forms: a spring reported late, and a block in a frame that gives.

Nothing here comes from the code under test: positions are straight strokes, forces a formula of them, and
counts are rounded with a random phase.
"""

import numpy as np

from rig.calibration import Calibration, Scale
from rig.samples import Samples

RATE_HZ = 500.0
FORCE_STEP_N, POSITION_STEP_MM = 0.001, 0.005
CALIBRATION = Calibration(Scale(FORCE_STEP_N), Scale(POSITION_STEP_MM))
CONTACT_CHECK_MM = 20.0


def strokes(presses, depth_mm, gap_mm, speed_mm_per_s, rest_s=0.3):
    """Corners of a path from the gap to the depth and back, times and positions past the contact."""
    stroke_s = (depth_mm + gap_mm) / speed_mm_per_s
    time_s, position_mm = [0.0, 0.8], [-gap_mm, -gap_mm]
    for _ in range(presses):
        time_s += [time_s[-1] + stroke_s, time_s[-1] + 2 * stroke_s, time_s[-1] + 2 * stroke_s + rest_s]
        position_mm += [depth_mm, -gap_mm, -gap_mm]
    return np.array(time_s), np.array(position_mm)


def recorded(time_s, position_mm, force_n, rng, *, force_noise_n=0.005, position_noise_mm=0.002, status=None):
    """Samples in counts of true positions and forces."""
    n = len(time_s)
    phase = rng.uniform(-0.5, 0.5, 2)
    force = force_n + rng.normal(0, force_noise_n, n)
    position = CONTACT_CHECK_MM + position_mm + rng.normal(0, position_noise_mm, n)
    return Samples(
        np.arange(n, dtype=np.int64),
        np.round(time_s * 1e6).astype(np.int64),
        np.rint(force / FORCE_STEP_N + phase[0]).astype(np.int32),
        np.rint(position / POSITION_STEP_MM + phase[1]).astype(np.int32),
        np.zeros(n, np.uint8) if status is None else status,
    )


def spring_presses(
    speed_mm_per_s,
    rng,
    *,
    delay_s=0.0,
    presses=3,
    k_n_per_mm=3.0,
    depth_mm=10.0,
    gap_mm=2.0,
    rub_n=0.0,
    viscous_n=lambda speed: 0.0,
    **chain,
):
    """A spring whose force is `delay_s` old; `rub_n` is lost in both strokes, `viscous_n` as speed has it."""
    corner_s, corner_mm = strokes(presses, depth_mm, gap_mm, speed_mm_per_s)
    time_s = np.arange(0.0, corner_s[-1], 1 / RATE_HZ)
    felt_mm = np.interp(time_s - delay_s, corner_s, corner_mm)
    way = np.sign(np.gradient(felt_mm))
    reached = felt_mm > 0
    force_n = k_n_per_mm * felt_mm + way * (rub_n * felt_mm / depth_mm + viscous_n(speed_mm_per_s))
    return recorded(
        time_s, np.interp(time_s, corner_s, corner_mm), np.where(reached, force_n, 0.0), rng, **chain
    )


def block_presses(
    deflection_mm,
    rng,
    *,
    top_n=60.0,
    presses=5,
    block_n_per_mm=np.inf,
    speed_mm_per_s=None,
    unlike=0.0,
    rub_mm=0.0,
    creep_mm=0.0,
    backlash_mm=0.0,
    **chain,
):
    """A block pressed in a frame of give `deflection_mm(force)`.

    Each press's give is off by a normal share `unlike`; `rub_mm` lies between the strokes at mid force;
    each contact is `creep_mm` deeper than the one before; the reading follows the platen with backlash.
    """
    grid_n = np.linspace(0.0, 1.05 * top_n, 4001)
    travel_mm = deflection_mm(grid_n) + grid_n / block_n_per_mm
    depth_mm = float(np.interp(top_n, grid_n, travel_mm))
    speed_mm_per_s = speed_mm_per_s or depth_mm / 2
    corner_s, corner_mm = strokes(presses, depth_mm, 0.4 * depth_mm + 1.5 * backlash_mm, speed_mm_per_s)
    time_s = np.arange(0.0, corner_s[-1], 1 / RATE_HZ)
    position_mm = np.interp(time_s, corner_s, corner_mm)
    number = np.clip((time_s - 0.8) / (corner_s[-1] - 0.8) * presses, 0, presses - 1e-9).astype(int)
    factor = 1 + unlike * rng.standard_normal(presses)[number]
    late_mm = rub_mm / 2 * np.sign(np.gradient(position_mm))
    felt_mm = position_mm / factor
    # friction fades to nothing where the strokes meet
    felt_mm = felt_mm - late_mm * np.clip(4 * felt_mm / depth_mm * (1 - felt_mm / depth_mm), 0, None)
    force_n = np.interp(felt_mm, travel_mm, grid_n, left=0.0)
    shown_mm = with_backlash(position_mm + creep_mm * number, backlash_mm)
    return recorded(time_s, shown_mm, force_n, rng, **chain)


def with_backlash(position_mm, backlash_mm):
    """A reading that stands still after each turn until the backlash is taken up; right during loading."""
    shown_mm, at_mm = np.empty(len(position_mm)), position_mm[0]
    for k, true_mm in enumerate(position_mm):
        at_mm = min(max(at_mm, true_mm), true_mm + backlash_mm)
        shown_mm[k] = at_mm
    return shown_mm
