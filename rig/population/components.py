"""Variance components of a crossed study, from its mean squares.

Problem: repeats, appraisers and pieces all spread, and only their mixtures are seen. Plan: analysis of
variance; each component is a combination of mean squares whose factors are written down once for each model,
so that values, degrees of freedom and intervals all come from the same table. Cost: sums over the block of
values.

References
----------
AIAG, Measurement Systems Analysis, ANOVA method (recalled); its worked study is a test.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import scipy

from rig.population.intervals import Term, combination_interval, combined, degrees_of_freedom, share_interval
from rig.samples import FloatArray

PIECE, APPRAISER, INTERACTION, WITHIN = "piece", "appraiser", "piece x appraiser", "repeat"

REPEATABILITY, REPRODUCIBILITY, GAUGE = "repeatability", "reproducibility", "gauge"
PIECES, TOTAL = "pieces", "total"

ONE_APPRAISER = "one appraiser"
CROSSED = "interaction kept"
POOLED = "interaction pooled"

CATEGORY_FACTOR = 1.41
"""Root of two as the trade rounds it: categories = 1.41 pieces / gauge (AIAG, Measurement Systems Analysis).
"""

SPREADS_IN_TOLERANCE = 6.0
"""A spread is compared with a tolerance as six standard deviations (the same manual)."""

MeanSquares = Mapping[str, tuple[FloatArray, int]]
"""Mean square and degrees of freedom by effect."""


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of the analysis of variance.

    `source`: "piece", "appraiser", "piece x appraiser" or "repeat".
    `f`, `p`: ratio to the mean square that it is compared with, and the probability that chance gives more;
    None for the last line, and where nothing spreads.
    """

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    mean_square: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the spread.

    `name`: "repeatability", "reproducibility", "piece x appraiser", "gauge" (all of these together), "pieces"
    or "total".
    `variance`, `sd`: in the unit of the values, squared and as it is.
    `degrees_of_freedom`: of the variance (Satterthwaite); None where it is zero.
    `of_total_pct`, `contribution_pct`, `of_tolerance_pct`: standard deviation against that of the total;
    variance against that of the total; six standard deviations against the tolerance. None where there is
    nothing to compare with.
    """

    name: str
    variance: float
    sd: float
    sd_low: float
    sd_high: float
    how: str
    degrees_of_freedom: float | None
    of_total_pct: float | None
    contribution_pct: float | None
    of_tolerance_pct: float | None
    set_to_zero: bool


@dataclass(frozen=True, slots=True)
class GaugeModel:
    """A study read with one model.

    `name`: "interaction kept", "interaction pooled" or "one appraiser".
    `gauge_low_pct`, `gauge_high_pct`: interval of the gauge's standard deviation in per cent of the total
    (generalised pivots); None where nothing spreads.
    `categories`, `categories_low`, `categories_high`: kinds of pieces that the gauge tells apart, and their
    interval; None where the gauge does not spread.
    """

    name: str
    anova: tuple[AnovaRow, ...]
    components: tuple[Component, ...]
    gauge_low_pct: float | None
    gauge_high_pct: float | None
    categories: int | None
    categories_low: int | None
    categories_high: int | None

    def component(self, name: str) -> Component:
        """Return a part of the spread by its name; KeyError if the model does not have it."""
        for component in self.components:
            if component.name == name:
                return component
        raise KeyError(name)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return asdict(self)

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any]) -> GaugeModel:
        """Read back what `as_dict` wrote; raises KeyError or TypeError where it is none."""
        fields = dict(mapping)
        fields["anova"] = tuple(AnovaRow(**field) for field in fields["anova"])
        fields["components"] = tuple(Component(**field) for field in fields["components"])
        return cls(**fields)


def mean_squares(values: FloatArray) -> dict[str, tuple[FloatArray, int]]:
    """Return the mean squares of complete crossed studies.

    `values`: shape (..., pieces, appraisers, trials).

    Returns mean square of shape (...) and degrees of freedom by effect; effects without degrees of freedom
    are left out.
    """
    pieces, appraisers, trials = values.shape[-3:]
    # from the first value on: thirteen equal leading digits would otherwise eat those that differ
    shifted = values - values[..., :1, :1, :1]
    shifted = shifted - shifted.mean((-3, -2, -1), keepdims=True)
    cell = shifted.mean(-1)
    by_piece, by_appraiser = cell.mean(-1), cell.mean(-2)
    both = cell - by_piece[..., :, np.newaxis] - by_appraiser[..., np.newaxis, :]
    squares = {
        PIECE: (appraisers * trials * (by_piece**2).sum(-1), pieces - 1),
        APPRAISER: (pieces * trials * (by_appraiser**2).sum(-1), appraisers - 1),
        INTERACTION: (trials * (both**2).sum((-2, -1)), (pieces - 1) * (appraisers - 1)),
        WITHIN: (
            ((shifted - cell[..., np.newaxis]) ** 2).sum((-3, -2, -1)),
            pieces * appraisers * (trials - 1),
        ),
    }
    return {name: (np.asarray(square / df), df) for name, (square, df) in squares.items() if df}


def pooled_squares(squares: MeanSquares) -> dict[str, tuple[FloatArray, int]]:
    """Return the same with the interaction counted as repeats."""
    together = [squares[name] for name in (INTERACTION, WITHIN) if name in squares]
    df = sum(square for _, square in together)
    within = np.sum([square * coefficient for square, coefficient in together], axis=0) / df
    return {name: square for name, square in squares.items() if name in (PIECE, APPRAISER)} | {
        WITHIN: (within, df)
    }


def factors(squares: MeanSquares, shape: tuple[int, int, int]) -> dict[str, dict[str, float]]:
    """Return the factors of the mean squares in each basic component.

    `shape`: pieces, appraisers and trials.
    """
    # expected mean squares (random model): E(piece) = s2 + n s2_pa + a n s2_p and so on; solved for each s2
    pieces, appraisers, trials = shape
    below = INTERACTION if INTERACTION in squares else WITHIN
    parts = {REPEATABILITY: {WITHIN: 1.0}}
    if APPRAISER in squares:
        a = 1 / (pieces * trials)
        parts[REPRODUCIBILITY] = {APPRAISER: a, below: -a}
    if INTERACTION in squares:
        parts[INTERACTION] = {INTERACTION: 1 / trials, WITHIN: -1 / trials}
    b = 1 / (appraisers * trials)
    parts[PIECES] = {PIECE: b, below: -b}
    return parts


def all_terms(squares: MeanSquares, shape: tuple[int, int, int]) -> dict[str, list[Term]]:
    """Return the terms of every component, sums included, the pieces and the total last."""
    basic = factors(squares, shape)
    gauge = _added([square for name, square in basic.items() if name != PIECES])
    rows = basic | {GAUGE: gauge, TOTAL: _added([gauge, basic[PIECES]])}
    # a sum of components is again a combination of the same mean squares, whose factors add up
    order = [name for name in rows if name not in (PIECES, TOTAL)] + [PIECES, TOTAL]
    return {
        name: [Term(factor, *squares[effect]) for effect, factor in rows[name].items() if factor]
        for name in order
    }


def part_intervals(
    terms: Mapping[str, list[Term]], level: float
) -> dict[str, tuple[FloatArray, FloatArray, str]]:
    """Return the interval of the variance of every component, low and high of shape (...), and by which
    method.

    Notes
    -----
    A whole is no less than its part: where components come out below zero, the sum of mean squares is less
    than its largest part, and the interval of the whole is moved up to that of the part.
    """
    found = {name: combination_interval(parts, level) for name, parts in terms.items()}
    for whole, part in ((GAUGE, REPEATABILITY), (TOTAL, GAUGE)):
        (low, high, how), (part_low, part_high, _) = found[whole], found[part]
        found[whole] = (np.maximum(low, part_low), np.maximum(high, part_high), how)
    return found


def gauge_share_interval(
    squares: MeanSquares, shape: tuple[int, int, int], level: float, **how: Any
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of the gauge's standard deviation over the total one, shape (...)."""
    basic = factors(squares, shape)

    def share(pivots: Mapping[str, FloatArray]) -> FloatArray:
        variance = {
            name: np.maximum(sum(part * pivots[effect] for effect, part in parts.items()), 0)
            for name, parts in basic.items()
        }
        gauge = np.sum([value for name, value in variance.items() if name != PIECES], axis=0)
        ratio: FloatArray = np.sqrt(gauge / (gauge + variance[PIECES]))
        return ratio

    return share_interval(squares, share, level, **how)


