"""A design sheet's sections: what it says, in the order in which a designer asks.

Problem: some hundred numbers, and a reader who wants four of them and has to be told what the others rest on.
Plan: the short answer first, then what is missing, then each subject with its table, and at the end the
captures by number, which every table names. Cost: nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

from rig import __version__
from rig.core import BOTH, counted, quantity, rounded
from rig.population import UNSTATED, BatchFigures, Comparison, PieceResult
from rig.results import ComparedPieces
from rig.results.design_sheet import (
    COMPARED,
    ENERGY,
    KNEE,
    MASS,
    PEAK,
    PERMANENT_SET,
    RELAXATION,
    ROUNDNESS,
    STIFFNESS,
    CaptureFacts,
    ComparableSet,
    DesignSheet,
)
from rig.results.design_sheet_forces import ForceRow
from rig.sheets.comparison_report import comparison_answer
from rig.sheets.design_sheet_changes import recovery_section, softening_blocks
from rig.sheets.design_sheet_first_page import SECANT, first_page, main_set
from rig.sheets.design_sheet_tables import (
    compression_table,
    ends,
    force_u,
    gap_table,
    quantity_table,
    uncertainty_table,
    us_words,
)
from rig.sheets.page import (
    Attachment,
    Attachments,
    Block,
    Page,
    PageTable,
    Picture,
    Points,
    Section,
    Words,
    listed,
)

FEW_PIECES = 5
"""Fewer pieces than this give a wide band of pieces."""

HEIGHTS_DIFFER = 0.02
"""A measured height this much off the stated one, relative, moves every compression."""

CAUTIONS = (
    "A nip draws in fingers, hair and sleeves: guard it, and stop the machine before you reach in.",
    "A squeezed part stores energy and releases it at once when it slips or is let go: guard it, and keep "
    "face and fingers clear.",
    "The forces are for these platens, this rate and temperature, and this conditioning. A faster "
    "squeeze, a colder part, another contact shape or a long rest changes them; measure that case.",
    "Platen force is not roller force: a roller presses on less of the piece and squeezes faster.",
    "The band of pieces is for pieces like these, as this rig reads them; another mould or recipe is "
    "another batch.",
    "A fixed gap squeezes taller pieces harder, and pieces with a permanent set less. For a fixed gap use "
    "the table of gaps, not the table of compressions.",
    "Force alone shows a knee or negative stiffness; it cannot tell bending from the plateau of a foam.",
    "The sheet says nothing about depths beyond the last row of a table, nor about more squeezes than were "
    "measured.",
)

_REMEDY = re.compile(r"[;:,] (?:`pressrig [^`]*`|set it with --)[^.;)]*")
_OPTION = re.compile(r" --[a-z]")
"""A dash that somebody typed into a name stands alone."""


def sheet_page(sheet: DesignSheet, *, units: str = BOTH, files: Sequence[Attachment] = ()) -> Page:
    """Return the sheet: its first page, and the rest as an appendix that is folded on screen.

    `units`: of the first page: "metric", "us" or "both"; the appendix gives both.
    `files`: the numbers, to be saved from the page.
    """
    sections = [
        *_identification(sheet),
        *_measured(sheet),
        *_sizes(sheet),
        *_forces(sheet),
        *_subjects(sheet),
        *recovery_section(sheet),
        *_batches(sheet),
        *_uncertainty(sheet),
        Section("Cautions", (Points(CAUTIONS),)),
        *_captures(sheet),
    ]
    appendix = [replace(section, folded=True) for section in _without_subsections(sections)]
    if files:
        appendix.insert(0, Section("The numbers as files", (Attachments(tuple(files)),)))
    pieces = {(result.batch, result.piece) for comparable in sheet.sets for result in _results(comparable)}
    days = sorted({f"{capture.started:%Y-%m-%d}" for capture in sheet.captures if capture.started})
    span = f", {' to '.join(dict.fromkeys([days[0], days[-1]]))}" if days else ""
    whose = f"{sheet.supplier}, " if sheet.supplier else ""
    whose += f"revision {sheet.revision}, " if sheet.revision else ""
    subtitle = f"{whose}{counted(len(pieces), 'piece')} in {counted(len(sheet.captures), 'capture')}{span}"
    return Page(
        sheet.title,
        subtitle,
        tuple(appendix),
        f"Made with pressrig {__version__}.",
        first_page(sheet, picture=_first_picture(sheet), units=units),
        shows_units=True,
    )


def _without_subsections(sections: Sequence[Section]) -> Iterator[Section]:
    """Join sections of level 3 to the one above them, so that they open and close with it."""
    held: list[Section] = []
    for section in sections:
        if section.level == 3 and held:
            above = held.pop()
            heading = (Words(section.title, "heading"),) if section.title else ()
            held.append(replace(above, blocks=(*above.blocks, *heading, *section.blocks)))
        else:
            held.append(section)
    yield from held


def _first_picture(sheet: DesignSheet) -> Picture | None:
    """Return the force against the gap where heights are known, else against deflection."""
    comparable = main_set(sheet)
    bands = "Dark bands: the mean; light bands: 90 % of pieces; dashed: unloading"
    if comparable.gap_bands and comparable.height_mm is not None:
        return _gap_picture(comparable, f"Force against gap. {bands}")
    if comparable.compression_bands:
        alt = force_alt(comparable.compression, "deflection")
        return Picture(f"{compression_name(comparable)}.svg", f"Force against deflection. {bands}", alt)
    return None


def _gap_picture(comparable: ComparableSet, caption: str) -> Picture:
    return Picture(f"{gap_name(comparable)}.svg", caption, force_alt(comparable.gap, "a closing gap"))


def set_title(sheet: DesignSheet, comparable: ComparableSet) -> str:
    """Name of a set with what tells it from the others."""
    if len(sheet.sets) == 1:
        return ""
    differing = [
        f"{name} {words}"
        for name, words in comparable.circumstances.items()
        if (name in {"rate", "temperature"} and words != UNSTATED)
        or len({other.circumstances.get(name) for other in sheet.sets}) > 1
    ]
    return f"Set {comparable.letter}: {', '.join(differing)}"


def compression_name(comparable: ComparableSet) -> str:
    """File of the picture of force over compression."""
    return f"force-{comparable.letter}"


def gap_name(comparable: ComparableSet) -> str:
    """File of the picture of force over the gap."""
    return f"gap-{comparable.letter}"


def pieces_name(comparable: ComparableSet) -> str:
    """File of the picture of the pieces."""
    return f"pieces-{comparable.letter}"


def force_alt(rows: Mapping[str, Sequence[ForceRow]], over: str) -> str:
    """Return what a picture of force shows, in words."""
    said = [f"Force rising over {over}. Full line: loading, with a band of pieces; dashed: unloading"]
    for group, (*_, last) in ((group, rows_of) for group, rows_of in rows.items() if rows_of):
        if last.compression_pct is not None:
            where = f"{last.compression_pct:g} %"
        elif last.gap_mm is not None:
            where = f"a gap of {last.gap_mm:g} mm"
        else:
            where = f"{last.deflection_mm:g} mm"
        said.append(f"{group}: {rounded(last.loading.mean, force_u(last.loading))} N at {where}")
    return ". ".join(said) + "."


def secants(comparable: ComparableSet) -> dict[str, BatchFigures]:
    """Return the secant stiffness of each group that has one."""
    return {group: figures[SECANT] for group, figures in comparable.figures.items() if SECANT in figures}


def pieces_alt(groups: Mapping[str, BatchFigures]) -> str:
    """Return what a picture of the secant stiffness of pieces shows, in words."""
    said = ["Every piece's secant stiffness and the mean of its group"]
    for group, figures in groups.items():
        low, high = min(figures.values), max(figures.values)
        said.append(f"{group}: {figures.n} pieces from {low:.3g} to {high:.3g} N/mm")
    return ". ".join(said) + "."


def _of_set(sheet: DesignSheet, comparable: ComparableSet) -> str:
    """Return what stands before a sentence about a set; nothing where there is only one."""
    return f"Set {comparable.letter}: " if len(sheet.sets) > 1 else ""


def _identification(sheet: DesignSheet) -> Iterator[Section]:
    groups: dict[str, list[str]] = {}
    for comparable in sheet.sets:
        for name, results in comparable.groups.items():
            groups.setdefault(name, []).extend(result.piece for result in results)
    rows = [("model", sheet.model or "not stated")]
    rows += [(name, ", ".join(dict.fromkeys(pieces))) for name, pieces in groups.items()]
    drawn = sorted({piece.drawing_size_mm for piece in sheet.pieces if piece.drawing_size_mm is not None})
    rows.append(("size on the drawing", ", ".join(f"{mm:g} mm" for mm in drawn) or "not stated"))
    moulded = sorted({piece.moulded for piece in sheet.pieces if piece.moulded})
    between = f"{moulded[0]} to {moulded[-1]}" if len(moulded) > 1 else "".join(moulded)
    rows.append(("moulded", between or "not stated"))
    whose: dict[str, list[str]] = {}
    for piece in sheet.pieces:
        for note in piece.notes:
            whose.setdefault(note, []).append(piece.piece)
    remarks = [f"{', '.join(pieces)}: {note}" for note, pieces in whose.items()]
    table = PageTable("The pieces", ("what", "which"), tuple(rows))
    yield Section("Identification", (table, *listed(remarks)))


def _measured(sheet: DesignSheet) -> Iterator[Section]:
    names = dict.fromkeys(name for comparable in sheet.sets for name in comparable.circumstances)
    rows = []
    for name in names:
        words = tuple(comparable.circumstances.get(name, "-") for comparable in sheet.sets)
        if set(words) == {UNSTATED}:
            continue  # a note below names all of them
        rows.append((f"{name} (differs)" if len(set(words)) > 1 else name, *words))
    rows.append(("captures", *(_numbers(sheet, _results(comparable)) for comparable in sheet.sets)))
    rows.append(("free height, mm", *(_heights(sheet, comparable) for comparable in sheet.sets)))
    found = [f"set {comparable.letter}" for comparable in sheet.sets] if len(sheet.sets) > 1 else ["found"]
    table = PageTable("How it was measured", ("condition", *found), tuple(rows))
    notes = [_of_set(sheet, comparable) + note for comparable in sheet.sets for note in comparable.notes]
    notes = [told for note in [*notes, *sheet.notes] if (told := for_designers(note))]
    points = (
        "The cycles of a capture follow each other without removing the piece: their mean is one value. "
        "Captures of one piece are averaged. Every figure counts pieces.",
        *dict.fromkeys(notes),
    )
    yield Section("How it was measured", (table, _calibrations(sheet), Points(points)))


def _heights(sheet: DesignSheet, comparable: ComparableSet) -> str:
    names = {result.capture for result in _results(comparable)}
    found = sorted({
        round(capture.free_height_mm, 2)
        for capture in sheet.captures
        if capture.capture in names and capture.free_height_mm is not None
    })  # fmt: skip
    return " to ".join(dict.fromkeys(f"{mm:g}" for mm in (found[0], found[-1]))) if found else "not stated"


def _calibrations(sheet: DesignSheet) -> PageTable:
    by_name: dict[tuple[str, str], list[CaptureFacts]] = {}
    for capture in sheet.captures:
        by_name.setdefault((capture.rig, capture.calibration), []).append(capture)
    rows = []
    for (rig, calibration), captures in by_name.items():
        first = captures[0]
        rows.append(
            (
                rig or "not stated",
                calibration or "none",
                first.made or "not stated",
                _expiry(captures),
                "stated" if first.has_uncertainty else "not stated",
            )
        )
    headings = ("rig", "calibration", "made", "holds until", "uncertainty")
    return PageTable("Rig and calibration", headings, tuple(rows))


def _expiry(captures: Sequence[CaptureFacts]) -> str:
    expires = captures[0].expires
    if expires is None:
        return "not stated"
    late = [
        capture
        for capture in captures
        if capture.started and capture.started.date() > date.fromisoformat(expires)
    ]
    return f"{expires}, overdue for {counted(len(late), 'capture')}" if late else expires


def _sizes(sheet: DesignSheet) -> Iterator[Section]:
    mass = quantity_table("Mass by batch", sheet.sizes, (MASS,), None)
    if mass is not None:
        how = sorted({piece.mass_how for piece in sheet.pieces if piece.mass_how})
        told = (
            (Words(f"Weighed: {', '.join(how)}. The newest weighing of each piece counts."),) if how else ()
        )
        yield Section("Mass", (mass, *told))
    names = [name for figures in sheet.sizes.values() for name in figures if name not in (MASS, ROUNDNESS)]
    size = quantity_table("Size by batch", sheet.sizes, (*dict.fromkeys(names), ROUNDNESS), None)
    if size is not None:
        words = Words(
            "Draw the mean, and leave room for the band of pieces. A mean diameter is over all "
            "measured directions."
        )
        notes = listed([*sheet.size_notes, *_heights_differ(sheet)])
        yield Section("Size to draw in CAD", (size, words, *notes))


def _heights_differ(sheet: DesignSheet) -> Iterator[str]:
    """Yield where the free height that compression counts from is not what was measured."""
    stated = [capture.free_height_mm for capture in sheet.captures if capture.free_height_mm is not None]
    for batch, figures in sheet.sizes.items():
        height = figures.get("height_mm")
        if height is None or not stated:
            continue
        mean = sum(stated) / len(stated)
        if abs(height.mean - mean) > HEIGHTS_DIFFER * mean:
            yield (
                f"{batch}: the height measured is {height.mean:.1f} mm, and compression counts from the "
                f"{mean:.1f} mm that the captures state."
            )


def _forces(sheet: DesignSheet) -> Iterator[Section]:
    words = Words(
        "Loading, unless stated otherwise. The 95 % interval is for the mean and includes the calibration; "
        "the band of pieces shows where most pieces lie. n is the number of pieces pressed that far."
    )
    yield Section("Force against compression and gap", (words,))
    for comparable in sheet.sets:
        blocks: list[Block] = []
        has_height, refs = comparable.height_mm is not None, _of_captures(sheet, _results(comparable))
        over = "compression" if has_height else "deflection"
        if comparable.compression_bands and (has_height or comparable is not main_set(sheet)):
            caption = (
                f"Force against {over} ({refs}). Dark bands: the mean; light bands: most pieces, without "
                "the calibration; dashed: unloading"
            )
            alt = force_alt(comparable.compression, over)
            blocks.append(Picture(f"{compression_name(comparable)}.svg", caption, alt))
        for group, rows in comparable.compression.items():
            caption = f"{group}: force at {over} ({_of_captures(sheet, comparable.groups[group])})"
            blocks += _there(compression_table(caption, rows, has_height=has_height))
        if comparable.gap_bands and comparable.height_mm is not None and comparable is not main_set(sheet):
            blocks.append(
                _gap_picture(comparable, f"Force against the gap between platens ({refs}); same bands")
            )
        for group, rows in comparable.gap.items():
            caption = f"{group}: force at a gap ({_of_captures(sheet, comparable.groups[group])})"
            blocks += _there(gap_table(caption, rows))
        blocks += _about_gap(sheet, comparable)
        yield Section(set_title(sheet, comparable) or "Tables and curves", tuple(blocks), 3)


def _about_gap(sheet: DesignSheet, comparable: ComparableSet) -> Iterator[Block]:
    if not comparable.gap:
        return
    heights = _heights(sheet, comparable)
    if " to " in heights:
        told = f"Each piece meets the gap with its own free height ({heights} mm)."
    elif len({round(stands, 2) for stands in comparable.stands_mm.values()}) > 1:
        told = (
            f"A new piece is {heights} mm tall, as stated in the captures; at a gap its height loss is "
            "subtracted."
        )
    else:
        told = (
            f"All pieces are assumed to be {heights} mm tall, as stated in the captures: the band at a gap "
            "leaves out differences in height."
        )
    yield Words(told)


def _there(table: PageTable | None) -> list[Block]:
    return [] if table is None else [table]


def _subjects(sheet: DesignSheet) -> Iterator[Section]:
    subjects = (
        ("Stiffness", (*PEAK, *STIFFNESS), (
            "Secant: peak force over peak deflection. Chord: between 25 % and 75 % of the peak deflection. "
            "Tangent: at the peak. Initial: between 5 % and 15 % of it."
        )),
        ("Energy", ENERGY, "Hysteresis: energy lost over energy absorbed; energy return: 100 % minus that."),
        ("Relaxation", RELAXATION, "Force after this time in a hold, in per cent of the peak force."),
        ("Permanent set and softening", PERMANENT_SET, (
            "Shift of contact since the first cycle of the capture: at the last counted cycle and as the "
            "mean over cycles, also in per cent of the free height and of the imposed deflection."
        )),
        ("Knee", KNEE, "Where the loading tangent has fallen to half its largest earlier value."),
    )  # fmt: skip
    for title, names, words in subjects:
        blocks: list[Block] = []
        for comparable in sheet.sets:
            where = f"set {comparable.letter}; " if len(sheet.sets) > 1 else ""
            caption = f"{title} ({where}{_of_captures(sheet, _results(comparable))})"
            blocks += _there(quantity_table(caption, comparable.figures, names, comparable))
        if title == "Stiffness":
            for comparable in filter(has_pieces_picture, sheet.sets):
                caption = (
                    "Secant stiffness of every piece, and the mean of its group with its 95 % interval "
                    f"({_of_captures(sheet, _results(comparable))}); a ring marks an outlier"
                )
                alt = pieces_alt(secants(comparable))
                blocks.append(Picture(f"{pieces_name(comparable)}.svg", caption, alt))
        if title.startswith("Permanent"):
            blocks += softening_blocks(sheet)
            blocks += [Words(_after_cycles(sheet))] if blocks else []
        if blocks:
            yield Section(title, (Words(words), *blocks))


def _after_cycles(sheet: DesignSheet) -> str:
    """After how many cycles a set was taken; pieces that had more of them have taken more."""
    counts = sorted({capture.cycles + capture.left_out for capture in sheet.captures})
    if len(counts) == 1:
        return f"Every capture holds {counts[0]} cycles."
    return (
        f"The captures hold {counts[0]} to {counts[-1]} cycles, and set grows with cycles: compare "
        "captures with equal numbers."
    )


def has_pieces_picture(comparable: ComparableSet) -> bool:
    """Return whether some group has pieces enough for a picture of them."""
    return max((figures.n for figures in secants(comparable).values()), default=0) > 1


def _batches(sheet: DesignSheet) -> Iterator[Section]:
    blocks: list[Block] = []
    for comparable in sheet.sets:
        for comparison in comparable.comparisons:
            first, *others = filter(None, map(for_designers, comparison_answer(ComparedPieces(comparison))))
            notes = dict.fromkeys(note for found in comparison.differences for note in found.notes)
            blocks += [
                Words(_of_set(sheet, comparable) + first, "answer"),
                _differences(sheet, comparable, comparison),
                *listed(others),
                *listed(list(notes)),
            ]
    if blocks:
        yield Section("Batches and states compared", tuple(blocks))


def _differences(sheet: DesignSheet, comparable: ComparableSet, comparison: Comparison) -> PageTable:
    rows = []
    for found in comparison.differences:
        shown, u = quantity(found.quantity), found.u or abs(found.difference) / 100 or 1e-3
        rows.append(
            (
                shown.heading,
                f"{found.second} less {found.first}",
                f"{found.n_first} pairs" if found.paired else f"{found.n_second} and {found.n_first}",
                rounded(found.difference, u),
                ends(found.low, found.high, u),
                us_words(found.difference, shown.unit, u),
                "no margin" if found.outcome is None else found.outcome.verdict,
            )
        )
    headings = ("quantity", "difference of", "pieces", "difference", "95 % interval", "US units", "verdict")
    what = "Batches" if comparison.by == "batch" else "States"
    captures = _of_captures(sheet, _results(comparable))
    return PageTable(f"{what}: {', '.join(comparison.groups)} ({captures})", headings, tuple(rows))


def _uncertainty(sheet: DesignSheet) -> Iterator[Section]:
    names = tuple(dict.fromkeys((*COMPARED, "peak_force_n", "energy_absorbed_mj", "set_mm")))
    blocks: list[Block] = [
        Words(
            "The standard uncertainty u of a mean combines two parts in quadrature: the scatter of the "
            "pieces over the root of their number, and the calibration, which is common to all pieces and "
            "does not average out. The +- column is the 95 % interval (Student)."
        )
    ]
    for comparable in sheet.sets:
        caption = f"{_of_set(sheet, comparable)}Sources of uncertainty"
        blocks += _there(uncertainty_table(caption, comparable.figures, names))
    counts = {
        group: figures.n for comparable in sheet.sets for group, figures in secants(comparable).items()
        if 1 < figures.n < FEW_PIECES
    }  # fmt: skip
    notes = [f"{group}: {n} pieces, so the band of pieces is wide." for group, n in counts.items()]
    if not all(capture.has_uncertainty for capture in sheet.captures):
        notes.append("The calibration of some captures has no uncertainty; the intervals here leave it out.")
    notes += _about_pieces(sheet)
    yield Section("Uncertainty", (*blocks, *listed(list(dict.fromkeys(notes)))))


def _about_pieces(sheet: DesignSheet) -> Iterator[str]:
    """Yield what the statistics say of odd pieces, each once with the quantities that it is about."""
    for comparable in sheet.sets:
        for group, figures in comparable.figures.items():
            about: dict[str, list[str]] = {}
            for name in COMPARED:
                for note in figures[name].notes if name in figures and figures[name].n > 1 else ():
                    about.setdefault(note, []).append(quantity(name).title)
            yield from (f"{group}, {', '.join(titles)}: {note}" for note, titles in about.items())


def _captures(sheet: DesignSheet) -> Iterator[Section]:
    of: dict[str, tuple[str, PieceResult, str]] = {}
    for comparable in sheet.sets:
        for group, results in comparable.groups.items():
            of |= {result.capture: (comparable.letter, result, group) for result in results}
    rows = []
    for number, capture in enumerate(sheet.captures, start=1):
        letter, result, group = of[capture.capture]
        started = "-" if capture.started is None else f"{capture.started:%Y-%m-%d %H:%M}"
        rows.append(
            (
                *(str(number), capture.capture, capture.id[:8] or "-", result.piece, group, letter, started),
                *(str(capture.cycles), str(capture.left_out), capture.operator or "-"),
            )
        )
    headings = (
        "number", "capture", "id", "piece", "pieces of", "set", "started", "cycles counted", "left out", "by",
    )  # fmt: skip
    about: dict[str, list[int]] = {}
    for number, capture in enumerate(sheet.captures, start=1):
        for warning in filter(None, map(for_designers, capture.warnings[:3])):
            about.setdefault(warning, []).append(number)
    warned = [f"{_runs(numbers)}: {warning}" for warning, numbers in about.items()]
    blocks: list[Block] = [PageTable("Captures by number", headings, tuple(rows))]
    if warned:
        blocks += [Words("Notes on captures, by number:"), Points(tuple(warned[:40]))]
    yield Section("Captures behind the figures", tuple(blocks))


def for_designers(text: str) -> str:
    """Return sentences for the page's reader, without those that tell the supplier which option to use.

    Examples
    --------
    >>> for_designers("Contact is at 0.07 N. Set it with --contact-force.")
    'Contact is at 0.07 N.'
    >>> for_designers("Not calibrated: force; `pressrig calibrate` measures what is missing.")
    'Not calibrated: force.'
    """
    parts = re.split(r"(?<=\.) ", _REMEDY.sub("", text))
    return " ".join(part for part in parts if not _OPTION.search(part))


def _results(comparable: ComparableSet) -> list[PieceResult]:
    return [result for results in comparable.groups.values() for result in results]


def _of_captures(sheet: DesignSheet, results: Sequence[PieceResult]) -> str:
    numbers = _numbers(sheet, results)
    return f"capture {numbers}" if numbers.isdecimal() else f"captures {numbers}"


def _numbers(sheet: DesignSheet, results: Sequence[PieceResult]) -> str:
    """Numbers of captures, runs drawn together: "1 to 4, 7"."""
    wanted = {result.capture for result in results}
    return _runs([place for place, found in enumerate(sheet.captures, start=1) if found.capture in wanted])


def _runs(numbers: Sequence[int]) -> str:
    """Return rising numbers with their runs drawn together."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)
