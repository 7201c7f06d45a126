"""A gauge study on paper and on the screen: the answer in sentences first, then tables, pictures and one
page.

Problem: a study gives some sixty numbers, and the reader has one question: whose is the spread? Plan: say
that first, in words that depend on what the intervals allow; then tables of cells, which become tables of the
terminal and of the page alike. Cost: four pictures, a second or two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rich.table import Table

from rig import __version__
from rig.population import (
    AnovaRow,
    Component,
    GaugeModel,
    GaugeResult,
    KindComparison,
    TrialTable,
)
from rig.sheets.gauge_plots import save_gauge_plots
from rig.sheets.page import Cells, Page, Section, Words, beside, listed, not_empty, save_page
from rig.sheets.tables import rich_table, rounded

GOOD_PCT, UNFIT_PCT, ENOUGH_CATEGORIES = 10, 30, 5
"""What the trade calls good and unfit (AIAG, Measurement Systems Analysis, recalled): advice, no law."""

PARTS = {
    "repeatability": "repeats",
    "reproducibility": "appraisers",
    "piece x appraiser": "piece x appraiser",
    "gauge": "gauge: all of these",
    "pieces": "piece to piece",
    "total": "total",
}
"""Names of the components as people read them."""

PAGE = "study.html"


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """A study with what it was made from.

    Parameters
    ----------
    table
        The trials.
    result
        Of all appraisers together.
    by_kind
        Of each kind of appraisers alone, where there is more than one kind.
    comparison
        Of hands with the driven rig; None where it was not both.
    sources
        Sentences about where the values come from.
    """

    table: TrialTable
    result: GaugeResult
    by_kind: Mapping[str, GaugeResult] = field(default_factory=dict)
    comparison: KindComparison | None = None
    sources: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain mapping without not-a-number."""
        return {
            "answer": gauge_answer(self),
            "study": self.result.as_dict(),
            "by_kind": {kind: each.as_dict() for kind, each in self.by_kind.items()},
            "comparison": None if self.comparison is None else self.comparison.as_dict(),
            "notes": gauge_notes(self),
            "software": f"pressrig {__version__}",
        }


def gauge_answer(study: GaugeStudy) -> list[str]:
    """The answer in plain sentences: hand against rig where both were there, then the gauge against the
    pieces."""
    said = [] if study.comparison is None else _compared(study.comparison, study.result.unit)
    for kind, each in study.by_kind.items():
        said.append(f"{kind.capitalize()} alone: {_share(each)}")
    said.append(f"All together: {_share(study.result)}" if study.by_kind else _capital(_share(study.result)))
    return said


def gauge_notes(study: GaugeStudy) -> list[str]:
    """How it was reckoned, what it rests on, and what was found odd."""
    result = study.result
    said = [*_about_model(result)]
    said.append(
        f"Per cents of the total hold for pieces as unlike as these {len(result.pieces)}. "
        f"The trade calls a gauge good below {GOOD_PCT} % of the total or of the tolerance, "
        f"unfit above {UNFIT_PCT} %, and wants {ENOUGH_CATEGORIES} categories or more: advice, no law."
    )
    said.append(
        f"Intervals are {100 * result.level:g} % for values spread normally: of the repeats by chi-square, "
        "of other parts by the modified large-sample method, "
        "of the gauge's share and the categories by generalised pivots."
    )
    odd = dict.fromkeys([*result.notes, *(note for each in study.by_kind.values() for note in each.notes)])
    return [*said, *odd, *study.sources]


def gauge_tables(study: GaugeStudy, *, plain: bool) -> list[Table]:
    """Parts of the spread, the analysis of variance, and the appraisers.

    Parameters
    ----------
    plain
        Without lines, for a pipe.
    """
    return [rich_table(each, plain=plain) for each in _tables(study)]


def save_gauge_report(study: GaugeStudy, title: str, folder: Path) -> Path:
    """Write the study as one page that holds its pictures, as Markdown, and the pictures beside them.

    Parameters
    ----------
    title
        Of the page.
    folder
        Made if it is not there.

    Returns
    -------
    Path of the page.
    """
    pictures = save_gauge_plots(study.table, study.result, folder)
    sections = not_empty(
        Section("Answer", tuple(Words(each, "answer") for each in gauge_answer(study))),
        Section("Pictures", beside(pictures)),
        Section("Tables", tuple(_tables(study))),
        Section("Notes", listed(gauge_notes(study))),
    )
    return save_page(Page(title, "", sections), folder / PAGE)


def _compared(found: KindComparison, unit: str) -> list[str]:
    level = f"{100 * found.level:g} %"
    first, second = found.first, found.second
    if found.ratio is None or found.ratio_low is None or found.ratio_high is None:
        repeats = f"The {second} repeats to the last digit, so no ratio of the repeats can be had"
    else:
        ends = f"{found.ratio_low:.2g} to {found.ratio_high:.2g} with {level}"
        if found.ratio_low > 1:
            repeats = f"Repeats by {first} spread {found.ratio:.2g} times as wide as {second} ones ({ends})"
        elif found.ratio_high < 1:
            repeats = (
                f"Repeats by {first} spread less than {second} ones, {found.ratio:.2g} times as wide ({ends})"
            )
        else:
            repeats = (
                f"Repeats by {first} and {second} cannot be told apart (ratio {found.ratio:.2g}, {ends})"
            )
    return [f"{repeats}; {_bias(found, unit)}.", _other_people(found, unit)]


