"""A file to the text of its table: plain, compressed, or a sheet of a spreadsheet.

The problem: what a laboratory sends is untrusted, and a few bytes may unpack to more than memory holds. The
plan: only regular files are opened (never a pipe or a device), sizes are bounded before and after unpacking,
and a sheet becomes lines of tab-separated cells, so that everything behind reads text only.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import zlib
from dataclasses import dataclass
from pathlib import Path

from rig.core import read_bytes
from rig.errors import InputError
from rig.tables.encodings import decode
from rig.tables.workbooks import sheet_text

LARGEST_TABLE = 1 << 30
"""Bytes; the text is held in memory, and a recording longer than this should come as several files."""

LARGEST_UNPACKED = 1 << 28
"""Bytes that a compressed table may unpack to: more than a million rows of a wide table."""

SUFFIXES = (".csv", ".tsv", ".tab", ".txt", ".dat", ".asc", ".xlsx", ".xlsm", ".ods")
"""Of files that a folder is searched for, each also with .gz behind it."""

_GZIP, _ZIP, _OLD_WORKBOOK = b"\x1f\x8b", b"PK\x03\x04", b"\xd0\xcf\x11\xe0"


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

    Raises
    ------
    InputError
        Naming the file: not there, no regular file, too large, not text, or unpacking to too much.
    """
    data = read_bytes(path, most=most, what="table", hint=hint)
    digest = hashlib.sha256(data).hexdigest()
    if data.startswith(_GZIP):
        data = _unpacked(data, path)
    if data.startswith(_OLD_WORKBOOK):
        raise InputError(f"{path}: a spreadsheet of the old binary kind; save it as .xlsx, .ods or CSV first")
    if data.startswith(_ZIP):
        name, text, notes = sheet_text(data, path, sheet)
        return TableText(f"{path}, sheet {name!r}", text, "\t", digest, notes)
    if sheet is not None:
        raise InputError(f"{path}: --sheet was given, but this is not a spreadsheet; leave the option out")
    text, note = decode(data, str(path), encoding)
    return TableText(str(path), text, None, digest, () if note is None else (note,))


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a regular file; InputError as `read_table_text`."""
    return hashlib.sha256(read_bytes(path, most=LARGEST_TABLE, what="table")).hexdigest()


def _unpacked(data: bytes, path: Path) -> bytes:
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
            unpacked = packed.read(LARGEST_UNPACKED + 1)
    except (OSError, EOFError, zlib.error) as problem:
        raise InputError(
            f"{path}: cannot be unpacked ({str(problem)[:100]}); expected a whole gzip file"
        ) from None
    if len(unpacked) > LARGEST_UNPACKED:
        raise InputError(f"{path}: unpacks to more than {LARGEST_UNPACKED >> 20} MiB; import it in parts")
    return unpacked
