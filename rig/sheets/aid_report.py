"""Answers for builders on the screen and on paper: what to set, in two systems of units, and the formulas.

Problem: a builder reads one number and builds; it must stand with its interval, its unit in both worlds,
where it is from and where it stops being right. Plan: the answer in sentences, rows of value, 95 % interval
and US units, then each formula with source and limits, then what was left out. Cost: a picture or two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite
from pathlib import Path

from rich.table import Table

from rig import sheets
from rig.aids import COLUMNS, Formula, LiftAnswer, NipAnswer, RetentionAnswer
from rig.core import BOTH, METRIC, chosen_units, in_chosen_units, rounded, shown_u
from rig.core.measured import Measured
from rig.population import BatchFigures
from rig.sheets.page import Facts, Page, PageTable, Section, Words, beside, listed, not_empty, save_page
from rig.sheets.tables import empty_table, rich_table
from rig.units import us_factor, us_name

ANSWER_ROWS = ("what", "value", "95 % from", "to", "unit", "US", "of")


NIP_CAUTION = (
    "A nip draws in fingers, hair and sleeves: guard it, and stop it before you reach in. A risk assessment "
    "by someone competent and local rules come first."
)
LIFT_CAUTION = (
    "A long piece swings and can slip out of the grip: keep people out of its path and out from under it. "
    "A risk assessment by someone competent and local rules come first."
)
PULL_CAUTION = (
    "A cap flies when it comes off, and the drive jerks: wear eye protection and stand aside. Local rules "
    "come first."
)


@dataclass(frozen=True, slots=True)
class AidSheet:
    """An answer as it is shown.

    `answer`: sentences, the most wanted first.
    `caution`: what such a machine can do to a person; it stands beside the answer.
    """

    title: str
    answer: tuple[str, ...]
    cells: tuple[PageTable, ...]
    formulas: tuple[Formula, ...]
    notes: tuple[str, ...]
    caution: str

    @property
    def sentences(self) -> tuple[str, ...]:
        """The answer in both systems of units; in SI once the reader chose, who then sees theirs."""
        system = BOTH if chosen_units() is None else METRIC
        return tuple(in_chosen_units(sentence, system) for sentence in self.answer)

    def tables(self, *, plain: bool) -> list[Table]:
        """Return the tables for the terminal, the formulas last."""
        return [
            *(rich_table(cell, plain=plain) for cell in self.cells),
            formula_table(self.formulas, plain=plain),
        ]


def formula_table(formulas: Sequence[Formula], *, plain: bool) -> Table:
    """Return each formula with its source and its limits; long cells are folded."""
    table = empty_table("Formulas", plain=plain)
    for heading in ("gives", "formula", "source", "limits"):
        table.add_column(heading, overflow="fold")
    for formula in formulas:
        table.add_row(formula.gives, formula.formula, formula.source, formula.limits)
    return table


def us_text(value: float, u: float, unit: str) -> str:
    """Return a value in US units with their name; empty where both systems use the same, or one was chosen.

    Examples
    --------
    >>> us_text(25.4, 0.254, "mm")
    '1.000 in'
    """
    many = us_factor(unit)
    if many is None or not isfinite(value) or chosen_units() is not None:
        return ""
    return f"{rounded(value * many, u * many)} {us_name(unit)}"


def nip_sheet(answer: NipAnswer) -> AidSheet:
    """Return what a nip does, for the screen or a page."""
    nip, figures = answer.nip, answer.figures
    rows = [
        _of_pieces("gap", figures["gap_mm"], "mm"),
        _most_pieces("gap of most pieces", figures["gap_mm"], "mm"),
        _of_pieces("squeeze at that force", figures["deflection_mm"], "mm"),
        _of_pieces("force lost per unit of gap", figures["sensitivity_n_per_mm"], "N/mm"),
    ]
    if "force_at_gap_n" in figures:
        rows.append(_of_pieces("force at the mean gap", figures["force_at_gap_n"], "N"))
        rows.append(_most_pieces("force of most pieces at that gap", figures["force_at_gap_n"], "N"))
    rows += [
        _derived("grip of each side", answer.grip_n, "N"),
        _bare("travel while squeezed", answer.travel_mm, "mm"),
    ]
    for number, patch_mm in enumerate(answer.patch_mm, start=1):
        which = f"wheel {number}" if len(answer.patch_mm) > 1 else "the wheel"
        rows.append(_bare(f"contact length at {which}", patch_mm, "mm"))
    if answer.plate_patch_mm is not None:
        rows.append(_bare("contact length on the plate", answer.plate_patch_mm, "mm"))
    if "loss_mj" in figures:
        rows.append(_of_pieces("energy lost per pass", figures["loss_mj"], "mJ"))
    rows += _speeds(answer)
    rows += [
        _bare(what, value, "mm")
        for what, name in (
            ("adjustment between batch means", "between_batches"),
            ("the same, including their intervals", "between_batches_most"),
            ("adjustment that suits nearly every piece", "every_piece"),
        )
        if (value := answer.adjustment[name]) is not None
    ]
    wheels = f"radius {' and '.join(f'{wheel:g} mm' for wheel in nip.wheels_mm)}"
    what = f"wheel of {wheels} against a plate" if nip.against_plate else f"wheels of {wheels}"
    caption = f"Nip: {what}, pieces of {answer.size_mm.value:.4g} mm, {nip.force_n:.4g} N wanted"
    cells = [PageTable(caption, ANSWER_ROWS, tuple(rows))]
    if len(answer.by_batch) > 1:
        batches = tuple(_of_pieces(name, figures, "mm") for name, figures in answer.by_batch.items())
        cells.append(PageTable("Gap of each batch", ("batch", *ANSWER_ROWS[1:]), batches))
    if answer.line:
        cells.append(PageTable("At line speed", ANSWER_ROWS, tuple(_line_rows(answer))))
    title = f"Nip: gap for {nip.force_n:.4g} N"
    said = tuple(_nip_sentences(answer))
    return AidSheet(title, said, tuple(cells), answer.formulas, answer.notes, NIP_CAUTION)


def lift_sheet(answer: LiftAnswer) -> AidSheet:
    """Return what a lift asks for, for the screen or a page."""
    shown = (
        ("mass", answer.mass_g, "g"),
        ("centre of mass, from the near end", answer.centre_mm, "mm"),
        ("both readings minus the mass", answer.misfit_g, "g"),
        ("torque in the grip", answer.torque_n_mm, "N mm"),
        ("margin of the grip", answer.grip_margin, ""),
        ("torque at the joint", answer.joint_torque_n_mm, "N mm"),
        ("margin of the joint", answer.joint_margin, ""),
    )
    rows = tuple(_derived(what, value, unit) for what, value, unit in shown if value is not None)
    said = [f"The piece balances {_with_u(answer.centre_mm, 'mm')} from its near end."]
    for what, torque, margin in (
        ("grip", answer.torque_n_mm, answer.grip_margin),
        ("joint", answer.joint_torque_n_mm, answer.joint_margin),
    ):
        if torque is not None:
            said.append(f"The {what} has to hold {_with_u(torque, 'N mm')}.")
        if margin is not None:
            verdict = "enough" if margin.value >= 1 else "too little"
            said.append(f"It can hold {_number(margin)} times that: {verdict}.")
    cells = (PageTable("Lift", ANSWER_ROWS, rows), _parts_table(answer))
    title = "Lift: balance and torques"
    return AidSheet(title, tuple(said), cells, answer.formulas, answer.notes, LIFT_CAUTION)


def pull_sheet(answer: RetentionAnswer, about_captures: Sequence[str] = ()) -> AidSheet:
    """Return how firmly caps hold, for the screen or a page; notes on its captures join the notes."""
    shown = (
        ("peak pull-off force, first pull", "first_peak_pull_n", "N"),
        ("peak pull-off force, all pulls", "mean_peak_pull_n", "N"),
        ("force at first slip, first pull", "first_slip_pull_n", "N"),
        ("slip before the peak, first pull", "slip_before_peak_mm", "mm"),
        ("displacement to pull-off, first pull", "travel_off_mm", "mm"),
        ("work of the first pull", "pull_work_mj", "mJ"),
        ("change of the peak per pull", "change_per_pull_pct", "%"),
    )
    rows = [
        _of_pieces(what, answer.figures[name], unit) for what, name, unit in shown if name in answer.figures
    ]
    if "first_peak_pull_n" in answer.figures:
        rows.insert(1, _most_pieces("of most pieces", answer.figures["first_peak_pull_n"], "N"))
    cells = [PageTable("Retention", ANSWER_ROWS, tuple(rows))]
    if len(answer.by_batch) > 1:
        batches = tuple(_of_pieces(name, figures, "N") for name, figures in answer.by_batch.items())
        cells.append(PageTable("First peak of each batch", ("batch", *ANSWER_ROWS[1:]), batches))
    cells.append(_pulls_table(answer))
    peak = answer.figures.get("first_peak_pull_n")
    said = ["No first pull counts, so nothing is known about a new piece."]
    if peak is not None:
        said = [f"A new piece comes off at {_mean_with_interval(peak, 'N')}."]
    if peak is not None and peak.n == 1:
        only = next(piece for piece in answer.pieces if isfinite(piece.peak_n[0]))
        measured = Measured(float(only.peak_n[0]), float(only.u_of("peak_n")[0]))
        said = [
            f"{only.result.piece} let go at {_with_u(measured, 'N')}; this says nothing about other pieces."
        ]
    if peak is not None and peak.most_from is not None:
        said.append(
            f"{peak.content_pct:g} % of pieces hold between {_digits(peak.most_from, peak.sd)} and "
            f"{_digits(peak.tolerance_high, peak.sd)} N, with {peak.confidence_pct:g} % confidence, if "
            "they are normally distributed."
        )
    change = answer.figures.get("change_per_pull_pct")
    if change is not None:
        said.append(f"The peak changes by {_mean_with_interval(change, '%')} with each pull.")
    notes = tuple(dict.fromkeys((*answer.notes, *about_captures)))
    title = "Pull: retention of a pressed-on cap"
    return AidSheet(title, tuple(said), tuple(cells), answer.formulas, notes, PULL_CAUTION)


def save_nip_report(answer: NipAnswer, folder: Path) -> Path:
    """Write a nip's page with its picture."""
    return _save_page(nip_sheet(answer), sheets.save_nip_plots(answer, folder), folder / "nip.html")


