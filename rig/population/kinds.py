"""Two kinds of appraisers beside each other: hands that push, and the rig that drives.

Problem: a rig that costs a motor has to show that it repeats better than a hand, and that it finds the same
numbers. Plan: repeats of both by the ratio of their variances; the difference from piece to piece, so that
the pieces' own spread falls out; and what is due to the few people that were asked is added where others are
meant. Cost: sums.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import scipy

from rig.core.measured import LEVEL
from rig.errors import InputError
from rig.population.components import APPRAISER, WITHIN, mean_squares
from rig.population.intervals import Term
from rig.population.trials import TrialTable

HAND, DRIVEN = "hand", "driven"


@dataclass(frozen=True, slots=True)
class KindComparison:
    """How two kinds of appraisers compare.

    `ratio`, `ratio_low`, `ratio_high`: standard deviation of the first over that of the second, with its
    interval (F); None where the second does not spread.
    `p`: probability that chance gives variances so different, either way; None likewise.
    `bias`, `bias_low`, `bias_high`: mean of the first less mean of the second over the same pieces, with its
    interval for these appraisers (t over pieces).
    `others_low`, `others_high`: the same for other appraisers of these kinds; None where it cannot be had,
    and `others_why` says why.
    `others_why`: empty where it can.
    """

    first: str
    second: str
    sd_first: float
    sd_second: float
    degrees_of_freedom: tuple[int, int]
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    p: float | None
    bias: float
    bias_low: float
    bias_high: float
    others_low: float | None
    others_high: float | None
    others_why: str
    level: float

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return asdict(self) | {"degrees_of_freedom": list(self.degrees_of_freedom)}


def compare_kinds(
    table: TrialTable, first: str = HAND, second: str = DRIVEN, *, level: float = LEVEL
) -> KindComparison:
    """Compare the repeats of two kinds of appraisers, and their means.

    Parameters
    ----------
    table
        With a kind for each appraiser, two pieces or more, two trials or more.

    Raises
    ------
    InputError
        If there is no appraiser of a kind, or nothing was repeated.

    Notes
    -----
    The first interval of the bias is Student's t over the differences of the pieces. For other people of the
    same kind the mean square of appraisers is added; both parts keep their own Student factor, since
    Satterthwaite's degrees of freedom hold the truth too seldom with two people. The repeats are in both
    parts, so the interval is rather too wide than too narrow. A single driven rig is taken as itself, not as
    drawn from many rigs.
    """
    parts = (table.by_kind(first), table.by_kind(second))
    if table.trials < 2 or len(table.pieces) < 2:
        raise InputError(
            f"kinds: found {len(table.pieces)} pieces and {table.trials} trials, expected two or more of both"
        )
    squares = [mean_squares(part.measured) for part in parts]
    (one, df_one), (two, df_two) = (square[WITHIN] for square in squares)
    ratio, ratio_low, ratio_high, p = _ratio(float(one), df_one, float(two), df_two, level)
    # by piece, so that what pieces differ by among themselves falls out
    difference = parts[0].measured.mean((1, 2)) - parts[1].measured.mean((1, 2))
    paired = Term(1 / len(difference), np.asarray(difference.var(ddof=1)), len(difference) - 1)
    bias, away = float(difference.mean()), _away(paired, [], level)
    others, why = _others(paired, parts, level)
    return KindComparison(
        first,
        second,
        math.sqrt(one),
        math.sqrt(two),
        (df_one, df_two),
        ratio,
        ratio_low,
        ratio_high,
        p,
        bias,
        bias - away,
        bias + away,
        None if others is None else bias - others,
        None if others is None else bias + others,
        why,
        level,
    )


def _ratio(
    one: float, df_one: int, two: float, df_two: int, level: float
) -> tuple[float | None, float | None, float | None, float | None]:
    """Return the ratio of two standard deviations, its interval, and p that chance makes it so different."""
    if not two:
        return None, None, None, None
    # one/two over F quantiles: the interval of a ratio of variances; p on both sides
    tail, ratio = (1 - level) / 2, one / two
    low, high = (
        ratio / scipy.stats.f.isf(tail, df_one, df_two),
        ratio / scipy.stats.f.ppf(tail, df_one, df_two),
    )
    p = 2 * min(scipy.stats.f.sf(ratio, df_one, df_two), scipy.stats.f.cdf(ratio, df_one, df_two))
    return math.sqrt(ratio), math.sqrt(low), math.sqrt(high), float(min(p, 1.0))


def _away(paired: Term, between: list[tuple[float, int]], level: float) -> float:
    """Return half the width of an interval: independent parts, each with its own Student factor."""
    parts = [(float(paired.part), paired.degrees_of_freedom), *between]
    return math.sqrt(
        sum(variance * float(scipy.stats.t.isf((1 - level) / 2, df)) ** 2 for variance, df in parts)
    )


def _others(paired: Term, parts: tuple[TrialTable, TrialTable], level: float) -> tuple[float | None, str]:
    """Return half the width for other appraisers of the same kinds, or why there is none."""
    between = []
    for part in parts:
        if len(part.appraisers) > 1:
            # variance of the mean over appraisers, their repeats included, and its degrees of freedom
            square, df = mean_squares(part.measured)[APPRAISER]
            between.append((float(square) / part.measured.size, df))
        elif part.kinds[0] != DRIVEN:
            return None, f"with one appraiser of kind {part.kinds[0]!r} nothing is known about others"
    return _away(paired, between, level), ""
