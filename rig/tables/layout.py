"""Where in a text the table is: below any preamble, under its headings and units, above any footer.

The problem: laboratories write pages of settings with commas of their own above a table, a row of units
below its headings, remarks between, and totals at its end. The plan: a row of numbers shows itself; the
longest run of such rows of one width is the table, the nearest line of words of that width above it its
headings, and what lies between them its units. Rows that resume behind a repeated heading belong to it;
another table further on is refused, never dropped. The cost: one pattern on each line, and cells only of
lines that are not plain numbers.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pyarrow as pa

from rig.core import counted
from rig.errors import InputError
from rig.samples import IntArray
from rig.tables.cells import REMARKS, WHITESPACE, Cells, column_cells, cut_cells, joined_lines, shown
from rig.tables.clocks import is_clock
from rig.tables.headings import (
    COUNTING,
    SHARES,
    agreed_unit,
    is_pressure,
    kind_of,
    unit_in,
    unit_of,
    unit_said,
)
from rig.tables.numbers import MISSING, plain_number
from rig.tables.plain_text import plain_text
from rig.tables.spelt_cells import LEAST_SHARE, respelt

DELIMITERS = ("\t", ";", ",", "|", WHITESPACE, *"~^!&:@_/#\u2502")
"""The usual ones, in this order, and signs that stand in no number."""
_SNIFFED = 400
"""Lines that tell the delimiter: half from the top, half from the middle, where no preamble reaches."""

MOST_COLUMNS = 1000
"""More than any logger writes."""

_MOST_LYING, _LEAST_LYING = 50, 5
"""Lines of a text whose rows are columns, and cells of such a row."""
_LONGEST_CELL_LINES = 10
_LONGEST_NOTE = 20
"""Lines of words within a table, a title and headings among them, behind which rows go on."""
SUMMARY_SHARE = 0.02
"""Rows below a table that are at most this share of its own are results of it, not another recording."""
_ONE = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,4})?"
_GROUPED = r"[+-]?[0-9]{1,3}(?:[.,' ][0-9]{3})+(?:[.,][0-9]+)?"
_NUMERIC = re.compile(rf"(?:{_ONE}|{_GROUPED})\Z")
_BEGINS_NUMBER = "0123456789+-.,"
_RULE = re.compile(r"[-+=|:*_ \u2500-\u257f]+\Z")
_DRAWN = re.compile(r"--|==|\*\*|__|\u2500\u2500")
_TYPE = re.compile(
    r"(?i)double|float(?:32|64)?|single|real|int(?:eger|16|32|64)?|long|numeric|number|string|text|datetime"
)
"""How a column is stored, in a row of its own."""

OF_UNITS = re.compile(
    r"(?i)(?:units?|einheit(?:en)?|unit[ée]s?|unidad(?:es)?|unità|jednotk[ai]|jednostk[ai]|единицы|单位|単位)\s*:?"
)
_MISSING = re.compile(MISSING.replace("$", r"\Z"))


@dataclass(frozen=True, slots=True)
class Layout:
    """A table in a text.

    Parameters
    ----------
    where, delimiter, width
        Its name, what its cells end at, and how many a full row has.
    headings, heading_line
        Of its columns, each perhaps empty; no line where it has none.
    units
        From the row of units, or else the headings; None where neither says one that is known.
    lines, numbers
        Its rows as text, and their lines in the file.
    notes
        What was left out above, within and below, counted.
    preamble
        Lines above the headings and remarks above the rows, with their numbers.
    titled
        Numbers of the lines within that say that a cycle or a segment of the recording begins.
    columns
        The cells of its rows, a column each; empty before `with_columns`.
    """

    where: str
    delimiter: str
    width: int
    headings: tuple[str, ...]
    heading_line: int | None
    units: tuple[str | None, ...]
    lines: list[str]
    numbers: IntArray
    notes: tuple[str, ...]
    preamble: tuple[tuple[int, str], ...] = ()
    titled: tuple[int, ...] = ()
    columns: Sequence[pa.Array] = ()

    def with_columns(self) -> Layout:
        """Return the table with its cells; InputError as `column_cells`."""
        cut = column_cells(self.where, self.lines, self.numbers, self.delimiter, self.width)
        return replace(self, columns=cut)

    def cells(self, place: int, name: str | None = None) -> Cells:
        """Return a column, by its heading or another name."""
        name = name or self.headings[place] or f"#{place + 1}"
        return Cells(self.where, name, self.columns[place], self.numbers)

    def titles(self) -> Iterator[tuple[str, str | None]]:
        """Return heading and unit of each column."""
        return zip(self.headings, self.units, strict=True)

    def names(self) -> str:
        """Its columns for a message: #1 'Time', #2 'Force' ...; without headings its first row."""
        first = [] if any(self.headings) or not self.lines else cut_cells(self.lines[0], self.delimiter)
        shown_names = first or self.headings
        return ("a first row of " if first else "") + ", ".join(
            f"#{n} '{name:.40}'" for n, name in enumerate(shown_names[:40], 1)
        )