def save_lift_report(answer: LiftAnswer, folder: Path) -> Path:
    """Write a lift's page."""
    return _save_page(lift_sheet(answer), [], folder / "lift.html")


def save_pull_report(answer: RetentionAnswer, folder: Path, about_captures: Sequence[str] = ()) -> Path:
    """Write the page of pulls with its picture."""
    sheet = pull_sheet(answer, about_captures)
    return _save_page(sheet, sheets.save_pull_plots(answer, folder), folder / "pull.html")


def _save_page(sheet: AidSheet, pictures: Sequence[tuple[str, Path]], path: Path) -> Path:
    formulas = tuple(
        (formula.gives, f"{formula.formula}. Source: {formula.source}. Limits: {formula.limits}.")
        for formula in sheet.formulas
    )
    sections = not_empty(
        Section(
            "Answer",
            (*(Words(sentence, "answer") for sentence in sheet.sentences), Words(sheet.caution, "caution")),
        ),
        Section("Pictures", beside(pictures)),
        Section("Tables", sheet.cells),
        Section("Formulas", (Facts(formulas),)),
        Section("Notes", listed(sheet.notes)),
    )
    return save_page(Page(sheet.title, "", sections), path)


def _nip_sentences(answer: NipAnswer) -> list[str]:
    nip, gap = answer.nip, answer.figures["gap_mm"]
    slope = answer.figures["sensitivity_n_per_mm"]
    said = [
        f"Set the gap to {_mean_with_interval(gap, 'mm')} for {nip.force_n:.4g} N.",
        f"The force falls by {slope.mean:.3g} N/mm as the gap opens.",
    ]
    force = answer.figures.get("force_at_gap_n")
    if force is not None and force.most_from is not None:
        said.append(
            f"At that gap, {force.content_pct:g} % of pieces are held with "
            f"{_digits(force.most_from, force.sd)} to {_digits(force.tolerance_high, force.sd)} N."
        )
    said.append(f"Each side grips with {_with_u(answer.grip_n, 'N')}.")
    if nip.friction.value <= answer.needed_friction:
        said.append(
            f"Not drawn in: friction of {nip.friction.value:g} is too low; this gap needs more than "
            f"{answer.needed_friction:.2f}. Push the piece in, widen the gap or use a larger wheel."
        )
    speed, no_slip = answer.filled_speed_mm_per_s, answer.no_slip_mm_per_s
    if nip.friction.value > answer.needed_friction and speed is not None and no_slip is not None:
        least = "friction gives more than that" if speed.value >= no_slip else "friction gives less"
        said.append(
            f"Without slip a piece leaves at {no_slip / 1000:.3g} m/s; {least}: "
            f"{_with_u(speed.scaled(1e-3), 'm/s')} at most."
        )
    need = answer.adjustment["between_batches_most"] or answer.adjustment["between_batches"]
    if need is not None:
        said.append(f"For these batches the gap must be adjustable by {need:.2g} mm.")
    return said


