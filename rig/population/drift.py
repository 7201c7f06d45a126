"""Batches over time: does one stand out, and do they creep one way?

Problem: each batch is like the last one, and the tenth is not like the first. Plan: a chart of the means of
the batches, with limits from how pieces spread within batches; an analysis of variance, which says whether
batches differ at all; and a trend that needs no straight line, only an order (Mann and Kendall), with the
median slope (Theil and Sen). Cost: sums, and all pairs of batches.

References
----------
W. A. Shewhart, Economic Control of Quality of Manufactured Product, 1931: limits from within.
M. G. Kendall, Rank Correlation Methods, 1975. P. K. Sen, Estimates of the regression coefficient based on
Kendall's tau, J. Am. Stat. Assoc. 63, 1968.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from typing import Any

import numpy as np
import scipy

from rig.core import finite
from rig.core.measured import LEVEL
from rig.errors import InputError
from rig.population.batch import BatchFigures

SIGMAS = 3.0
"""Distance of the limits from the centre line in standard errors, as in all charts of this kind."""

FEWEST_FOR_TREND = 4
"""Three batches are in order by chance in one case of three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchDrift:
    """Means of batches in order of time.

    `quantity`, `batches`: names, in order.
    `means`, `counts`: of the pieces of each batch.
    `middle`: mean of all pieces.
    `sd_within`: standard deviation of pieces within batches, all together.
    `low`, `high`: limits of each batch's mean, which depend on its number of pieces.
    `outside`: names of the batches beyond their limits.
    `batches_p`: probability that chance makes the means so different.
    `trend_p`, `slope`, `slope_low`, `slope_high`: probability that chance puts the means so well in order;
    the median change from batch to batch with its interval. None with fewer than four batches.
    """

    quantity: str
    batches: tuple[str, ...]
    means: tuple[float, ...]
    counts: tuple[int, ...]
    middle: float
    sd_within: float
    low: tuple[float, ...]
    high: tuple[float, ...]
    outside: tuple[str, ...]
    batches_p: float | None
    trend_p: float | None
    slope: float | None
    slope_low: float | None
    slope_high: float | None
    level: float

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return asdict(self)


def batch_drift(batches: Sequence[tuple[str, BatchFigures]]) -> BatchDrift:
    """Return the chart and trend of one quantity over batches.

    Parameters
    ----------
    batches
        Name and figures of each, in order of time.

    Raises
    ------
    InputError
        With fewer than two batches, or without a batch of two pieces.
    """
    values = [np.array(figures.values) for _, figures in batches]
    within = sum(len(value) - 1 for value in values)
    if len(values) < 2 or within < 1:
        raise InputError(
            f"drift: found {len(values)} batches with {within} degrees of freedom within them, "
            "expected two batches or more, and one of two pieces"
        )
    # limits from within batches: the spread of their means is what is in question
    sd = sqrt(sum(float(((value - value.mean()) ** 2).sum()) for value in values) / within)
    means, middle = [float(value.mean()) for value in values], float(np.concatenate(values).mean())
    away = [SIGMAS * sd / sqrt(len(value)) for value in values]
    names = [name for name, _ in batches]
    outside = [name for name, mean, far in zip(names, means, away, strict=True) if abs(mean - middle) > far]
    # one-way analysis of variance: means of batches against the spread within them
    p = float(scipy.stats.f_oneway(*values).pvalue) if sd > 0 else float("nan")
    trend_p, slope, slope_low, slope_high = _trend(means)
    return BatchDrift(
        quantity=batches[0][1].quantity,
        batches=tuple(names),
        means=tuple(means),
        counts=tuple(len(value) for value in values),
        middle=middle,
        sd_within=sd,
        low=tuple(middle - far for far in away),
        high=tuple(middle + far for far in away),
        outside=tuple(outside),
        batches_p=finite(p),
        trend_p=trend_p,
        slope=slope,
        slope_low=slope_low,
        slope_high=slope_high,
        level=LEVEL,
    )


def _trend(
    means: Sequence[float],
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return p of the order (Mann and Kendall), the median slope (Theil and Sen) and its interval."""
    if len(means) < FEWEST_FOR_TREND or not np.ptp(means) > 0:
        return None, None, None, None
    order = np.arange(len(means))
    p = float(scipy.stats.kendalltau(order, means).pvalue)
    found = scipy.stats.theilslopes(means, order, alpha=LEVEL)
    return p, float(found.slope), float(found.low_slope), float(found.high_slope)
