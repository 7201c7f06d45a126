"""How far presses differ, beside how far noise alone would make them differ.

Few presses say little about their own scatter, and noise says nothing of what else may differ between them.
So both are pooled, each with its degrees of freedom, unless the presses differ by more than chance and noise
can do: then only their scatter counts.
"""

from __future__ import annotations

import scipy

CHANCE = 0.05
"""A scatter that noise makes as large less often than this has another cause."""

NOISE_FREEDOM = 8.0
"""Degrees of freedom of an uncertainty that is itself known to a quarter (JCGM 100:2008, G.4.2): so well do
noise and resolution without load say what they are under load."""


def variance_factor(chi_squared: float, degrees_of_freedom: int) -> tuple[float, float]:
    """Return what to multiply variances from noise with, and the degrees of freedom they then have.

    `chi_squared`: sum of squared residuals over the variances that noise and resolution explain.
    """
    # presses differ by more than noise: their own scatter alone, else both, weighted by their freedom
    if more_than_noise(chi_squared, degrees_of_freedom):
        return chi_squared / degrees_of_freedom, float(degrees_of_freedom)
    pooled = NOISE_FREEDOM + degrees_of_freedom
    return (NOISE_FREEDOM + chi_squared) / pooled, pooled


def more_than_noise(chi_squared: float, degrees_of_freedom: int) -> bool:
    """Return whether residuals are larger than noise and resolution make them."""
    return chi_squared > float(scipy.special.chdtri(degrees_of_freedom, CHANCE))


def chance_of_ratio(ratio: float, upper: float, lower: float) -> float:
    """Return the chance of a ratio of two variances, of these degrees of freedom, as large as this one."""
    return float(scipy.special.fdtrc(upper, lower, ratio))