def gauge_model(
    name: str, squares: MeanSquares, shape: tuple[int, int, int], *, level: float, tolerance: float | None
) -> GaugeModel:
    """Read one study with one model.

    `squares`: of that model: from `mean_squares` or `pooled_squares`.
    `shape`: pieces, appraisers and trials.
    """
    terms = all_terms(squares, shape)
    raw = {name: float(combined(parts)) for name, parts in terms.items()}
    variance = {name: max(value, 0.0) for name, value in raw.items()}
    # of parts that were set to zero the sums are made anew
    variance[GAUGE] = math.fsum(part for name, part in variance.items() if name not in (GAUGE, PIECES, TOTAL))
    variance[TOTAL] = variance[GAUGE] + variance[PIECES]
    intervals = part_intervals(terms, level)
    components = tuple(
        _component(
            name,
            variance[name],
            parts,
            intervals[name],
            below_zero=raw[name] < 0,
            total=variance[TOTAL],
            tolerance=tolerance,
        )
        for name, parts in terms.items()
    )
    gauge, pieces = (math.sqrt(variance[name]) for name in (GAUGE, PIECES))
    low = high = None
    if squares[WITHIN][0] > 0:
        low, high = (float(end) for end in gauge_share_interval(squares, shape, level))
    return GaugeModel(
        name,
        anova_rows(squares),
        components,
        None if low is None else 100 * low,
        None if high is None else 100 * high,
        int(CATEGORY_FACTOR * pieces / gauge) if gauge else None,
        None if high is None else _categories(high),
        None if low is None else _categories(low),
    )


