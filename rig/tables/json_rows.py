"""JSON, a document or one object per line, as lines of tab-separated cells below a row of names.

The problem: programs write {"t_s": 0.1, "x_mm": 2} line by line, as a list, as an object of lists, or beside
settings; or one line of JSON above a table. The plan: the first table in a document becomes a frame of
pandas, in which an inner object adds its names; lines that are not JSON stay as they are, for the reader of
text to judge. The cost: the values in memory as Python objects.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from rig.core import DEEPEST, load_foreign_json
from rig.errors import InputError, refused_at

if TYPE_CHECKING:
    from pandas import DataFrame

LARGEST_DOCUMENT = 64 << 20
"""Characters of JSON, which takes ten times as much memory once it is read."""

MOST_NAMES = 1000
"""In all rows together: each is a column, whose cells are made for every row."""

_OPENS = re.compile(r"\s*(?:\[\s*)?\{\s*[\"}]")
_UNFIT = re.compile(
    r"(\\\\|\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2})"
    r"|\\[nrtfb]|\\u(?:00[01][0-9a-fA-F]|0085|202[89]|[dD][89a-fA-F][0-9a-fA-F]{2})|[\x85\u2028\u2029]"
)
"""Ends of lines, control characters and halves of characters in JSON, which no cell can hold; the group is
none of them."""


def json_text(text: str, where: str) -> str | None:
    """Return lines of cells, tabs between them, below the names; None for a text that is not JSON.

    Raises
    ------
    InputError
        If it is damaged, nested too deeply, too large, or holds no table.

    Examples
    --------
    >>> json_text('{"t_s": 0.1, "x": {"mm": 2}}\\n{"t_s": 0.2, "x": {"mm": 3}}\\n', "log.jsonl")
    't_s\\tx.mm\\n0.1\\t2\\n0.2\\t3'
    >>> json_text('{"rate": 50, "data": {"x_mm": [1, 2], "F_N": [3, 4]}}', "log.json")
    'x_mm\\tF_N\\n1\\t3\\n2\\t4\\n'
    """
    if text.lstrip()[:1] not in ("{", "["):
        return None
    if len(text) > LARGEST_DOCUMENT:
        if _OPENS.match(text) is None:
            return None  # a table below [Settings], or rows in brackets
        raise InputError(f"{where}: more than {LARGEST_DOCUMENT >> 20} MiB of JSON; import it in parts")
    if "\\" in text or not text.isascii():
        text = _UNFIT.sub(lambda found: found[1] or " ", text)
    try:
        with refused_at(where):
            frame = _frame_in(load_foreign_json(text))
    except RecursionError:
        raise InputError(f"{where}: found JSON that is nested too deeply; expected a list of rows") from None
    except ValueError as problem:
        lines = [line for line in text.splitlines() if line.strip()]
        if sum(line.lstrip().startswith("{") for line in lines) > max(1, len(lines) / 2):
            with refused_at(where):
                return _text_of_lines(lines)
        if _OPENS.match(text) is None or str(problem).startswith("Extra data"):
            return None
        raise InputError(f"{where}: not whole JSON ({problem!s:.100}); expected a list of rows") from None
    if frame is None:
        raise InputError(f"{where}: found JSON without a table; expected objects, or lists of equal length")
    return frame.to_csv(sep="\t", index=False)


def _text_of_lines(lines: list[str]) -> str:
    """Return the objects of lines as cells below their names, and the other lines as they are."""
    found = [_object(line) for line in lines]
    heads, *rows = _flat([row for row in found if row]).to_csv(sep="\t", index=False).splitlines()
    cells = iter(rows)
    out = [next(cells) if row else line for row, line in zip(found, lines, strict=True)]
    first = next((at for at, row in enumerate(found) if row), 0)
    return "\n".join([*out[:first], heads, *out[first:]])


def _object(line: str) -> dict[str, Any]:
    """Return the object that a line is; an empty one for any other line."""
    try:
        row = load_foreign_json(line.strip().rstrip(","))
    except (ValueError, RecursionError):
        return {}
    return row if isinstance(row, dict) else {}


def _flat(rows: list[dict[str, Any]]) -> DataFrame:
    """Return rows with inner objects as columns; InputError if they are nested too deeply, or have too many
    names together."""
    from pandas import json_normalize

    names: set[tuple[str, ...]] = set()
    for row in rows:
        inner: list[tuple[tuple[str, ...], Any]] = [((), row)]
        while inner:
            name, value = inner.pop()
            if isinstance(value, dict):
                inner += [((*name, key), part) for key, part in value.items()]
            else:
                names.add(name)
            if len(name) > DEEPEST:
                raise InputError("found JSON that is nested too deeply; expected a list of rows")
        if len(names) > MOST_NAMES:
            raise InputError(f"found more than {MOST_NAMES} names in rows of JSON; expected the same in each")
    return json_normalize(rows)


def _frame_in(value: Any) -> DataFrame | None:
    """Return the first table in a document; None if there is none.

    A table is a list of objects, a list of rows below or beside one of their names, an object of lists or of
    numbered objects, or a list of objects with a name and a list each.
    """
    from pandas import DataFrame

    if _all(value, dict):
        series: dict[str, Any] = {}
        for part in value:
            lists = [one for one in part.values() if isinstance(one, list)]
            series |= {str(name): lists[0] for name in part.values() if isinstance(name, str) and lists}
        return _frame_in(series) if len(series) == len(value) > 1 else _flat(value)
    if _all(value, list):
        names, *rows = value
        return DataFrame(rows, columns=names) if _all(names, str) and _of_one_length(value) else None
    return _frame_of_object(value) if isinstance(value, dict) else None


def _frame_of_object(value: dict[str, Any]) -> DataFrame | None:
    from pandas import DataFrame

    parts = {
        name: list(part.values()) if isinstance(part, dict) and "0" in part else part
        for name, part in value.items()
    }
    columns = {name: part for name, part in parts.items() if isinstance(part, list) and len(part) > 1}
    plain = {
        name: part for name, part in columns.items() if not any(isinstance(x, list | dict) for x in part)
    }
    names = next((part for part in plain.values() if _all(part, str)), [])
    for rows in columns.values():
        if names and _all(rows, list) and _of_one_length([names, *rows]):
            return DataFrame(rows, columns=names)
    if len(plain) > 1 and _of_one_length(plain.values()):
        return DataFrame(plain)
    if 0 < len(value) <= MOST_NAMES and not any(isinstance(part, list | dict) for part in value.values()):
        return DataFrame([value])
    within = (_frame_in(part) for part in value.values())
    return next((found for found in within if found is not None), None)


def _all(values: Any, kind: type) -> bool:
    return isinstance(values, list) and bool(values) and all(isinstance(value, kind) for value in values)


def _of_one_length(rows: Any) -> bool:
    return len({len(row) for row in rows}) == 1
