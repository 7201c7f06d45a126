"""Groups of pieces on paper and on the screen: the answer in sentences, then tables, pictures and a page.

Problem: a comparison gives some hundred numbers, and the reader has one question: do they differ? Plan:
answer that first, with one of three verdicts where a margin was stated; then the figures of each group, the
sources of variation, and batches over time. Cost: a picture for each quantity.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.table import Table

from rig import __version__, sheets
from rig.core import quantity, rounded, shown_u, signed
from rig.population import BEYOND, UNDECIDED, WITHIN, BatchDrift, BatchFigures, Comparison, Difference
from rig.results import ComparedPieces
from rig.sheets.page import Page, PageTable, Section, Words, beside, listed, not_empty, save_page
from rig.sheets.tables import rich_table

PAGE = "comparison.html"


DRIFT_P = 0.05

ABOUT_CALIBRATION = {
    "same": "The groups share one calibration: its error cancels in the difference except for the relative "
    "part, which is in the interval.",
    "different": "The groups have different calibrations: the errors of both are in the interval of the "
    "difference, and more pieces do not reduce them.",
    "not known": "The calibration's uncertainty is unknown for some quantities; their intervals leave it "
    "out.",
}


def comparison_document(study: ComparedPieces) -> dict[str, Any]:
    """Return a comparison as a document without not-a-number."""
    return {
        "answer": comparison_answer(study),
        "comparison": study.comparison.as_dict(),
        "curves": [band.as_dict() for band in study.bands],
        "curve_differences": [difference.as_dict() for difference in study.curve_differences],
        "drift": {name: drift.as_dict() for name, drift in study.drifts.items()},
        "notes": comparison_notes(study),
        "software": f"pressrig {__version__}",
    }


def comparison_answer(study: ComparedPieces) -> list[str]:
    """Return the answer in sentences: verdicts first, differences larger than their margin before all."""
    differences = study.comparison.differences
    if not differences:
        return [
            "Nothing to compare: no quantity is known for pieces of two groups; `pressrig analyse` says "
            "which cycles are flagged, and why."
        ]
    open_ones = [difference for difference in differences if difference.outcome is None]
    judged = [
        difference
        for verdict in (BEYOND, UNDECIDED, WITHIN)
        for difference in differences
        if difference.outcome is not None and difference.outcome.verdict == verdict
    ]
    said = _in_short(judged) if len(judged) > 1 else []
    said += [comparison_sentence(difference) for difference in [*judged, *open_ones]]
    if open_ones:
        # with a tenth of the mean as an example
        name, tenth = open_ones[0].quantity, abs(open_ones[0].mean_first) / 10 or 1.0
        said.append(
            "To get a verdict, give the largest difference that does not matter: "
            f'--margin "{name}={tenth:.1g}{_unit(quantity(name).unit)}".'
        )
    return said + [sentence for drift in study.drifts.values() if (sentence := _drift_sentence(drift))]


def comparison_notes(study: ComparedPieces) -> list[str]:
    """Return how the figures were calculated, what they rest on, and anything unusual."""
    comparison = study.comparison
    said = ["The unit is the piece: cycles of a capture, and captures of a piece, are averaged first."]
    kinds = {difference.calibration for difference in comparison.differences}
    said += [sentence for kind, sentence in ABOUT_CALIBRATION.items() if kind in kinds]
    if any(difference.outcome is not None for difference in comparison.differences):
        said.append(
            '"Smaller than the margin" is shown by two one-sided tests and "larger" by one, each wrong in at '
            'most 5 % of cases; with several margins, "larger" is corrected for their number (Holm). The '
            "90 % interval belongs to these tests."
        )
    if study.bands:
        said.append(
            "Bands hold the mean, or most pieces, at each deflection; the band of a difference holds the "
            "whole curve at once. None of them includes the calibration."
        )
    spreads = [figure.spread for figures in comparison.figures.values() for figure in figures.values()]
    if any(spread is not None and spread.rig_from == "stated uncertainty" for spread in spreads):
        said.append(
            "Without a gauge study, the rig's part of the spread is the stated uncertainty of each "
            "capture. It includes changes from cycle to cycle, such as softening."
        )
    said.append(
        "Tolerance intervals hold pieces as this rig reads them: they include its repeatability but not "
        "its calibration error."
    )
    for name, figures in comparison.figures.items():
        said += _gathered(name, [(figure.quantity, figure.notes) for figure in figures.values()])
    for second in comparison.groups[1:]:
        parts = [
            (difference.quantity, difference.notes)
            for difference in comparison.differences
            if difference.second == second
        ]
        said += _gathered(f"{second} against {comparison.groups[0]}", parts)
    return list(dict.fromkeys([*said, *comparison.notes, *study.sources]))


def _gathered(name: str, parts: Sequence[tuple[str, Sequence[str]]]) -> list[str]:
    """Return the notes of several quantities, each once with the quantities that it is about."""
    about: dict[str, list[str]] = {}
    for column, notes in parts:
        for note in notes:
            about.setdefault(note, []).append(quantity(column).title)
    return [
        f"{name}: {note}" if len(titles) == len(parts) else f"{name}, {', '.join(titles)}: {note}"
        for note, titles in about.items()
    ]


def comparison_tables(study: ComparedPieces, *, plain: bool, whole: bool = True) -> list[Table]:
    """Return the tables for the terminal; without `whole` only one narrow table of means."""
    return [rich_table(table, plain=plain) for table in (_tables(study) if whole else [_means(study)])]


def _means(study: ComparedPieces) -> PageTable:
    """Return the mean and standard deviation of each group, narrow enough for a terminal."""
    comparison = study.comparison
    rows = []
    for column in dict.fromkeys(difference.quantity for difference in comparison.differences):
        for name, figures in comparison.figures.items():
            if column in figures:
                _, pieces, mean, _, _, sd, *_ = _batch(name, figures[column])
                rows.append((name, quantity(column).title, quantity(column).unit, pieces, mean, sd))
    headings = (comparison.by, "quantity", "unit", "pieces", "mean", "sd")
    return PageTable("Means over pieces", headings, tuple(rows))


def save_comparison_report(study: ComparedPieces, title: str, folder: Path) -> Path:
    """Write the comparison as one page, as Markdown, and its pictures beside them; return the page's path."""
    pictures = sheets.save_comparison_plots(
        study.comparison, study.bands, study.curve_differences, study.drifts, folder
    )
    sections = not_empty(
        Section("Answer", tuple(Words(sentence, "answer") for sentence in comparison_answer(study))),
        Section("Tables", tuple(_tables(study))),
        Section("Pictures", beside(pictures)),
        Section("Notes", listed(comparison_notes(study))),
    )
    return save_page(Page(title, "", sections), folder / PAGE)


