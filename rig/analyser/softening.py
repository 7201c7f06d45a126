"""Softening: how the force at a fixed deflection changes with the logarithm of the number of cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import linregress

from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Softening:
    """Change of force per decade of cycles.

    Parameters
    ----------
    at_mm
        The fixed deflection.
    pct_per_decade, pct_per_decade_u
        Slope over the fitted force of cycle 1, and its standard uncertainty; negative where the specimen
        softens.
    lost_pct
        Force lost from the first to the last cycle, per cent.
    n
        Cycles used.
    """

    at_mm: float
    pct_per_decade: float
    pct_per_decade_u: float
    lost_pct: float
    n: int


def softening(cycle: FloatArray, force_n: FloatArray, at_mm: float) -> Softening | None:
    """Fit force against log10 of the cycle number.

    Parameters
    ----------
    cycle, force_n
        Cycle numbers and forces at the fixed deflection, shape (m,); not-a-number is left out.

    Returns
    -------
    None with fewer than three cycles.
    """
    known = np.isfinite(force_n)
    cycle, force_n = cycle[known], force_n[known]
    if len(cycle) < 3:
        return None
    line = linregress(np.log10(cycle), force_n)
    if not line.intercept > 0:
        return None
    return Softening(
        at_mm,
        100 * float(line.slope / line.intercept),
        100 * float(line.stderr / line.intercept),
        100 * float(1 - force_n[-1] / force_n[0]),
        len(cycle),
    )
