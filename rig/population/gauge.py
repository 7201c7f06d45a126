"""A gauge study: which part of the spread of results is the rig's and its people's, and which is the pieces'.

Problem: the same pieces, squeezed again, give other numbers, and a batch cannot be judged before it is known
how much of its spread it owes to the gauge. Plan: the crossed analysis of variance with interaction, and once
more with the interaction counted as repeats. Both are handed out, and whoever asks says which one leads; no
test of the same values chooses. Cost: sums over the values, and a few quantiles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import scipy

from rig.core.measured import LEVEL, bartlett_chance
from rig.errors import InputError
from rig.population.components import (
    CROSSED,
    INTERACTION,
    ONE_APPRAISER,
    POOLED,
    WITHIN,
    Component,
    GaugeModel,
    gauge_model,
    mean_squares,
    pooled_squares,
)
from rig.population.intervals import Term, combination_interval
from rig.population.trials import TrialTable, arrange_trials
from rig.samples import FloatArray

Interaction = Literal["kept", "pooled"]
"""Whether the interaction is a part of its own, or counted as repeats."""

DRIFT_P = 0.01
"""Largest p-value of a difference between the means of first, second, ... trials that is reported."""

UNLIKE_P = 0.05
"""Largest p-value of a difference in repeatability between appraisers that is reported."""

SAME_SHARE = 0.25
"""Where more of the cells repeat to the last digit, the values are too coarse for the study (AIAG,
Measurement Systems Analysis: not more than a quarter of the ranges zero)."""


@dataclass(frozen=True, slots=True)
class AppraiserFigures:
    """One appraiser alone.

    `name`, `kind`: who or what it is; the kind is empty if not stated.
    `mean`, `difference`: mean of all of its values, and how far that lies from the mean of all appraisers.
    `sd`, `sd_low`, `sd_high`, `degrees_of_freedom`: standard deviation of its repeats, with its interval
    (chi-square); None with one trial.
    """

    name: str
    kind: str
    mean: float
    difference: float
    sd: float | None
    sd_low: float | None
    sd_high: float | None
    degrees_of_freedom: int


@dataclass(frozen=True, slots=True)
class GaugeResult:
    """What a gauge study found.

    `pieces`, `appraisers`, `trials`: names of the pieces, figures of each appraiser, and trials of each cell.
    `level`, `tolerance`: what was asked: confidence of the intervals, and width of the tolerance in `unit`.
    `interaction_p`: probability that chance gives a larger interaction; None where it cannot be told.
    `chosen`, `other`: the model that was asked for, and the other one; None where there is only one.
    """

    quantity: str
    unit: str
    pieces: tuple[str, ...]
    appraisers: tuple[AppraiserFigures, ...]
    trials: int
    mean: float
    level: float
    tolerance: float | None
    interaction_p: float | None
    chosen: GaugeModel
    other: GaugeModel | None
    notes: tuple[str, ...]

    def component(self, name: str) -> Component:
        """Return a part of the spread in the chosen model; KeyError if it does not have it."""
        return self.chosen.component(name)

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number, for a file."""
        return asdict(self)

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any], *, where: str = "gauge study") -> GaugeResult:
        """Read back what `as_dict` wrote.

        Raises InputError if it is no gauge study.
        """
        try:
            fields = dict(mapping)
            if "pool_above_p" in fields:
                raise InputError(
                    f"{where}: pool_above_p: an older study, whose model was chosen by a test; repeat it"
                )
            fields["pieces"], fields["notes"] = tuple(fields["pieces"]), tuple(fields["notes"])
            fields["appraisers"] = tuple(AppraiserFigures(**field) for field in fields["appraisers"])
            fields["chosen"] = GaugeModel.from_dict(fields["chosen"])
            fields["other"] = None if fields["other"] is None else GaugeModel.from_dict(fields["other"])
            return cls(**fields)
        except (KeyError, TypeError, ValueError) as problem:
            raise InputError(f"{where}: not a gauge study ({problem})") from None


