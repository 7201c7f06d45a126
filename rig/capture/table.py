"""Samples from a table that somebody already has: four hand-read points, or what a laboratory wrote.

The problem: units, signs, decimal marks, headings and clocks differ, and a wrong guess gives wrong numbers
without a word. The plan: `rig.tables` finds the table and reads its cells strictly; headings and units
propose the columns, and where they allow more than one reading the table is refused with the options to
type. What was taken, guessed and left out is reported in notes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import compress
from pathlib import Path
from typing import NoReturn

import numpy as np
import pyarrow.compute as pc

from rig import units
from rig.capture.columns import (
    CLOCK,
    ColumnChoice,
    check_unit,
    choose_columns,
    is_reduced,
    match_headings,
    with_stated_units,
)
from rig.capture.held_over import find_held, on_lines
from rig.capture.resolution import estimate_resolution
from rig.capture.signs import told_signs
from rig.capture.stated_sizes import MOST_LINES, likely_area, stated_sizes
from rig.errors import InputError
from rig.samples import COUNTS, FloatArray, IntArray, RawArray, RawChannel, Samples, Sense
from rig.tables import (
    COUNTING,
    NAMES_PIECE,
    SHARES,
    WHITESPACE,
    BoolArray,
    Cells,
    Kind,
    Layout,
    lay_out,
    looks_like_clock,
    numbers_of,
    plain_number,
    plain_text,
    pressure_mpa,
    read_clock,
    read_table_text,
    spread_equal,
    tell_decimal,
)

_INDEX = re.compile(r"#[1-9]\d{0,3}")
_LATEST_US = 2.0**62
_COUNTS_RANGE = np.iinfo(np.int32)

_MEASURED: tuple[Kind, Kind] = ("force", "position")
_OF_REDUCED: dict[Kind, str] = {"position": "mm", "force": "N"}
_LARGEST: dict[Kind, float] = {"position": 1e9, "force": 1e12}
"""In mm and N: a thousand kilometres, and a hundred million tonnes."""

_USUAL: dict[Kind, float] = {"position": 2_000.0, "force": 100_000.0}
"""In mm and N, beyond any bench press: more is most often a wrong unit (common practice, no source)."""

_SCALE_OF: dict[Kind, tuple[str, str]] = {
    "position": ("--free-height", "free height"),
    "force": ("--area", "loaded area"),
}

_BLANK_LINES, _MOST_BLOCKS = 2, 20
"""Lines that part blocks of rows at the least, and blocks that may be recordings of their own."""

EVEN_SHARE, MOST_EVEN = 0.02, 0.9
"""Rows are evenly spaced if most steps of time are as near as this to the usual one."""

_SIZE_LINE = re.compile(
    r"(?i)(?=.*\d).*(?:height|length|thickness|diameter|width|area|section|h[öo]he|l[äa]nge|fl[äa]che|dicke)"
)
"""A line above the table that may say the height or the area of the piece."""

_NAMES_SPECIMEN = re.compile(
    r"(?i)[\W_]*(?:test[\W_]*)?"
    r"(?:specimens?|prüfling|[ée]prouvette|probeta|provino|pr[óo]bka|piece|試験片|试样)"
    r"[\W_]*(?:no|nr|num(?:ber|mer|[ée]ro|ero)?|n[°º]?|id|ident\w*|name|label|code|番号|编号)?[\W_]*\d*"
)
"""The whole of such a heading that is never one of a count of rows, nor of what was measured of one."""

_SAMPLING = re.compile(
    r"(?i)sampling|samples?[ _-]*(?:rate|freq|interval|period|/|per)|"
    r"(?:scan|logging|data|record\w*)[ _-]*(?:rate|freq|interval|period)|acqui|acq[ .]|abtast|"
    r"mess(?:rate|freq|takt|intervall)|échantillon|muestreo|"
    r"campionamento|bemonster|próbkowani|vzorkov|amostragem|mätfrekvens|サンプリング|采样|取样|дискрет|"
    r"(?<![^\W_])dt(?![^\W_])|Δt"
)
_INTERVAL = re.compile(
    r"(?i)interv|period|takt|(?<![^\W_])dt(?![^\W_])|Δt|(?<![^\W_])(?:pas|passo|paso|krok|steg)(?![^\W_])|"
    r"周期|間隔|间隔|интервал"
)
_RATE_VALUE = re.compile(r"(?<![\w.])\d[\d.,]*\d|(?<![\w.])\d")
_RATE_UNIT = re.compile(
    r"(?i)(?<![a-z])(khz|hz|1/s|s-1|sps|s/s|(?:samples|points|pts)(?:/| per )s\w*|msec|ms|sec\w*|s)"
    r"(?![a-z])"
)
"""A line that says how often rows were taken: one number, its unit, and a word for sampling."""
_LONGEST_RATE_LINE = 200


@dataclass(frozen=True, slots=True)
class TableForm:
    """How a table is written; what is None or zero is found from the table.

    `delimiter`: one character or "whitespace".
    `encoding`, `decimal`, `sheet`: name of the encoding, "." or ",", and the sheet of a spreadsheet.
    `skip_rows`, `until_line`: lines at the top that are left out, and the last line that is read.
    """

    delimiter: str | None = None
    encoding: str | None = None
    decimal: str | None = None
    sheet: str | None = None
    skip_rows: int = 0
    until_line: int | None = None

    def __post_init__(self) -> None:
        delimiter, decimal = self.delimiter, self.decimal
        if (
            delimiter is not None
            and delimiter != WHITESPACE
            and (len(delimiter) != 1 or delimiter in '\r\n"')
        ):
            raise InputError(f"delimiter {delimiter!r:.40}: write one character, or '{WHITESPACE}'")
        if decimal not in (None, ".", ","):
            raise InputError(f"decimal sign {decimal!r:.40}: write '.' or ','")
        if decimal is not None and decimal == delimiter:
            raise InputError(f"delimiter and decimal sign are both {decimal!r}; they must differ")
        if self.skip_rows < 0:
            raise InputError(f"rows to skip: found {self.skip_rows}; write 0 or more")
        if self.until_line is not None and self.until_line <= self.skip_rows:
            raise InputError(f"last line: found {self.until_line}; expected more than {self.skip_rows}")


@dataclass(frozen=True, slots=True)
class ImportedTable:
    """Samples from a table.

    `samples`: in the units of the table.
    `notes`: what was guessed or left out, in sentences.
    `taken`: which column each quantity came from, and its unit.
    `sha256`: of the file.
    `started`: when the first row was taken, where the table has dates.
    """

    samples: Samples
    notes: tuple[str, ...]
    taken: Mapping[Kind, ColumnChoice]
    sha256: str
    started: datetime | None = None


def import_table(
    path: Path | str,
    *,
    position: ColumnChoice | None = None,
    force: ColumnChoice | None = None,
    time: ColumnChoice | None = None,
    in_order: bool = False,
    form: TableForm | None = None,
    negate_force: bool = False,
    negate_position: bool = False,
    keep_signs: bool = False,
    sense: Sense = "compression",
    rate_hz: float | None = None,
    free_height_mm: float | None = None,
    area_mm2: float | None = None,
) -> ImportedTable:
    """Read a table as samples.

    Parameters
    ----------
    path
        The file: text, gzip-compressed text, .xlsx or .ods.
    position, force, time
        Which columns, and their units; "counts" stands for raw integers. What is None is proposed by the
        headings. Without any column of time the rows are in order, and the clock is "none".
    in_order
        Whether a column of time is to be left alone.
    form
        How the table is written.
    negate_force, negate_position
        Whether the source counts compression as negative force, or position falls as the platen comes nearer.
        Without either, a compression that is clearly counted so is turned round, and a note says it.
    keep_signs
        Whether the signs of the table are kept in any case.
    sense
        Working direction; a pull keeps the signs of its table.
    rate_hz
        Rows per second of a table without a column of time; None where its preamble says it, or unknown.
    free_height_mm, area_mm2
        What a strain and a stress are turned into position and force with.

    Returns
    -------
    ImportedTable
        Samples with force and position in the stated units, and notes.

    Raises
    ------
    InputError
        Naming file, line and column, what was found and what would be right.
    """
    path, form = Path(path), form or TableForm()
    asked: dict[Kind, ColumnChoice | None] = {"time": time, "position": position, "force": force}
    # a heading is asked for as the file spells it
    given = {
        kind: replace(choice, column=plain_text(choice.column))
        for kind, choice in asked.items()
        if choice is not None
    }
    for kind, choice in given.items():
        check_unit(kind, choice)
    source = read_table_text(path, encoding=form.encoding, sheet=form.sheet)
    wanted = {choice.column for choice in given.values() if not _INDEX.fullmatch(choice.column)}
    layout = lay_out(
        source.text,
        source.where,
        delimiter=source.delimiter or form.delimiter,
        decimal=form.decimal,
        skip_rows=form.skip_rows,
        until_line=form.until_line,
        asked=wanted.__contains__ if wanted else None,
        in_order=in_order,
    )
    notes = [*source.notes, *layout.notes]
    layout = match_headings(layout.with_columns(), given)
    layout, said = with_stated_units(layout, given)
    chosen, taken_notes = choose_columns(layout, given, in_order=in_order)
    notes += said + taken_notes
    read = {
        kind: layout.cells(place, choice.column if _INDEX.fullmatch(choice.column) else None)
        for kind, (place, choice) in chosen.items()
    }
    values, stamps, kept = _read(read, layout, form, notes)
    taken = {kind: choice for kind, (_, choice) in chosen.items()}
    units_of = _to_units(layout, taken, values, {"position": free_height_mm, "force": area_mm2}, notes)
    notes += _about_sizes(values, units_of, read)
    if not kept.all():
        notes.append(
            f"{layout.where}: {int((~kept).sum())} of {len(kept)} rows left out, since a chosen column is "
            f"blank or without a reading there; the first is line {layout.numbers[int(np.argmin(kept))]}"
        )
    lines = {kind: column.take(kept) for kind, column in read.items()}
    if not (keep_signs or negate_force or negate_position):
        negate_force, negate_position = _turned(
            layout, values["force"][kept], values["position"][kept], sense, notes
        )
    by_number = (
        (kind, replace(choice, column=f"#{place + 1}", unit=None if choice.unit == CLOCK else choice.unit))
        for kind, (place, choice) in chosen.items()
    )
    numbered = " ".join(f'--{kind} "{choice.told()}"' for kind, choice in by_number)
    pieces = [
        layout.cells(place).take(kept)
        for place, name in enumerate(layout.headings)
        if NAMES_PIECE.search(name)
    ]
    _refuse_named_pieces(pieces, numbered)
    # Times: of the column, made to rise; else of the rate; else only the order of the rows.
    rows = np.arange(int(kept.sum()), dtype=np.int64)
    time_us, started = rows, None
    if "time" in chosen:
        if stamps is not None:
            exact, started = stamps
        else:
            exact = _whole_us(lines["time"], values["time"][kept], units_of["time"])
        # Where the clock begins again, one of these tells whether the same recording goes on.
        counters = [
            layout.cells(place).take(kept)
            for place, name in enumerate(layout.headings)
            if COUNTING.search(name) and place not in {taken_at for taken_at, _ in chosen.values()}
        ]
        exact = _joined(layout, lines["time"], exact, counters, notes)
        time_us = _rising(lines["time"], exact, notes, pieces, numbered)
    elif (stated := rate_hz or (None if in_order else _stated_rate_hz(layout, notes))) is not None:
        time_us = np.rint(rows * (1e6 / stated)).astype(np.int64)
    elif not in_order:
        notes += _about_blocks(layout, numbered)
    has_clock = time_us is not rows
    measured = {kind: (values[kind][kept], 0.0) for kind in _MEASURED}
    if COUNTS not in units_of.values():
        # Counts stay as they are; of numbers in a unit, those that only repeat the last one are taken out.
        measured, time_us = _free_of_holding(layout, measured, time_us, notes)
    (raw_force, force_channel), (raw_position, position_channel) = (
        _raw(lines[kind], *measured[kind], units_of[kind], negate)
        for kind, negate in zip(_MEASURED, (negate_force, negate_position), strict=True)
    )
    samples = Samples(
        np.arange(len(time_us), dtype=np.int64),
        time_us.copy(),
        raw_force,
        raw_position,
        np.zeros(len(time_us), np.uint8),
        force_channel,
        position_channel,
        "device" if has_clock else "none",
    )
    return ImportedTable(samples, tuple(dict.fromkeys(notes)), taken, source.sha256, started)


def _about_blocks(layout: Layout, numbered: str) -> Iterator[str]:
    """Yield where other lines cut the rows of a table without times, which may part recordings."""
    gaps = layout.numbers[1:][np.diff(layout.numbers) > _BLANK_LINES]
    if 0 < len(gaps) <= _MOST_BLOCKS:
        yield (
            f"{layout.where}: lines without numbers cut the rows into {len(gaps) + 1} blocks, read as one "
            f"recording; the second begins in line {gaps[0]}. If it is another, import one at a time. "
            f"Type: --until-line {gaps[0] - 1} or: --skip-rows {gaps[0] - 1} {numbered}"
        )


def _free_of_holding(
    layout: Layout, read: Mapping[Kind, tuple[FloatArray, float]], time_us: IntArray, notes: list[str]
) -> tuple[dict[Kind, tuple[FloatArray, float]], IntArray]:
    """Return force, position and times without values that only repeat the last one, and how coarse that
    leaves a channel at the least."""
    force_n, position = (read[kind][0] for kind in _MEASURED)
    held = find_held(position, force_n)
    coarse = 0.0
    if held is not None:
        position, coarse = on_lines(position, force_n, time_us, held), held.resolution
        notes.append(
            f"{layout.where}: position is new only in every {held.rows} rows; rows between are read on the "
            "straight line between two of them"
        )
    held = find_held(force_n, position)
    if held is not None:
        force_n, position = force_n[held.updates], position[held.updates]
        time_us = time_us[held.updates]
        notes.append(
            f"{layout.where}: force is new only in every {held.rows} rows; the rows that repeat it are left "
            "out"
        )
    return {"force": (force_n, 0.0), "position": (position, coarse)}, time_us


def _to_units(
    layout: Layout,
    taken: Mapping[Kind, ColumnChoice],
    values: dict[Kind, FloatArray],
    scale: Mapping[Kind, float | None],
    notes: list[str],
) -> dict[Kind, str]:
    """Bring numbers of counts, volts, strain or stress into a unit, in place; return the unit by quantity.

    Raises InputError if strain or stress lacks the height or the area; it cites what the table says of them.
    """
    for kind, numbers in values.items():
        values[kind] = numbers * taken[kind].each if taken[kind].each != 1 else numbers
    units_of: dict[Kind, str] = {kind: str(choice.unit) for kind, choice in taken.items()}
    reduced = [kind for kind, choice in taken.items() if is_reduced(kind, choice.unit)]
    scale = _from_preamble(layout, scale, {kind: taken[kind] for kind in reduced if not scale[kind]}, notes)
    for kind in reduced:
        # A strain times the height is a position in mm, a stress in MPa times the area a force in N.
        unit = units_of[kind]
        share = SHARES[unit] if kind == "position" else pressure_mpa(unit)
        values[kind] = values[kind] * (float(scale[kind] or 0) * share)
        units_of[kind] = _OF_REDUCED[kind]
        notes.append(
            f"{layout.where}: {kind} from '{taken[kind].column}' in {unit} times the {_SCALE_OF[kind][1]} as "
            "stated; taken as referred to the piece as it was before the test"
        )
    return units_of


def _whole_us(column: Cells, numbers: FloatArray, unit: str) -> IntArray:
    """Return times as whole microseconds; one too large for 64 bits is refused with its line."""
    with np.errstate(over="ignore"):
        found_us = numbers * units.factor(unit, "us")
    far = np.abs(found_us) >= _LATEST_US
    if far.any():
        raise column.refuse(int(np.argmax(far)), "expected a time within 100 000 years of zero")
    return np.rint(found_us).astype(np.int64)


def _about_sizes(
    values: Mapping[Kind, FloatArray], units_of: Mapping[Kind, str], read: Mapping[Kind, Cells]
) -> Iterator[str]:
    """Yield which channel reaches beyond any bench press, as with a heading that names a wrong unit; refuse
    what no press has: its squares and products would be infinite."""
    for kind in _MEASURED:
        if units_of[kind] == COUNTS:
            continue
        one, size = units.factor(units_of[kind], _OF_REDUCED[kind]), np.abs(values[kind])
        absurd = size > _LARGEST[kind] / one
        if absurd.any():
            raise read[kind].refuse(
                int(np.argmax(absurd)),
                f"expected a {kind} of at most {_LARGEST[kind]:.0e} {_OF_REDUCED[kind]}",
            )
        if (most := np.nanmax(size, initial=0.0)) > _USUAL[kind] / one:
            yield (
                f"{read[kind].where}: {kind} reaches {most:.4g} {units_of[kind]}; if that is the wrong unit, "
                f"give the right one with --{kind}"
            )


def _from_preamble(
    layout: Layout, scale: Mapping[Kind, float | None], lacking: Mapping[Kind, ColumnChoice], notes: list[str]
) -> Mapping[Kind, float | None]:
    """Return height and area with those that strain and stress lack, where the lines above the table say one
    of each; else refuse, with the options to type."""
    if not lacking:
        return scale
    sizes = stated_sizes(layout.preamble)
    problems: list[str] = []
    options: list[str] = []
    said: list[str] = []
    found = dict(scale)
    for kind, choice in lacking.items():
        option, name = _SCALE_OF[kind]
        unit = "mm" if kind == "position" else "mm^2"
        stated = sizes.get("height" if kind == "position" else "area", [])
        if len(stated) == 1:
            found[kind] = stated[0].value
            notes.append(f"{layout.where}: {name} {stated[0].value:.6g} {unit}, by {stated[0].said}")
            options.append(f'{option} "{stated[0].value:.6g} {unit}"')
            continue
        problems.append(
            f"column '{choice.column}' is in {choice.unit}, which needs the {name}: give it with {option}"
        )
        if kind == "position":
            likely = stated or sizes.get("thickness", [])
        else:
            area = likely_area(sizes)
            likely = stated or ([] if area is None else [area])
        choices = [f'{option} "{size.value:.6g} {unit}"' for size in likely[:3]]
        options.append(" or ".join(choices))
        said += [size.said for size in likely]
    if not problems:
        return found
    said = said or [
        f"line {n}: {text.strip():.60}"
        for n, text in layout.preamble[-MOST_LINES:]
        if _SIZE_LINE.search(text[:400])
    ]
    raise InputError(
        f"{layout.where}: {'; '.join(problems)}"
        + (f", as in {' '.join(filter(None, options))}" if any(options) else ", as measured before the test")
        + (f" (the table says, {'; '.join(said[:3])})" if said else "")
    )


def _stated_rate_hz(layout: Layout, notes: list[str]) -> float | None:
    """Return the rows per second as a line above the table says: "Sampling rate,50,Hz", "Sample interval
    (s);0,02"."""
    found: dict[float, tuple[int, str]] = {}
    for number, line in layout.preamble:
        if len(line) > _LONGEST_RATE_LINE or _SAMPLING.search(line) is None:
            continue
        values, spelt = _RATE_VALUE.findall(line), _RATE_UNIT.findall(line)
        if len(values) != 1 or not spelt:
            continue
        unit, is_interval = spelt[-1].lower(), _INTERVAL.search(line) is not None
        times = 1000.0 if unit == "khz" else 0.001 if unit in ("ms", "msec") else 1.0
        if is_interval != (unit in ("s", "ms", "msec") or unit.startswith("sec")):
            continue
        try:
            value = times * float(plain_number(values[0]))
        except ValueError:
            continue
        if value > 0:
            found.setdefault(1 / value if is_interval else value, (number, line.strip()))
    if len(found) != 1:
        if found:
            notes.append(f"{layout.where}: the lines above the table state several rates; choose with --rate")
        return None
    rate_hz, (number, text) = next(iter(found.items()))
    notes.append(f"{layout.where}: rows are {1 / rate_hz:.6g} s apart, by line {number}: {text:.60}")
    return rate_hz