@dataclass(frozen=True, slots=True)
class _Lines:
    where: str
    text: list[str]
    number: list[int]
    delimiter: str
    numeric: np.ndarray[tuple[int], np.dtype[np.int64]]
    """Width of each line that holds numbers; 0 for any other."""
    in_order: bool
    """Whether rows go on behind headings below which a clock starts again."""

    def cells(self, at: int) -> list[str]:
        return cut_cells(self.text[at], self.delimiter)


def lay_out(
    text: str,
    where: str,
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    skip_rows: int = 0,
    until_line: int | None = None,
    asked: Callable[[str], bool] | None = None,
    in_order: bool = False,
) -> Layout:
    """Find the table in a text.

    Parameters
    ----------
    text, where
        Of the file, and its name.
    delimiter
        One character or "whitespace"; None to tell it.
    decimal
        Decimal mark, if known: it does not end cells.
    skip_rows, until_line
        Lines at the top that are left out, and the last line that is read.
    asked
        Whether a heading is one that was asked for; the line with most of them is the headings.
    in_order
        Whether rows below repeated headings go on even where their clock starts again.

    Raises
    ------
    InputError
        If there is no row of numbers, or more than one table.
    """
    every = plain_text(text.replace("\r\n", "\n").replace("\r", "\n")).split("\n")
    kept, numbers, remarks = lines_that_count(
        [""] * min(skip_rows, len(every)) + every[skip_rows:until_line], where
    )
    if not kept:
        after = f" after the first {skip_rows} lines" if skip_rows else ""
        raise InputError(f"{where}: found nothing{after}; expected lines of numbers")
    delimiter = delimiter or _told_delimiter(kept, decimal)
    if (turned := _turned_upright(kept, delimiter)) is not None:
        kept, numbers, delimiter = turned, [numbers[0]] * len(turned), "\t"
    _refuse_wide(where, kept, numbers, delimiter)
    widths = _widths(kept, delimiter)
    plain = any(
        all(is_numeric(cell) or _MISSING.match(cell) for cell in cut_cells(line, delimiter))
        for line, width in zip(kept[-_SNIFFED:], widths[-_SNIFFED:], strict=True)
        if width
    )
    if not plain and (spelt := respelt(kept, numbers, where)) is not None:
        (kept, numbers), delimiter = spelt, "\t"
        widths = _widths(kept, delimiter)
    lines = _Lines(where, kept, numbers, delimiter, widths, in_order)
    head = _asked_headings(lines, asked)
    block = _block(lines, head)
    if head is None:
        head = _headings_above(lines, block[0], block[2])
    return _cut(lines, head, block, remarks)


