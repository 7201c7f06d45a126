"""Tables of a design sheet: cells of text in metric and US units, rounded to what is known.

Problem: a number with all its digits claims too much, and one without its unit or its pieces is of no use.
Plan: each row says how many pieces it is of, the mean with its interval, and where most pieces lie; US units
stand beside. Cost: nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isfinite, sqrt

from rig.core import quantity, rounded, shown_u
from rig.population import BatchFigures, PieceResult, average_pieces
from rig.results.design_sheet import ComparableSet
from rig.results.design_sheet_forces import ForceRow
from rig.sheets.page import PageTable
from rig.units import us_factor, us_name

TWICE = 2.0
"""Of a single piece's standard uncertainty: about 95 %."""

NOTHING = "-"


def quantity_table(
    caption: str,
    groups: Mapping[str, Mapping[str, BatchFigures]],
    names: Sequence[str],
    comparable: ComparableSet | None,
) -> PageTable | None:
    """Return the rows of some quantities, each for each group.

    `groups`: by group, then by quantity.
    `comparable`: the set that the groups are of; a single piece's own uncertainty is found there.

    Returns None where no group has any of them.
    """
    rows = []
    for name in names:
        for group, figures in groups.items():
            if name in figures:
                results = () if comparable is None else comparable.groups[group]
                rows.append(_quantity_row(figures[name], group, results))
    if not rows:
        return None
    content = next(figure.content_pct for figures in groups.values() for figure in figures.values())
    headings = ("quantity", "pieces of", "n", "mean", "95 % interval", f"{content:g} % of pieces", "US units")
    return filled(caption, headings, rows)