def _turned(
    layout: Layout, force: RawArray, position: RawArray, sense: str, notes: list[str]
) -> tuple[bool, bool]:
    """Return whether the signs of force and position are to be turned round, and a note that says so."""
    signs = told_signs(force, position)
    turned = signs.force_turned, signs.position_turned
    options = list(compress(("--negate-force", "--negate-position"), turned))
    # in a pull force and position may both rise or both fall, which needs no turning
    if not options or (sense == "tension" and all(turned)):
        return False, False
    below = f"the force is below zero {'throughout' if signs.throughout else 'under load'}"
    found = compress((below, "the position falls as the force grows"), turned)
    notes.append(
        f"{layout.where}: {' and '.join(found)}, so read as a {sense} with "
        f"{' '.join(options)}. "
        + ("If the piece was pulled, import it with --sense tension. " if sense == "compression" else "")
        + "To keep the signs of the table, use --keep-signs"
    )
    return turned


def _read(
    read: Mapping[Kind, Cells], layout: Layout, form: TableForm, notes: list[str]
) -> tuple[dict[Kind, FloatArray], tuple[IntArray, datetime | None] | None, BoolArray]:
    """Return the numbers of each column, times where they are no numbers, and which rows have all of
    them."""
    kept = np.ones(len(layout.lines), bool)
    clock = "time" in read and looks_like_clock(read["time"])
    numeric = {kind: column for kind, column in read.items() if kind != "time" or not clock}
    marks = (
        [form.decimal] * len(numeric)
        if form.decimal is not None
        else tell_decimal(list(numeric.values()), layout.delimiter)
    )
    values: dict[Kind, FloatArray] = {}
    for (kind, column), mark in zip(numeric.items(), marks, strict=True):
        values[kind], good, said = numbers_of(column, mark)
        kept &= good
        notes += said
    if not clock:
        return values, None, _some(kept, layout)
    filled = np.array([bool(cell) for cell in read["time"].text.to_pylist()], bool)
    kept = _some(kept & filled, layout)
    found, _ = read_clock(read["time"].take(kept))
    notes += found.notes
    return values, (found.time_us, found.start), kept