def _in_short(judged: Sequence[Difference]) -> list[str]:
    """One sentence per pair of groups: which quantities have which verdict."""
    pairs: dict[tuple[str, str], dict[str, list[str]]] = {}
    for difference in judged:
        assert difference.outcome is not None
        verdicts = pairs.setdefault((difference.second, difference.first), {})
        verdicts.setdefault(difference.outcome.verdict, []).append(quantity(difference.quantity).title)
    return [
        f"{second} against {first}: "
        + "; ".join(f"{', '.join(titles)}: {verdict}" for verdict, titles in verdicts.items())
        + "."
        for (second, first), verdicts in pairs.items()
    ]


def comparison_sentence(difference: Difference) -> str:
    """Return the answer for one quantity: which group has more, both means, the interval, the verdict.

    Examples
    --------
    >>> from rig.core.measured import Measured
    >>> from rig.population import Difference
    >>> comparison_sentence(Difference(
    ...     quantity="secant_n_per_mm", first="spring", second="autumn", n_first=8, n_second=8,
    ...     mean_first=2.403, mean_second=1.695, sd_first=0.07, sd_second=0.06, paired=False,
    ...     difference=-0.708, estimate=Measured(-0.708, 0.033, 16.0), shared_u=0.0, level=0.95,
    ...     calibration="same",
    ... ))  # doctest: +NORMALIZE_WHITESPACE
    'autumn is softer than spring: 1.695 N/mm against 2.403 N/mm, secant stiffness at the peak (difference
    0.708 N/mm, 29 %; 95 % interval 0.638 to 0.778 N/mm).'
    """
    shown, u, outcome = quantity(difference.quantity), _fine(difference), difference.outcome
    unit = _unit(shown.unit)
    means = f"{rounded(difference.mean_second, u)}{unit} against {rounded(difference.mean_first, u)}{unit}"
    # the same pieces may be in both groups, whose means are then of these alone
    pairs = f", same {difference.n_first} pieces" if difference.paired else ""
    inside = f"difference {_amount(difference)}{pairs}"
    if outcome is not None:
        inside += f"; 90 % interval {_interval(difference, outcome.low, outcome.high)}"
    elif difference.low is not None and difference.high is not None:
        level = f"{100 * difference.level:g} % interval"
        inside += f"; {level} {_interval(difference, difference.low, difference.high)}"
    head = f"{_compared(difference, means)} ({inside})"
    if outcome is None:
        if difference.low is None or difference.high is None:
            return f"{head}. One piece per group gives no interval."
        return f"{head}."
    margin = f"the margin of {outcome.margin:.4g}{_step(shown.unit)}"
    if outcome.verdict == BEYOND:
        return f"{head}. The difference is larger than {margin}."
    if outcome.verdict == WITHIN:
        return f"{head}. The difference is smaller than {margin}."
    return f"{head}. Undecided against {margin}. {_more(difference)}"


