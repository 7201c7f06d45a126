"""A delimited text file to cells: which bytes are text, which lines count, where each cell ends.

The problem: tables differ in encoding, delimiter and what stands above the numbers, and a wrong guess
gives wrong numbers without a word. The plan: guess only what the text itself decides, keep every cell as
text, and keep the number of each line, so that any later refusal can name it. The cost: the text is held
in memory once or twice.
"""

from __future__ import annotations

import codecs
import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from rig.errors import InputError
from rig.samples import IntArray

LARGEST_TABLE = 1 << 30
"""Bytes; the text is held in memory, and a recording longer than this should come as several files."""

WHITESPACE = "whitespace"

_DELIMITERS = ("\t", ";", ",", WHITESPACE)
_SNIFFED_LINES = 50


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a file that say something, with their numbers in the file."""

    path: Path
    text: list[str]
    number: IntArray
    delimiter: str


def read_text(path: Path, encoding: str | None) -> tuple[str, list[str]]:
    """Text of a file, and a note if its encoding had to be guessed; InputError if it is no text."""
    try:
        if path.stat().st_size > LARGEST_TABLE:
            raise InputError(f"{path}: larger than {LARGEST_TABLE >> 20} MiB; import it in parts")
        data = path.read_bytes()
    except OSError as refusal:
        raise InputError(f"{path}: cannot be read ({refusal.strerror}); expected a text file") from refusal
    if encoding is None and data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    if encoding is not None:
        try:
            return data.decode(encoding).removeprefix("\ufeff"), []
        except (LookupError, ValueError) as refusal:
            raise InputError(
                f"{path}: cannot be read as {encoding!r:.40} ({refusal}); name another encoding"
            ) from refusal
    if b"\0" in data:
        raise InputError(
            f"{path}, byte {data.index(0)}: a zero byte, so this is no text; save it as CSV first"
        )
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        note = f"{path}: not UTF-8, so read as a western encoding (cp1252); name it if it is another"
        try:
            return data.decode("cp1252"), [note]
        except UnicodeDecodeError:
            return data.decode("latin-1"), [note.replace("cp1252", "latin-1")]


def split_lines(path: Path, text: str, delimiter: str | None, decimal: str | None, skip_rows: int) -> Lines:
    """The lines after the first `skip_rows` that are not blank, and the delimiter of their cells."""
    # Only these end a line; splitlines would also cut at form feeds and other rarities.
    every = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    blank = '"; \t' + (delimiter if delimiter not in (None, WHITESPACE) else ",")
    kept = [(n, line) for n, line in enumerate(every[skip_rows:], skip_rows + 1) if line.strip().strip(blank)]
    if not kept:
        after = f" after the first {skip_rows} lines" if skip_rows else ""
        raise InputError(f"{path}: found nothing{after}; expected lines of numbers")
    lines = [line for _, line in kept]
    delimiter = delimiter or _sniffed(lines[:_SNIFFED_LINES], decimal)
    return Lines(path, lines, np.array([n for n, _ in kept], np.int64), delimiter)


def _sniffed(lines: list[str], decimal: str | None) -> str:
    """The first delimiter that cuts most lines into one same number of cells, more than one."""
    for delimiter in _DELIMITERS:
        if delimiter == decimal:
            continue
        counts = [len(cut_cells(line, delimiter)) for line in lines]
        usual = max(set(counts), key=counts.count)
        if usual > 1 and counts.count(usual) > 0.5 * len(counts):
            return delimiter
    return ","


def cut_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line."""
    if delimiter == WHITESPACE:
        return line.split()
    try:
        return next(csv.reader([line], delimiter=delimiter))
    except csv.Error:
        return [line]


def all_cells(lines: Lines, header_rows: int) -> list[pa.Array]:
    """Every column below the headings as text, stripped.

    Raises
    ------
    InputError
        If a row has more or fewer cells than the first one.
    """
    body = lines.text[header_rows:]
    if lines.delimiter == WHITESPACE:
        body, delimiter = ["\t".join(line.split()) for line in body], "\t"
    else:
        delimiter = lines.delimiter
    width = len(cut_cells(body[0], delimiter))
    names = [str(n) for n in range(width)]
    odd: list[tuple[int, int]] = []

    def note_odd(row: pyarrow.csv.InvalidRow) -> str:
        if not odd:
            odd.append((row.number, row.actual_columns))
        return "error"

    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader("\n".join(body).encode("utf-8", "surrogatepass")),
            read_options=pyarrow.csv.ReadOptions(use_threads=False, column_names=names),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=delimiter, ignore_empty_lines=False, invalid_row_handler=note_odd
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        )
    except (pa.ArrowException, ValueError, OSError) as refusal:
        raise _bad_table(lines, header_rows, odd, width, refusal) from refusal
    if len(table) != len(body):
        raise InputError(f"{lines.path}: a quotation mark is not closed; expected one line for each row")
    return [pc.utf8_trim_whitespace(column.combine_chunks()) for column in table.columns]


def _bad_table(
    lines: Lines, header_rows: int, odd: list[tuple[int, int]], width: int, refusal: Exception
) -> InputError:
    if not odd:
        return InputError(f"{lines.path}: not a table ({refusal}); expected lines of numbers")
    row, cells = odd[0]
    line = lines.number[header_rows + row - 1]
    return InputError(
        f"{lines.path}, line {line}: found {cells} cells, while the rows above have {width} "
        f"(cells end at {lines.delimiter!r}); every row must have the same"
    )
