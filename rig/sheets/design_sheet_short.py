"""What a design sheet says first: the answers, the key figures, mass and size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rig.population import BatchFigures, PieceResult
from rig.sheets.comparison_report import ComparedPieces, comparison_answer
from rig.sheets.design_sheet import DIAMETER, MASS, AlikeSet, DesignSheet
from rig.sheets.design_sheet_forces import ForceRow
from rig.sheets.design_sheet_tables import (
    NOTHING,
    counted,
    filled,
    force_u,
    interval_of,
    spread_u,
    tolerance_ends,
    us_words,
)
from rig.sheets.page import Block, Cells, Points, Section, Words
from rig.sheets.tables import rounded

KEY_PCT = 25.0
"""The compression of the short answer, where it was reached."""


def design_sheet_answers(sheet: DesignSheet) -> list[str]:
    """Batches and states compared, in a sentence each; nothing is said of differences without an interval."""
    said = []
    for alike in sheet.sets:
        where = f"Set {alike.letter}: " if len(sheet.sets) > 1 else ""
        for comparison in alike.comparisons:
            if any(each.low is not None for each in comparison.differences):
                said.append(where + comparison_answer(ComparedPieces(comparison))[0])
    return said


def short_section(sheet: DesignSheet) -> Iterator[Section]:
    """Answers, key figures, mass and size."""
    blocks: list[Block] = []
    if sheet.all_invented:
        blocks.append(
            Words("All numbers on this sheet are invented: a demonstration, nothing to build on.", "caution")
        )
    elif sheet.invented:
        names = ", ".join(sheet.invented[:6]) + (" ..." if len(sheet.invented) > 6 else "")
        blocks.append(Words(f"Invented numbers are among those on this sheet: {names}.", "caution"))
    blocks += [Words(answer, "answer") for answer in design_sheet_answers(sheet)]
    blocks.append(_key_figures(sheet))
    points = tuple(_short_sizes(sheet))
    if points:
        blocks.append(Points(points))
    if len(sheet.sets) > 1:
        blocks.append(
            Words(
                f"The captures fall into {len(sheet.sets)} sets that were measured unlike. They stand apart "
                "on this sheet, and no figure mixes them."
            )
        )
    yield Section("In short", tuple(blocks))


def _key_figures(sheet: DesignSheet) -> Cells:
    """What most readers look for, one row a group."""
    rows = []
    for alike in sheet.sets:
        where = f"{alike.letter}: " if len(sheet.sets) > 1 else ""
        for group in alike.groups:
            rows.append(
                (where + group, *_key_force(alike.compression.get(group, ())), *_key_rest(alike, group))
            )
    headings = (
        "set: pieces of" if len(sheet.sets) > 1 else "pieces of",
        "n", "pressed by", "force, N", "of most pieces, N", "force, lbf",
        "secant stiffness, N/mm", "lbf/in", "gives back, %",
    )  # fmt: skip
    return filled("Key figures: means of pieces, and where most pieces lie", headings, rows)


def _key_force(rows: Sequence[ForceRow]) -> tuple[str, ...]:
    """Number of pieces, depth, and the force there with its band; at 25 % where it was reached."""
    if not rows:
        return (NOTHING,) * 5
    row = next((each for each in rows if each.compression_pct == KEY_PCT), rows[-1])
    each, u = row.loading, force_u(row.loading)
    deep = f"{row.compression_pct:g} %" if row.compression_pct is not None else f"{row.deflection_mm:g} mm"
    band = tolerance_ends(each, spread_u(each))
    return (str(each.n), deep, rounded(each.mean, u), band, us_words(each.mean, "N", u).removesuffix(" lbf"))


def _key_rest(alike: AlikeSet, group: str) -> tuple[str, ...]:
    figures = alike.figures[group]
    secant, back = figures.get("secant_n_per_mm"), figures.get("energy_return_pct")
    cells = (NOTHING, NOTHING)
    if secant is not None:
        u = interval_of(secant, alike.groups[group])[2]
        cells = (rounded(secant.mean, u), us_words(secant.mean, "N/mm", u).removesuffix(" lbf/in"))
    return (*cells, NOTHING if back is None else f"{back.mean:.0f}")


def _short_sizes(sheet: DesignSheet) -> Iterator[str]:
    for batch, figures in sheet.sizes.items():
        if MASS in figures:
            yield f"{batch}: mass {_spoken(figures[MASS], 'g')}."
        if DIAMETER in figures:
            drawn = {each.drawing_size_mm for each in sheet.pieces if each.drawing_size_mm is not None}
            drawing = f"; the drawing says {drawn.pop():g} mm" if len(drawn) == 1 else ""
            yield f"{batch}: diameter to draw {_spoken(figures[DIAMETER], 'mm')}{drawing}."


def _spoken(each: BatchFigures, unit: str, results: Sequence[PieceResult] = ()) -> str:
    """A figure in words: both units, pieces, and where most of them lie."""
    low, high, u = interval_of(each, results)
    pieces = counted(each.n, "piece")
    us = us_words(each.mean, unit, u)
    told = f"{rounded(each.mean, u)} {unit} ({us}), {pieces}"
    if each.n > 1:
        told += f", {each.content_pct:g} % of pieces within {tolerance_ends(each, spread_u(each))} {unit}"
    elif low is not None and high is not None:
        told += f", measured to +- {rounded((high - low) / 2, u)} {unit}"
    return told