def _compared(difference: Difference, means: str) -> str:
    """Return how a group stands to another, in the words of the trade where it has some."""
    title, second, first = quantity(difference.quantity).title, difference.second, difference.first
    if _may_be_chance(difference):
        return f"{second} and {first} do not differ measurably in {title}: {means}"
    higher = difference.difference > 0
    if quantity(difference.quantity).unit == "N/mm":
        return f"{second} is {'stiffer' if higher else 'softer'} than {first}: {means}, {title}"
    if title.startswith("force at "):
        where = title.removeprefix("force ")
        return f"{second} is {'stiffer' if higher else 'softer'} than {first}: {means} {where}"
    return f"{second} has a {'higher' if higher else 'lower'} {title} than {first}: {means}"


def _may_be_chance(difference: Difference) -> bool:
    """Return whether the interval that is shown includes zero."""
    shown = difference if difference.outcome is None else difference.outcome
    return shown.low is not None and shown.high is not None and shown.low <= 0 <= shown.high


def _more(difference: Difference) -> str:
    """Return how many pieces to measure for a verdict."""
    outcome = difference.outcome
    assert outcome is not None
    what = "pairs" if difference.paired else "pieces per group"
    if outcome.pieces_needed is None:
        return f"More pieces will not decide it: {outcome.why}."
    have = min(difference.n_first, difference.n_second)
    more = max(outcome.pieces_needed - have, 1)
    return f"Measure about {have + more} {what} ({more} more than now) to decide."


def _amount(difference: Difference) -> str:
    """Size of a difference, signed where its interval includes zero, and its share of the first mean."""
    shown = quantity(difference.quantity)
    relative = difference.mean_first > 0 and shown.unit != "%"
    share = 100 * abs(difference.difference) / difference.mean_first if relative else 0.0
    pct = f", {share:{'.0f' if share >= 100 else '.2g'}} %" if relative else ""
    size, u = abs(difference.difference), _fine(difference)
    # the interval beside it has signs then
    said = signed(difference.difference, u) if _may_be_chance(difference) else rounded(size, u)
    return f"{said}{_step(shown.unit)}{pct}"


def _interval(difference: Difference, low: float, high: float) -> str:
    """Return an interval of the size of a difference; with signs where it includes zero."""
    u, unit = _fine(difference), _step(quantity(difference.quantity).unit)
    if low > 0 or high < 0:
        near, far = sorted((abs(low), abs(high)))
        return f"{rounded(near, u)} to {rounded(far, u)}{unit}"
    return f"{signed(low, u)} to {signed(high, u)}{unit}"


def _step(unit: str) -> str:
    """Unit of a difference: of per cent, it must not be taken for a share of the value."""
    return " percentage points" if unit == "%" else _unit(unit)


def _drift_sentence(drift: BatchDrift) -> str:
    shown = quantity(drift.quantity)
    said = []
    if drift.outside:
        said.append(f"outside the limits of the chart: {', '.join(drift.outside)}")
    if drift.trend_p is not None and drift.slope is not None and drift.trend_p < DRIFT_P:
        way = "rises" if drift.slope > 0 else "falls"
        said.append(
            f"it {way} from batch to batch, by {abs(drift.slope):.3g}{_unit(shown.unit)} (median) "
            f"(p = {drift.trend_p:.2g})"
        )
    return f"Over time, {shown.title}: {'; '.join(said)}." if said else ""