def _bias(found: KindComparison, unit: str) -> str:
    of = f" {unit}" if unit else ""
    u = (found.bias_high - found.bias_low) / 4
    ends = f"{rounded(found.bias_low, u)} to {rounded(found.bias_high, u)}{of}"
    if found.bias_low <= 0 <= found.bias_high:
        return f"no difference of their means can be told ({ends})"
    way = "higher" if found.bias > 0 else "lower"
    return f"{found.first} reads {rounded(abs(found.bias), u)}{of} {way} on the same pieces ({ends})"


def _other_people(found: KindComparison, unit: str) -> str:
    if found.others_low is None or found.others_high is None:
        return f"The difference holds for these appraisers only: {found.others_why}."
    u = (found.bias_high - found.bias_low) / 4
    ends = f"{rounded(found.others_low, u)} to {rounded(found.others_high, u)}"
    return f"For other appraisers of these kinds the difference is {ends}{f' {unit}' if unit else ''}."


def _share(result: GaugeResult) -> str:
    """How much of the spread is the gauge's, as the end of a sentence."""
    model, gauge = result.chosen, result.component("gauge")
    if gauge.of_total_pct is None:
        return "nothing spreads, neither the gauge nor the pieces."
    said = f"the gauge makes up {_pct(gauge.of_total_pct)} % of the total spread"
    if model.gauge_low_pct is not None and model.gauge_high_pct is not None:
        said += f" ({_pct(model.gauge_low_pct)} to {_pct(model.gauge_high_pct)} %)"
    if gauge.of_tolerance_pct is not None:
        said += f", {_pct(gauge.of_tolerance_pct)} % of the tolerance"
    if model.categories is None:
        return f"{said}; categories cannot be counted, since the gauge does not spread."
    kinds = "category" if model.categories == 1 else "categories"
    return f"{said}, and tells {model.categories} {kinds} of pieces apart{_between(model)}."


def _pct(value: float) -> str:
    """A share to two digits; whole per cents from ten on."""
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


def _between(model: GaugeModel) -> str:
    if model.categories_low is None or model.categories_high is None:
        return ""
    return f" ({model.categories_low} to {model.categories_high})"


def _about_model(result: GaugeResult) -> list[str]:
    p, rule = result.interaction_p, f"{result.pool_above_p:g}"
    if result.chosen.name == "one appraiser":
        return ["One appraiser: there is no reproducibility to be seen, the gauge is the repeats alone."]
    if p is None:
        return []
    if result.chosen.name == "interaction pooled":
        return [
            f"The interaction of pieces and appraisers is not to be seen (p = {p:.3g}, above {rule}): "
            "it is counted as repeats. The other model stands below."
        ]
    return [
        f"The interaction of pieces and appraisers is kept (p = {p:.3g}, not above {rule}). "
        "The other model stands below."
    ]


def _tables(study: GaugeStudy) -> list[Cells]:
    result = study.result
    title = f"{result.quantity}: parts of the spread"
    tables = [_parts(f"{title}, {result.chosen.name}", result, result.chosen)]
    if result.other is not None:
        tables.append(_parts(f"{title}, {result.other.name}", result, result.other))
    for kind, each in study.by_kind.items():
        tables.append(_parts(f"{title}, {kind} alone, {each.chosen.name}", each, each.chosen))
    for model in (result.chosen, result.other):
        if model is not None:
            tables.append(_anova(model))
    return [*tables, _people(result)]


def _parts(title: str, result: GaugeResult, model: GaugeModel) -> Cells:
    unit = f" {result.unit}" if result.unit else ""
    headings = ("part", f"sd{unit}", f"{100 * result.level:g} % from", "to", "% of total", "% of variance")
    more = ("% of tolerance",) if result.tolerance is not None else ()
    rows = tuple(_part(each, tolerance=bool(more)) for each in model.components)
    return Cells(title, headings + more, rows)


def _part(each: Component, *, tolerance: bool) -> tuple[str, ...]:
    u = _fine(each.sd or each.sd_high)
    name = PARTS.get(each.name, each.name) + (", set to zero" if each.set_to_zero else "")
    spread = (each.sd, each.sd_low, each.sd_high)
    cells = (name, *(rounded(value, u) if value else "0" for value in spread))
    pcts = [each.of_total_pct, each.contribution_pct] + ([each.of_tolerance_pct] if tolerance else [])
    return cells + tuple("-" if pct is None else f"{pct:.1f}" for pct in pcts)


def _fine(spread: float) -> float:
    """What a standard deviation and its interval are rounded to."""
    return spread / 100


def _anova(model: GaugeModel) -> Cells:
    headings = ("source", "df", "sum of squares", "mean square", "F", "p")
    return Cells(f"analysis of variance, {model.name}", headings, tuple(_line(each) for each in model.anova))


def _line(row: AnovaRow) -> tuple[str, ...]:
    name = "repeat" if row.source == "repeat" else row.source
    return (
        name,
        str(row.degrees_of_freedom),
        f"{row.sum_of_squares:.5g}",
        f"{row.mean_square:.5g}",
        "" if row.f is None else f"{row.f:.4g}",
        "" if row.p is None else f"{row.p:.3g}",
    )


def _people(result: GaugeResult) -> Cells:
    unit = f" {result.unit}" if result.unit else ""
    headings = ("appraiser", f"mean{unit}", "less mean of all", f"repeats sd{unit}", "from", "to")
    rows = []
    for each in result.appraisers:
        u = _fine(each.sd or result.component("total").sd)
        name = f"{each.name} ({each.kind})" if each.kind else each.name
        spread = (each.sd, each.sd_low, each.sd_high)
        rows.append(
            (
                name,
                rounded(each.mean, u),
                f"{'+' if each.difference > 0 else ''}{rounded(each.difference, u)}",
                *("-" if value is None else rounded(value, u) for value in spread),
            )
        )
    return Cells("appraisers", headings, tuple(rows))


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
