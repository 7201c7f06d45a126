"""What a slow quantity, such as the specimen's temperature, was during each cycle."""

from __future__ import annotations

import numpy as np

from rig.samples import FloatArray


def auxiliary_by_cycle(
    time_s: FloatArray, values: FloatArray, start_s: FloatArray, end_s: FloatArray
) -> FloatArray:
    """Return the mean of a slow quantity over each cycle.

    Parameters
    ----------
    time_s, values
        Readings in order of time, shape (m,), such as `rig.capture.auxiliary_readings` gives.
    start_s, end_s
        Of each cycle, on the same axis of time, shape (n,).

    Returns
    -------
    means
        Shape (n,), in the unit of the values. Where no reading falls inside, the value at the middle of the
        cycle is interpolated between its neighbours; before the first reading and after the last, theirs is
        taken. Not-a-number without any reading, and for a cycle whose times are not known.

    Examples
    --------
    >>> import numpy as np
    >>> time_s, celsius = np.array([0.5, 1.5, 2.5]), np.array([20.0, 21.0, 24.0])
    >>> auxiliary_by_cycle(time_s, celsius, np.array([1.0, 1.6]), np.array([3.0, 2.4])).tolist()
    [22.5, 22.5]
    """
    start_s, end_s = np.asarray(start_s, np.float64), np.asarray(end_s, np.float64)
    if not len(time_s):
        return np.full(len(start_s), np.nan)
    # Sums of differences from one value, which are small, stay exact over any number of readings.
    sums = np.concatenate([[0.0], np.cumsum(values - values[0])])
    first = np.searchsorted(time_s, start_s, side="left")
    last = np.searchsorted(time_s, end_s, side="right")
    inside = last - first
    means = values[0] + (sums[last] - sums[first]) / np.maximum(inside, 1)
    middle_s = start_s + (end_s - start_s) / 2
    means = np.where(inside > 0, means, np.interp(middle_s, time_s, values))
    return np.where(np.isfinite(start_s + end_s), means, np.nan)
