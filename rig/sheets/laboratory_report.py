"""A study of many laboratories as sentences, tables, a picture and a page.

Problem: the reader wants two numbers (how far two results may differ in one laboratory, and in two) and the
name of any laboratory that does not fit. Plan: these first, per material; then a table of laboratories with
h and k beside their limits, and every result in one picture. Cost: one figure.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rich.table import Table

from rig import sheets
from rig.core import rounded
from rig.population import LaboratoryFigures, LaboratoryStudy, MaterialFigures, Spread
from rig.sheets.page import Page, PageTable, Section, Words, beside, listed, save_page
from rig.sheets.tables import rich_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

PAGE, PICTURE = "study.html", "laboratories.png"

FEW = 8
"""Laboratories that a study should have at least (ISO 5725-1, recalled)."""

FOUND_BY = {
    "Cochran": ("Laboratory {} has a larger spread than", "Cochran's test"),
    "Grubbs": ("Laboratory {} has a mean far from", "Grubbs's test"),
    "Grubbs for two": ("Laboratories {} together have means far from", "Grubbs's test for two"),
}
"""What each test finds, and its name in a sentence."""


def laboratory_answer(study: LaboratoryStudy) -> list[str]:
    """Return the answer in sentences: two per material, and one per laboratory that does not fit."""
    said = []
    for found in study.materials:
        unit = f" {study.unit}" if study.unit else ""
        about = f"{found.material}: results" if found.material else "Results"
        within, both = found.repeatability, found.reproducibility
        said += [
            f"{about} of different laboratories have a standard deviation of {_sd(both.sd)}{unit} "
            f"({_interval(study, both)}), those of one laboratory {_sd(within.sd)}{unit} "
            f"({_interval(study, within)}). The mean is {rounded(found.mean, both.sd)}{unit}.",
            f"Two results differ by more than {_sd(both.limit)}{unit} between laboratories, or "
            f"{_sd(within.limit)}{unit} within one, only once in 20 times.",
        ]
        for check in found.checks:
            if check.verdict:
                what, whose = FOUND_BY[check.test]
                said.append(
                    f"{what.format(check.laboratory)} the others: "
                    f"{'an' if check.verdict == 'outlier' else 'a'} {check.verdict} ({whose}, "
                    f"p = {check.p:.2g}). Look for the cause before you leave out its results."
                )
    if not any(check.verdict for found in study.materials for check in found.checks):
        said.append("No laboratory is an outlier, by its mean (Grubbs) or by its spread (Cochran).")
    return said


def laboratory_notes(study: LaboratoryStudy, sources: Sequence[str] = ()) -> list[str]:
    """Return how the figures were calculated, and what limits them."""
    said = [
        "One-way analysis of variance per material, as in ISO 5725-2 (recalled). A straggler has p below "
        "5 %, an outlier below 1 %. No result was left out.",
        f"Intervals are {100 * study.level:g} % for normal values: chi-square for repeatability, "
        "the modified large-sample method for reproducibility.",
    ]
    for found in study.materials:
        about = f"{found.material}: " if found.material else ""
        numbers = {laboratory.n for laboratory in found.laboratories}
        if found.between_set_to_zero:
            said.append(
                f"{about}the variance between laboratories came out below zero and was set to zero, so both "
                "standard deviations are equal."
            )
        if len(numbers) > 1:
            said.append(
                f"{about}laboratories have {min(numbers)} to {max(numbers)} results. Limits of k and "
                "Cochran's test use each laboratory's own number; limits of h and Grubbs's test treat the "
                "means as equally precise."
            )
        laboratories = len(found.laboratories)
        if laboratories < FEW:
            said.append(
                f"{about}with {laboratories} laboratories reproducibility is uncertain; use {FEW} to 15."
            )
    return [*said, *sources]


def laboratory_cells(study: LaboratoryStudy) -> list[PageTable]:
    """Return the tables: the spreads of all materials, then each material's laboratories."""
    unit = f" {study.unit}" if study.unit else ""
    level = f"{100 * study.level:g} %"
    tables = []
    for found in study.materials:
        title = f", {found.material}" if found.material else ""
        spreads = tuple(
            (
                name,
                *map(_sd, (spread.sd, spread.low, spread.high, spread.limit)),
                f"{100 * spread.sd / abs(found.mean):.2g}" if found.mean else "-",
            )
            for name, spread in (
                ("repeatability", found.repeatability),
                ("reproducibility", found.reproducibility),
            )
        )
        headings = ("part", f"sd{unit}", f"{level} from", "to", f"limit of 2 results{unit}", "% of mean")
        tables.append(PageTable(f"{study.quantity}{title}: parts of the spread", headings, spreads))
        figures = tuple(_laboratory(laboratory, found) for laboratory in found.laboratories)
        columns = ("laboratory", "n", f"mean{unit}", f"sd{unit}", "h", "1 % limit", "k", "1 % limit")
        tables.append(
            PageTable(f"laboratories{title} (* beyond the 5 %, ** the 1 % limit)", columns, figures)
        )
        tests = tuple(
            (
                check.test,
                check.laboratory,
                f"{check.statistic:.3f}",
                f"{check.p:.2g}",
                check.verdict or "none",
            )
            for check in found.checks
        )
        if tests:
            titles = ("test", "laboratory", "statistic", "p", "found")
            tables.append(PageTable(f"tests of the extreme laboratory{title}", titles, tests))
    return tables


def laboratory_tables(study: LaboratoryStudy, *, plain: bool) -> list[Table]:
    """Return the tables for the terminal."""
    return [rich_table(cells, plain=plain) for cells in laboratory_cells(study)]


def save_laboratory_report(
    study: LaboratoryStudy,
    rows: Sequence[Mapping[str, object]],
    sources: Sequence[str],
    title: str,
    folder: Path,
) -> Path:
    """Write the study as one page with its picture, and as Markdown beside it.

    Parameters
    ----------
    rows
        Each result with its `laboratory`, `value` and perhaps `material`.
    """
    sheets.save_laboratory_plot(study, rows, folder / PICTURE)
    caption = (
        "Every result by laboratory. Solid line: general mean; dashed: 95 % limits of a single result of any "
        "laboratory."
    )
    sections = (
        Section("Answer", tuple(Words(sentence, "answer") for sentence in laboratory_answer(study))),
        Section("Laboratories", (*beside([(caption, folder / PICTURE)]), *laboratory_cells(study))),
        Section("Notes", listed(laboratory_notes(study, sources))),
    )
    return save_page(Page(title, "", sections), folder / PAGE)


def _laboratory(laboratory: LaboratoryFigures, found: MaterialFigures) -> tuple[str, ...]:
    return (
        laboratory.name,
        str(laboratory.n),
        rounded(laboratory.mean, found.reproducibility.sd),
        "-" if laboratory.sd is None else _sd(laboratory.sd),
        *_mandel(laboratory.h, laboratory.h_limits),
        *_mandel(laboratory.k, laboratory.k_limits),
    )


def _mandel(value: float | None, limits: tuple[float, float] | None) -> tuple[str, str]:
    if value is None or limits is None:
        return "-", "-"
    mark = "**" if abs(value) > limits[1] else "*" if abs(value) > limits[0] else ""
    return f"{value:.2f}{mark}", f"{limits[1]:.2f}"


def _sd(value: float) -> str:
    """Return a standard deviation to three digits, so that two of them can be compared."""
    return rounded(value, value / 10) if value else "0"


def _interval(study: LaboratoryStudy, spread: Spread) -> str:
    return f"{100 * study.level:g} % interval {_sd(spread.low)} to {_sd(spread.high)}"
