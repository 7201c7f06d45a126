"""Repeatability and reproducibility of one material that many laboratories have measured.

Problem: a customer's laboratory and the supplier's disagree about one material; is that usual? Each has other
pieces and another number of results, so the crossed study of `gauge.py` does not fit.
Plan: the one-way analysis of ISO 5725-2 per material: pooled variance within laboratories (repeatability),
variance between their means, and the sum of both (reproducibility). Each laboratory is then checked for its
mean (Mandel's h, Grubbs) and for its spread (Mandel's k, Cochran). Nothing is left out by a test: a person
looks for the cause first. Cost: sums over the values, and a few quantiles.

References
----------
ISO 5725-2:1994, Basic method for the determination of repeatability and reproducibility, clause 7 (recalled).
ASTM E691, Conducting an interlaboratory study (recalled): critical values of h and k.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import scipy

from rig.core.measured import LEVEL
from rig.errors import InputError
from rig.population.intervals import Term, combination_interval
from rig.population.outliers import grubbs
from rig.population.trials import finite_values, table_column
from rig.samples import FloatArray

LABORATORY, MATERIAL, VALUE = "laboratory", "material", "value"

STRAGGLER_P, OUTLIER_P = 0.05, 0.01
"""Significance below which a laboratory is a straggler, and below which it is an outlier (ISO 5725-2)."""

LIMIT = 1.96 * math.sqrt(2)
"""Two results differ by less than this many standard deviations with 95 % probability (ISO 5725-6, rounded to
2.8 there)."""

FEWEST = 3
"""Laboratories that Mandel's h and Grubbs's test need at least."""

FEWEST_FOR_TWO = 4
"""Laboratories that Grubbs's test for two outlying ones needs at least."""

DRAWS, SEED = 100_000, 5725
"""Sets of sound means that are drawn for that test: its p of 0.01 is then right to 0.0003 (one standard
deviation). The seed is fixed, so that one table always gives one p."""

AT_ONCE = 1 << 20
"""Means that are drawn at once, for flat memory."""

FEW = 8
"""With fewer laboratories the reproducibility is poorly known (ISO 5725-1 asks for 8 to 15; recalled)."""


@dataclass(frozen=True, slots=True)
class Spread:
    """A standard deviation in the unit of the values, with its interval and the limit for two results.

    `sd`, `low`, `high`: standard deviation and its interval.
    `limit`: difference of two single results that is exceeded once in 20 times.
    """

    sd: float
    low: float
    high: float
    limit: float


@dataclass(frozen=True, slots=True)
class LaboratoryFigures:
    """One laboratory's results on one material.

    `n`, `mean`, `sd`: number of its results, their mean and standard deviation; `sd` is None for a single
    result.
    `h`, `k`: Mandel's statistics of its mean and of its spread; None where they do not exist.
    `h_limits`, `k_limits`: critical values at 5 % and 1 % significance; None as above.
    """

    name: str
    n: int
    mean: float
    sd: float | None
    h: float | None
    k: float | None
    h_limits: tuple[float, float] | None
    k_limits: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class LaboratoryCheck:
    """The result of one outlier test.

    `test`: "Cochran" (largest spread), "Grubbs" (farthest mean) or "Grubbs for two" (two farthest on one
    side).
    `laboratory`: which laboratory is the extreme one, or "A and B" for two.
    `statistic`, `p`: its value, and the probability of a larger one by chance among sound laboratories.
    """

    test: str
    laboratory: str
    statistic: float
    p: float

    @property
    def verdict(self) -> str:
        """Return "outlier", "straggler", or an empty text."""
        return "outlier" if self.p < OUTLIER_P else "straggler" if self.p < STRAGGLER_P else ""


@dataclass(frozen=True, slots=True)
class MaterialFigures:
    """What the laboratories found on one material.

    `material`: its name; empty where the table has no such column.
    `mean`: general mean, weighted by the number of results.
    `repeatability`, `reproducibility`: standard deviations of results of one laboratory, and of different
    laboratories.
    `between_set_to_zero`: whether the variance between laboratories came out below zero.
    `laboratories`, `checks`: each laboratory, and the tests of the extreme ones.
    """

    material: str
    mean: float
    results: int
    repeatability: Spread
    reproducibility: Spread
    between: float
    between_set_to_zero: bool
    laboratories: tuple[LaboratoryFigures, ...]
    checks: tuple[LaboratoryCheck, ...]


