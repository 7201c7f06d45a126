"""Noise, told from whatever stretch of a recording shows it.

Problem: everything that decides (contact, turns, holds) and every uncertainty needs the noise of this rig on
this day. Noise may be larger while the platen moves than while it stands, grow with the load, be correlated
over hundreds of samples, and hold spikes; short stretches tell it badly.

Plan: what is slow is taken off (a straight line of a stretch without load, a parabola of a short piece of a
stroke), what stands alone is left out, and what remains is the noise. Its correlation is found from its
lag-one coefficient and from means of blocks, whichever is larger. Cost: a few passes over a few thousand
samples, once."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, sqrt

import numpy as np

from rig.samples import FloatArray

MAD_TO_SD = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""

FEWEST_SAMPLES = 4
"""Fewer samples tell no noise."""

STRAY_SDS = 6.0
"""Residuals further off are spikes and knocks."""

BLOCKS = 8
"""Means of this many blocks or more tell how slowly noise averages out."""

SURE_CORRELATION = 3.0
"""Lag-one coefficients within this many of their standard errors of zero are those of white noise."""

MOST_CORRELATED = 0.5
"""A stretch is worth two independent samples at the least, whatever its correlation seems to be."""

PIECES = 24
PIECE_SAMPLES = 8
FEWEST_PIECES = 4
"""A stroke is cut into this many pieces, of this many samples or more each; fewer pieces tell nothing."""

LOADED_MATTERS = 3.0
"""Scatter under load below this many times that at rest is taken for the same."""

SHARE_MATTERS = 1.0
"""A part in proportion to the load below this many times the constant part, in squares, is taken for
chance."""


HIGHER_ORDERS = (3, 4, 6)
FAR_LESS = 0.3
FEWEST_FOR_HIGHER = 16
"""Higher differences tell the noise where they show less than this share of what second ones do, in a stretch
of this many samples or more."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of one recording.

    Parameters
    ----------
    zero_n
        Force at its start without contact.
    force_n
        Standard deviation of a single force while the platen moves without load, resolution included.
    position_mm
        Of a single position.
    samples
        Length of the untouched stretch at the start; 0 if there was none.
    repeats
        Most times in a row that a force repeated the one before at the start of the recording.
    rest_force_n
        Standard deviation of a single force while the platen stands.
    force_share
        Noise in proportion to the load.
    correlated_samples
        Consecutive samples that are worth one independent reading.
    drag_n
        Force above that at rest with which the platen moves towards the specimen, of guides or cables.
    """

    zero_n: float
    force_n: float
    position_mm: float
    samples: int
    repeats: int = 0
    rest_force_n: float = 0.0
    force_share: float = 0.0
    correlated_samples: float = 1.0
    drag_n: float = 0.0


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of single values, and how many of them in a row are worth one independent value."""

    sd: float
    correlated: float

    def mean_u(self, count: int) -> float:
        """Return the standard uncertainty of a mean over this many values in a row."""
        return self.sd * sqrt(min(self.correlated, max(count, 1)) / max(count, 1))