def filled(caption: str, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> PageTable:
    """Return a table without the columns that say nothing."""
    said = [n for n in range(len(headings)) if n == 0 or any(row[n] != NOTHING for row in rows)]
    return PageTable(
        caption, tuple(headings[n] for n in said), tuple(tuple(row[n] for n in said) for row in rows)
    )


def _quantity_row(found: BatchFigures, group: str, results: Sequence[PieceResult]) -> tuple[str, ...]:
    shown = quantity(found.quantity)
    low, high, u = interval_of(found, results)
    return (
        shown.heading,
        group,
        str(found.n),
        rounded(found.mean, u),
        ends(low, high, u),
        tolerance_ends(found, spread_u(found)),
        us_words(found.mean, shown.unit, u),
    )


def interval_of(
    figures: BatchFigures, results: Sequence[PieceResult] = ()
) -> tuple[float | None, float | None, float]:
    """Ends of the interval of a mean, and what to round to; of one piece, of its own measurement.

    A single piece has an interval only where the calibration's part is known: noise alone would make it look
    known to five digits.
    """
    if figures.u is not None:
        return figures.low, figures.high, shown_u(figures.mean, figures.u)
    own = [
        (piece.u.get(figures.quantity, float("nan")), piece.u_shared.get(figures.quantity, 0.0))
        for piece in average_pieces(results)
        if isfinite(piece.values.get(figures.quantity, float("nan")))
    ]
    if len(own) != 1 or not isfinite(own[0][0]):
        return None, None, shown_u(figures.mean)
    u, calibrations = own[0]
    fine = shown_u(figures.mean, u)
    if calibrations > 0:
        return figures.mean - TWICE * u, figures.mean + TWICE * u, fine
    return None, None, fine


def ends(low: float | None, high: float | None, u: float) -> str:
    """Return an interval; a dash where there is none."""
    return NOTHING if low is None or high is None else f"{rounded(low, u)} to {rounded(high, u)}"


def tolerance_ends(figures: BatchFigures, u: float, factor: float = 1.0) -> str:
    """Return where most pieces lie; no piece pushes with less than nothing."""
    low = figures.most_from
    if low is None or figures.tolerance_high is None:
        return NOTHING
    return ends(factor * low, factor * figures.tolerance_high, factor * u)


def us_words(value: float, unit: str, u: float) -> str:
    """Return a value in US units with their name; a dash where both worlds use the same."""
    factor = us_factor(unit)
    if factor is None:
        return NOTHING
    return f"{rounded(factor * value, shown_u(factor * value, factor * u))} {us_name(unit)}"


def spread_u(figures: BatchFigures) -> float:
    """Return what to round the ends of a band of pieces to."""
    return shown_u(figures.mean, (figures.sd or 0.0) / 3)


def compression_table(caption: str, rows: Sequence[ForceRow], *, has_height: bool) -> PageTable | None:
    """Return the force at compressions with the deflection and the gap that they mean, or at deflections."""
    if not rows:
        return None
    content = rows[0].loading.content_pct
    heads: list[tuple[str, Callable[[ForceRow], str]]] = [
        ("deflection, mm", lambda row: _length(row.deflection_mm)),
        ("deflection, in", lambda row: _inches(row.deflection_mm)),
    ]
    if has_height:
        heads = [
            ("compression, %", lambda row: f"{row.compression_pct:g}"),
            *heads,
            ("gap, mm", lambda row: _length(row.gap_mm)),
            ("gap, in", lambda row: _inches(row.gap_mm)),
        ]
    return _force_cells(caption, rows, heads, content)


def gap_table(caption: str, rows: Sequence[ForceRow]) -> PageTable | None:
    """Return the force at gaps between platens."""
    if not rows:
        return None
    heads: list[tuple[str, Callable[[ForceRow], str]]] = [
        ("gap, mm", lambda row: f"{row.gap_mm:g}"),
        ("gap, in", lambda row: _inches(row.gap_mm)),
    ]
    return _force_cells(caption, rows, heads, rows[0].loading.content_pct)


def _force_cells(
    caption: str,
    rows: Sequence[ForceRow],
    heads: Sequence[tuple[str, Callable[[ForceRow], str]]],
    content: float,
) -> PageTable:
    headings = (
        *(heading for heading, _ in heads),
        *("n", "force, N", "+- (95 %), N", f"{content:g} % of pieces, N"),
        *("unloading, N", "force, lbf", f"{content:g} % of pieces, lbf"),
    )
    pound = us_factor("N") or 1.0
    several = any(row.loading.n > 1 for row in rows)
    cells = []
    for row in rows:
        force, u, back_n = row.loading, force_u(row.loading), row.unloading_n
        # the columns of single pieces say nothing, and so are left out
        half = band = us_band = NOTHING
        if several:
            band, us_band = (tolerance_ends(force, spread_u(force), factor) for factor in (1.0, pound))
            if force.low is not None and force.high is not None:
                half = rounded((force.high - force.low) / 2, u)
        back = NOTHING if back_n is None else rounded(back_n, shown_u(back_n, u))
        pounds = rounded(pound * force.mean, shown_u(pound * force.mean, pound * u))
        read = (read(row) for _, read in heads)
        cells.append((*read, str(force.n), rounded(force.mean, u), half, band, back, pounds, us_band))
    return filled(caption, headings, cells)


def force_u(figures: BatchFigures) -> float:
    """Return what to round a force to."""
    return shown_u(figures.mean, figures.u or figures.shared_u)


def _length(mm: float | None) -> str:
    return NOTHING if mm is None else f"{mm:.1f}"


def _inches(mm: float | None) -> str:
    return NOTHING if mm is None else f"{(us_factor('mm') or 1.0) * mm:.3f}"


def uncertainty_table(
    caption: str, groups: Mapping[str, Mapping[str, BatchFigures]], names: Iterable[str]
) -> PageTable | None:
    """Return how the uncertainty of the means is composed, and the sources of variation between pieces."""
    rows = []
    for name in names:
        for group, figures in groups.items():
            found = figures.get(name)
            if found is None or found.u is None or found.low is None or found.high is None:
                continue
            scatter, half = sqrt(max(found.u**2 - found.shared_u**2, 0.0)), (found.high - found.low) / 2
            split = found.spread
            parts = (None,) * 3 if split is None else (split.rig_pct, split.within_pct, split.between_pct)
            rows.append(
                (
                    quantity(name).heading,
                    group,
                    rounded(found.mean, found.u),
                    rounded(scatter, scatter),
                    NOTHING if found.shared_u <= 0 else rounded(found.shared_u, found.shared_u),
                    rounded(found.u, found.u),
                    rounded(half, half),
                    *(NOTHING if pct is None else f"{pct:.0f}" for pct in parts),
                )
            )
    if not rows:
        return None
    headings = (
        "quantity", "pieces of", "mean", "u, pieces", "u, calibration", "u", "+- (95 %)", "spread: rig, %",
        "within a piece, %", "between pieces, %",
    )  # fmt: skip
    return filled(caption, headings, rows)