def _speeds(answer: NipAnswer) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    if answer.nip.friction.value <= answer.needed_friction:
        return rows
    for what, speed in (
        ("highest speed that friction can give", answer.friction_speed_mm_per_s),
        ("the same, with force rising and falling", answer.filled_speed_mm_per_s),
    ):
        if speed is not None:
            rows.append(_derived(what, speed.scaled(1e-3), "m/s"))
    if answer.no_slip_mm_per_s is not None:
        rows.append(_bare("no-slip bound", answer.no_slip_mm_per_s / 1000, "m/s"))
    return rows


def _line_rows(answer: NipAnswer) -> list[tuple[str, ...]]:
    line = answer.line
    rows = [
        _bare("squeeze rate", line["rate_mm_per_s"], "mm/s"),
        _bare("time under the wheel", 1000 * line["time_squeezed_s"], "ms"),
    ]
    if answer.trend is not None:
        trend = answer.trend
        ends = trend.interval_pct or (None, None)
        numbers = (f"{trend.growth_pct:.2g}", *("-" if end is None else f"{end:.2g}" for end in ends))
        rows.append(("force gain for a tenfold rate", *numbers, "%", "", f"{trend.pieces} pieces"))
    if "factor" in line:
        rows.append(_derived("force at line rate over force in the test", line["factor"], ""))
        rows.append(_bare("equivalent platen force", line["platen_force_n"], "N"))
        if line["gap_mm"] is not None:
            rows.append(_derived("gap at line rate", line["gap_mm"], "mm"))
    return rows


