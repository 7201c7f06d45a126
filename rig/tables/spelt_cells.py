"""Rows that say name or unit in every cell: "t=0.12 s, x=1.5 mm", "5.0 mm | 950 g".

The problem: a program that prints for people, or a hand that notes what a scale shows, repeats name and unit
in each row, so that no cell is a number. The plan: where a text has no row of numbers, but most of its lines
are cells of a number with a name before or a unit behind, the names become headings, the units a row below
them, and a unit that changes from row to row ("950 g", "1.02 kg") is converted to the first. The cost: one
pattern per line, on texts that would be refused otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from rig import units
from rig.errors import InputError
from rig.tables.headings import SHARES, kind_of_unit, unit_of
from rig.tables.numbers import plain_number

_CELL = re.compile(
    r"\s*(?:(?P<name>[^\W\d][^=:,;|\t]{0,40}?)\s*[=:]\s*)?"
    r"(?P<number>[+\-\u2212]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)"
    r"\s*(?P<unit>[^\W\d][^\d\s=:,;|\t]{0,11}|%|\"|\u00b0C)?\s*"
)
MOST_CELLS = 50
LONGEST_ROW = 1000
_SNIFFED = 200
"""Lines from the middle that tell whether the others need a look."""
LEAST_SHARE = 0.8
"""Of the lines below the first such one that have its form."""

_MARKS = ("\t", ";", "|", ", ", ",", "  ", " ")


def respelt(lines: Sequence[str], numbers: Sequence[int], where: str) -> tuple[list[str], list[int]] | None:
    """Return lines of plain cells, tabs between them, below headings and units; None for any other text.

    Parameters
    ----------
    lines, numbers
        With something in each, and where they stand in the file.
    where
        Name of the file, for the refusal of a unit of another kind.

    Raises
    ------
    InputError
        If a unit of a column measures something else than that of its first row.

    Examples
    --------
    >>> respelt(["t=0.1 s, F=2 N", "t=0.2 s, F=3 N"], [1, 2], "serial.txt")
    (['t\\tF', 's\\tN', '0.1\\t2', '0.2\\t3'], [1, 1, 1, 2])
    """
    for mark in _MARKS:
        middle = lines[len(lines) // 2 :][:_SNIFFED]
        if sum(_cells(line, mark) is not None for line in middle) < LEAST_SHARE * len(middle):
            continue
        rows = [_cells(line, mark) for line in lines]
        begin = next((at for at, row in enumerate(rows) if row is not None), None)
        if begin is None or sum(row is not None for row in rows[begin:]) < LEAST_SHARE * (len(rows) - begin):
            continue
        first = rows[begin]
        if first is None or not (
            all(name for name, _, _ in first) or any(unit_of(unit) or unit in SHARES for _, _, unit in first)
        ):
            continue
        heads = (
            [part.strip(' "') for part in lines[begin - 1].strip().strip("|").split(mark)] if begin else []
        )
        named = any(name for name, _, _ in first)
        if named or len(heads) != len(first):
            heads, begins = [name for name, _, _ in first], begin
        else:
            begins = begin - 1
        units_said = [unit for _, _, unit in first]
        out = [*lines[:begins], "\t".join(heads), "\t".join(units_said)]
        at = [*numbers[: begins + 1], numbers[begins]]
        names = [name for name, _, _ in first]
        for row, line, number in zip(rows[begin:], lines[begin:], numbers[begin:], strict=True):
            if row is None:
                out.append(line)  # a remark, which is left out and counted where the table is read
            elif [name for name, _, _ in row] == names:
                cells = zip(row, units_said, strict=True)
                out.append("\t".join(_in_unit(cell, unit, where, number) for cell, unit in cells))
            else:  # of another form, which is refused there
                out.append("\t".join(value for _, value, _ in row))
            at.append(number)
        return out, at
    return None


def _cells(line: str, mark: str) -> list[tuple[str, str, str]] | None:
    """Return name, number and unit of each cell; None where one of several is no such cell."""
    if len(line) > LONGEST_ROW:
        return None
    parts = [part for part in line.strip().strip("|").replace('"', " ").split(mark) if part.strip()]
    if not 2 <= len(parts) <= MOST_CELLS:
        return None
    found = [_CELL.fullmatch(part) for part in parts]
    cells = [(cell["name"] or "", cell["number"], cell["unit"] or "") for cell in found if cell is not None]
    return cells if len(cells) == len(parts) and any(name or unit for name, _, unit in cells) else None


def _in_unit(cell: tuple[str, str, str], wanted: str, where: str, line: int) -> str:
    """Return the number of a cell in the unit of its column's first row."""
    _, number, unit = cell
    if unit == wanted or not unit:
        return number
    one, other = unit_of(unit), unit_of(wanted)
    try:
        if one is None or other is None or kind_of_unit(one) != kind_of_unit(other):
            raise ValueError
        return repr(float(plain_number(number)) * units.factor(one, other))
    except (ValueError, InputError):
        raise InputError(
            f"{where}, line {line}: found {number + ' ' + unit!r:.40} in a column that begins in "
            f"{wanted!r:.20}; expected one kind of unit in a column"
        ) from None
