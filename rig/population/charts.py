"""Limits of the charts of ranges and means of a gauge study.

Problem: a range among few repeats is skewed, so its limits are no plain multiples of a standard deviation.
Plan: mean and standard deviation of the range of normal values by integration, from which all factors of the
charts follow. Cost: a grid of some thousand points.

References
----------
L. H. C. Tippett, On the extreme individuals and the range of samples taken from a normal population,
Biometrika 17, 1925: the integrals (recalled).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from rig.errors import InputError
from rig.samples import FloatArray

SIGMAS = 3.0
"""Distance of the limits from the centre line in standard deviations, as in all charts of this kind."""

MOST_TRIALS = 50
"""More repeats of one cell than this are better judged by their standard deviation."""

GRID = np.linspace(-9.0, 9.0, 3601)
WIDTHS = np.linspace(0.0, 12.0, 601)


@dataclass(frozen=True, slots=True)
class RangeLimits:
    """Limits of the charts of a study.

    `mean_range`, `range_low`, `range_high`: middle and limits of the ranges of the cells.
    `grand_mean`, `mean_low`, `mean_high`: middle and limits of the means of the cells. Means should lie
    outside: within the limits, pieces are not told apart.
    """

    mean_range: float
    range_low: float
    range_high: float
    grand_mean: float
    mean_low: float
    mean_high: float


def range_limits(values: FloatArray) -> RangeLimits:
    """Return the limits of the charts of ranges and means.

    Parameters
    ----------
    values
        Shape (pieces, appraisers, trials), 2 to 50 trials.

    Raises
    ------
    InputError
        If there are too few or too many trials.
    """
    trials = values.shape[2]
    if not 2 <= trials <= MOST_TRIALS:
        raise InputError(
            f"charts of ranges: found {trials} trials of each piece, expected 2 to {MOST_TRIALS}"
        )
    # mean range / d2 estimates the standard deviation; d3 is that of the range itself
    middle, spread = range_moments(trials)
    mean_range, mean = float(np.ptp(values, axis=2).mean()), float(values.mean())
    # limits of the ranges: 3 d3 / d2 mean ranges about the middle
    away = SIGMAS * spread / middle * mean_range
    # limits of the means of n trials: 3 sigma / sqrt(n), sigma = mean range / d2
    wide = SIGMAS * mean_range / (middle * math.sqrt(trials))
    return RangeLimits(
        mean_range, max(mean_range - away, 0.0), mean_range + away, mean, mean - wide, mean + wide
    )


@lru_cache(maxsize=MOST_TRIALS)
def range_moments(count: int) -> tuple[float, float]:
    """Return mean and standard deviation, d2 and d3, of the range of `count` standard normal values."""
    step = float(GRID[1] - GRID[0])
    below = scipy.special.ndtr(GRID)
    # E(range) = integral of 1 - F^n - (1 - F)^n (Tippett)
    mean = float(np.sum(1 - below**count - (1 - below) ** count) * step)
    density = scipy.stats.norm.pdf(GRID)
    # P(range > w) = 1 - n integral of f(x) (F(x + w) - F(x))^(n-1) dx; E(range^2) = 2 integral of w P(> w) dw
    wider = np.array(
        [
            1 - count * step * np.sum(density * (scipy.special.ndtr(GRID + width) - below) ** (count - 1))
            for width in WIDTHS
        ]
    )
    square = float(np.trapezoid(2 * WIDTHS * wider, WIDTHS))
    return mean, math.sqrt(square - mean**2)