def gauge_study(
    table: Any,
    *,
    quantity: str = "value",
    unit: str = "",
    tolerance: float | None = None,
    interaction: Interaction = "kept",
    level: float = LEVEL,
) -> GaugeResult:
    """Split the spread of repeated measurements into those of repeats, appraisers and pieces.

    Parameters
    ----------
    table
        A `TrialTable`, or a data frame or mapping with the columns `piece`, `appraiser`, `trial` and `value`,
        and perhaps `kind`. Every appraiser has measured every piece equally often.
    tolerance
        Width of the tolerance, upper less lower limit, in the unit of the values.
    interaction
        Which model leads where both can be had.

    Raises
    ------
    InputError
        If the table has gaps or doubles, one piece only, or nothing that was measured twice.

    Notes
    -----
    Pieces and appraisers are taken as drawn from many. A component that comes out below zero is set to zero,
    and a note says so. With one appraiser there is no reproducibility: the gauge is the repeats. With one
    trial the interaction cannot be told from the repeats, and is counted as such.

    The interval of the repeats is exact for normal values, the others are approximate: see
    `rig.population.intervals`. They hold since the model is not chosen by a test of the same values.

    References
    ----------
    T. A. Bancroft, On biases in estimation due to the use of preliminary tests of significance, Annals of
    Mathematical Statistics 15, 1944 (recalled): why no test decides whether the interaction is pooled.
    """
    trials = table if isinstance(table, TrialTable) else arrange_trials(table)
    shape = trials.measured.shape
    _check(shape, tolerance, level)
    squares = mean_squares(trials.measured)
    asked: dict[str, Any] = {"shape": shape, "level": level, "tolerance": tolerance}
    kept = None
    if WITHIN in squares:
        name = CROSSED if INTERACTION in squares else ONE_APPRAISER
        kept = gauge_model(name, squares, **asked)
    pooled = gauge_model(POOLED, pooled_squares(squares), **asked) if INTERACTION in squares else None
    # told beside the answer; it does not choose the model
    p = None if kept is None else next((row.p for row in kept.anova if row.source == INTERACTION), None)
    if kept is None or (interaction == "pooled" and pooled is not None):
        chosen, other = pooled, kept
    else:
        chosen, other = kept, pooled
    assert chosen is not None  # one trial of one appraiser was refused
    return GaugeResult(
        quantity,
        unit,
        trials.pieces,
        _appraisers(trials, level),
        trials.trials,
        float(trials.measured.mean()),
        level,
        tolerance,
        p,
        chosen,
        other,
        _notes(trials, chosen),
    )


def _check(shape: tuple[int, ...], tolerance: float | None, level: float) -> None:
    pieces, appraisers, trials = shape
    if pieces < 2:
        raise InputError("gauge study: found one piece, expected two or more, better five to ten")
    if appraisers == 1 and trials == 1:
        raise InputError(
            "gauge study: each piece was measured only once; expected two or more trials of each"
        )
    if tolerance is not None and not (math.isfinite(tolerance) and tolerance > 0):
        raise InputError(f"tolerance: found {tolerance}, expected a width above zero")
    if not 0 < level < 1:
        raise InputError(f"level: found {level}, expected a number between 0 and 1")


def _appraisers(trials: TrialTable, level: float) -> tuple[AppraiserFigures, ...]:
    values, kinds = trials.measured, trials.kinds or ("",) * len(trials.appraisers)
    means = values.mean((0, 2))
    pieces, _, repeats = values.shape
    df = pieces * (repeats - 1)
    figures = []
    for place, (name, kind) in enumerate(zip(trials.appraisers, kinds, strict=True)):
        sd = low = high = None
        if df:
            # a variance divides by the repeats: times them, it is a piece's sum of squares
            square = values[:, place].var(axis=1).sum() * repeats / df
            sd = math.sqrt(square)
            low, high = map(math.sqrt, combination_interval([Term(1.0, square, df)], level)[:2])
        difference = float(means[place] - means.mean())
        figures.append(AppraiserFigures(name, kind, float(means[place]), difference, sd, low, high, df))
    return tuple(figures)


def _notes(trials: TrialTable, chosen: GaugeModel) -> tuple[str, ...]:
    said = [
        f"The variance of {component.name} came out below zero and was set to zero."
        for component in chosen.components
        if component.set_to_zero
    ]
    if trials.trials == 1:
        return (
            *said,
            "With one trial an interaction cannot be separated from the repeats and is counted as repeats.",
        )
    same = float((np.ptp(trials.measured, axis=2) == 0).mean())
    if same > SAME_SHARE:
        said.append(
            f"{100 * same:.0f} % of the pieces repeat to the last digit: the resolution is too coarse to "
            "show repeatability."
        )
    p = drift_p(trials.measured)
    if p is not None and p < DRIFT_P:
        means = trials.measured.mean((0, 1))
        said.append(
            f"Values change from trial to trial (means of first and last {means[0]:.4g}, {means[-1]:.4g}), "
            "as pieces that soften do; this counts as repeats. Let them rest longer, or condition them "
            "first."
        )
    p = unlike_repeats_p(trials.measured)
    if p is not None and p < UNLIKE_P:
        said.append(
            f"The repeatability differs between appraisers (Bartlett's test, p = {p:.2g}). "
            "The pooled value describes no single appraiser; read each one's own."
        )
    return tuple(said)


def drift_p(values: FloatArray) -> float | None:
    """Return the chance that makes the means of first, second, ... trials so different; None if it cannot be
    told.

    `values`: shape (pieces, appraisers, trials).
    """
    cells, trials = values.shape[0] * values.shape[1], values.shape[2]
    # two-way analysis of variance of cells by trials: trials against what is left, about each cell's mean
    within = values - values.mean(axis=2, keepdims=True)
    order = within.mean((0, 1))
    df = (cells - 1) * (trials - 1)
    left = float(((within - order) ** 2).sum())
    if not df or not left > 0:
        return None
    ratio = cells * float((order**2).sum()) / (trials - 1) / (left / df)
    return float(scipy.stats.f.sf(ratio, trials - 1, df))


def unlike_repeats_p(values: FloatArray) -> float | None:
    """Return the chance that equal appraisers repeat so differently (Bartlett); None if unknown."""
    pieces, count, trials = values.shape
    variance = values.var(axis=2, ddof=1).mean(axis=0)
    if count < 2 or not (variance > 0).all():
        return None
    return bartlett_chance(variance, np.full(count, pieces * (trials - 1)))
