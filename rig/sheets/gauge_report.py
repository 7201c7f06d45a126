"""A gauge study on paper and on the screen: the answer in sentences first, then tables, pictures and one
page.

Problem: a study gives some sixty numbers, and the reader has one question: what does the spread come from?
Plan: say that first, in words that depend on what the intervals allow, for both models; then the strip of
variance, each piece with all of its readings, and tables of cells, which become tables of the terminal and of
the page equally. Cost: a picture for every dozen pieces, a second or two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from rich.table import Table

from rig import __version__, sheets
from rig.core import rounded, signed
from rig.errors import InputError
from rig.population import (
    AnovaRow,
    Component,
    GaugeModel,
    GaugeResult,
    KindComparison,
    TrialTable,
    range_limits,
)
from rig.sheets.page import (
    Block,
    Facts,
    Page,
    PageTable,
    Section,
    Words,
    beside,
    listed,
    not_empty,
    save_page,
)
from rig.sheets.tables import rich_table

GOOD_PCT, UNFIT_PCT, ENOUGH_CATEGORIES = 10, 30, 5
"""What the trade calls good and unfit (AIAG, Measurement Systems Analysis, recalled): advice, no law."""

PARTS = {
    "pieces": "pieces",
    "gauge": "gauge, consisting of",
    "reproducibility": "- appraisers",
    "piece x appraiser": "- appraiser with piece",
    "repeatability": "- repeats",
    "total": "all together",
}
"""The components in the order in which the strip splits, and their names as people read them."""

CROSSED, ONE_APPRAISER, REPEAT = "interaction kept", "one appraiser", "repeat"

PAGE = "study.html"


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """A study with what it was made from.

    `by_kind`: of each kind of appraisers alone, where there is more than one kind.
    `comparison`: of hands with the driven rig; None where it was not both.
    """

    table: TrialTable
    result: GaugeResult
    by_kind: Mapping[str, GaugeResult] = field(default_factory=dict)
    comparison: KindComparison | None = None
    sources: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping without not-a-number."""
        return {
            "answer": gauge_answer(self),
            "study": self.result.as_dict(),
            "by_kind": {kind: result.as_dict() for kind, result in self.by_kind.items()},
            "comparison": None if self.comparison is None else self.comparison.as_dict(),
            "notes": gauge_notes(self),
            "software": f"pressrig {__version__}",
        }


def gauge_answer(study: GaugeStudy) -> list[str]:
    """Return the answer in sentences: hand against rig if both were there, then gauge against pieces."""
    said = [] if study.comparison is None else _compared(study.comparison, study.result.unit)
    said += [f"{kind.capitalize()} alone: {_share(result)}" for kind, result in study.by_kind.items()]
    share = _share(study.result)
    said.append(f"All together: {share}" if study.by_kind else f"{share[0].upper()}{share[1:]}")
    if study.result.other is not None:
        said.append(_other_share(study.result.other))
    return said


def gauge_notes(study: GaugeStudy) -> list[str]:
    """Return how it was reckoned, what it rests on, and what was found odd."""
    result = study.result
    odd = dict.fromkeys(note for found in (result, *study.by_kind.values()) for note in found.notes)
    return [
        *_about_model(result),
        f"Percentages of the total apply to pieces as different as these {len(result.pieces)}. Common "
        f"practice calls a gauge good below {GOOD_PCT} % of the total or of the tolerance, unfit above "
        f"{UNFIT_PCT} %, and wants {ENOUGH_CATEGORIES} categories or more. This is advice, not a rule.",
        f"Intervals are {100 * result.level:g} % for normally distributed values: repeats by chi-square, "
        "other parts by the modified large-sample method, the gauge's share and the categories by "
        "generalised pivots.",
        *odd,
        *study.sources,
    ]


def gauge_tables(study: GaugeStudy, *, plain: bool) -> list[Table]:
    """Return the parts of the spread, the analysis of variance, and the appraisers."""
    cells = [*_spread_tables(study), _anova(study.result), _people(study.result)]
    return [rich_table(table, plain=plain) for table in cells]


def save_gauge_report(study: GaugeStudy, title: str, folder: Path) -> Path:
    """Write the study as one page, as Markdown, and its pictures beside them; return the page's path."""
    strip, *pieces = sheets.save_gauge_plots(study.table, study.result, folder)
    result = study.result
    sections = not_empty(
        Section("Answer", tuple(Words(sentence, "answer") for sentence in gauge_answer(study))),
        Section("Sources of variation", (*beside([strip]), *_spread_tables(study))),
        Section("Piece by piece", (*beside(pieces), _readings(study.table, result))),
        Section("People and rigs", (_people(result), *_repeat_ranges(study.table))),
        Section("Analysis of variance", (_anova(result),)),
        Section("Notes", listed(gauge_notes(study))),
    )
    return save_page(Page(title, "", sections), folder / PAGE)


