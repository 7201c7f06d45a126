"""Lines to columns of cells, each as text with the line that it stands on."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from rig.errors import InputError
from rig.samples import IntArray

WHITESPACE = "whitespace"
REMARKS = ("#", "%", "//", '"#')
"""Lines that begin with one of them are read by people only."""

_TOKEN = re.compile(r"\S+")
_QUOTED = re.compile(r'(?:^|(?<=[,;\t|]))[ ]*"(?:[^"]|"")*"')
_OPENED = re.compile(r'(?:^|[,;\t|])[ ]*"')
BoolArray = npt.NDArray[np.bool_]
_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Cells:
    """One column.

    Parameters
    ----------
    where
        Name of the table, for messages.
    name
        Of the column, as it was asked for.
    text
        One entry a row.
    line
        On which line each stands.
    """

    where: str
    name: str
    text: pa.Array
    line: IntArray

    def refuse(self, row: int, right: str) -> InputError:
        """Return the refusal of one cell."""
        found = shown(self.text[row].as_py())
        return InputError(
            f"{self.where}, line {self.line[row]}, column '{self.name:.60}': found {found}; {right}"
        )

    def take(self, rows: BoolArray) -> Cells:
        """Return the same column with some of its rows."""
        return Cells(self.where, self.name, pc.filter(self.text, pa.array(rows)), self.line[rows])


def shown(found: object) -> str:
    """Return what was found, cut where it is long."""
    text = repr(found)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "..."


def cut_cells(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line, stripped."""
    if delimiter == WHITESPACE:
        return line.split()
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    except (csv.Error, StopIteration):
        return [line]


def has_open_quote(line: str) -> bool:
    """Return whether a cell begins with a quotation mark that is not closed; an inch mark behind is none."""
    return '"' in line and _OPENED.search(_QUOTED.sub("", line)) is not None


def joined_lines(lines: Iterable[str], where: str, *, most: int, mark: str) -> Iterator[tuple[int, str]]:
    """Yield lines with something in them, numbered from 1; those of one quoted cell joined with a mark.

    Raises
    ------
    InputError
        If a quotation mark is still open after `most` lines.
    """
    numbered = enumerate(lines, 1)
    for number, first in numbered:
        line, more = first, 0
        while has_open_quote(line) and not line.lstrip().startswith(REMARKS):
            following = next(numbered, None)
            more += 1
            if following is None or more > most:
                raise InputError(f"{where}, line {number}: a quotation mark is not closed")
            line = mark.join((line, following[1]))
        if line:
            yield number, line


def column_cells(
    where: str, lines: Sequence[str], numbers: IntArray, delimiter: str, width: int
) -> list[pa.Array]:
    """Return every column of some lines as text, stripped; short rows end with blanks.

    Raises
    ------
    InputError
        If a row has more cells than `width`, or fewer although later rows have all of them.
    """
    body: Sequence[str] = lines
    if delimiter == WHITESPACE:
        body, delimiter = _between_blanks(where, lines, numbers, width), "\t"
    names = [str(n) for n in range(width)]
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader("\n".join(body).encode("utf-8", "surrogatepass")),
            read_options=pyarrow.csv.ReadOptions(
                use_threads=False, column_names=names, block_size=max(1 << 20, 4 * max(map(len, body)))
            ),
            parse_options=pyarrow.csv.ParseOptions(delimiter=delimiter, ignore_empty_lines=False),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        )
    except (pa.ArrowException, ValueError, OSError):
        return _cut_one_by_one(where, body, numbers, delimiter, width)
    if len(table) != len(body):
        raise InputError(f"{where}: a quotation mark is not closed; expected one line for each row")
    return [pc.utf8_trim_whitespace(column.combine_chunks()) for column in table.columns]


def _between_blanks(where: str, lines: Sequence[str], numbers: IntArray, width: int) -> list[str]:
    """Return lines with tabs between cells; where a row has fewer, those stay below the ones of full rows.

    Raises
    ------
    InputError
        If a row has fewer cells, and nothing shows which is missing.
    """
    rows = [line.split() for line in lines]
    short = [at for at, row in enumerate(rows) if len(row) < width]
    if not short:
        return ["\t".join(row) for row in rows]
    full = [list(_TOKEN.finditer(lines[at])) for at, row in enumerate(rows) if len(row) == width]
    least = min((len(lines[at]) for at, row in enumerate(rows) if len(row) == width), default=0)
    # In fixed columns all cells of one end at the same place, or all begin there.
    edges: dict[int, int] = {}
    for place in range(width):
        ends, begins = {row[place].end() for row in full}, {-row[place].start() for row in full}
        edges |= {edge.pop(): place for edge in (ends, begins) if len(edge) == 1}
    has_tabs = any("\t" in line for line in lines)
    for at in short:
        tokens = list(_TOKEN.finditer(lines[at]))
        places = [edges.get(token.end(), edges.get(-token.start(), width)) for token in tokens]
        # A row that only ends early may also be one whose cells moved up, unless blanks fill it; the last
        # may be torn.
        moved = places == list(range(len(tokens))) and len(lines[at]) < least and at < len(rows) - 1
        if width in places or places != sorted(set(places)) or moved or has_tabs:
            if at < len(rows) - 1:
                raise InputError(
                    f"{where}, line {numbers[at]}: found {len(tokens)} cells between blanks, while other "
                    f"rows have {width}, and nothing shows which is missing; write NaN in its place"
                )
            continue
        placed = {place: token[0] for place, token in zip(places, tokens, strict=True)}
        rows[at] = [placed.get(place, "") for place in range(width)]
    return ["\t".join(row) for row in rows]


def _cut_one_by_one(
    where: str, body: Sequence[str], numbers: IntArray, delimiter: str, width: int
) -> list[pa.Array]:
    """Return the rows of unequal width: shorter columns that end earlier are filled up, anything else is
    refused."""
    rows, shortest = [], 0
    for line, number in zip(reversed(body), numbers[::-1], strict=True):
        cells = cut_cells(line, delimiter)
        while len(cells) > width and not cells[-1]:
            cells.pop()
        # Read from the end, rows of columns that stop one after the other never get shorter again.
        if len(cells) > width or len(cells) < shortest:
            raise InputError(
                f"{where}, line {number}: found {len(cells)} cells, while the rows around it have "
                f"{width if len(cells) > width else shortest} (cells end at {delimiter!r}); "
                "every row must have the same: correct the line, or read up to it with "
                f"--until-line {number - 1}"
            )
        shortest = len(cells)
        rows.append(cells + [""] * (width - len(cells)))
    rows.reverse()
    return [pa.array([row[place] for row in rows], pa.string()) for place in range(width)]