def _some(kept: BoolArray, layout: Layout) -> BoolArray:
    if not kept.any():
        raise InputError(
            f"{layout.where}, line {layout.numbers[0]}: no row has a number in all chosen columns; "
            f"found {layout.names()}; choose others"
        )
    return kept


def _raw(
    column: Cells, numbers: FloatArray, coarse: float, unit: str, negate: bool
) -> tuple[RawArray, RawChannel]:
    if unit != COUNTS:
        channel = RawChannel(unit, max(estimate_resolution(numbers), coarse))
        # Subtracted from zero, so that no zero becomes a negative one.
        return (0.0 - numbers if negate else numbers.copy()), channel
    signed = 0.0 - numbers if negate else numbers
    good = (signed == np.rint(signed)) & (signed >= _COUNTS_RANGE.min) & (signed <= _COUNTS_RANGE.max)
    if not good.all():
        raise column.refuse(int(np.argmin(good)), "counts are whole numbers of 32 bits; name its unit")
    return signed.astype(np.int32), RawChannel()


def _joined(
    layout: Layout, column: Cells, time_us: IntArray, counters: Sequence[Cells], notes: list[str]
) -> IntArray:
    """Return times that go on where the clock begins again at each cycle of one recording.

    Where that is only likely (no column counts on, no title says so), the times stay and are refused.
    """
    steps = np.diff(time_us)
    again = np.flatnonzero(steps < 0) + 1
    if not len(again) or not (steps > 0).any():
        return time_us
    # Between the last row before each such place and the first behind it: a title, or a column that counts.
    step_us = int(np.median(steps[steps > 0]))
    titled = np.searchsorted(layout.titled, column.line[again]) > np.searchsorted(
        layout.titled, column.line[again - 1]
    )
    counting = [counter.name for counter in counters if _counts_on(counter, again)]
    if not (titled.all() or counting) or (time_us[again] > time_us.min() + 2 * step_us).any():
        return time_us
    shift_us = np.zeros(len(time_us), np.int64)
    shift_us[again] = time_us[again - 1] + step_us - time_us[again]
    by = f"where column '{counting[0]:.40}' counts on" if counting else "below the titles of its cycles"
    notes.append(
        f"{column.where}: the clock begins again {len(again)} times, {by}; its parts were joined, "
        f"one usual step of {step_us / 1e6:.6g} s apart"
    )
    return time_us + np.cumsum(shift_us)