def _compared(found: KindComparison, unit: str) -> list[str]:
    level = f"{100 * found.level:g} %"
    first, second = found.first, found.second
    if found.ratio is None or found.ratio_low is None or found.ratio_high is None:
        repeats = f"The {second} repeats to the last digit, so there is no ratio of the repeats"
    else:
        ends = f"{found.ratio_low:.2g} to {found.ratio_high:.2g} with {level}"
        ratio = f"{found.ratio:.2g}"
        if found.ratio_low > 1:
            repeats = f"Repeats by {first} spread {ratio} times as much as {second} ones ({ends})"
        elif found.ratio_high < 1:
            repeats = f"Repeats by {first} spread less than {second} ones, {ratio} times as wide ({ends})"
        else:
            repeats = f"Repeats by {first} and {second} do not differ measurably (ratio {ratio}, {ends})"
    return [f"{repeats}; {_bias(found, unit)}.", _other_people(found, unit)]


def _bias(found: KindComparison, unit: str) -> str:
    of = f" {unit}" if unit else ""
    u = (found.bias_high - found.bias_low) / 4
    ends = f"{rounded(found.bias_low, u)} to {rounded(found.bias_high, u)}{of}"
    if found.bias_low <= 0 <= found.bias_high:
        return f"their means do not differ measurably ({ends})"
    way = "higher" if found.bias > 0 else "lower"
    return f"{found.first} reads {rounded(abs(found.bias), u)}{of} {way} on the same pieces ({ends})"


def _other_people(found: KindComparison, unit: str) -> str:
    if found.others_low is None or found.others_high is None:
        return f"The difference holds only for these appraisers: {found.others_why}."
    u = (found.bias_high - found.bias_low) / 4
    ends = f"{rounded(found.others_low, u)} to {rounded(found.others_high, u)}"
    return f"For other appraisers of these kinds the difference is {ends}{f' {unit}' if unit else ''}."


def _share(result: GaugeResult) -> str:
    """Return how much of the spread is the gauge's, as the end of a sentence."""
    model, gauge = result.chosen, result.component("gauge")
    if gauge.of_total_pct is None:
        return "neither the gauge nor the pieces vary."
    said = f"the gauge accounts for {_pct(gauge.of_total_pct)} % of the total spread"
    if model.gauge_low_pct is not None and model.gauge_high_pct is not None:
        said += f" ({_pct(model.gauge_low_pct)} to {_pct(model.gauge_high_pct)} %)"
    if gauge.of_tolerance_pct is not None:
        said += f", {_pct(gauge.of_tolerance_pct)} % of the tolerance"
    if model.categories is None:
        return f"{said}; categories cannot be counted, since the gauge does not vary."
    kinds, ends = "category" if model.categories == 1 else "categories", ""
    if model.categories_low is not None and model.categories_high is not None:
        ends = f" ({model.categories_low} to {model.categories_high})"
    return f"{said}, and tells {model.categories} {kinds} of pieces apart{ends}."


def _other_share(model: GaugeModel) -> str:
    """Return the same share by the other model, so that neither stands for both."""
    how = "kept as its own source" if model.name == CROSSED else "counted as repeats"
    gauge = model.component("gauge").of_total_pct
    if gauge is None or model.gauge_low_pct is None or model.gauge_high_pct is None:
        return f"With the interaction {how}, there is no share."
    ends = f"{_pct(model.gauge_low_pct)} to {_pct(model.gauge_high_pct)} %"
    return f"With the interaction {how}, the gauge accounts for {_pct(gauge)} % ({ends})."


def _pct(value: float) -> str:
    """Return a share to two digits; whole per cents from ten on."""
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


def _about_model(result: GaugeResult) -> list[str]:
    if result.chosen.name == ONE_APPRAISER:
        return ["One appraiser: reproducibility is unknown, and the gauge is repeatability alone."]
    if result.other is None or result.interaction_p is None:
        return []
    leads = "kept as its own source" if result.chosen.name == CROSSED else "counted as repeats"
    return [
        f"Both models are given; the answer uses the interaction of pieces and appraisers {leads} "
        "(`--interaction`). Without an interaction, one as large as this would occur by chance with "
        f"probability p = {result.interaction_p:.3g}."
    ]


def _spread_tables(study: GaugeStudy) -> list[PageTable]:
    result = study.result
    title = f"{result.quantity}: parts of the spread"
    results = {title: result} | {f"{title}, {kind} alone": alone for kind, alone in study.by_kind.items()}
    return [
        _parts(f"{name}, {model.name}", found, model)
        for name, found in results.items()
        for model in _models(found)
    ]


def _models(result: GaugeResult) -> list[GaugeModel]:
    return [model for model in (result.chosen, result.other) if model is not None]


def _parts(title: str, result: GaugeResult, model: GaugeModel) -> PageTable:
    unit = f" {result.unit}" if result.unit else ""
    headings = ("part", f"sd{unit}", f"{100 * result.level:g} % from", "to", "% of total", "% of variance")
    more = ("% of tolerance",) if result.tolerance is not None else ()
    known = {part.name: part for part in model.components}
    rows = tuple(_part(known[name], tolerance=bool(more)) for name in PARTS if name in known)
    return PageTable(title, headings + more, rows)