def median(values: FloatArray) -> float:
    """Return the median of finite values, shape (n,): `np.median` takes three times as long over the thousand
    of an opening."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    parted = np.partition(values, (low, high))
    return float(parted[low] + parted[high]) / 2


def scatter_about_line(values: FloatArray) -> Scatter | None:
    """Scatter of a stretch about its straight line; None where it is too short.

    Parameters
    ----------
    values
        At even steps, shape (n,).
    """
    count = len(values)
    if count < FEWEST_SAMPLES:
        return None
    at = np.arange(count) - (count - 1) / 2
    # the slope by the medians of both halves: a spike does not tilt it
    half = count // 2
    slope = (median(values[-half:]) - median(values[:half])) / (count - half)
    residual = values - slope * at
    residual = residual - median(residual)
    limit = STRAY_SDS * MAD_TO_SD * median(np.abs(residual))
    kept = residual[np.abs(residual) <= limit] if limit > 0 else residual
    if len(kept) < FEWEST_SAMPLES:
        return None
    variance = float(kept.var(ddof=2))
    if variance <= 0:
        return Scatter(0.0, 1.0)
    clipped = np.clip(residual - kept.mean(), -limit, limit) if limit > 0 else residual - kept.mean()
    correlated = _correlated(clipped)
    # slow noise shows itself in full only over many of its own lengths
    seen = 1 - min(correlated / count, MOST_CORRELATED)
    return Scatter(sqrt(variance / seen), correlated)


def _correlated(residual: FloatArray) -> float:
    """Return the samples that are worth one, of noise about its mean.

    Notes
    -----
    The lag-one coefficient of a short stretch comes out too small by (1 + 4 rho)/n (M. G. Kendall, Note on
    bias in the estimation of autocorrelation, Biometrika 41, 1954, recalled); noise of coefficient rho is
    worth one sample in (1 + rho)/(1 - rho). Noise that is partly white hides its slow part from that
    coefficient, but not from the means of blocks.
    """
    count = len(residual)
    square = float(residual @ residual)
    if count < 2 * BLOCKS or square <= 0:
        return 1.0
    lag_one = float(residual[1:] @ residual[:-1]) / square
    if lag_one < SURE_CORRELATION / sqrt(count):
        return 1.0
    rho = min(lag_one + (1 + 4 * lag_one) / count, 1 - 1 / count)
    by_lag = (1 + rho) / (1 - rho)
    size = count // BLOCKS
    means = residual[: size * BLOCKS].reshape(BLOCKS, size).mean(axis=1)
    by_blocks = size * float(means.var(ddof=1)) * count / square
    return float(min(max(by_lag, by_blocks, 1.0), MOST_CORRELATED * count))


def noise_beside_motion(values: FloatArray) -> float:
    """Return the standard deviation of a signal beside an even change, as on a moving platen: from second
    differences.

    Where few rows make a stroke, its own bends fill second differences. Higher ones take off more of a smooth
    stroke and leave as much of noise: they are right where they show far less.
    """
    if len(values) < FEWEST_SAMPLES:
        return 0.0

    def by_differences(order: int) -> float:
        return MAD_TO_SD * median(np.abs(np.diff(values, order))) / sqrt(comb(2 * order, order))

    by_second = by_differences(2)
    if by_second <= 0.0 or len(values) < FEWEST_FOR_HIGHER:
        return by_second
    by_higher = min(map(by_differences, HIGHER_ORDERS))
    return by_higher if by_higher < FAR_LESS * by_second else by_second


def noise_share_of_load(load_n: FloatArray, unloaded_n: float) -> float:
    """Noise of the force on a loading stroke in proportion to the load, as a share of it.

    Parameters
    ----------
    load_n
        Force above zero of one loading stroke, from contact to its largest, shape (n,).
    unloaded_n
        Noise while the platen moves without load.

    Returns
    -------
    The share that is added in squares; 0 where the stroke has too few samples or shows nothing of it.

    Notes ----- Differences leave the noise and take off the specimen's curve, third ones better than second
    ones; for noise the two agree, and the smaller one is right. Their medians take off steps. The heavier
    half of the stroke has to show more than the lighter one: variance = a^2 + (b load)^2."""
    size = max(len(load_n) // PIECES, PIECE_SAMPLES)
    pieces = len(load_n) // size
    if pieces < FEWEST_PIECES:
        return 0.0
    table = load_n[len(load_n) - pieces * size :].reshape(pieces, size)
    scatter = np.minimum(*(_scatter_of_differences(table, order) for order in (2, 3)))
    square = table.mean(axis=1) ** 2
    half = pieces // 2
    light, heavy = (median(scatter[part]) for part in (slice(0, half), slice(half, None)))
    light_square, heavy_square = float(square[:half].mean()), float(square[half:].mean())
    if heavy <= LOADED_MATTERS * unloaded_n or heavy <= light or heavy_square <= light_square:
        return 0.0
    share = sqrt((heavy**2 - light**2) / (heavy_square - light_square))
    constant_square = max(light**2 - share**2 * light_square, 0.0)
    return share if share**2 * heavy_square >= SHARE_MATTERS * constant_square else 0.0


def _scatter_of_differences(table: FloatArray, order: int) -> FloatArray:
    """Return the standard deviation of white noise in rows, from their differences of an order."""
    spread: FloatArray = np.median(np.abs(np.diff(table, order, axis=1)), axis=1)
    return MAD_TO_SD * spread / sqrt(comb(2 * order, order))


def single_position_noise_mm(position_mm: FloatArray, samples: int) -> float:
    """Return the standard deviation of single positions, resolution left out.

    Parameters
    ----------
    position_mm
        The first positions of a recording in mm as they were taken, shape (n,).
    samples
        Length of the untouched stretch at its start; where it is short, the positions tell what stands out
        beside the motion.
    """
    return noise_beside_motion(position_mm[:samples] if samples >= FEWEST_SAMPLES else position_mm)


def most_repeats(force_n: FloatArray) -> int:
    """Longest run of values that are the same as the one before."""
    changes = np.flatnonzero(np.diff(force_n) != 0)
    return int(np.diff(changes, prepend=-1, append=max(len(force_n) - 1, 0)).max()) - 1
