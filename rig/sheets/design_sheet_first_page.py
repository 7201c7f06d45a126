"""The first page of a design sheet: what the designer of a machine asks for, on one printed page.

Problem: a designer wants the force at a gap, the gap for a force, how far pieces and batches differ and what
wears off, not how it was measured. Plan: the answers in a sentence each, the curve beside the key figures,
tables for round numbers, a calculator on screen, and the cautions; all else follows as an appendix.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import isfinite, nan

from rig.core import BOTH, METRIC, US, counted, in_chosen_units, quantity, rounded, shown_u
from rig.population import UNSTATED, BatchFigures, PieceResult
from rig.results.design_sheet import DIAMETER, MASS, ComparableSet, DesignSheet, Photo
from rig.results.design_sheet_forces import ForceRow, GapRow
from rig.results.design_sheet_headline import HEIGHT_LOST, KEY_FORCE, KEY_PCT, KEY_STIFFNESS
from rig.sheets.comparison_report import comparison_sentence
from rig.sheets.design_sheet_calculator import calculator
from rig.sheets.design_sheet_tables import NOTHING, force_u, interval_of, spread_u, us_words
from rig.sheets.page import Block, Columns, PageTable, Picture, Points, Words
from rig.units import us_factor, us_name

MOST_GROUPS = 4
"""More columns do not fit on a page; the appendix has all groups."""

LEAST_SHARE = 1e-3
"""Means without a range are rounded to this share of their value at the finest."""

CAUTIONS = (
    "A nip draws in fingers, hair and sleeves, and a squeezed part stores energy and springs back when it "
    "slips: guard it, and stop the machine before you reach in. A risk assessment by someone competent "
    "and local rules come first.",
    "These forces are for flat platens at this rate. Rollers squeeze faster over a smaller area, cold "
    "parts are stiffer and moulds differ: make the gap adjustable.",
)

SECANT = "secant_n_per_mm"

KEY_FIGURES = (
    ("mass", MASS),
    ("diameter", DIAMETER),
    (f"force at {KEY_PCT:g} % compression", KEY_FORCE),
    (f"stiffness (secant to {KEY_PCT:g} %)", KEY_STIFFNESS),
    ("stiffness (secant to the peak)", SECANT),
    ("energy return", "energy_return_pct"),
    ("force retention at 10 s", "force_retention_10s_pct"),
    ("permanent set within a capture", "set_last_mm"),
    ("height lost since the first capture", HEIGHT_LOST),
)
"""Rows of the key figures; the secant to the peak only where there is none to the headline compression."""


LOSSES = ("set_last_mm", HEIGHT_LOST)
"""Where the interval includes zero, a bound says more than a figure that is noise."""


def first_page(sheet: DesignSheet, *, picture: Picture | None, units: str = BOTH) -> tuple[Block, ...]:
    """Return the blocks of the first page.

    `picture`: force against the gap, or against deflection where no height is known; None without curves.
    `units`: "metric", "us" or "both".
    """
    comparable = main_set(sheet)
    groups = dict(list(comparable.groups.items())[:MOST_GROUPS])
    blocks: list[Block] = [
        *_invented(sheet),
        *(Words(in_chosen_units(sentence, units), "answer") for sentence in design_sheet_answers(sheet)),
    ]
    figures = _key_figures(sheet, comparable, list(groups), units)
    left: list[Block] = [picture] if picture is not None else []
    photos = [
        Picture(photo_name(place, photo), photo.caption, photo.caption, photo=True)
        for place, photo in enumerate(sheet.photos, start=1)
    ]
    blocks.append(Columns((tuple(left), (*photos, figures))) if left else Columns(((*photos, figures),)))
    for system in (METRIC, US):
        if system in comparable.rounded and units in (system, BOTH):
            blocks.append(_tables(comparable, list(groups), system))
    form = None
    if comparable.height_mm is not None:
        form = calculator(comparable.groups, comparable.stands_mm, comparable.height_mm, us=units == US)
    if form is not None:
        blocks.append(form)
    blocks.append(Points((in_chosen_units(_how_measured(sheet, comparable), units), *CAUTIONS)))
    return tuple(blocks)


def _how_measured(sheet: DesignSheet, comparable: ComparableSet) -> str:
    """Return at what rate, at what temperature and after how many squeezes the figures hold."""
    stated = comparable.circumstances
    own = {result.capture for results in comparable.groups.values() for result in results}
    cycles = sorted({found.cycles + found.left_out for found in sheet.captures if found.capture in own})
    count = " to ".join(dict.fromkeys(str(number) for number in (cycles[0], cycles[-1])))
    return (
        f"Measured at a rate of {stated.get('rate', UNSTATED)}; temperature "
        f"{stated.get('temperature', UNSTATED)}; {count} squeeze{'s' * (count != '1')} per capture "
        f"(conditioning: {stated.get('conditioning', UNSTATED)})."
    )


def photo_name(place: int, photo: Photo) -> str:
    """Return the name of a photograph's file; places count from one."""
    return f"photo-{place}{photo.ending}"


