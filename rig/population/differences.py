"""The difference of one quantity between two groups of pieces, and how well it is known.

Problem: pieces spread, perhaps differently in both groups; some may stand in both; and the calibration is off
for all of them equally, or for each group in its own way. Plan: Welch's interval for independent groups;
where the same pieces stand in both, their own changes, so that what pieces differ by among themselves falls
out. A calibration that both were read with falls out too but for its relative part. Cost: some quantiles.

References
----------
B. L. Welch, The generalization of Student's problem when several different population variances are involved,
Biometrika 34, 1947.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import hypot, inf, sqrt
from typing import Any

import numpy as np

from rig.core import finite
from rig.core.measured import Measured, combined
from rig.population.batch import CALIBRATION, having, shared_of_mean
from rig.population.effects import EffectSize, hedges_g, paired_g
from rig.population.equivalence import MarginVerdict
from rig.population.estimates import estimated, mean_of
from rig.population.pieces import PieceResult
from rig.samples import FloatArray

PAIRED_SHARE = 0.5
"""The same pieces are compared with themselves where they make up so much of the smaller group or more."""

SAME_CALIBRATION, OTHER_CALIBRATION, NO_CALIBRATION_U = "same", "different", "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One quantity of two groups: second less first.

    `quantity`, `first`, `second`: names.
    `n_first`, `n_second`: pieces of both; of a paired difference the pairs.
    `mean_first`, `mean_second`, `sd_first`, `sd_second`: over those pieces; a standard deviation is None for
    one piece.
    `paired`: whether the same pieces stand in both groups.
    `difference`, `estimate`: without and with its uncertainty, in which the scatter has Welch's degrees of
    freedom; None where one piece of a group shows nothing of how pieces spread.
    `shared_u`, `shared_freedom`: the calibration's part of the uncertainty, and its degrees of freedom; None
    where they have no limit.
    `p`, `p_holm`: probability that chance gives a difference so large, alone and as one of all of the
    comparison.
    `effect`: Hedges' g; None where it cannot be had.
    `calibration`: whether both were read with the "same" one, with "different" ones, or its part is "not
    known".
    `outcome`: against the margin; None where none was stated.
    """

    quantity: str
    first: str
    second: str
    n_first: int
    n_second: int
    mean_first: float
    mean_second: float
    sd_first: float | None
    sd_second: float | None
    paired: bool
    difference: float
    shared_u: float
    level: float
    calibration: str
    estimate: Measured | None = None
    p: float | None = None
    p_holm: float | None = None
    effect: EffectSize | None = None
    outcome: MarginVerdict | None = None
    notes: tuple[str, ...] = ()
    shared_freedom: float | None = None

    @property
    def u(self) -> float | None:
        """Standard uncertainty of the difference."""
        return None if self.estimate is None else self.estimate.u

    @property
    def low(self) -> float | None:
        """Lower end of its interval."""
        return None if self.estimate is None else self.estimate.interval(self.level)[0]

    @property
    def high(self) -> float | None:
        """Upper end of its interval."""
        return None if self.estimate is None else self.estimate.interval(self.level)[1]

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        plain, estimate = asdict(self), self.estimate
        del plain["estimate"]
        return plain | {
            "u": self.u,
            "low": self.low,
            "high": self.high,
            "freedom": None if estimate is None else estimate.freedom,
            "effective_freedom": None if estimate is None else finite(estimate.effective_freedom),
        }

    def with_pieces(self, pieces: int) -> Measured:
        """Return what this many pieces of each group, or pairs, that spread as these did would show."""
        assert self.estimate is not None
        shared = self.shared_u, inf if self.shared_freedom is None else self.shared_freedom
        if self.paired:
            scatter_u = self.estimate.own_u * sqrt(self.n_first / pieces)
            return estimated(self.difference, scatter_u, pieces - 1, *shared)
        one, other = (((sd or 0.0) / sqrt(pieces), pieces - 1) for sd in (self.sd_first, self.sd_second))
        return estimated(self.difference, *_welch((one, other)), *shared)


def mean_difference(
    first: FloatArray,
    second: FloatArray,
    *,
    paired: bool = False,
    shared_u: float = 0.0,
    shared_freedom: float = inf,
) -> Measured:
    """Return the mean of the second less mean of the first, with its uncertainty.

    Parameters
    ----------
    first, second
        One value a piece; two or more each.
    paired
        The same pieces in the same order.
    shared_u, shared_freedom
        The calibration's part, which more pieces do not make smaller, and its degrees of freedom.

    Notes
    -----
    Independent groups may spread differently: degrees of freedom after Welch.

    Examples
    --------
    >>> found = mean_difference(np.array([1.0, 2.0, 3.0]), np.array([3.0, 4.0, 5.0]))
    >>> found.value, found.freedom
    (2.0, 4.0)
    """
    if paired:
        return mean_of(second - first, shared_u, shared_freedom)
    one, other = ((float(group.std(ddof=1)) / sqrt(len(group)), len(group) - 1) for group in (first, second))
    return estimated(float(second.mean() - first.mean()), *_welch((one, other)), shared_u, shared_freedom)


