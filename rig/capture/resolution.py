"""The resolution of a column of numbers whose source does not state one, told from the numbers.

A sensor's values lie on a grid. In a long recording the grid shows itself; in a few hand-read values
only the number of decimals does (four readings at every half inch do not make a ruler of half inches).
"""

from __future__ import annotations

import numpy as np

from rig.samples import FloatArray

_FEW = 20
"""Different values below which the steps between them say how somebody read, not what could be read."""

_MOST_DECIMALS = 9


def estimate_resolution(values: FloatArray) -> float:
    """Return an estimate of the smallest step of finite values, in their own unit.

    `values`: shape (n,).

    Returns
    -------
    float
        The common step of all values; for few different values, the last decimal place that they use;
        0 if they lie on no grid.

    Examples
    --------
    Depths read by hand at every half inch of a soft moulded part (common practice, no source):

    >>> estimate_resolution(np.array([12.7, 25.4, 38.1, 50.8]))
    0.1
    >>> estimate_resolution(np.arange(0, 1000, 5) / 1000)
    0.005
    """
    different = np.unique(values)
    decimals = _decimals(different)
    if len(different) < _FEW:
        return 0.0 if decimals is None else 10.0**-decimals
    if decimals is not None:
        # On whole numbers of the last decimal place the common step is their greatest common divisor.
        whole = np.rint(different * 10.0**decimals).astype(np.int64)
        step = int(np.gcd.reduce(np.diff(whole)))
        if step > 1:
            return float(step / 10.0**decimals)
    return _uneven_step(different, 0.0 if decimals is None else 10.0**-decimals)


def _decimals(values: FloatArray) -> int | None:
    """Return the decimal places that the values use, or None if they use more than can be told."""
    for decimals in range(_MOST_DECIMALS + 1):
        scaled = values * 10.0**decimals
        if np.abs(scaled).max(initial=0) >= 2.0**52:
            return None
        # Whole but for the rounding of the multiplication: a few units in the last place.
        if (np.abs(scaled - np.rint(scaled)) <= 4 * np.spacing(np.abs(scaled))).all():
            return decimals
    return None


def _uneven_step(different: FloatArray, printed: float) -> float:
    """Return the step of a grid that was rounded when it was printed; `printed` if there is no such grid."""
    # Neighbours on the grid are apart by the step or a multiple: the least gaps are single steps.
    gaps = np.diff(different)
    step = float(gaps[gaps < 1.5 * gaps.min()].mean())
    # Over wide gaps a small error of the step adds up to a whole one.
    near = gaps[gaps < 10.5 * step]
    off_grid = np.abs(near - np.rint(near / step) * step)
    return step if (off_grid <= printed + 0.05 * step).all() and step > 3 * printed else printed
