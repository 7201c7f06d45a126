"""How the force of pieces grows with the rate at which they are squeezed, from captures at several rates.

Problem: a line squeezes a piece in hundredths of a second, a platen in seconds, and foam pushes back harder
when it is hurried. Plan: force at one and the same deflection, each piece compared with itself only; its
logarithm is a straight line over the logarithm of the rate, with one slope for all pieces, found by least
squares. What lies outside the measured rates is marked as extrapolated. Cost: none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import exp, inf, log10
from typing import Any

import numpy as np

from rig.core.measured import Measured, line_slope
from rig.errors import InputError
from rig.samples import FloatArray

APART = 1.5
"""Least ratio of the largest rate to the smallest that can show a trend."""

FAR_DECADES = 1.0
"""Beyond the measured rates by more than this, a straight line over the logarithm is a guess."""


@dataclass(frozen=True, slots=True)
class ForceAtRate:
    """Force of one piece at the common deflection, squeezed at one rate."""

    piece: str
    rate_mm_per_s: float
    force_n: float


@dataclass(frozen=True, slots=True)
class RateTrend:
    """Growth of force with the rate.

    `per_decade`: growth of the natural logarithm of the force per tenfold rate; 0.05 is about 5 %.
    `u`: its standard uncertainty; None where nothing is left over to judge it by.
    `pieces`: that were squeezed at two rates or more.
    """

    per_decade: float
    u: float | None
    degrees_of_freedom: float
    pieces: int
    lowest_mm_per_s: float
    highest_mm_per_s: float

    def factor(self, rate_mm_per_s: float, from_mm_per_s: float) -> Measured:
        """Return the force at one rate over the force at another.

        Returns
        -------
        With the degrees of freedom that a few captures leave it.
        """
        decades = log10(rate_mm_per_s / from_mm_per_s)
        # d(factor) = factor decades d(per_decade)
        value = exp(self.per_decade * decades)
        return Measured(value, value * abs(decades) * (self.u or 0.0), self.degrees_of_freedom or inf)

    def beyond_decades(self, rate_mm_per_s: float) -> float:
        """Return how many powers of ten a rate lies outside those that were measured; zero inside."""
        above = log10(rate_mm_per_s / self.highest_mm_per_s)
        below = log10(self.lowest_mm_per_s / rate_mm_per_s)
        return max(above, below, 0.0)

    @property
    def interval_pct(self) -> tuple[float, float] | None:
        """95 % interval of the growth for a tenfold rate in per cent; None without an uncertainty."""
        if self.u is None:
            return None
        low, high = Measured(self.per_decade, self.u, self.degrees_of_freedom).interval()
        return 100 * (exp(low) - 1), 100 * (exp(high) - 1)

    @property
    def growth_pct(self) -> float:
        """Growth of the force for a tenfold rate, in per cent."""
        return 100 * (exp(self.per_decade) - 1)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        return asdict(self) | {"growth_pct_per_decade": self.growth_pct, "interval_pct": self.interval_pct}


def rate_trend(forces: Sequence[ForceAtRate]) -> RateTrend | None:
    """Fit the growth of force with the rate.

    Parameters
    ----------
    forces
        Of any pieces; those squeezed at one rate only say nothing of the trend and are left out.

    Returns
    -------
    None where no piece was squeezed at rates that are `APART`.

    Raises
    ------
    InputError
        If a rate or force is not above zero.
    """
    for force in forces:
        if not (0 < force.rate_mm_per_s < inf and 0 < force.force_n < inf):
            raise InputError(
                f"rate series: piece {force.piece}: found {force.force_n:g} N at {force.rate_mm_per_s:g} "
                "mm/s, expected both above zero"
            )
    by_piece: dict[str, list[ForceAtRate]] = {}
    for force in forces:
        by_piece.setdefault(force.piece, []).append(force)
    series = [
        runs
        for runs in by_piece.values()
        if max(run.rate_mm_per_s for run in runs) >= APART * min(run.rate_mm_per_s for run in runs)
    ]
    if not series:
        return None
    # each piece about its own means, which takes its own level out: one slope for all that are left
    x = np.concatenate([_centred([log10(run.rate_mm_per_s) for run in runs]) for runs in series])
    y = np.concatenate([_centred([np.log(run.force_n) for run in runs]) for runs in series])
    slope = line_slope(x, y, lines=len(series))
    rates = [run.rate_mm_per_s for runs in series for run in runs]
    u = slope.u if slope.freedom > 0 else None
    return RateTrend(slope.value, u, slope.freedom, len(series), min(rates), max(rates))


def _centred(values: Sequence[float]) -> FloatArray:
    array = np.asarray(values, np.float64)
    centred: FloatArray = array - array.mean()
    return centred
