"""Samples from a table that somebody already has: any CSV, from four hand-read points to a long log.

The problem: units, signs, decimal marks and headings differ, and a wrong guess gives wrong numbers
without a word. The plan: check each chosen cell against one strict form of a number, name the line of the
first that is none, and keep the numbers in the unit they came in. What had to be guessed is said in notes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from rig import units
from rig.capture.cells import WHITESPACE, Lines, all_cells, cut_cells, read_text, split_lines
from rig.capture.resolution import estimate_resolution
from rig.errors import InputError
from rig.samples import COUNTS, Channel, FloatArray, IntArray, RawArray, Samples

_SHOWN = 60
_NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_INDEX = re.compile(r"#([1-9]\d{0,3})")
_LATEST_US = 2.0**62
_COUNTS_RANGE = np.iinfo(np.int32)

Quantity = Literal["time", "force", "position"]
_IS_RIGHT = {"time": units.is_time, "force": units.is_force, "position": units.is_length}
_RIGHT = {"time": "s, ms, us or min", "force": "N, lbf, kgf, g or counts", "position": "mm, in, um or counts"}


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """Which column of a table, by its heading or as "#2" counted from 1, and the unit of its numbers."""

    column: str
    unit: str


@dataclass(frozen=True, slots=True)
class ImportedTable:
    """Samples from a table, and what had to be guessed to read it, in sentences."""

    samples: Samples
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Column:
    path: Path
    name: str
    cells: pa.Array
    line: IntArray
    decimal: str | None

    def refuse(self, row: int, right: str) -> InputError:
        found = self.cells[row].as_py()
        return InputError(
            f"{self.path}, line {self.line[row]}, column '{self.name}': found {_shown(found)}; {right}"
        )


def parse_column(text: str) -> ColumnChoice:
    """Read "heading:unit" or "#2:unit"; the heading may hold colons itself.

    Examples
    --------
    >>> parse_column("disp:mm")
    ColumnChoice(column='disp', unit='mm')
    """
    column, colon, unit = text.rpartition(":")
    if not colon or not column.strip() or not unit.strip():
        raise InputError(
            f"column {_shown(text)} lacks a part; write it with its unit, as in 'disp:mm' or '#2:mm'"
        )
    return ColumnChoice(column.strip(), unit.strip())


def import_table(
    path: Path | str,
    *,
    position: ColumnChoice,
    force: ColumnChoice,
    time: ColumnChoice | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
    skip_rows: int = 0,
    decimal: str | None = None,
    negate_force: bool = False,
    negate_position: bool = False,
) -> ImportedTable:
    """Read a delimited text file as samples.

    Parameters
    ----------
    path
        The file.
    position, force, time
        Which columns, and their units; "counts" stands for raw integers. Without `time` the rows are in
        order, and the clock is "none".
    delimiter
        One character or "whitespace"; None to tell it from the text.
    encoding
        Name of the encoding; None for UTF-8, or failing that a western one, with a note.
    skip_rows
        Lines to leave out at the top, before the headings.
    decimal
        "." or ","; None to tell it from the cells.
    negate_force, negate_position
        Whether the source counts tension, or lengthening, as positive.

    Returns
    -------
    ImportedTable
        Samples with force and position in the stated units, and notes.

    Raises
    ------
    InputError
        Naming file, line and column, what was found and what would be right.
    """
    path = Path(path)
    choices: dict[Quantity, ColumnChoice] = {"force": force, "position": position}
    if time is not None:
        choices["time"] = time
    for quantity, choice in choices.items():
        _check_unit(quantity, choice)
    _check_options(delimiter, decimal, skip_rows)
    text, notes = read_text(path, encoding)
    lines = split_lines(path, text, delimiter, decimal, skip_rows)
    columns, header_rows = _locate(lines, choices)
    cells = all_cells(lines, header_rows)
    if max(columns.values()) >= len(cells):
        raise InputError(
            f"{path}, line {lines.number[header_rows]}: found {len(cells)} cells; "
            f"column {max(columns.values()) + 1} was asked for"
        )
    read = {
        quantity: _Column(path, choices[quantity].column, cells[place], lines.number[header_rows:], decimal)
        for quantity, place in columns.items()
    }
    numbers = {quantity: _numbers(column, notes) for quantity, column in read.items()}
    raw_force, force_channel = _raw(read["force"], numbers["force"], force.unit, negate_force)
    raw_position, position_channel = _raw(
        read["position"], numbers["position"], position.unit, negate_position
    )
    rows = np.arange(len(raw_force), dtype=np.int64)
    samples = Samples(
        rows,
        _time_us(read["time"], numbers["time"], time.unit) if time is not None else rows.copy(),
        raw_force,
        raw_position,
        np.zeros(len(rows), np.uint8),
        force_channel,
        position_channel,
        "none" if time is None else "device",
    )
    return ImportedTable(samples, tuple(dict.fromkeys(notes)))


def _check_unit(quantity: Quantity, choice: ColumnChoice) -> None:
    raw = choice.unit == COUNTS and quantity != "time"
    if not raw and not _IS_RIGHT[quantity](choice.unit):
        raise InputError(
            f"column '{choice.column}': {choice.unit!r:.40} is no {quantity}; write {_RIGHT[quantity]}"
        )


def _check_options(delimiter: str | None, decimal: str | None, skip_rows: int) -> None:
    if delimiter is not None and delimiter != WHITESPACE and (len(delimiter) != 1 or delimiter in '\r\n"'):
        raise InputError(f"delimiter {_shown(delimiter)}: write one character, or '{WHITESPACE}'")
    if decimal not in (None, ".", ","):
        raise InputError(f"decimal sign {_shown(decimal)}: write '.' or ','")
    if decimal is not None and decimal == delimiter:
        raise InputError(f"delimiter and decimal sign are both {decimal!r}; they must differ")
    if skip_rows < 0:
        raise InputError(f"rows to skip: found {skip_rows}; write 0 or more")


def _locate(lines: Lines, choices: dict[Quantity, ColumnChoice]) -> tuple[dict[Quantity, int], int]:
    """Place of each chosen column, and how many lines (0 or 1) are headings."""
    first = [cell.strip() for cell in cut_cells(lines.text[0], lines.delimiter)]
    places = {quantity: _place(choice.column, first, lines) for quantity, choice in choices.items()}
    by_number = all(_INDEX.fullmatch(choice.column) for choice in choices.values())
    numeric = all(re.match(_NUMBER, first[place].replace(",", ".")) for place in places.values())
    header_rows = 0 if by_number and numeric else 1
    if header_rows == len(lines.text):
        raise InputError(
            f"{lines.path}, line {lines.number[0]}: found headings only; expected numbers below them"
        )
    return places, header_rows


def _place(column: str, found: list[str], lines: Lines) -> int:
    index = _INDEX.fullmatch(column)
    if index is not None and int(index[1]) <= len(found):
        return int(index[1]) - 1
    if index is None and found.count(column) == 1:
        return found.index(column)
    problem = "more than one" if found.count(column) > 1 else "no"
    names = ", ".join(f"#{n} '{name:.40}'" for n, name in enumerate(found[:40], 1))
    raise InputError(
        f"{lines.path}, line {lines.number[0]}: {problem} column {_shown(column)}; found {names} "
        f"(cells end at {lines.delimiter!r}); write one of these names or numbers"
    )


def _numbers(column: _Column, notes: list[str]) -> FloatArray:
    cells = column.cells
    comma = column.decimal == ","
    with_comma = pc.match_substring(cells, ",")
    if column.decimal is None and pc.any(with_comma).as_py():
        comma = True
        example = pc.filter(cells, with_comma)[0].as_py()
        notes.append(f"{column.path}: read with a decimal comma, as in {_shown(example)}")
    if comma:
        # A point beside decimal commas would be a thousands mark, and is refused below.
        cells = pc.replace_substring(pc.replace_substring(cells, ".", "?"), ",", ".")
    good = pc.match_substring_regex(cells, _NUMBER).to_numpy(zero_copy_only=False)
    if not good.all():
        row = int(np.argmin(good))
        right = "a decimal comma as in '1,5'" if comma else "as in '1.5'"
        raise column.refuse(row, f"expected a number, {right}, or leave out the line")
    numbers: FloatArray = pc.cast(cells, pa.float64()).to_numpy()
    finite = np.isfinite(numbers)
    if not finite.all():
        raise column.refuse(int(np.argmin(finite)), "expected a number that is not as large as this")
    return numbers


def _raw(column: _Column, numbers: FloatArray, unit: str, negate: bool) -> tuple[RawArray, Channel]:
    if unit != COUNTS:
        channel = Channel(unit, estimate_resolution(numbers))
        # Subtracted from zero, so that no zero becomes a negative one.
        return (0.0 - numbers if negate else numbers.copy()), channel
    signed = 0.0 - numbers if negate else numbers
    good = (signed == np.rint(signed)) & (signed >= _COUNTS_RANGE.min) & (signed <= _COUNTS_RANGE.max)
    if not good.all():
        raise column.refuse(int(np.argmin(good)), "counts are whole numbers of 32 bits; name its unit")
    return signed.astype(np.int32), Channel()


def _time_us(column: _Column, numbers: FloatArray, unit: str) -> IntArray:
    exact = numbers * units.factor(unit, "us")
    far = np.abs(exact) >= _LATEST_US
    if far.any():
        raise column.refuse(int(np.argmax(far)), "expected a time within 100 000 years of zero")
    time_us = np.rint(exact).astype(np.int64)
    late = np.diff(time_us) <= 0
    if late.any():
        row = int(np.argmax(late)) + 1
        before = column.cells[row - 1].as_py()
        raise column.refuse(
            row, f"not later than {_shown(before)} before it; times must rise by 1 us or more"
        )
    return time_us


def _shown(found: object) -> str:
    text = repr(found)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "..."