def _turned_upright(lines: list[str], delimiter: str) -> list[str] | None:
    """Return the lines of a table whose rows are its columns, headings first; None for any other text."""
    if len(lines) > _MOST_LYING or len(lines[0]) < _LEAST_LYING:
        return None
    rows = [cut_cells(line, delimiter) for line in lines]
    lying = [
        row for row in rows if len(row) > _LEAST_LYING and is_numeric(row[-1]) and not is_numeric(row[0])
    ]
    width = min(map(len, lying), default=0)
    named = {kind_of(row[0], unit_of(row[1])) for row in lying}
    if not named >= {"force", "position"} or any(sum(map(is_numeric, row)) < width - 2 for row in lying):
        return None
    above = ["\t".join(row) for row in rows if row not in lying]
    return above + ["\t".join(cells) for cells in zip(*lying, strict=False)]


def _refuse_wide(where: str, kept: list[str], numbers: list[int], delimiter: str) -> None:
    """Refuse a line of more cells than any logger writes: each of them would be looked up as a unit."""
    for line, number in zip(kept, numbers, strict=True):
        if len(line) > MOST_COLUMNS and (width := len(cut_cells(line, delimiter))) > MOST_COLUMNS:
            raise InputError(
                f"{where}, line {number}: found {width} columns, expected at most {MOST_COLUMNS}; keep those "
                "of time, force and position"
            )


def lines_that_count(
    every: list[str], where: str, *, most: int = _LONGEST_CELL_LINES, mark: str = " "
) -> tuple[list[str], list[int], list[tuple[int, str]]]:
    """Return the lines with something in them and their numbers; remarks apart; cells of several lines
    joined as `joined_lines` does."""
    kept, numbers, remarks = [], [], []
    for number, line in joined_lines(every, where, most=most, mark=mark):
        bare = line.strip()
        if bare.startswith(REMARKS) or _is_drawn(bare):
            remarks.append((number, bare))
        elif bare.strip('"; \t,|'):
            kept.append(line)
            numbers.append(number)
    return _without_frame(kept), numbers, remarks


def _is_drawn(bare: str) -> bool:
    """Return whether a line is a rule such as +----+ or |:---|---:|, which is drawn for people."""
    return len(bare) > 2 and _RULE.match(bare) is not None and _DRAWN.search(bare) is not None


def _without_frame(lines: list[str]) -> list[str]:
    """Return lines without the signs around them, where nearly all of the last ones have them."""
    last = lines[-_SNIFFED:]
    if sum(map(_framed, last)) < LEAST_SHARE * len(last):
        return lines
    return [line.strip().removesuffix(",")[1:-1] if _framed(line) else line for line in lines]


def _framed(line: str) -> bool:
    """Return whether signs stand around a line, as in | 1 | 2 | and [1, 2], which are no cells."""
    bare = line.strip().removesuffix(",")
    ends, within = bare[:1] + bare[-1:], bare[1:-1]
    return ends in ("||", "\u2502\u2502") or (ends in ("[]", "()", '""') and ends[1] not in within)


@lru_cache(maxsize=1 << 14)
def is_numeric(cell: str) -> bool:
    """Return whether a cell holds a number or a time of day."""
    return _NUMERIC.match(cell) is not None or is_clock(cell)


@lru_cache(maxsize=1 << 12)
def is_missing(cell: str) -> bool:
    """Return whether a cell is blank or one of the usual words for no reading."""
    return _MISSING.match(cell) is not None


