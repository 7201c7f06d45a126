"""Pieces that stand too far off to be of the same kind as the others: flagged, never dropped.

Problem: one torn float among ten moves the mean and hides behind the standard deviation that it made itself.
Plan: the largest distance from the mean over the standard deviation against what chance gives among this many
(Grubbs); for several suspects the same again without those already found, judged together so that two do not
hide each other (generalised extreme studentised deviates). Cost: a pass for each suspect.

References
----------
F. E. Grubbs, Procedures for detecting outlying observations in samples, Technometrics 11, 1969 (recalled).
B. Rosner, Percentage points for a generalized ESD many-outlier procedure, Technometrics 25, 1983 (recalled).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import scipy

from rig.errors import InputError
from rig.samples import FloatArray

SIGNIFICANCE = 0.05

MANY = 15
"""Fewest pieces for the test of several suspects (Rosner); with fewer, one is tested."""

MOST_SHARE, MOST_SUSPECTS = 5, 10
"""Pieces per tested suspect, and the most suspects: what is more common is not an outlier."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """The piece that stands farthest off among those that are left.

    `statistic`: distance from the mean over the standard deviation.
    `critical`: what chance exceeds as seldom as was asked.
    """

    place: int
    statistic: float
    critical: float

    @property
    def outlying(self) -> bool:
        """Whether it lies farther away than chance explains."""
        return self.statistic > self.critical


def grubbs(values: FloatArray, *, significance: float = SIGNIFICANCE, sides: int = 2) -> Suspect:
    """Return the farthest value, and whether it is an outlier.

    Parameters
    ----------
    values
        Shape (n,), three or more that are not all equal.
    significance
        How often one of sound, normal values may be flagged.
    sides
        1 if only the side was in question on which the farthest value lies, else 2.

    Raises
    ------
    InputError
        If there are too few values, or they do not spread.
    """
    if len(values) < 3 or not np.ptp(values) > 0:
        raise InputError(
            f"outlier: found {len(values)} values, expected three or more that are not all equal"
        )
    away = np.abs(values - values.mean())
    place = int(np.argmax(away))
    statistic = float(away[place] / values.std(ddof=1))
    return Suspect(place, statistic, critical_distance(len(values), significance / sides))


def critical_distance(count: int, tail: float) -> float:
    """Return the distance, in standard deviations, that chance exceeds on one side in `tail` of cases."""
    # Student's quantile, Bonferroni for the largest of n, as a distance from a mean that holds the value
    t2 = float(scipy.special.stdtrit(count - 2, 1 - tail / count)) ** 2
    return (count - 1) / sqrt(count) * sqrt(t2 / (count - 2 + t2))


def extreme_deviates(
    values: FloatArray, most: int, *, significance: float = SIGNIFICANCE
) -> tuple[tuple[Suspect, ...], int]:
    """Return suspects one after another, and how many of the first ones are outliers.

    Parameters
    ----------
    values
        Shape (n,).
    most
        This many suspects are looked at; at least two values must be left beside them.

    Returns
    -------
    suspects, outliers
        The outliers are all suspects up to the last one that exceeds its critical value.

    Raises
    ------
    InputError
        If there are too few values for this many suspects.
    """
    if not 0 < most <= len(values) - 2:
        raise InputError(f"outliers: found {len(values)} values, too few to look for {most} outliers")
    left, suspects = np.arange(len(values)), []
    for _ in range(most):
        if not np.ptp(values[left]) > 0:
            break
        found = grubbs(values[left], significance=significance)
        suspects.append(Suspect(int(left[found.place]), found.statistic, found.critical))
        left = np.delete(left, found.place)
    outliers = max((rank for rank, suspect in enumerate(suspects, start=1) if suspect.outlying), default=0)
    return tuple(suspects), outliers


def outlying(values: FloatArray) -> tuple[int, ...]:
    """Return the places of a batch's outliers, the farthest first; none among fewer than three values."""
    if len(values) < 3:
        return ()
    most = 1 if len(values) < MANY else min(len(values) // MOST_SHARE, MOST_SUSPECTS)
    suspects, count = extreme_deviates(values, most)
    return tuple(suspect.place for suspect in suspects[:count])