def anova_rows(squares: MeanSquares) -> tuple[AnovaRow, ...]:
    """Return the lines of the analysis of variance, pieces and appraisers taken as random."""
    below = {INTERACTION: WITHIN} | dict.fromkeys(
        (PIECE, APPRAISER), INTERACTION if INTERACTION in squares else WITHIN
    )
    rows = []
    for source, (mean_square, df) in squares.items():
        square, ratio, p = float(mean_square), None, None
        if source in below and float(squares[below[source]][0]) > 0:
            beside, beside_df = squares[below[source]]
            # pieces and appraisers are drawn from many: compared with the interaction where there is one
            ratio = square / float(beside)
            p = float(scipy.stats.f.sf(ratio, df, beside_df))
        rows.append(AnovaRow(source, df, square * df, square, ratio, p))
    return tuple(rows)


def _component(
    name: str,
    variance: float,
    terms: list[Term],
    interval: tuple[FloatArray, FloatArray, str],
    *,
    below_zero: bool,
    total: float,
    tolerance: float | None,
) -> Component:
    low, high, how = interval
    # Satterthwaite's, of the combination of mean squares
    df = float(degrees_of_freedom(terms))
    sd = math.sqrt(variance)
    return Component(
        name,
        variance,
        sd,
        math.sqrt(float(low)),
        math.sqrt(float(high)),
        how,
        df if variance > 0 and math.isfinite(df) else None,
        100 * sd / math.sqrt(total) if total else None,
        100 * variance / total if total else None,
        100 * SPREADS_IN_TOLERANCE * sd / tolerance if tolerance else None,
        below_zero and name not in (GAUGE, TOTAL),
    )


def _added(rows: list[dict[str, float]]) -> dict[str, float]:
    """Return the sums of the factors of some components, by mean square."""
    names = dict.fromkeys(name for row in rows for name in row)
    sums = {name: math.fsum(row.get(name, 0.0) for row in rows) for name in names}
    return {name: value for name, value in sums.items() if abs(value) > 1e-12}


def _categories(share: float) -> int | None:
    """Return the categories that go with a share of the gauge in the total standard deviation."""
    if share <= 0:
        return None
    return int(CATEGORY_FACTOR * math.sqrt(max(1 / share**2 - 1, 0.0)))
