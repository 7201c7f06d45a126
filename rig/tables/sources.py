"""A file to the text of its table: plain, compressed, or a sheet of a spreadsheet.

The problem: what a laboratory sends is untrusted, and a few bytes may unpack to more than memory holds. The
plan: only regular files are opened (never a pipe or a device), sizes are bounded before and after unpacking,
lines before they are cut, and a sheet or lines of JSON become lines of tab-separated cells, so that
everything behind reads text only.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.core import read_bytes
from rig.errors import InputError
from rig.tables.archives import files_of, member, unpacked_gzip
from rig.tables.encodings import decode
from rig.tables.json_rows import json_text
from rig.tables.workbooks import sheet_text

LARGEST_TABLE = 1 << 30
"""Bytes; the text is held in memory, and a recording longer than this should come as several files."""

LONGEST_LINE = 1 << 16
"""Bytes; a thousand columns of sixty characters. Cells are looked up one by one, so a longer line is slow."""

SUFFIXES = (".csv", ".tsv", ".tab", ".txt", ".dat", ".asc", ".jsonl", ".xlsx", ".xlsm", ".ods")
"""Of files that a folder is searched for, each also with .gz behind it."""

_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"
_OTHER = {
    b"\xd0\xcf\x11\xe0": "a spreadsheet of the old binary kind; save it as .xlsx, .ods or CSV first",
    b"%PDF-": "a PDF document; save its table as CSV or .xlsx first",
    b"{\\rtf": "a document of a word processor; save its table as CSV or .xlsx first",
}
"""How files begin that hold no table that can be read here."""


@dataclass(frozen=True, slots=True)
class TableText:
    """The text of a table.

    Parameters
    ----------
    where
        The file, and the sheet where it is one, for messages.
    text
        Its lines; those of a sheet have tabs between cells.
    delimiter
        Where the source decides it; else None.
    sha256
        Of the file's bytes.
    notes
        What had to be guessed.
    """

    where: str
    text: str
    delimiter: str | None
    sha256: str
    notes: tuple[str, ...] = ()


def read_table_text(
    path: Path,
    *,
    encoding: str | None = None,
    sheet: str | None = None,
    most: int = LARGEST_TABLE,
    hint: str = "",
    known: Callable[[str], bool] | None = None,
) -> TableText:
    """Read a table's text.

    Parameters
    ----------
    path
        Of a text in any encoding, gzip-compressed text, .xlsx or .ods.
    encoding
        Name of the encoding; None to tell it from the bytes.
    sheet
        Name of a spreadsheet's sheet; None where only one holds anything.
    most
        Bytes that the file may have.
    hint
        What to do if there is no such file, for the refusal.
    known
        Whether a cell is a heading that tells which sheet is meant; None for those of a recording.

    Raises
    ------
    InputError
        Naming the file: not there, no regular file, too large, not text, or unpacking to too much.
    """
    data = read_bytes(path, most=most, what="table", hint=hint)
    digest = hashlib.sha256(data).hexdigest()
    if data.startswith(_GZIP):
        data = unpacked_gzip(data, path)
    for begin, what in _OTHER.items():
        if data.startswith(begin):
            raise InputError(f"{path}: {what}")
    where = str(path)
    if data.startswith(_ZIP) and (files := files_of(data, SUFFIXES)) is not None:
        sheet, data = member(data, path, files, sheet)
        where, sheet = f"{path}, file {sheet!r}", None
    if data.startswith(_ZIP):
        name, text, notes = sheet_text(data, path, sheet, known)
        return TableText(f"{path}, sheet {name!r}", text, "\t", digest, notes)
    if sheet is not None:
        raise InputError(f"{path}: --sheet was given, but this is not a spreadsheet; leave the option out")
    text, note = decode(data, where, encoding)
    notes = () if note is None else (note,)
    if (rows := json_text(text, where)) is not None:
        return TableText(where, rows, "\t", digest, notes)
    if "</tr>" not in text:  # a table of a page may stand in one line
        _refuse_long_line(data, where)
    return TableText(where, text, None, digest, notes)


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a regular file; InputError as `read_table_text`."""
    return hashlib.sha256(read_bytes(path, most=LARGEST_TABLE, what="table")).hexdigest()


def _refuse_long_line(data: bytes, where: str) -> None:
    """Refuse a line that no table has, before the text is cut into lines and cells."""
    begin = 0
    while len(data) - begin > LONGEST_LINE:
        stop = begin + LONGEST_LINE
        last = max(data.rfind(b"\n", begin, stop), data.rfind(b"\r", begin, stop))
        if last < 0:
            line = 1 + max(data.count(b"\n", 0, begin), data.count(b"\r", 0, begin))
            raise InputError(
                f"{where}, line {line}: longer than {LONGEST_LINE} bytes; expected one line per row, of "
                "time, force and position"
            )
        begin = last + 1