def _tables(study: ComparedPieces) -> list[PageTable]:
    comparison = study.comparison
    headings = (
        "second less first", "quantity", "n", "difference", "95 % from", "to", "margin", "verdict",
        "p", "p (Holm)", "Hedges' g", "from", "to",
    )  # fmt: skip
    tables = [PageTable("Differences", headings, tuple(map(_difference, comparison.differences)))]
    columns = dict.fromkeys(name for figures in comparison.figures.values() for name in figures)
    tables += [_figures(comparison, column) for column in columns]
    spreads = _spreads(comparison)
    return [*tables, *([spreads] if spreads.rows else []), *map(_drift, study.drifts.values())]


def _difference(found: Difference) -> tuple[str, ...]:
    u, effect, outcome = _fine(found), found.effect, found.outcome
    return (
        f"{found.second} - {found.first}",
        quantity(found.quantity).heading,
        f"{found.n_second} pairs" if found.paired else f"{found.n_second}/{found.n_first}",
        signed(found.difference, u),
        *("-" if end is None else signed(end, u) for end in (found.low, found.high)),
        "-" if outcome is None else f"{outcome.margin:g}",
        "-" if outcome is None else outcome.verdict.removesuffix(" the margin"),
        *("-" if p is None else f"{p:.2g}" for p in (found.p, found.p_holm)),
        *(("-",) * 3 if effect is None else tuple(f"{g:+.2f}" for g in (effect.g, effect.low, effect.high))),
    )


def _figures(comparison: Comparison, column: str) -> PageTable:
    having = {name: figures[column] for name, figures in comparison.figures.items() if column in figures}
    first = next(iter(having.values()))
    headings = (
        comparison.by, "pieces", "mean", f"{100 * first.level:g} % from", "to", "sd", "CV %",
        f"{first.content_pct:g} % of pieces from", "to", "normal p", "outlier",
        *(("pieces needed",) if any(figures.wanted for figures in having.values()) else ()),
    )  # fmt: skip
    rows = tuple(_batch(name, figures)[: len(headings)] for name, figures in having.items())
    return PageTable(quantity(column).heading, headings, rows)


def _batch(name: str, found: BatchFigures) -> tuple[str, ...]:
    u = shown_u(found.mean, found.u or abs(found.mean) / 1000)
    return (
        name,
        str(found.n),
        rounded(found.mean, u),
        *("-" if end is None else rounded(end, u) for end in (found.low, found.high)),
        "-" if found.sd is None else rounded(found.sd, found.sd / 10),
        "-" if found.cv_pct is None else f"{found.cv_pct:.2g}",
        *("-" if end is None else rounded(end, u) for end in (found.tolerance_low, found.tolerance_high)),
        "-" if found.normal_p is None else f"{found.normal_p:.2g}",
        ", ".join(found.outliers) or "-",
        "-" if found.pieces_needed is None else str(found.pieces_needed),
    )


def _spreads(comparison: Comparison) -> PageTable:
    parts = ("rig sd", "%", "within a piece sd", "%", "between pieces sd", "%")
    rows = []
    for name, figures in comparison.figures.items():
        for figure in figures.values():
            split = figure.spread
            if split is None:
                continue
            cells: list[str] = []
            for sd, pct in (
                (split.rig_sd, split.rig_pct),
                (split.within_sd, split.within_pct),
                (split.between_sd, split.between_pct),
            ):
                cells += ("-" if sd is None else f"{sd:.2g}", _share(pct))
            rows.append((name, quantity(figure.quantity).title, *cells, split.rig_from))
    headings = (comparison.by, "quantity", *parts, "rig from")
    return PageTable("Sources of variation", headings, tuple(rows))


def _share(pct: float | None) -> str:
    """Whole per cents from ten on."""
    return "-" if pct is None else f"{pct:.0f}" if pct >= 10 else f"{pct:.1f}"


def _drift(drift: BatchDrift) -> PageTable:
    shown = quantity(drift.quantity)
    u = drift.sd_within / 10
    columns = zip(drift.batches, drift.counts, drift.means, drift.low, drift.high, strict=True)
    rows = [
        (name, str(n), *(rounded(number, u) for number in numbers), "yes" if name in drift.outside else "")
        for name, n, *numbers in columns
    ]
    headings = ("batch", "pieces", "mean", "limit from", "to", "outside")
    return PageTable(f"Batches in order of time: {shown.title}, {shown.unit}", headings, tuple(rows))


def _fine(difference: Difference) -> float:
    """Return what a difference is rounded to."""
    return difference.u if difference.u else abs(difference.difference) / 100


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""