def _parts_table(answer: LiftAnswer) -> PageTable:
    """What leaves the answers in doubt."""
    shown = (
        ("centre of mass", answer.centre_mm, "mm"),
        ("torque in the grip", answer.torque_n_mm, "N mm"),
        ("torque at the joint", answer.joint_torque_n_mm, "N mm"),
    )
    rows = [
        (what, name.removesuffix("_g").removesuffix("_mm").replace("_", " "), f"{abs(part):.2g}", unit)
        for what, value, unit in shown
        if value is not None
        for name, part in sorted(value.parts.items(), key=lambda pair: -abs(pair[1]))
        if abs(part) > 0.01 * value.u
    ]
    return PageTable("Standard uncertainty from", ("of", "input", "contribution", "unit"), tuple(rows))


def _pulls_table(answer: RetentionAnswer) -> PageTable:
    """Return each pull; after a number its standard uncertainty with the calibration's part."""
    rows = []
    for piece in answer.pieces:
        columns = [(piece.columns[name], piece.u_of(name)) for name in COLUMNS]
        for place in range(len(piece.peak_n)):
            read = [(float(values[place]), float(u[place])) for values, u in columns]
            shown = (
                f"{rounded(value, u)} ({u:.1g})" if isfinite(value) and 0 < u < inf else rounded(value, u)
                for value, u in read
            )
            rows.append((piece.result.piece, piece.result.capture, str(place + 1), *shown))
    headings = ("piece", "capture", "pull", "peak N", "first slip N", "slip mm", "travel mm", "work mJ")
    return PageTable("Pulls (standard uncertainty)", headings, tuple(rows))