def design_sheet_answers(sheet: DesignSheet) -> list[str]:
    """Return the answers of a sheet in SI, one sentence each: force, batches, what abuse changed."""
    comparable = main_set(sheet)
    sentences = list(_force_sentences(comparable))
    for comparison in comparable.comparisons:
        for difference in comparison.differences:
            if difference.quantity in (KEY_FORCE, SECANT) and difference.low is not None:
                sentences.append(comparison_sentence(difference))
                break
    sentences += _lost_sentences(comparable)
    return sentences


def sets_sentences(sheet: DesignSheet) -> list[str]:
    """Return what the supplier should know where captures fall into several sets, and how to join them."""
    if len(sheet.sets) < 2:
        return []
    names = [
        name
        for name in dict.fromkeys(name for comparable in sheet.sets for name in comparable.circumstances)
        if len({comparable.circumstances.get(name) for comparable in sheet.sets} - {UNSTATED, None}) > 1
    ]
    different = ", ".join(names)
    return [
        f"These captures were measured under {len(sheet.sets)} different conditions ({different}). "
        f'They are listed separately; --although "{different}" pools them.'
    ]


def main_set(sheet: DesignSheet) -> ComparableSet:
    """Return the set that the first page is about: the one with the most captures."""
    return max(sheet.sets, key=lambda comparable: sum(map(len, comparable.groups.values())))


def _invented(sheet: DesignSheet) -> Iterator[Block]:
    if sheet.all_invented:
        yield Words(
            "All numbers on this sheet are invented for a demonstration: do not design with them.", "caution"
        )
    elif sheet.invented:
        names = ", ".join(sheet.invented[:6]) + (" ..." if len(sheet.invented) > 6 else "")
        yield Words(f"Some numbers on this sheet are invented: {names}.", "caution")


def _force_sentences(comparable: ComparableSet) -> Iterator[str]:
    """Return the force at the headline depth for the first group; the others are compared with it."""
    for group, rows in comparable.compression.items():
        if not rows:
            continue
        # the deepest rows hold only the pieces that took least set
        most = max(row.loading.n for row in rows)
        deepest = [row for row in rows if row.loading.n == most][-1]
        key = [row for row in rows if row.compression_pct == KEY_PCT and 2 * row.loading.n > most]
        row = key[0] if key else deepest
        force = row.loading
        where = (
            f"{row.compression_pct:g} % compression (gap {row.gap_mm:.1f} mm)"
            if row.compression_pct is not None
            else f"a deflection of {row.deflection_mm:.1f} mm"
        )
        basis = counted(force.n, "piece")
        sentence = f"{group}: {rounded(force.mean, force_u(force))} N at {where}"
        if force.most_from is not None and force.tolerance_high is not None:
            ends = _ends_words(force.most_from, force.tolerance_high, "N", spread_u(force))
            sentence += f"; {force.content_pct:g} % of pieces lie within {ends}"
            basis = f"{force.confidence_pct:g} % confidence, {basis}"
        yield f"{sentence} ({basis})."
        return


def _lost_sentences(comparable: ComparableSet) -> Iterator[str]:
    """Yield the height that pieces of a state have lost since they were new."""
    for group, figures in comparable.figures.items():
        lost = figures.get(HEIGHT_LOST)
        if lost is None:
            continue
        own_u = (result.u.get(HEIGHT_LOST, nan) for result in comparable.groups[group])
        u = lost.u if lost.u is not None else max(own_u, default=nan)
        u = shown_u(lost.mean, u if isfinite(u) else 0.0)
        verb = "lost" if lost.mean >= 0 else "gained"
        interval = ""
        if lost.low is not None and lost.high is not None:
            interval = f", 95 % interval {_ends_words(lost.low, lost.high, 'mm', u)}"
        yield (
            f"{group}: {verb} {rounded(abs(lost.mean), u)} mm of height since the first capture "
            f"({counted(lost.n, 'piece')}{interval})."
        )


def _key_figures(
    sheet: DesignSheet, comparable: ComparableSet, groups: Sequence[str], units: str
) -> PageTable:
    rows: list[tuple[str, ...]] = []
    headed = any(KEY_STIFFNESS in comparable.figures[group] for group in groups)
    for title, name in KEY_FIGURES:
        if name == SECANT and headed:
            continue
        cells = tuple(_figure(sheet, comparable, group, name, units) for group in groups)
        if any(cell != NOTHING for cell in cells):
            rows.append((f"{title}, {_unit_words(quantity(name).unit, units)}", *cells))
    counts = {group: _pieces(comparable, group) for group in groups}
    heads = (f"{group} ({count})" for group, count in counts.items())
    of_one = 1 in counts.values() or any("from 1 piece" in cell for row in rows for cell in row)
    alone = "; of one piece, ± is that of its measurement" * of_one
    return PageTable(f"Key figures: mean ± 95 % (number of pieces){alone}", ("", *heads), tuple(rows))


def _pieces(comparable: ComparableSet, group: str) -> int:
    return len({(result.batch, result.piece) for result in comparable.groups[group]})