@dataclass(frozen=True, slots=True)
class LaboratoryStudy:
    """An interlaboratory study: its quantity, and the figures of each material."""

    quantity: str
    unit: str
    level: float
    materials: tuple[MaterialFigures, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number, for a file."""
        return asdict(self)


def laboratory_study(
    table: Any,
    *,
    quantity: str = "value",
    unit: str = "",
    where: str = "table",
    rows: Sequence[int] | None = None,
) -> LaboratoryStudy:
    """Find repeatability and reproducibility of each material, and check the laboratories.

    Parameters
    ----------
    table
        A data frame or mapping with the columns `laboratory` and `value` of shape (n,), and perhaps
        `material`. Laboratories may have different numbers of results.
    where, rows
        Name of the table and number of each row, for refusals.

    Raises
    ------
    InputError
        If a column is missing, a name is empty, a value is not a number, a material has fewer than two
        laboratories, or no laboratory has two results.

    Notes
    -----
    Intervals: chi-square for repeatability; modified large-sample for reproducibility, approximate where the
    numbers of results differ. Cochran's test and the limits of k are the published ones where the numbers are
    equal; elsewhere each laboratory is judged with its own degrees of freedom. Limits of h and Grubbs's test
    treat the means as equally precise.

    Examples
    --------
    >>> study = laboratory_study({"laboratory": ["a", "a", "b", "b", "c", "c"],
    ...                           "value": [4.0, 4.2, 4.4, 4.6, 4.1, 4.1]})
    >>> round(study.materials[0].repeatability.sd, 4), round(study.materials[0].reproducibility.sd, 4)
    (0.1155, 0.2449)
    """
    groups = _groups(table, where, rows)
    return LaboratoryStudy(
        quantity,
        unit,
        LEVEL,
        tuple(_material(name, by, where) for name, by in groups.items()),
    )


def _groups(table: Any, where: str, rows: Sequence[int] | None) -> dict[str, dict[str, list[float]]]:
    """Return the values by material and laboratory."""
    names = [str(cell).strip() for cell in table_column(table, LABORATORY, where)]
    values = table_column(table, VALUE, where)
    materials = [str(cell).strip() for cell in table[MATERIAL]] if MATERIAL in table else [""] * len(names)
    if not names or not len(names) == len(values) == len(materials):
        raise InputError(
            f"{where}: columns are empty or of unequal length; expected one entry per row in each"
        )
    lines = range(1, len(names) + 1) if rows is None else rows
    numbers = finite_values(values, lines, where).tolist()
    groups: dict[str, dict[str, list[float]]] = {}
    for line, laboratory, material, number in zip(lines, names, materials, numbers, strict=True):
        if not laboratory or laboratory == "nan":
            raise InputError(f"{where}, row {line}: laboratory is empty; expected a name or a number")
        groups.setdefault(material, {}).setdefault(laboratory, []).append(number)
    return groups


def _material(name: str, by: dict[str, list[float]], where: str) -> MaterialFigures:
    about = f"{where}{f', material {name!r}' if name else ''}"
    count = np.array([len(values) for values in by.values()])
    within = int((count - 1).sum())
    laboratories = len(by)
    if laboratories < 2:
        raise InputError(f"{about}: found one laboratory, expected two or more, better {FEW} to 15")
    if not within:
        raise InputError(
            f"{about}: each laboratory has a single result; expected two or more of at least one of them"
        )
    means = np.array([np.mean(values) for values in by.values()])
    squares = np.array([np.sum((np.array(values) - np.mean(values)) ** 2) for values in by.values()])
    repeat = float(squares.sum()) / within
    # laboratories with more results weigh more in the general mean and in the spread of means
    mean = float((count * means).sum() / count.sum())
    spread = float((count * (means - mean) ** 2).sum()) / (laboratories - 1)
    # results per laboratory that unequal numbers are worth: equal to n where all have n
    typical = float(count.sum() - (count**2).sum() / count.sum()) / (laboratories - 1)
    between = (spread - repeat) / typical
    # s_R^2 = s_d^2 / n + s_r^2 (1 - 1 / n): with the variance between set to zero it is s_r^2 alone
    terms = [
        Term(1 / typical, np.asarray(spread), laboratories - 1),
        Term(1 - 1 / typical, np.asarray(repeat), within),
    ]
    low, high, _ = combination_interval([term for term in terms if term.factor > 0], LEVEL)
    repeat_low, repeat_high, _ = combination_interval([Term(1.0, np.asarray(repeat), within)], LEVEL)
    both = repeat + max(between, 0.0)
    return MaterialFigures(
        material=name,
        mean=mean,
        results=int(count.sum()),
        repeatability=_spread(repeat, float(repeat_low), float(repeat_high)),
        reproducibility=_spread(both, min(float(low), both), max(float(high), both)),
        between=math.sqrt(max(between, 0.0)),
        between_set_to_zero=between < 0,
        laboratories=_figures(tuple(by), count, means, squares, mean),
        checks=(*_cochran(tuple(by), count, squares), *_grubbs(tuple(by), means)),
    )


def _spread(variance: float, low: float, high: float) -> Spread:
    sd = math.sqrt(variance)
    return Spread(sd, math.sqrt(low), math.sqrt(high), LIMIT * sd)


def _figures(
    names: tuple[str, ...], count: FloatArray, means: FloatArray, squares: FloatArray, mean: float
) -> tuple[LaboratoryFigures, ...]:
    laboratories, within = len(names), int((count - 1).sum())
    repeat = float(squares.sum()) / within
    scale = math.sqrt(float(((means - mean) ** 2).sum()) / (laboratories - 1))
    has_h = laboratories >= FEWEST and scale > 0
    figures = []
    for place, name in enumerate(names):
        own = int(count[place]) - 1
        has_k = own > 0 and within > own and repeat > 0
        sd = math.sqrt(float(squares[place]) / own) if own else None
        figures.append(
            LaboratoryFigures(
                name,
                own + 1,
                float(means[place]),
                sd,
                float(means[place] - mean) / scale if has_h else None,
                # the pooled variance stands below: with equal numbers this is the published definition
                sd / math.sqrt(repeat) if has_k and sd is not None else None,
                _pair(h_limit, laboratories) if has_h else None,
                _pair(k_limit, own, within) if has_k else None,
            )
        )
    return tuple(figures)


def _pair(limit: Any, *of: int) -> tuple[float, float]:
    return limit(*of, STRAGGLER_P), limit(*of, OUTLIER_P)


def h_limit(laboratories: int, significance: float) -> float:
    """Return the critical value of |h|: one laboratory exceeds it by chance with this probability.

    `laboratories`: their number, three or more.
    """
    # h is a mean over a standard deviation that it is itself part of: a function of Student's t
    quantile = float(scipy.stats.t.isf(significance / 2, laboratories - 2))
    return (laboratories - 1) * quantile / math.sqrt(laboratories * (quantile**2 + laboratories - 2))


def k_limit(own: int, within: int, significance: float) -> float:
    """Return the critical value of k: one laboratory exceeds it by chance with this probability.

    `own`, `within`: degrees of freedom of the laboratory, and of all together.
    """
    # own sum of squares over that of all: beta distributed for normal values
    share = float(scipy.stats.beta.isf(significance, own / 2, (within - own) / 2))
    return math.sqrt(share * within / own)


def _cochran(names: tuple[str, ...], count: FloatArray, squares: FloatArray) -> tuple[LaboratoryCheck, ...]:
    """Test the laboratory whose spread is least likely; none where there is nothing to compare with."""
    freedom, total = count - 1, float(squares.sum())
    several = freedom > 0
    tested = int(several.sum())
    if tested < 2 or not total > 0:
        return ()
    own = np.where(several, freedom, 1)
    rest = freedom.sum() - own
    chance = np.where(several, scipy.stats.beta.sf(squares / total, own / 2, rest / 2), 1.0)
    place = int(np.argmin(chance))
    variance = squares / own
    # one of several was picked as the extreme: Bonferroni, as in the published critical values
    p = min(1.0, tested * float(chance[place]))
    return (LaboratoryCheck("Cochran", names[place], float(variance[place] / variance[several].sum()), p),)


def _grubbs_for_two(names: tuple[str, ...], means: FloatArray) -> tuple[LaboratoryCheck, ...]:
    """Test the two largest or two smallest means together (ISO 5725-2:1994, 7.3.4, recalled)."""
    count = len(means)
    if count < FEWEST_FOR_TWO:
        return ()
    order = np.argsort(means, kind="stable")
    statistic, high = _left_without_two(means[order][None, :])
    pair = order[-2:] if high[0] else order[:2]
    # one more in both: a statistic that no draw reaches is rare, not impossible
    p = (1 + int(np.searchsorted(_shares_by_chance(count), statistic[0], side="right"))) / (1 + DRAWS)
    both = " and ".join(names[place] for place in sorted(pair))
    return (LaboratoryCheck("Grubbs for two", both, float(statistic[0]), p),)


@lru_cache(maxsize=8)
def _shares_by_chance(count: int) -> FloatArray:
    """Return the shares of `_left_without_two` among sound laboratories, sorted, shape (DRAWS,).

    Their distribution has no closed form; the smaller share of both sides is drawn, as either is in question.
    """
    rng, rows = np.random.default_rng(SEED), max(AT_ONCE // count, 1)
    shares = [
        _left_without_two(np.sort(rng.standard_normal((min(rows, DRAWS - start), count)), axis=1))[0]
        for start in range(0, DRAWS, rows)
    ]
    return np.sort(np.concatenate(shares))


def _left_without_two(ordered: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the share of the sum of squares left without the two largest or the two smallest of each row.

    `ordered`: shape (rows, n), each row sorted.

    Returns
    -------
    share, high
        The smaller share of both sides, and whether it is that without the two largest; shape (rows,).
    """
    whole = ((ordered - ordered.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    without = [
        ((part - part.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / whole
        for part in (ordered[:, :-2], ordered[:, 2:])
    ]
    return np.minimum(*without), without[0] <= without[1]


def _grubbs(names: tuple[str, ...], means: FloatArray) -> tuple[LaboratoryCheck, ...]:
    """Test the laboratory whose mean lies farthest from the mean of all means and, where that is no outlier,
    the two farthest: two can hide each other."""
    count = len(means)
    if count < FEWEST or not np.ptp(means) > 0:
        return ()
    found = grubbs(means)
    # Student's t of this distance, from which the critical values are made; both sides are in question
    left = (count - 1) ** 2 - count * found.statistic**2
    student = found.statistic * math.sqrt(count * (count - 2) / left) if left > 0 else math.inf
    p = min(1.0, 2 * count * float(scipy.stats.t.sf(student, count - 2)))
    one = LaboratoryCheck("Grubbs", names[found.place], found.statistic, p)
    return (one,) if one.verdict == "outlier" else (one, *_grubbs_for_two(names, means))