def _counts_on(counter: Cells, again: IntArray) -> bool:
    """Return whether a column of whole numbers never falls, and rises at these rows."""
    try:
        counted = np.array(counter.text.to_pylist(), np.float64)
    except ValueError:
        return False
    rises = np.diff(counted)
    return bool((rises >= 0).all() and (rises[again - 1] > 0).all())


def _refuse_named_pieces(pieces: Sequence[Cells], numbered: str) -> None:
    """Refuse the row at which a column that always names a specimen names a second one."""
    for piece in pieces:
        names = [name for name in pc.unique(piece.text).to_pylist() if name and name.strip()]
        if _NAMES_SPECIMEN.fullmatch(piece.name) and len(names) > 1:
            row = pc.index(piece.text, names[1]).as_py()
            _refuse_next_piece(piece, row, piece, numbered, "the table goes on")


def _changes_only_at(piece: Cells, row: int) -> bool:
    """Return whether a column changes at a row but not beside it, as a count of rows does."""
    beside = piece.text[max(row - 2, 0) : row + 2].to_pylist()
    return row >= 2 and beside[0] == beside[1] != beside[2] and beside[2:] == [beside[2]] * (len(beside) - 2)


def _refuse_next_piece(column: Cells, row: int, piece: Cells, numbered: str, what: str) -> NoReturn:
    """Refuse a row at which the recording of another specimen begins, by the column that names it."""
    last = column.line[row] - 1
    way = (
        "rows of several specimens by turns; save those of each as a file of their own"
        if pc.index(piece.text[row:], piece.text[row - 1]).as_py() >= 0
        else "another specimen. Import one at a time. "
        f"Type: --until-line {last} or: --skip-rows {last} {numbered}"
    )
    raise column.refuse(
        row,
        f"{what} where column '{piece.name:.40}' changes from {piece.text[row - 1].as_py()!r:.30} to "
        f"{piece.text[row].as_py()!r:.30}: {way}",
    )