def difference_between(
    one: tuple[str, Sequence[PieceResult]],
    other: tuple[str, Sequence[PieceResult]],
    quantity: str,
    level: float,
) -> Difference:
    """Return one quantity of two groups, not yet held against a margin.

    `one`, `other`: name and results of each group; captures of one piece are averaged.
    `quantity`: name of a column that both have.
    """
    (first_name, first_results), (second_name, second_results) = one, other
    first, second = having(first_results, quantity), having(second_results, quantity)
    first, second, paired, notes = _paired(first, second)
    values, others = (np.array([piece.values[quantity] for piece in part]) for part in (first, second))
    calibration, shared_u, shared_freedom = _shared(first, second, quantity, paired=paired)
    estimate = p = effect = None
    if min(len(first), len(second)) < 2:
        lone = first_name if len(first) < 2 else second_name
        notes.append(
            f"{lone} has only one piece, which does not show the spread between pieces: there is no interval."
        )
    else:
        estimate = mean_difference(
            values, others, paired=paired, shared_u=shared_u, shared_freedom=shared_freedom
        )
        p = min(1.0, 2 * min(estimate.chance_above(0.0), estimate.chance_below(0.0)))
        effect = paired_g(values, others, level=level) if paired else hedges_g(values, others, level=level)
    return Difference(
        quantity=quantity,
        first=first_name,
        second=second_name,
        n_first=len(first),
        n_second=len(second),
        mean_first=float(values.mean()),
        mean_second=float(others.mean()),
        sd_first=float(values.std(ddof=1)) if len(first) > 1 else None,
        sd_second=float(others.std(ddof=1)) if len(second) > 1 else None,
        paired=paired,
        difference=float(others.mean() - values.mean()),
        estimate=estimate,
        p=p,
        effect=effect,
        level=level,
        shared_u=shared_u,
        shared_freedom=finite(shared_freedom),
        calibration=calibration,
        notes=tuple(notes),
    )


def _paired(
    first: tuple[PieceResult, ...], second: tuple[PieceResult, ...]
) -> tuple[tuple[PieceResult, ...], tuple[PieceResult, ...], bool, list[str]]:
    """Return the pieces that stand in both groups, in the same order, if they are enough for that."""
    places = {(result.batch, result.piece): result for result in second}
    both = [result for result in first if (result.batch, result.piece) in places]
    if not both:
        return first, second, False, []
    if len(both) < max(2, PAIRED_SHARE * min(len(first), len(second))):
        names = ", ".join(piece.piece for piece in both[:6])
        return (
            first,
            second,
            False,
            [
                f"{len(both)} pieces are in both groups ({names}), too few for a paired comparison: all "
                "are treated as independent, which makes the interval slightly too wide."
            ],
        )
    left = len(first) + len(second) - 2 * len(both)
    said = [f"The same {len(both)} pieces stand in both groups and are compared with themselves."]
    if left:
        said.append(f"{left} pieces that stand in one group only are not in this difference.")
    partners = tuple(places[piece.batch, piece.piece] for piece in both)
    return tuple(both), partners, True, said


def _shared(
    first: Sequence[PieceResult], second: Sequence[PieceResult], quantity: str, *, paired: bool
) -> tuple[str, float, float]:
    """Return how the calibration stands between two groups, what it leaves in their difference, and the
    degrees of freedom of that.

    Read with one calibration, both are off equally: what is left is as much of it as the groups differ, the
    relative part of it at least. Read with two, nothing falls out.
    """
    (first_u, first_freedom), (second_u, second_freedom) = (
        shared_of_mean(group, quantity) for group in (first, second)
    )
    parts = [first_u, second_u]
    if not any(parts):
        return NO_CALIBRATION_U, 0.0, inf
    names = [[piece.circumstances.get(CALIBRATION) for piece in part] for part in (first, second)]
    same = names[0] == names[1] if paired else len({*names[0], *names[1]}) == 1
    if not same:
        return OTHER_CALIBRATION, *combined([(first_u, first_freedom), (second_u, second_freedom)])
    # a scale that is wrong by a share is wrong in the difference by that share of it
    means = [float(np.mean([piece.values[quantity] for piece in part])) for part in (first, second)]
    relative = max(part / abs(mean) if mean else inf for part, mean in zip(parts, means, strict=True))
    change = abs(means[1] - means[0])
    left = max(abs(parts[1] - parts[0]), relative * change if change else 0.0)
    return SAME_CALIBRATION, min(left, hypot(*parts)), min(first_freedom, second_freedom)


def _welch(spreads: tuple[tuple[float, int], tuple[float, int]]) -> tuple[float, float]:
    """Return the standard uncertainty of the difference of two means, and its degrees of freedom."""
    u, freedom = combined(spreads)
    # where nothing spreads, the smaller group says how little that means
    return u, freedom if u > 0 else min(count for _, count in spreads)