def _of_pieces(what: str, figures: BatchFigures, unit: str) -> tuple[str, ...]:
    u = _fine(figures)
    ends = ("-" if end is None else rounded(end, u) for end in (figures.low, figures.high))
    pieces = "piece" if figures.n == 1 else "pieces"
    return (
        what,
        rounded(figures.mean, u),
        *ends,
        unit,
        us_text(figures.mean, u, unit),
        f"{figures.n} {pieces}",
    )


def _most_pieces(what: str, figures: BatchFigures, unit: str) -> tuple[str, ...]:
    """Return the interval that holds most pieces."""
    if figures.most_from is None or figures.tolerance_high is None:
        return (what, "-", "-", "-", unit, "", "not available for one piece")
    u = shown_u(figures.mean, (figures.sd or 0.0) / 3)
    ends = (figures.most_from, figures.tolerance_high)
    us = [us_text(end, u, unit).split() for end in ends]
    both = f"{us[0][0]} to {' '.join(us[1])}" if us[0] else ""
    content = f"{figures.content_pct:g} % of pieces, {figures.confidence_pct:g} % sure"
    return (what, "", *(rounded(end, u) for end in ends), unit, both, content)


def _derived(what: str, found: Measured, unit: str) -> tuple[str, ...]:
    u = found.u or abs(found.value) / 100
    return (
        what,
        rounded(found.value, u),
        *(rounded(end, u) if found.u else "-" for end in found.interval()),
        unit,
        us_text(found.value, u, unit),
        "",
    )


def _fine(figures: BatchFigures) -> float:
    """Return what a mean and its interval are rounded to."""
    return shown_u(figures.mean, figures.u or abs(figures.mean) / 100)


def _bare(what: str, value: float, unit: str) -> tuple[str, ...]:
    return (what, f"{value:.4g}", "-", "-", unit, us_text(value, abs(value) / 100, unit), "")


def _number(found: Measured) -> str:
    low, high = found.interval()
    u = found.u or abs(found.value) / 100
    told = f" ({rounded(low, u)} to {rounded(high, u)})" if found.u else ""
    return f"{rounded(found.value, u)}{told}"


def _with_u(found: Measured, unit: str) -> str:
    u = found.u or abs(found.value) / 100
    low, high = found.interval()
    interval = f" (95 %: {rounded(low, u)} to {rounded(high, u)} {unit})" if found.u else ""
    return f"{rounded(found.value, u)} {unit}{interval}"


def _mean_with_interval(figures: BatchFigures, unit: str) -> str:
    u = _fine(figures)
    mean = f"{rounded(figures.mean, u)} {unit}"
    if figures.low is None or figures.high is None:
        return mean
    return f"{mean} (95 %: {rounded(figures.low, u)} to {rounded(figures.high, u)} {unit})"


def _digits(value: float | None, u: float | None) -> str:
    if value is None:
        return "-"
    return rounded(value, shown_u(value, (u or abs(value) / 100) / 3))