def _rising(
    column: Cells, time_us: IntArray, notes: list[str], pieces: Sequence[Cells], numbered: str
) -> IntArray:
    """Return times that rise from row to row: equal ones are spread, falling ones refused with the options
    that read one part; `numbered` takes the columns of a part that has no headings."""
    fall = np.diff(time_us) < 0
    if fall.any():
        row = int(np.argmax(fall)) + 1
        last = column.line[row] - 1
        parts = f"--until-line {last} or: --skip-rows {last} {numbered}"
        other = next((piece for piece in pieces if _changes_only_at(piece, row)), None)
        if other is not None:
            _refuse_next_piece(column, row, other, numbered, "the clock begins again")
        steps = np.diff(time_us)[~fall]
        step_us = float(np.median(steps)) if len(steps) else 0.0
        even = step_us > 0 and np.mean(np.abs(steps - step_us) <= EVEN_SHARE * step_us) > MOST_EVEN
        rate = f' --rate "{1e6 / step_us:.6g} Hz"' if even else ""
        raise column.refuse(
            row,
            f"earlier than {column.text[row - 1].as_py()!r:.40} before it; times must rise. Where the clock "
            f"of one recording begins again, give --time none{rate}; where another recording begins, import "
            f"one at a time. Type: --time none{rate} or: {parts}",
        )
    spread, moved = spread_equal(time_us)
    if not moved:
        return time_us
    late = np.diff(spread) <= 0
    if late.any():
        row = int(np.argmax(late)) + 1
        raise column.refuse(
            row,
            f"not later than {column.text[row - 1].as_py()!r:.40} before it, and there is no room between; "
            "times must rise by 1 us or more (`--time none` takes the rows in order)",
        )
    notes.append(
        f"{column.where}: {moved} of {len(time_us)} times equal the one before (a rounded clock); these rows "
        "were spread evenly up to the next time"
    )
    return spread