def _readings(table: TrialTable, result: GaugeResult) -> PageTable:
    """Return the mean of each piece, of all and by appraiser."""
    unit = f", {result.unit}" if result.unit else ""
    u = _fine(result.component("total").sd)
    means = table.measured.mean(axis=2)
    rows = tuple(
        (piece, *(rounded(float(value), u) for value in (row.mean(), *row)))
        for piece, row in zip(table.pieces, means, strict=True)
    )
    return PageTable(f"means of each piece{unit}", ("piece", "all", *table.appraisers), rows)


def _repeat_ranges(table: TrialTable) -> tuple[Block, ...]:
    """Return how far trials of one appraiser on one piece lie apart, and which by more than is usual."""
    try:
        limits = range_limits(table.measured)
    except InputError:
        return ()
    ranges, means = np.ptp(table.measured, axis=2), table.measured.mean(axis=2)
    wide = [
        f"{table.pieces[piece]} by {table.appraisers[person]}"
        for piece, person in np.argwhere(ranges > limits.range_high)
    ]
    outside = int(((means < limits.mean_low) | (means > limits.mean_high)).sum())
    u = limits.mean_range / 100
    facts = (
        ("mean of the ranges", rounded(limits.mean_range, u)),
        ("usual ranges", f"{rounded(limits.range_low, u)} to {rounded(limits.range_high, u)}"),
        ("wider than that", ", ".join(wide) or "none"),
        ("mean of all readings", rounded(limits.grand_mean, u)),
        (
            "limits from repeatability alone",
            f"{rounded(limits.mean_low, u)} to {rounded(limits.mean_high, u)}",
        ),
        ("means outside, which distinguish pieces", f"{outside} of {means.size}"),
    )
    return (Facts(facts),)


def _part(component: Component, *, tolerance: bool) -> tuple[str, ...]:
    u = _fine(component.sd or component.sd_high)
    name = PARTS.get(component.name, component.name) + (", set to zero" if component.set_to_zero else "")
    spread = (component.sd, component.sd_low, component.sd_high)
    cells = (name, *(rounded(value, u) if value else "0" for value in spread))
    pcts = [component.of_total_pct, component.contribution_pct] + (
        [component.of_tolerance_pct] if tolerance else []
    )
    return cells + tuple("-" if pct is None else f"{pct:.1f}" for pct in pcts)


def _fine(spread: float) -> float:
    """Return what a standard deviation and its interval are rounded to."""
    return spread / 100


def _anova(result: GaugeResult) -> PageTable:
    """One line a source; each model tests with a mean square of its own."""
    models = _models(result)
    sources = dict.fromkeys(row.source for model in models for row in model.anova if row.source != REPEAT)
    headings = ("source", "df", "sum of squares", "mean square")
    rows = [_line(source, [_row(model, source) for model in models]) for source in sources]
    rows += [
        _line(REPEAT if len(models) == 1 else f"{REPEAT}, {model.name}", [_row(model, REPEAT)], len(models))
        for model in models
    ]
    tests = tuple(f"{what}, {model.name}" for model in models for what in ("F", "p"))
    return PageTable("analysis of variance", headings + tests, tuple(rows))


def _row(model: GaugeModel, source: str) -> AnovaRow | None:
    return next((row for row in model.anova if row.source == source), None)


def _line(name: str, rows: list[AnovaRow | None], models: int | None = None) -> tuple[str, ...]:
    row = next(row for row in rows if row is not None)
    tests: list[str] = []
    for tested in rows:
        f, p = (None, None) if tested is None else (tested.f, tested.p)
        tests += ("" if f is None else f"{f:.4g}", "" if p is None else f"{p:.3g}")
    tests += [""] * (2 * (models or len(rows)) - len(tests))
    numbers = (str(row.degrees_of_freedom), f"{row.sum_of_squares:.5g}", f"{row.mean_square:.5g}")
    return (name, *numbers, *tests)


def _people(result: GaugeResult) -> PageTable:
    unit = f" {result.unit}" if result.unit else ""
    headings = ("appraiser", f"mean{unit}", "minus overall mean", f"repeats sd{unit}", "from", "to")
    rows = []
    for appraiser in result.appraisers:
        u = _fine(appraiser.sd or result.component("total").sd)
        name = f"{appraiser.name} ({appraiser.kind})" if appraiser.kind else appraiser.name
        spread = (appraiser.sd, appraiser.sd_low, appraiser.sd_high)
        rows.append(
            (
                name,
                rounded(appraiser.mean, u),
                signed(appraiser.difference, u),
                *("-" if value is None else rounded(value, u) for value in spread),
            )
        )
    return PageTable("appraisers", headings, tuple(rows))
