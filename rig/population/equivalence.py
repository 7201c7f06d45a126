"""Is the difference small enough? Three answers: smaller than the margin, larger, undecided.

Problem: "no significant difference" is what few pieces always say. Plan: the user states how much difference
would not matter; two one-sided tests then show that the difference is smaller, or one shows that it is
larger, each wrong in at most the stated share of cases; else it is undecided, and the number of pieces is
worked out that would most likely decide. Cost: some quantiles.

References
----------
D. J. Schuirmann, A comparison of the two one-sided tests procedure and the power approach for assessing the
equivalence of average bioavailability, J. Pharmacokinet. Biopharm. 15, 1987.
K. F. Phillips, Power of the two one-sided tests procedure in bioequivalence, J. Pharmacokinet. Biopharm. 18,
1990: the exact power, from the noncentral t (recalled).

Pieces are counted here with central t distributions, which come near that power once the margin is several
standard uncertainties wide: an approximation of our own, without a source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite

from rig.core.measured import Measured, coverage_factor, student_below
from rig.errors import InputError

WITHIN, BEYOND, UNDECIDED = "smaller than the margin", "larger than the margin", "undecided"

SIGNIFICANCE = 0.05
"""Each of the two verdicts is wrong in at most this share of cases."""

POWER = 0.80
"""Pieces are counted so that this share of such trials would decide."""

MOST_PIECES = 10_000
"""More pieces of a batch than anybody would squeeze to decide."""


@dataclass(frozen=True, slots=True)
class MarginVerdict:
    """A difference held against a margin.

    `margin`: largest difference that does not matter, in the unit of the quantity.
    `verdict`: one of `WITHIN`, `BEYOND`, `UNDECIDED`.
    `p_within`, `p_beyond`: probability that chance would speak so clearly for "within", were the difference
    as large as the margin; and for "beyond", were it no larger.
    `low`, `high`: the interval that the verdict looks at: 90 % for tests of 5 % on each side.
    `pieces_needed`: pieces of each group (or pairs) that would most likely decide, where it is undecided;
    None where it is decided, or no number below `MOST_PIECES` would.
    `why`: why no number of pieces would; empty elsewhere.
    """

    margin: float
    verdict: str
    p_within: float
    p_beyond: float
    low: float
    high: float
    significance: float
    pieces_needed: int | None
    why: str


def judge_margin(
    difference: Measured,
    margin: float,
    *,
    with_pieces: Callable[[int], Measured] | None = None,
    beyond_significance: float = SIGNIFICANCE,
) -> MarginVerdict:
    """Hold a difference against a margin.

    Parameters
    ----------
    margin
        Above zero.
    with_pieces
        What the difference would be known like with this many pieces of each group; None where it cannot be
        said.
    beyond_significance
        Of the test for "beyond", smaller where it is one of many.

    Raises
    ------
    InputError
        If the margin is not above zero.
    """
    if not (isfinite(margin) and margin > 0):
        raise InputError(f"margin: found {margin}, expected a number above zero")
    # two one-sided tests at the margin (Schuirmann): the worse of both decides
    p_within = max(difference.chance_below(margin), difference.chance_above(-margin))
    # beyond either end of the margin, were the truth on that end
    away = replace(difference, value=abs(difference.value))
    p_beyond = min(1.0, away.chance_above(margin) + away.chance_above(-margin))
    low, high = difference.interval(1 - 2 * SIGNIFICANCE)
    verdict = UNDECIDED
    if p_within <= SIGNIFICANCE:
        verdict = WITHIN
    elif p_beyond <= beyond_significance:
        verdict = BEYOND
    needed, why = None, ""
    if verdict == UNDECIDED and with_pieces is not None:
        needed, why = pieces_to_decide(with_pieces, margin, (SIGNIFICANCE, beyond_significance))
    return MarginVerdict(margin, verdict, p_within, p_beyond, low, high, SIGNIFICANCE, needed, why)


def pieces_to_decide(
    with_pieces: Callable[[int], Measured], margin: float, significances: tuple[float, float]
) -> tuple[int | None, str]:
    """Return the pieces of each group that would decide in `POWER` of all trials, if these were the true
    numbers.

    Returns
    -------
    pieces, why
        None, and the reason in words, where no number below `MOST_PIECES` would.
    """
    # the verdict that this difference is on its way to
    at = significances[0] if abs(with_pieces(2).value) < margin else significances[1]
    if _power(with_pieces(MOST_PIECES), margin, at) < POWER:
        shared = with_pieces(MOST_PIECES)
        if shared.shared_u > shared.own_u:
            return None, "the calibration's uncertainty alone is larger than that"
        return None, f"the difference is so close to the margin that {MOST_PIECES} would not"
    # the power grows with the pieces: bisection for the first number that is enough
    return bisect_left(
        range(MOST_PIECES), True, lo=2, key=lambda pieces: _power(with_pieces(pieces), margin, at) >= POWER
    ), ""


def _power(estimate: Measured, margin: float, significance: float) -> float:
    """Return how often a trial with this uncertainty decides, if the estimate's value is the truth."""
    if not estimate.u > 0:
        return float(abs(estimate.value) != margin)
    freedom, away = estimate.effective_freedom, abs(estimate.value)
    t = coverage_factor(freedom, 1 - 2 * significance)
    if away >= margin:
        return student_below(freedom, (away - margin) / estimate.u - t)
    # both tests have to be passed: 1 - (1 - above) - (1 - below), Bonferroni's bound
    above = student_below(freedom, (margin - away) / estimate.u - t)
    below = student_below(freedom, (margin + away) / estimate.u - t)
    return max(above + below - 1, 0.0)
