"""A sheet of a spreadsheet as lines of text; formulas are never computed, their kept results are read.

The problem: a spreadsheet is a zip archive of XML that may unpack to gigabytes, claim a cell at the far
corner of a sheet, or define entities that grow. The plan: each part is unpacked here with a bound and looked
through for such claims; what passed is handed, uncompressed, to python-calamine, which reads both formats
(chosen over two pure readers since it is one small dependency and ten times as fast). The cost: the parts are
in memory twice.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from rig.errors import InputError
from rig.tables.archives import LARGEST_UNPACKED, read_within, unpacking
from rig.tables.headings import kind_of, reduced_kind
from rig.tables.plain_text import plain_text

_SEARCHED_ROWS = 100
_LONGEST_HEADING = 200
MOST_PARTS = 10_000
MOST_CELLS = 10_000_000
"""Of the rectangle around all filled cells of a sheet; it is held in memory as a whole."""

_GROWING = re.compile(rb"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)
# Bounded repeats: a part that never closes a tag must not be scanned again from each of them.
_CELL = re.compile(rb"<(?:\w{1,20}:)?c\b[^>]{0,200}?\br=\"([A-Za-z]{1,3})(\d{1,7})\"[^>]{0,200}?(?<!/)>")
_COLUMNS = re.compile(rb"number-columns-repeated=\"(\d{1,9})\"")
_ROWS = re.compile(rb"number-rows-repeated=\"(\d{1,9})\"")


def sheet_text(
    data: bytes, path: Path, sheet: str | None, known: Callable[[str], bool] | None = None
) -> tuple[str, str, tuple[str, ...]]:
    """Return the name of a sheet, its text, and notes; of several the one with headings that are known.

    Raises
    ------
    InputError
        If it is no spreadsheet, too large, there is no such sheet, or several hold something.
    """
    checked = _checked(data, path)
    try:
        from python_calamine import CalamineError, CalamineWorkbook
    except ImportError:
        raise InputError(
            f"{path}: reading spreadsheets needs an optional package; install it with "
            "pip install 'pressrig[spreadsheets]', or save the sheet as CSV"
        ) from None
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(checked))
        names = list(book.sheet_names)
        if sheet is not None and sheet not in names:
            raise InputError(f"{path}: no sheet {sheet!r:.40}; found {', '.join(map(repr, names[:20]))}")
        filled = {}
        for name in names if sheet is None else [sheet]:
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
            if rows:
                filled[name] = rows
    except (CalamineError, ValueError, OSError, KeyError, IndexError) as problem:
        raise InputError(f"{path}: not a spreadsheet that can be read ({str(problem)[:100]})") from None
    if not filled:
        raise InputError(f"{path}: no sheet holds anything; expected a table")
    notes: tuple[str, ...] = ()
    recordings = [name for name in filled if _is_meant(filled[name], known)]
    if len(filled) > 1 and len(recordings) == 1:
        notes = (
            f"{path}: of {len(filled)} sheets {recordings[0]!r} is the only one with columns of force and "
            "position; choose another with --sheet NAME",
        )
        filled = {recordings[0]: filled[recordings[0]]}
    if len(filled) > 1:
        several = recordings or list(filled)
        if known is not None:
            raise InputError(
                f"{path}: several sheets hold a table ({', '.join(map(repr, several[:20]))}); save the one "
                "that is meant as CSV"
            )
        shown = " or ".join(f'--sheet "{name}"' for name in several[:20])
        more = f" ({len(several)} sheets)" if len(several) > 20 else ""
        raise InputError(f"{path}: several sheets hold a table; choose one: {shown}{more}")
    name, rows = next(iter(filled.items()))
    return name, "\n".join("\t".join(_cell(cell) for cell in row) for row in rows), notes


def _is_meant(rows: Sequence[Sequence[Any]], known: Callable[[str], bool] | None) -> bool:
    """Return whether one row near the top of a sheet has two headings that are known, or else those of force
    and of position."""
    for row in rows[:_SEARCHED_ROWS]:
        cells = [plain_text(cell) for cell in row if isinstance(cell, str) and len(cell) <= _LONGEST_HEADING]
        if known is not None:
            if sum(map(known, cells)) > 1:
                return True
            continue
        named = {kind_of(cell, None) for cell in cells}
        named |= {(reduced_kind(cell, None) or (None,))[0] for cell in cells}
        if named >= {"force", "position"}:
            return True
    return False


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return f"{value.total_seconds():.6f}"
    return " ".join(str(value).split())


def _checked(data: bytes, path: Path) -> bytes:
    """Return the archive, unpacked within bounds, looked through, and packed again without compression."""
    out = io.BytesIO()
    left = LARGEST_UNPACKED
    with unpacking(path), zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as checked:
        parts = archive.infolist()
        if len(parts) > MOST_PARTS:
            raise InputError(f"{path}: {len(parts)} parts; a spreadsheet has at most {MOST_PARTS}")
        for part in parts:
            with archive.open(part) as packed:
                content = read_within(packed, left, path)
            left -= len(content)
            _refuse_claims(part.filename, content, path)
            checked.writestr(part.filename, content)
    return out.getvalue()


def _refuse_claims(name: str, content: bytes, path: Path) -> None:
    """Refuse a part that would grow, or place cells so far out that the sheet fills memory."""
    if not name.endswith((".xml", ".rels")):
        return
    if _GROWING.search(content):
        raise InputError(f"{path}: part {name!r:.60} defines entities, as no spreadsheet does")
    cells = 0
    if name.startswith("xl/worksheets/"):
        cells = _xlsx_area(content)
    elif name == "content.xml":
        cells = _ods_area(content)
    if cells > MOST_CELLS:
        raise InputError(f"{path}: part {name!r:.60} spans {cells} cells, expected at most {MOST_CELLS}")


def _xlsx_area(content: bytes) -> int:
    rows = columns = 1
    for letters, digits in set(_CELL.findall(content)):
        column = 0
        for letter in letters.upper():
            column = 26 * column + letter - 64
        rows, columns = max(rows, int(digits)), max(columns, column)
    return rows * columns


def _ods_area(content: bytes) -> int:
    """Return the rows times columns up to the last filled cell; trailing empty ones are repeated by the
    thousand."""
    largest = 0
    for table in content.split(b"<table:table ")[1:]:
        row = rows = columns = 0
        for chunk in table.split(b"<table:table-row")[1:]:
            about, _, inside = chunk.partition(b">")
            row += _repeats(_ROWS, about)
            column = filled = 0
            for cell in inside.split(b"table-cell")[1:]:
                attributes, _, text = cell.partition(b">")
                column += _repeats(_COLUMNS, attributes)
                if b"office:value" in attributes or b":p>" in text or b":p " in text:
                    filled = column
            if filled:
                rows, columns = row, max(columns, filled)
        largest = max(largest, rows * columns)
    return largest


def _repeats(pattern: re.Pattern[bytes], attributes: bytes) -> int:
    found = pattern.search(attributes)
    return int(found[1]) if found else 1
