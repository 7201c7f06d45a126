"""Short tables that a person wrote: headings, and rows of text that each know their line.

The problem: readings, sizes, trials and pieces are typed into spreadsheets of every country. The plan: one
reader for all commands, over the same sources, encodings, delimiters, decimal marks and remarks as
recordings; what a column means, the command knows. The cost: the table in memory, bounded.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from math import isfinite
from pathlib import Path

from rig.core import from_csv_cell
from rig.errors import InputError
from rig.tables.cells import WHITESPACE, cut_cells, shown
from rig.tables.headings import name_and_unit
from rig.tables.layout import (
    DELIMITERS,
    OF_UNITS,
    is_numeric,
    is_units,
    lines_that_count,
)
from rig.tables.numbers import MIXED, PLAIN, may_be_thousands, one_decimal, plain_number
from rig.tables.sources import read_table_text

LARGEST_ROWS = 64 << 20
"""Bytes of a table that people write."""

MOST_ROWS = 1_000_000

_MOST_CELL_LINES = 100
"""Of one quoted cell, such as a note of several paragraphs."""
LONGEST_HEADING = 200
"""Characters; what looks for a name and a unit in a longer cell may be slow."""
_STATISTIC = re.compile(
    r"(?i)(?:mean|average|avg|median|std\.?(?: ?dev\.?)?|s\.?d\.?|mittel(?:wert)?|standardabw(?:eichung)?|"
    r"summe|total|moyenne|[ée]cart[- ]type|media|promedio|desviaci[óo]n.*|deviazione.*|desvio.*|średnia|"
    r"odchylenie.*|průměr|gemiddelde|平均值?|标准差|標準偏差|среднее)\W*"
)
"""The first cell of a row below the others that sums them up (common practice, no source)."""
_SEARCHED = 200
"""Lines in which headings are looked for: longer than any preamble that people write above a short table."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row.

    Parameters
    ----------
    line
        On which it stands.
    cells
        By heading.
    where
        Table and line, for messages.
    decimal
        Decimal mark of the table; None if it has none.
    """

    line: int
    cells: Mapping[str, str]
    where: str
    decimal: str | None = None

    def number_text(self, heading: str) -> str:
        """Return a cell with a decimal point, whatever mark the table has; other text as it stands.

        Raises
        ------
        InputError
            If the table has decimal commas and points, and this cell's mark may mark thousands.
        """
        text = self.cells.get(heading, "")
        number, space, unit = text.partition(" ")
        if self.decimal == MIXED and may_be_thousands(number):
            raise InputError(
                f"{self.where}, column '{heading:.40}': found {text!r:.40} in a table with decimal commas "
                "and decimal points; expected one mark throughout, and none of thousands"
            )
        decimal = None if self.decimal == MIXED else self.decimal
        # A unit may stand behind the number; blanks may also mark thousands.
        whole = plain_number(text, decimal)
        return plain_number(number, decimal) + space + unit if whole == text else whole

    def number(self, heading: str) -> float:
        """Return a cell as a number, whatever decimal mark the table has; InputError if it is none."""
        text = self.number_text(heading).strip()
        if not re.match(PLAIN, text):
            raise InputError(
                f"{self.where}, column '{heading:.40}': found {self.cells[heading]!r:.40}, expected a number "
                "such as 1.5"
            )
        if not isfinite(value := float(text)):
            raise InputError(
                f"{self.where}, column '{heading:.40}': found {text!r:.40}, which is too large a number"
            )
        return value


@dataclass(frozen=True, slots=True)
class RowTable:
    """A short table: its headings as they stand, their line, and the rows below."""

    where: str
    headings: tuple[str, ...]
    heading_line: int
    rows: tuple[Row, ...]
    decimal: str | None = None

    def columns(
        self, names: Collection[str], needed: Collection[str], right: str
    ) -> dict[str, tuple[str, str]]:
        """Return heading and unit of each column by its name.

        Parameters
        ----------
        names, needed
            All that there may be, and those that there must be.
        right
            Headings that would do, for the refusal.

        Raises
        ------
        InputError
            Naming a column of another name, one twice, or one that is lacking.
        """
        where = f"{self.where}, line {self.heading_line}"
        found: dict[str, tuple[str, str]] = {}
        for heading in self.headings:
            whole = heading.lower() in names
            name, unit = (heading, "") if whole else name_and_unit(heading, names)
            if (name := name.lower()) not in names or name in found:
                twice = "a second one of " * (name in found)
                raise InputError(
                    f"{where}: found a column {twice}{heading!r:.40}, expected {', '.join(names)}, as in "
                    f"`{right}`"
                )
            found[name] = heading, unit
        lacking = [name for name in needed if name not in found]
        if lacking:
            raise InputError(f"{where}: no column {', '.join(lacking)}; expected headings as in `{right}`")
        return found


def read_rows(
    path: Path,
    known: Callable[[str], bool],
    *,
    most: int = LARGEST_ROWS,
    most_rows: int = MOST_ROWS,
    hint: str = "",
    unique: bool = True,
) -> RowTable:
    """Read a short table from a file; see `rows_of`."""
    source = read_table_text(path, most=most, hint=hint, known=known)
    return rows_of(
        source.text, source.where, known, delimiter=source.delimiter, most_rows=most_rows, unique=unique
    )


def rows_of(
    text: str,
    where: str,
    known: Callable[[str], bool],
    *,
    delimiter: str | None = None,
    most_rows: int = MOST_ROWS,
    unique: bool = True,
) -> RowTable:
    """Read a short table.

    Parameters
    ----------
    text, where
        The table, and its name for messages.
    known
        Whether a cell is a heading that the caller knows; the first line with most of them is the headings.
    delimiter
        What cells end at; None to tell it.
    most_rows
        Rows that there may be.
    unique
        Whether each heading may stand once only.

    Raises
    ------
    InputError
        Naming the line: no rows, a heading twice, a row of another width.
    """
    text = text.removeprefix("\ufeff")
    every = text.replace("\r\n", "\n").split("\n") if "\n" in text else text.split("\r")
    kept, numbers, _ = lines_that_count(every, where, most=_MOST_CELL_LINES, mark="\n")
    lines = list(zip(numbers, kept, strict=True))
    if not lines:
        raise InputError(f"{where}: found nothing, expected headings and rows below them")
    if len(lines) > most_rows + _SEARCHED:
        raise InputError(f"{where}: found {len(lines)} lines, expected at most {most_rows} rows")
    head, delimiter = _headings_at([line for _, line in lines], known, delimiter)
    headings = cut_cells(lines[head][1], delimiter)
    while headings and not headings[-1]:
        headings.pop()
    number = lines[head][0]
    doubled = sorted({name for name in headings if name and headings.count(name) > 1})
    if doubled and unique:
        raise InputError(f"{where}, line {number}, headings: more than one column {', '.join(doubled)}")
    again = lines[head][1]
    cut = [(line, cut_cells(row, delimiter)) for line, row in lines[head + 1 :] if row != again]
    if cut and is_units(cut[0][1]):
        units = ("" if OF_UNITS.fullmatch(unit) else unit.strip("[]() -") for unit in cut.pop(0)[1])
        headings = [
            f"{name} ({unit})" if name and unit else name
            for name, unit in zip_longest(headings, units, fillvalue="")
        ][: len(headings)]
    if not cut:
        raise InputError(f"{where}, line {number}: found headings only; expected rows below them")
    heads = (cell.split(" ")[0] for _, cells in cut for cell in cells if "," in cell or "." in cell)
    decimal = one_decimal(list(filter(is_numeric, heads)))
    rows = tuple(
        _row(where, line, cells, headings, delimiter=delimiter, decimal=decimal) for line, cells in cut
    )
    for row in rows[1:]:
        first = next(filter(None, row.cells.values()), "")
        if len(first) <= LONGEST_HEADING and _STATISTIC.fullmatch(first):
            raise InputError(
                f"{row.where}: found {first!r:.40}, a row of statistics below the table; delete it "
                "and those like it"
            )
    return RowTable(where, tuple(headings), number, rows, decimal)


def _headings_at(
    lines: Sequence[str], known: Callable[[str], bool], delimiter: str | None
) -> tuple[int, str]:
    """Return which line holds the headings, and what cells end at there."""
    best, place, mark = 0, 0, delimiter or max(DELIMITERS[:4], key=lines[0].count)
    for at, line in enumerate(lines[:_SEARCHED]):
        for candidate in DELIMITERS if delimiter is None else (delimiter,):
            cells = {cell for cell in cut_cells(line, candidate) if len(cell) <= LONGEST_HEADING}
            found = sum(map(known, cells))
            if found > best:
                best, place, mark = found, at, candidate
    return place, mark


def _row(
    where: str,
    line: int,
    cells: Sequence[str],
    headings: Sequence[str],
    *,
    delimiter: str,
    decimal: str | None,
) -> Row:
    filled = list(cells)
    while len(filled) > len(headings) and not filled[-1]:
        filled.pop()
    if len(filled) != len(headings):
        hint = " (a decimal comma needs ';' between cells, or quotation marks)" if delimiter == "," else ""
        raise InputError(
            f"{where}, line {line}: found {len(filled)} cells, expected {len(headings)} as in the headings"
            f"{hint}; found {shown((' ' if delimiter == WHITESPACE else delimiter).join(cells))}"
        )
    cells_by_heading = dict(zip(headings, map(from_csv_cell, filled), strict=True))
    return Row(line, cells_by_heading, f"{where}, line {line}", decimal)
