"""The control chart of a check standard: individual values and their moving ranges.

Problem: a rig drifts or is knocked, which does not show in the figures of a specimen, which has a spread of
its own. Plan: a piece that does not change is pressed before a day's work. Its first values teach where the
chart's limits lie; from then on a value beyond them says that rig and piece are no longer what they were.
Until there are enough, only the piece's own known value can be tested. Cost: a handful of numbers a day.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

D2 = 2 / math.sqrt(math.pi)
"""Mean range of two normal values over their standard deviation."""

D3 = math.sqrt(2 - 4 / math.pi)
"""Standard deviation of that range, likewise."""

SIGMAS = 3.0
"""A value beyond this many standard deviations comes by chance once in 370."""

VALUE_FACTOR = SIGMAS / D2
"""2.66: from the mean moving range to the distance of the limits of values."""

RANGE_FACTOR = 1 + SIGMAS * D3 / D2
"""3.267: from the mean moving range to the limit of moving ranges."""

BASELINE = 8
"""Values that limits are learnt from. From eight, one good reading in twenty is called outside (drawn at
random, normal); from twenty, one in thirty. Fewer would call more, and more would guard a rig later."""

SAME_SIDE = 8
"""This many values in a row on one side of the mean come by chance once in 128: worth a word."""


@dataclass(frozen=True, slots=True)
class Known:
    """What the piece itself is known to be.

    `value`, `tolerance`: in the unit of the chart; a reading further off than the tolerance is outside.
    """

    value: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class ChartLimits:
    """Where values and moving ranges may lie."""

    mean: float
    lower: float
    upper: float
    mean_range: float
    largest_range: float
    learnt_from: int


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the chart says of one value.

    `reasons`: why it is outside, a sentence each; none if it is inside.
    `limits`: None while they are being learnt.
    `moving_range`: distance to the value before; None for the first.
    """

    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    limits: ChartLimits | None
    moving_range: float | None

    @property
    def outside(self) -> bool:
        """Whether the rig has to be looked at."""
        return bool(self.reasons)


def learnt_limits(values: Sequence[float], baseline: int = BASELINE) -> ChartLimits | None:
    """Return the limits from the first values of a chart.

    Parameters
    ----------
    values
        In their order, at least two in the baseline.

    Returns
    -------
    None while there are fewer values than that, or if those are all the same, so that no spread is seen.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, individuals control charts (recalled): mean +- 2.66 times
    the mean moving range; moving ranges up to 3.267 times their mean.

    Examples
    --------
    >>> limits = learnt_limits([10.0, 10.2, 10.0, 10.2], baseline=4)
    >>> round(limits.lower, 3), round(limits.upper, 3), round(limits.largest_range, 3)
    (9.568, 10.632, 0.653)
    """
    first = [float(value) for value in values[:baseline]]
    if len(first) < max(baseline, 2):
        return None
    mean = math.fsum(first) / len(first)
    mean_range = math.fsum(abs(after - before) for before, after in pairwise(first)) / (len(first) - 1)
    if not mean_range > 0:
        return None
    # sigma from mean range / d2, which a slow drift widens less than it does a standard deviation
    reach = VALUE_FACTOR * mean_range
    return ChartLimits(mean, mean - reach, mean + reach, mean_range, RANGE_FACTOR * mean_range, len(first))


def judge(
    earlier: Sequence[float],
    value: float,
    *,
    known: Known | None = None,
    unit: str = "",
    baseline: int = BASELINE,
) -> Judgement:
    """Judge a new value against those before it, and against what the piece is known to be.

    Parameters
    ----------
    earlier
        Values of the chart so far, in their order; the baseline is their beginning.
    """
    limits = learnt_limits(earlier, baseline)
    moving_range = abs(value - earlier[-1]) if earlier else None
    reasons: list[str] = []
    notes: list[str] = []
    if known is not None and abs(value - known.value) > known.tolerance:
        reasons.append(
            f"{_quantity(value, unit)} is {abs(value - known.value):.3g} {unit} off the piece's known "
            f"{_quantity(known.value, unit)}; {known.tolerance:.3g} {unit} are allowed"
        )
    if limits is None:
        missing = baseline - len(earlier) - 1
        notes.append(
            f"The chart's limits are being learnt: {missing} more readings to go."
            if missing > 0
            else "The chart's limits begin with the next reading."
        )
        if known is None:
            notes.append("Until then nothing is tested: the piece's own value is not stated (--known).")
        return Judgement(tuple(reasons), tuple(notes), None, moving_range)
    if not limits.lower <= value <= limits.upper:
        reasons.append(
            f"{_quantity(value, unit)} is outside the chart's limits of {limits.lower:.5g} to "
            f"{_quantity(limits.upper, unit)}"
        )
    if moving_range is not None and moving_range > limits.largest_range:
        reasons.append(
            f"it moved by {moving_range:.3g} {unit} since the reading before; the chart's limit is "
            f"{limits.largest_range:.3g} {unit}"
        )
    # a run on one side shows a drift before a single value is outside
    latest = [*earlier, value][-SAME_SIDE:]
    if len(latest) == SAME_SIDE and (min(latest) > limits.mean or max(latest) < limits.mean):
        side = "above" if value > limits.mean else "below"
        notes.append(f"The last {SAME_SIDE} readings lie {side} the mean: the rig or the piece drifts.")
    return Judgement(tuple(reasons), tuple(notes), limits, moving_range)


def _quantity(value: float, unit: str) -> str:
    return f"{value:.5g} {unit}".rstrip()
