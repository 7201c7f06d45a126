"""Noise and zero, frozen from a no-load stretch at the start of a recording.

Problem: everything that decides (contact, turns, dwells) needs the noise of this rig on this day, and the
press may begin after a second or after five samples.

Plan: begin with the shortest of a few prefixes that looks like noise about a constant (neighbours differ
as much as the whole does), then let it grow as long as what is added stays within the noise found so far.
Cost: a few means over the first samples, once.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from rig.calibration import Signals
from rig.samples import FloatArray

WINDOW_SAMPLES = 128
"""The longest prefix looked at: its standard deviation is known to 6 %, its mean to a tenth of the noise."""

FIRST_PREFIXES = (4, 6, 8, 16)
GROWTH = (4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128)

TREND_LIMIT = 3.5
SLOPE_SHARE = 0.65
"""Variance over that of neighbours' differences is about 1 for noise and n(n+1)/6 for n points on a slope:
a prefix is refused above this, or above this share of what a bare slope would show."""

STRAY_LIMIT = 5.0
"""Standard deviations that an added sample may stray from the mean, widened while few samples are known."""

FEWEST_TO_CORRELATE = 6
CORRELATED = 0.8
"""Noise correlates as much with a moving platen's position in 6 samples in one start of forty, in 16
never."""

SHORT_START = 3
SHORT_START_SHARE = 0.1
"""Where a coarse recording's press begins after so few samples, they still give the zero if they spread by
no more than this share of the usual step between the samples that follow."""

ENOUGH_BESIDE_MOTION = 64
"""Samples that a recording needs before its noise is told from the bends of a press."""

MAD_TO_SD = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of one recording.

    Parameters
    ----------
    zero_n
        Force with nothing touched.
    force_n, position_mm
        Standard deviations of a single sample, resolution included.
    samples
        Length of the no-load stretch they were taken from; 0 if there was none, the zero is then the
        recording's own, and the noise is what stands out beside the motion, or the resolution alone.
    repeats
        Most times in a row that a force repeated the one before within the first `WINDOW_SAMPLES`.
    """

    zero_n: float
    force_n: float
    position_mm: float
    samples: int
    repeats: int = 0


def frozen_noise(signals: Signals) -> Noise:
    """Noise and zero from the first samples of a recording.

    Parameters
    ----------
    signals
        At least the first `WINDOW_SAMPLES` of the recording, or all of it if it is shorter.
    """
    force_n = signals.force_n[:WINDOW_SAMPLES]
    position_mm = signals.position_mm[:WINDOW_SAMPLES]
    force_floor_n = signals.force_resolution_n / sqrt(12)
    position_floor_mm = signals.position_resolution_mm / sqrt(12)
    length = _no_load_length(force_n, position_mm, force_floor_n)
    if not length:
        # a table read by hand bends more between its few points than any noise
        beside_n = _noise_beside_motion(force_n) if len(force_n) >= ENOUGH_BESIDE_MOTION else 0.0
        position_noise_mm = max(_noise_beside_motion(position_mm), position_floor_mm)
        zero_n, samples = _short_start(force_n)
        return Noise(
            zero_n, max(beside_n, force_floor_n), position_noise_mm, samples, repeats=_most_repeats(force_n)
        )
    return Noise(
        zero_n=float(force_n[:length].mean()),
        force_n=max(float(force_n[:length].std(ddof=1)), force_floor_n),
        position_mm=max(_noise_beside_motion(position_mm[:length]), position_floor_mm),
        samples=length,
        repeats=_most_repeats(force_n),
    )


def single_position_noise_mm(position_mm: FloatArray, samples: int) -> float:
    """Standard deviation of single positions, resolution left out.

    Parameters
    ----------
    position_mm
        The first positions of a recording in mm as they were taken, shape (n,).
    samples
        Length of the no-load stretch at its start; 0 or few where there is none, the positions then tell
        what stands out beside the motion.
    """
    length = samples if samples >= FIRST_PREFIXES[0] else WINDOW_SAMPLES
    return _noise_beside_motion(position_mm[:length])


def _most_repeats(force_n: FloatArray) -> int:
    """Longest run of values that are the same as the one before."""
    changes = np.flatnonzero(np.diff(force_n) != 0)
    return int(np.diff(changes, prepend=-1, append=max(len(force_n) - 1, 0)).max()) - 1


def _short_start(force_n: FloatArray) -> tuple[float, int]:
    """Zero from the very first samples where they lie close together beside what follows, and their
    number."""
    start_n = force_n[:SHORT_START]
    steps_n = np.abs(np.diff(force_n[SHORT_START - 1 :]))
    if len(force_n) > 2 * SHORT_START and np.ptp(start_n) <= SHORT_START_SHARE * np.median(steps_n):
        return float(start_n.mean()), SHORT_START
    return 0.0, 0


def _no_load_length(force_n: FloatArray, position_mm: FloatArray, floor_n: float) -> int:
    """How many of the first samples show nothing but noise about a constant; 0 if none do."""
    for first in FIRST_PREFIXES:
        if len(force_n) < first or _follows(force_n[:first], position_mm[:first]):
            continue
        if _is_noise(force_n[:first], floor_n) and _goes_on(
            force_n[: first - 1], force_n[first - 1 : first], floor_n
        ):
            length = first
            break
    else:
        return 0
    for longer in GROWTH:
        if longer <= length:
            continue
        if longer > len(force_n) or not _goes_on(force_n[:length], force_n[length:longer], floor_n):
            break
        if not _is_noise(force_n[:longer], floor_n):
            break
        length = longer
    return length


def _is_noise(force_n: FloatArray, floor_n: float) -> bool:
    neighbours_n = max(_neighbour_noise(force_n), floor_n)
    count = len(force_n)
    slope = count * (count + 1) / 6
    return float(force_n.var(ddof=1)) <= min(TREND_LIMIT, SLOPE_SHARE * slope) * neighbours_n**2


def _follows(force_n: FloatArray, position_mm: FloatArray) -> bool:
    """Whether the force goes with the position, as in a press, rather than by itself, as noise does."""
    if len(force_n) < FEWEST_TO_CORRELATE or not np.ptp(position_mm) or not np.ptp(force_n):
        return False
    return float(np.corrcoef(force_n, position_mm)[0, 1]) > CORRELATED


def _goes_on(known_n: FloatArray, added_n: FloatArray, floor_n: float) -> bool:
    noise_n = max(float(known_n.std(ddof=1)), floor_n)
    allowance_n = STRAY_LIMIT * (1 + 4 / len(known_n)) * noise_n
    away_n = np.abs(added_n - known_n.mean())
    return bool((away_n <= allowance_n).all())


def _neighbour_noise(values: FloatArray) -> float:
    """Standard deviation of white noise on a slow signal, from differences of neighbours."""
    if len(values) < 2:
        return 0.0
    return float(np.sqrt(np.mean(np.diff(values) ** 2) / 2))


def _noise_beside_motion(values: FloatArray) -> float:
    """Standard deviation of a signal beside an even change, as on a moving platen: from second
    differences."""
    if len(values) < 4:
        return 0.0
    return MAD_TO_SD * float(np.median(np.abs(np.diff(values, 2)))) / sqrt(6)
