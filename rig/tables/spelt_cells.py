"""Rows that say name or unit in every cell: "t=0.12 s, x=1.5 mm", "5.0 mm | 950 g".

The problem: a program that prints for people, or a hand that notes what a scale shows, repeats name and unit
in each row, so that no cell is a number. The plan: where a text has no row of numbers, but the same numbers
with names before or units behind in most of its lines, the names become headings, the units a row below
them, and a unit that changes from row to row ("950 g", "1.02 kg") is converted to the first. A time that a
log writes in front is the first column. The cost: one pattern per line, on texts that would be refused
otherwise.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from rig import units
from rig.errors import InputError
from rig.tables.clocks import is_clock
from rig.tables.headings import SHARES, kind_of_unit, unit_of
from rig.tables.numbers import plain_number

_CELL = re.compile(
    r"(?:(?P<name>[^\W\d][^=:,;|\t\[\]]{0,40}?)\s*[=:]\s*)?"
    r"(?<![\w.])(?<!\d:)(?P<number>[+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)\.?(?:[eE][+-]?\d{1,3})?)"
    r"(?:\s*(?P<unit>[^\W\d][^\d\s=:,;|\t\])]{0,11}|%|\"|°C)(?![^\s,;|\])\"])(?!\s*[=:]))?"
    r"(?![\w.:-])"
)
_CLOCK = re.compile(
    r"^[\s\[(\"]*(?P<clock>(?:\d[\d./-]*[T ])?\d+:\d[\d:.,]*(?: ?[AP]M)?(?:Z|[+-]\d\d:?\d\d)?)"
)
_LEVEL = re.compile(r"^[A-Z]{3,8} +(?=\w)")
"""INFO or DEBUG, which a log writes between the time and the first name."""
MOST_CELLS = 50
LONGEST_ROW = 1000
_SNIFFED = 200
"""Lines from the middle that tell whether the others need a look."""
LEAST_SHARE = 0.8
"""Of the lines below the first such one that have its form."""

_MARKS = ("\t", ";", "|", ",", "  ")
_NAME_OF_CLOCK = "clock"

_Row = list[tuple[str, str, str]]
"""Name, number and unit of each cell."""


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
    middle = [_row(line) for line in lines[len(lines) // 2 :][:_SNIFFED]]
    forms = Counter(_form(row) for row in middle if row is not None)
    if not forms or forms.total() < LEAST_SHARE * len(middle):
        return None
    rows = [_row(line) for line in lines]
    form = forms.most_common(1)[0][0]
    begin = next(at for at, row in enumerate(rows) if row is not None and _form(row) == form)
    first = rows[begin] or []
    if sum(row is not None for row in rows[begin:]) < LEAST_SHARE * (len(rows) - begin):
        return None
    heads = [name for name, _, _ in first]
    begins = begin
    if not any(heads) and begin:
        cut = (re.split(rf"\s*{re.escape(mark)}\s*", lines[begin - 1].strip(" |")) for mark in _MARKS)
        named = next((cells for cells in cut if len(cells) == len(first)), None)
        heads, begins = (heads, begin) if named is None else ([cell.strip('"') for cell in named], begin - 1)
    units_said = [unit for _, _, unit in first]
    above = ["\t".join(heads)] + ["\t".join(units_said)] * any(units_said)
    out = [*lines[:begins], *above]
    for row, line, number in zip(rows[begin:], lines[begin:], numbers[begin:], strict=True):
        if row is None:
            out.append(line)  # a remark, which is left out and counted where the table is read
        elif _form(row) == form:
            cells = zip(row, units_said, strict=True)
            out.append("\t".join(_in_unit(cell, unit, where, number) for cell, unit in cells))
        else:  # of another form, which is refused there
            out.append("\t".join(value for _, value, _ in row))
    return out, [*numbers[:begins], *[numbers[begins]] * len(above), *numbers[begin:]]


def _form(row: _Row) -> tuple[str, ...]:
    return tuple(name for name, _, _ in row)


def _row(line: str) -> _Row | None:
    """Return the cells of a line; None where it has a number that is not one of them, or fewer than two."""
    if len(line) > LONGEST_ROW:
        return None
    line = line.replace('"', " ")
    stamp = _CLOCK.match(line)
    if stamp is not None and not is_clock(stamp["clock"].strip()):
        stamp = None
    rest = line if stamp is None else line[stamp.end() :]
    cells = [(found["name"] or "", found["number"], found["unit"] or "") for found in _CELL.finditer(rest)]
    between = _CELL.sub("", rest)
    if not 0 < len(cells) <= MOST_CELLS or any(sign.isdigit() for sign in between):
        return None
    is_named = all(name for name, _, _ in cells)
    # without names only units tell that these are cells, and no word may stand between them
    if not is_named and (
        any(name for name, _, _ in cells)
        or any(sign.isalpha() for sign in between)
        or not any(unit_of(unit) or unit in SHARES for _, _, unit in cells)
    ):
        return None
    if stamp is not None:
        cells[0] = (_LEVEL.sub("", cells[0][0]), *cells[0][1:])
        cells.insert(0, (_NAME_OF_CLOCK if is_named else "", stamp["clock"].strip(), ""))
    return cells if len(cells) > 1 else None


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