def _widths(lines: Sequence[str], delimiter: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return the cells of each line whose cells are mostly numbers, else 0."""
    if delimiter == WHITESPACE:
        plain = re.compile(rf"\s*{_ONE}(?:\s+{_ONE})*\s*\Z").match
        return np.array([len(line.split()) if plain(line) else _width(line, delimiter) for line in lines])
    mark = re.escape(delimiter)
    one = _ONE.replace("[.,]", r"\.") if delimiter == "," else _ONE
    plain = re.compile(rf"[ ]*{one}[ ]*(?:{mark}[ ]*{one}[ ]*)+\Z").match
    return np.array(
        [line.count(delimiter) + 1 if plain(line) else _width(line, delimiter) for line in lines], np.int64
    )


def _width(line: str, delimiter: str) -> int:
    cells = cut_cells(line, delimiter)
    while cells and not cells[-1]:
        cells.pop()
    numeric = sum(map(is_numeric, cells))
    blank = sum(map(is_missing, cells))
    return len(cells) if numeric > 1 or (numeric == 1 and numeric + blank == len(cells)) else 0


def _told_delimiter(lines: Sequence[str], decimal: str | None) -> str:
    """Return the delimiter that makes most cells of most rows numbers; of equals the first in the usual
    order."""
    middle = len(lines) // 2
    sample = [*lines[: _SNIFFED // 2], *lines[max(middle, _SNIFFED // 2) : middle + _SNIFFED // 2]]
    best, best_score = ",", (0.0, 0.0)
    for delimiter in DELIMITERS:
        if delimiter == decimal:
            continue
        cut = [[cell for cell in cut_cells(line, delimiter) if cell] for line in sample]
        widths = Counter(len(cells) for cells in cut if len(cells) > 1 and any(map(is_numeric, cells)))
        rows = [cells for cells in cut if len(cells) > 1]
        if not widths or not rows:
            continue
        share = max(widths.values()) / len(sample)
        if delimiter == WHITESPACE and best in ("\t", ";", "|") and best_score[1] >= share:
            break  # blanks within cells of as many rows mark thousands, as in 1 000,5
        cells = sum(map(len, rows))
        numeric = sum(is_numeric(cell) for row in rows for cell in row)
        score = (numeric / cells, share)
        if score[0] * score[1] > best_score[0] * best_score[1] * 1.02:
            best, best_score = delimiter, score
    return best


def _asked_headings(lines: _Lines, asked: Callable[[str], bool] | None) -> int | None:
    """Return the first line with most of the headings that were asked for; None if no line has any."""
    words = () if asked is None else np.flatnonzero(lines.numeric == 0).tolist()
    found = {at: sum(map(asked, lines.cells(at))) for at in words}  # type: ignore[arg-type]
    best = max(found, key=lambda at: found[at], default=None)
    return best if best is not None and found[best] else None


def _block(lines: _Lines, head: int | None) -> tuple[int, int, int]:
    """First line of the rows, the line behind the last, and their width."""
    first = 0 if head is None else head + 1
    numeric = lines.numeric.copy()
    numeric[:first] = 0
    if not numeric.any():
        if head is not None or _looks_like_headings(lines, 0):
            number = lines.number[head or 0]
            raise InputError(
                f"{lines.where}, line {number}: found headings only; expected numbers below them"
            )
        raise InputError(
            f"{lines.where}, line {lines.number[0]}: found {shown(lines.text[0].strip())}, and no row of "
            f"numbers below (cells end at {lines.delimiter!r}); if cells end at another sign, give it, as in "
            "--delimiter ';'"
        )
    begin, end = _longest_run(numeric)
    width = int(Counter(numeric[begin:end].tolist()).most_common(1)[0][0])
    if head is not None:
        begin = int(np.flatnonzero(numeric)[0])
        width = max(width, _last_named(lines.cells(head)) + 1)
    else:
        begin, width = _begin_of(lines, numeric, begin, end)
    # Everything down to the last row of numbers is of the table; what lies between is judged row by row.
    rows = np.flatnonzero((numeric > 0) & (numeric <= width))
    last = int(rows[rows >= begin][-1]) + 1
    while last < len(numeric) and (numeric[last] or _begins_as_row(lines, last, width)):
        last += 1
    # Sums and means below a table begin with a word where its rows begin with a number.
    if _begins_as_row(lines, begin, width):
        while last > begin + 1 and not _begins_as_row(lines, last - 1, None):
            last -= 1
    return begin, last, width


def _begins_as_row(lines: _Lines, at: int, width: int | None) -> bool:
    """Return whether a line begins with a number or a blank, and has as many cells as a row."""
    cells = lines.cells(at)
    begins = not cells[0] or cells[0][0] in _BEGINS_NUMBER or _MISSING.match(cells[0]) is not None
    return begins and (width is None or len(cells) == width)


def _longest_run(numeric: np.ndarray[tuple[int], np.dtype[np.int64]]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (numeric > 0).astype(np.int8), [0]])))
    begins, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - begins))
    return int(begins[longest]), int(ends[longest])


def _begin_of(
    lines: _Lines, numeric: np.ndarray[tuple[int], np.dtype[np.int64]], begin: int, end: int
) -> tuple[int, int]:
    """First row of the table whose longest run is given, and its width."""
    counted = Counter(numeric[begin:end].tolist())
    width = max(
        w for w, count in counted.items() if count > 0.02 * (end - begin) or count == max(counted.values())
    )
    # A preamble may end in a line of numbers: rows of the table have its width, or are blank at their end.
    while begin < end - 1 and int(numeric[begin]) < width and int(numeric[begin + 1]) == width:
        begin += 1
    head = begin - 1
    while head >= 0 and not _looks_like_headings(lines, head):
        head -= 1
    # The longest run may be a later one of several below headings that are written again, or behind a note.
    rows = np.flatnonzero(numeric[:begin] == width)
    while head > 0 and len(rows) and rows[0] < head and _goes_on(lines, head, width):
        head -= 1
        while head >= 0 and not _looks_like_headings(lines, head):
            head -= 1
    earlier = rows[rows > head]
    return (int(earlier[0]) if len(earlier) else begin), width


def _goes_on(lines: _Lines, at: int, width: int) -> bool:
    """Return whether rows above a line of words belong to those below it: the line is a note, or headings
    again."""
    bare = _bare(lines.text[at])
    return _is_note(lines, at, width) or any(
        _bare(lines.text[other]) == bare for other in np.flatnonzero(lines.numeric[:at] == 0)
    )


def _bare(line: str) -> str:
    return " ".join(line.split())


def _is_note(lines: _Lines, at: int, width: int) -> bool:
    """Return whether a line before full rows is words only, fewer than a row has cells, and names no
    quantity."""
    cells = [cell for cell in lines.cells(at) if cell]
    after = lines.numeric[at : at + _LONGEST_NOTE]
    after = after[after > 0]
    return (
        not lines.numeric[at]
        and len(cells) < width
        and len(after) > 0
        and after[0] == width
        and not any(is_numeric(cell) or _MISSING.match(cell) for cell in cells)
        and (len(cells) == 1 or not any(kind_of(cell, None) for cell in cells))
    )


def _looks_like_headings(lines: _Lines, at: int) -> bool:
    """Return whether a line holds several words and no number."""
    if lines.numeric[at]:
        return False
    cells = [cell for cell in lines.cells(at) if _MISSING.match(cell) is None]
    return len(cells) > 1 and not any(map(is_numeric, cells)) and not is_units(cells)


def is_units(cells: Sequence[str]) -> bool:
    """Return whether a row says units: each cell a known one, in brackets, or a dash."""
    filled = [cell for cell in cells if cell and not OF_UNITS.fullmatch(cell)]
    if not filled:
        return False
    sure = [unit_said(cell) is not None or _is_reduced_unit(cell) for cell in filled]
    either = [
        one or re.fullmatch(r"[\[(<{].{0,20}[\])>}]|-|°C|V|mV|counts", cell)
        for one, cell in zip(sure, filled, strict=True)
    ]
    named = (
        cell
        for cell in filled
        if len(cell) > 3 and cell[0] not in "[(<{" and not _is_reduced_unit(cell) and kind_of(cell, None)
    )
    return any(sure) and all(either) and not any(named)


def _is_types(cells: Sequence[str]) -> bool:
    """Return whether a row says how its columns are stored, perhaps behind a word for that."""
    filled = [cell for cell in cells if cell]
    return len(filled) > 1 and all(_TYPE.fullmatch(cell) for cell in filled[1:])


def _is_reduced_unit(cell: str) -> bool:
    """Return whether a cell is a unit of strain or of stress."""
    bare = cell.strip("[]() ")
    return bare in SHARES or is_pressure(bare)


def _headings_above(lines: _Lines, begin: int, width: int) -> int | None:
    """Return the nearest line of words above the rows whose cells are as many as theirs."""
    at = begin - 1
    while at >= 0:
        cells = lines.cells(at)
        if len(cells) == 1 and _names_quantities(lines, at, width):
            return at  # headings that another sign separates
        if is_units(cells) or _is_types(cells) or all(_MISSING.match(cell) for cell in cells):
            at -= 1
            continue
        words = [cell for cell in cells if _MISSING.match(cell) is None and not is_numeric(cell)]
        fits = len(words) > 1 or width == 1 or len(cells) == width
        if len([cell for cell in cells if cell]) < width and _names_quantities(lines, at - 1, width):
            at -= 1  # a title such as "Segment 1", or a first row with a blank, below the headings
            continue
        return at if words and fits and lines.numeric[at] == 0 else None
    return None


def _names_quantities(lines: _Lines, at: int, width: int) -> bool:
    """Return whether a line has as many cells as a row, and names two quantities or more."""
    cells = _fitted(lines, at, width) if at >= 0 else []
    return len(cells) == width and sum(kind_of(cell, None) is not None for cell in cells) > 1


def _cut(
    lines: _Lines, head: int | None, block: tuple[int, int, int], remarks: Sequence[tuple[int, str]]
) -> Layout:
    begin, end, width = block
    headings, units, above = _headings_and_units(lines, head, begin, width)
    if head is None:
        headings, units = _from_remark(lines, remarks, begin, width) or (headings, units)
    width = max(width, _last_named(headings) + 1)
    end = _without_summary(lines, head, begin, end)
    texts, numbers, repeats = lines.text[begin:end], lines.number[begin:end], 0
    within: list[int] = []
    titled: list[int] = []
    if head is not None:
        texts, numbers, repeats, within, titled = _without_repeats(lines, head, (begin, end), width)
    elif not lines.numeric[begin:end].all():
        _refuse_another(lines, begin, end)
    notes = _left_out(lines, head, begin, end, above)
    if repeats:
        notes.append(
            f"{lines.where}: {counted(repeats, 'repeated line')} of headings or units within the table "
            "left out"
        )
    inside = sorted([number for number, _ in remarks if numbers[0] < number < numbers[-1]] + within)
    if inside:
        notes.append(
            f"{lines.where}: {counted(len(inside), 'remark')} within the table left out, the first in line "
            f"{inside[0]}"
        )
    return Layout(
        lines.where,
        lines.delimiter,
        width,
        tuple([*headings, *[""] * width][:width]),
        None if head is None else lines.number[head],
        tuple([*units, *[None] * width][:width]),
        texts,
        np.array(numbers, np.int64),
        tuple(notes),
        tuple(
            sorted(
                [*zip(lines.number[: begin if head is None else head], lines.text, strict=False)]
                + [(number, text.lstrip("#%/ ")) for number, text in remarks if number < numbers[0]]
            )
        ),
        tuple(titled),
    )


def _without_summary(lines: _Lines, head: int | None, begin: int, end: int) -> int:
    """Return the line behind the rows, if a few rows of results below headings of their own follow them."""
    if head is None:
        return end
    own = {_bare(lines.text[at]) for at in range(head, begin)}
    for at in (begin + np.flatnonzero(lines.numeric[begin:end] == 0)).tolist():
        cells = lines.cells(at)
        if not _looks_like_headings(lines, at) or _bare(lines.text[at]) in own:
            continue
        above, below = (int((lines.numeric[part] > 0).sum()) for part in (slice(begin, at), slice(at, end)))
        if 0 < below <= SUMMARY_SHARE * above and not any(kind_of(cell, None) == "time" for cell in cells):
            return at
    return end


def _last_named(headings: Sequence[str]) -> int:
    return max((place for place, name in enumerate(headings) if name), default=-1)


def _headings_and_units(
    lines: _Lines, head: int | None, begin: int, width: int
) -> tuple[list[str], list[str | None], set[int]]:
    """Return the headings, units, and which lines beside them were read: units stand in one below the
    headings, else in the one above; without headings, in the one above the rows."""
    beside = [begin - 1] if head is None else [*range(head + 1, begin), head - 1]
    headings = [""] * width if head is None else _fitted(lines, head, width)
    read: set[int] = set()
    if head and len({kind_of(name, None) for name in headings} - {None}) < 2:
        # one heading over two lines: Load, and below it Cell
        above = _fitted(lines, head - 1, width)
        both = [" ".join(parts).strip() for parts in zip(above, headings, strict=False)]
        if len(above) == len(headings) and len({kind_of(name, None) for name in both} - {None}) > 1:
            headings, read = both, {head - 1}
    units: list[str | None] = [unit_in(name)[1] for name in headings]
    for at in beside:
        cells = _fitted(lines, at, width) if at >= 0 else []
        fits = len(cells) == len(headings) or (head is not None and at > head)
        if fits and is_units(cells):
            said = zip(headings, units, cells, strict=False)
            units[: len(cells)] = [agreed_unit(*each) for each in said]
            return headings, units, {at, *read}
    return ([], [], read) if head is None else (headings, units, read)


def _fitted(lines: _Lines, at: int, width: int) -> list[str]:
    """Return the cells of a line of headings or units; of several readings the one with as many as a row
    has."""
    return _fitted_cells(lines.text[at], width, lines.delimiter)


def _fitted_cells(text: str, width: int, delimiter: str) -> list[str]:
    """Headings between blanks may hold blanks: "Axial Force (N)" is one of them. Others may have a
    separator of their own."""
    cells, text = cut_cells(text, delimiter), text.strip()
    if len(cells) != 1 and (delimiter != WHITESPACE or len(cells) <= width):
        return cells
    readings = (
        [part.strip() for part in re.split(r"[,;\t|]", text)],
        re.split(r"\s+(?![\[(])", text),  # the unit apart: Time (s)  Force (N)
        re.split(r"\s{2,}|\t", text),  # columns apart by more than one blank
        [
            part.strip() for part in re.split(r"(?<=[\])])", text) if part[-1:] in ("]", ")")
        ],  # each with its unit
    )
    # Words that fit no column say nothing about any: "Axial Disp Load" above two columns.
    unread = cells if len(cells) == 1 else [""] * width
    return next((reading for reading in readings if len(reading) == width), unread)


def _from_remark(
    lines: _Lines, remarks: Sequence[tuple[int, str]], begin: int, width: int
) -> tuple[list[str], list[str | None]] | None:
    """Return the headings in the last remark above the rows, as some programs write them."""
    above = [text for number, text in remarks if number < lines.number[begin]]
    for text in reversed(above[-3:]):
        bare = text.lstrip('#%/ "').rstrip('" ')
        cells = _fitted_cells(bare, width, lines.delimiter)
        if len(cells) == width and width > 1 and any(cells) and not any(map(is_numeric, cells)):
            return cells, [unit_in(name)[1] for name in cells]
    return None


def _without_repeats(
    lines: _Lines, head: int, block: tuple[int, int], width: int
) -> tuple[list[str], list[int], int, list[int], list[int]]:
    """Return the rows without headings and units that were written again, how many those are, and the
    lines of notes and of titles of cycles."""
    begin, end = block
    by_number = _begins_as_row(lines, begin, None)
    again = {_bare(lines.text[at]) for at in range(head, begin)}
    texts, numbers, repeats, notes, titled = [], [], 0, [], []
    for at in range(begin, end):
        is_again = not lines.numeric[at] and _bare(lines.text[at]) in again
        # A title above headings that are written again may hold numbers: Cycle 2, its time, its date.
        is_title = (
            not is_again
            and at + 1 < end
            and not lines.numeric[at + 1]
            and _bare(lines.text[at + 1]) == _bare(lines.text[head])
            and not (_begins_as_row(lines, at, None) if by_number else lines.numeric[at])
        )
        if (is_title or not lines.numeric[at]) and COUNTING.search(lines.text[at]):
            titled.append(lines.number[at])
        elif is_title and not lines.in_order:
            _refuse_restart(lines, at + 1, block, width)
        if is_title or not lines.numeric[at]:
            if is_again or is_title or _is_note(lines, at, width):
                repeats += is_again
                notes += [] if is_again else [lines.number[at]]
                continue
            if _looks_like_headings(lines, at) and at + 1 < end:
                _refuse_another(lines, at, end)
        texts.append(lines.text[at])
        numbers.append(lines.number[at])
    return texts, numbers, repeats, notes, titled


def _refuse_restart(lines: _Lines, at: int, block: tuple[int, int], width: int) -> None:
    """Refuse headings below a title ("Specimen 2") whose rows begin anew instead of going on."""
    begin, end = block
    above = next((row for row in range(at - 1, begin, -1) if lines.numeric[row] == width), begin)
    below = next((row for row in range(at, end) if lines.numeric[row] == width), None)
    if below is None:
        return
    # times, else first cells, that fall or are the one at the begin of the table again
    clocks = [place for place, name in enumerate(lines.cells(at)) if kind_of(name, None) == "time"]
    place = clocks[0] if clocks else 0
    first, last, then = ([*lines.cells(row), *[""] * place][place] for row in (begin, above, below))
    try:
        falls = float(plain_number(then)) < float(plain_number(last))
    except ValueError:
        falls = False
    if then == first or falls:
        _refuse_another(lines, at, end, again=True)


def _refuse_another(lines: _Lines, at: int, end: int, *, again: bool = False) -> None:
    """Refuse a second table from a line on, perhaps one with the headings of the first."""
    for other in range(at, end - 1):
        if _looks_like_headings(lines, other) and lines.numeric[other + 1 : other + 3].any():
            number = lines.number[other]
            raise InputError(
                f"{lines.where}, line {number}: another table begins here "
                f"({shown(lines.text[other].strip())}); read the first, this one"
                + (", or both as one recording with --time none" if again else "")
                + f". Type: --until-line {number - 1} or: --skip-rows {number - 1}"
                + " or: --time none" * again
            )


def _left_out(lines: _Lines, head: int | None, begin: int, end: int, read: set[int]) -> list[str]:
    """Return what stands above and below the table, counted, with an example of what was below."""
    notes = []
    top = begin if head is None else head
    between = [at for at in range(top + 1, begin) if at not in read] if head is not None else []
    above = next((at for at in range(top, 0, -1) if at - 1 not in read), 0)
    if above:
        which = "line 1" if above == 1 else f"lines 1 to {lines.number[above - 1]}"
        notes.append(f"{lines.where}: {which} above the table left out")
    if between:
        notes.append(
            f"{lines.where}: {counted(len(between), 'line')} below the headings left out: "
            f"line {lines.number[between[0]]}, {shown(lines.text[between[0]].strip())}"
        )
    if end < len(lines.text):
        # Means and the like begin with a word, which rows of another table would do only below headings.
        by_number = _begins_as_row(lines, begin, None)
        wide = [
            at
            for at in range(end, len(lines.text))
            if lines.numeric[at] > 1 and (not by_number or _begins_as_row(lines, at, None))
        ]
        if len(wide) > 1 + SUMMARY_SHARE * (end - begin):
            number = lines.number[wide[0]]
            raise InputError(
                f"{lines.where}, line {number}: {lines.numeric[wide[0]]} cells a row below a table of "
                f"another width; read one. Type: --until-line {number - 1} or: --skip-rows {number - 1}"
            )
        notes.append(
            f"{lines.where}: {counted(len(lines.text) - end, 'line')} below the table left out, the first: "
            f"line {lines.number[end]}, {shown(lines.text[end].strip())}"
        )
    return notes


def holds_rows(text: str) -> bool:
    """Return whether a text has any line of numbers; a licence or a note among tables has none."""
    lines, _, _ = lines_that_count(plain_text(text).splitlines(), "")
    return bool(lines) and bool(_widths(lines, _told_delimiter(lines, None)).any())