def _figure(sheet: DesignSheet, comparable: ComparableSet, group: str, name: str, units: str) -> str:
    """One figure of a group: of the main set, else of another one, else of the register."""
    batch = comparable.groups[group][0].batch
    places: list[tuple[Mapping[str, BatchFigures], Sequence[PieceResult]]] = [
        (comparable.figures[group], comparable.groups[group])
    ]
    places += [(other.figures[group], other.groups[group]) for other in sheet.sets if group in other.figures]
    places.append((sheet.sizes.get(batch or "", {}), ()))
    for figures, results in places:
        found = figures.get(name)
        if found is None:
            continue
        low, high = found.low, found.high
        # the heading counts the pieces of the group: some may not have this figure
        basis = f" from {counted(found.n, 'piece')}" * (found.n != _pieces(comparable, group))
        if name in LOSSES and low is not None and high is not None and low <= 0 <= high:
            return _below(max(-low, high), quantity(name).unit, units, basis)
        if isfinite(found.mean):
            low, high, u = interval_of(found, results)
            metric, us = rounded(found.mean, u), us_words(found.mean, quantity(name).unit, u).split(" ")[0]
            if low is not None and high is not None:
                half = (high - low) / 2
                metric = f"{metric} ± {rounded(half, u)}"
                factor = us_factor(quantity(name).unit) or 1.0
                fine = shown_u(factor * found.mean, factor * u)
                us += f" ± {rounded(factor * half, fine)}" if us != NOTHING else ""
            if us == NOTHING or units == METRIC:
                return metric + basis
            return us + basis if units == US else f"{metric}{basis}\n{us}"
    return NOTHING


def _below(bound: float, unit: str, units: str, basis: str) -> str:
    """Return a bound of a loss that the noise hides, in the reader's units."""
    metric, us = (f"below {rounded(value, value)}" for value in (bound, (us_factor(unit) or 1.0) * bound))
    return {METRIC: metric + basis, US: us + basis}.get(units, f"{metric}{basis}\n{us}")


def _unit_words(unit: str, units: str) -> str:
    us = us_name(unit)
    if not us or units == METRIC:
        return unit
    return us if units == US else f"{unit} (below: {us})"


def _ends_words(low: float, high: float, unit: str, u: float) -> str:
    return f"{rounded(low, u)} to {rounded(high, u)} {unit}"


def _tables(comparable: ComparableSet, groups: Sequence[str], system: str) -> Columns:
    """Return the force at round gaps beside gaps at round forces."""
    tables = comparable.rounded[system]
    force, length, per_force, per_length = "N", "mm", 1.0, 1.0
    if system == US:
        force, length = us_name("N"), us_name("mm")
        per_force, per_length = us_factor("N") or 1.0, us_factor("mm") or 1.0
    rows_at = {group: {row.gap_mm: row for row in tables.force_at_gap.get(group, ())} for group in groups}
    gaps = sorted({gap for rows in rows_at.values() for gap in rows if gap is not None}, reverse=True)
    at_gap = tuple(
        (f"{per_length * gap:.4g}", *(_force_cell(rows_at[group].get(gap), per_force) for group in groups))
        for gap in gaps
    )
    at_force = tuple(
        (
            f"{per_force * row.force_n:.4g}",
            *(_gap_cell(row, group, per_length) for group in groups),
            _adjustment_cell(row, per_length),
        )
        for row in tables.gap_at_force
    )
    content = next((row.loading.content_pct for rows in rows_at.values() for row in rows.values()), 90.0)
    small = f"mean; small: {content:g} % of pieces, 95 % confidence"
    left = PageTable(f"Force at a gap, {force}: {small}", (f"gap, {length}", *groups), at_gap)
    headings = (f"force, {force}", *groups, "adjust over")
    right = PageTable(f"Gap for a force, {length}: {small}", headings, at_force)
    return Columns(((left,), (right,)))


def _force_cell(row: ForceRow | None, factor: float) -> str:
    return NOTHING if row is None else _with_range(row.loading, factor, force_u(row.loading))


def _gap_cell(row: GapRow, group: str, factor: float) -> str:
    gap = row.gaps.get(group)
    return NOTHING if gap is None else _with_range(gap, factor, gap.u or 0.0)


def _with_range(figures: BatchFigures, factor: float, u: float) -> str:
    low, high = figures.most_from, figures.tolerance_high
    if low is None or high is None:
        return rounded(factor * figures.mean, factor * max(u, LEAST_SHARE * abs(figures.mean)))
    # the range over pieces says how many digits of the mean matter to a builder
    fine = factor * (high - low) / 2
    mean, *ends = (rounded(factor * value, fine) for value in (figures.mean, low, high))
    return f"{mean}\n{ends[0]} to {ends[1]}"


def _adjustment_cell(row: GapRow, factor: float) -> str:
    ends = row.adjustment_mm
    if ends is None:
        return NOTHING
    fine = factor * (ends[1] - ends[0]) / 2
    return f"{rounded(factor * ends[0], fine)} to {rounded(factor * ends[1], fine)}"
