"""JSON, a document or one object per line, as lines of tab-separated cells below a row of names.

The problem: programs write {"t_s": 0.1, "x_mm": 2} line by line, as a list, as an object of lists, or beside
settings; or one line of JSON above a table. The plan: what the text holds is made a list of rows, each an
object; an object within an object adds its names. The cost: the values in memory as Python objects.
"""

from __future__ import annotations

import json
import re
from typing import Any

from rig.errors import InputError

MOST_NAMES = 1000
LARGEST_DOCUMENT = 64 << 20
"""Characters of JSON, which takes ten times as much memory once it is read."""

_OPENS = re.compile(r"\s*(?:\[\s*)?\{\s*[\"}]")
_LEAST_SHARE = 0.5
"""Of the lines that are objects, in a text that has one object per line."""


def json_text(text: str, where: str) -> str | None:
    """Return lines of cells, tabs between them, below the names; None for a text that is not JSON.

    Raises
    ------
    InputError
        Naming the row that is not an object with plain values, or what no table was found in.

    Examples
    --------
    >>> json_text('{"t_s": 0.1, "x": {"mm": 2}}\\n{"t_s": 0.2, "x": {"mm": 3}}\\n', "log.jsonl")
    't_s\\tx.mm\\n0.1\\t2\\n0.2\\t3'
    >>> json_text('{"rate": 50, "data": {"x_mm": [1, 2], "F_N": [3, 4]}}', "log.json")
    'x_mm\\tF_N\\n1\\t3\\n2\\t4'
    """
    if text.lstrip()[:1] not in ("{", "["):
        return None
    if len(text) > LARGEST_DOCUMENT:
        raise InputError(f"{where}: more than {LARGEST_DOCUMENT >> 20} MiB of JSON; import it in parts")
    rows = _rows_of_lines(text, where)
    if rows is None:
        try:
            document = json.loads(text)
        except RecursionError:
            raise InputError(
                f"{where}: found JSON that is nested too deeply; expected a list of rows"
            ) from None
        except ValueError as problem:
            if _OPENS.match(text) is None or str(problem).startswith("Extra data"):
                return None
            raise InputError(f"{where}: not whole JSON ({problem!s:.100}); expected a list of rows") from None
        rows = _rows_in(document)
        if rows is None:
            raise InputError(
                f"{where}: found JSON without a table; expected a list of objects, or lists of equal length"
            )
    names = list(dict.fromkeys(name for row in rows[:1] for name in row))
    if len(names) > MOST_NAMES:
        raise InputError(f"{where}: found {len(names)} names in a row, expected at most {MOST_NAMES}")
    heads = ["\t".join(" ".join(name.split()) for name in names)]
    return "\n".join(heads + ["\t".join(_cell(row.get(name)) for name in names) for row in rows])


def _rows_of_lines(text: str, where: str) -> list[dict[str, Any]] | None:
    """Return the objects of a text that has one per line; None for any other text."""
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    if sum(line.lstrip().startswith("{") for _, line in lines) <= _LEAST_SHARE * len(lines):
        return None
    rows: list[dict[str, Any]] = []
    for number, line in lines:
        try:
            row = json.loads(line.strip().rstrip(","))
        except (ValueError, RecursionError):
            row = None
        flat = _flat(row) if isinstance(row, dict) else None
        if flat is None:
            if not rows or line.strip() in ("[", "]"):
                continue
            raise InputError(
                f"{where}, line {number}: cannot be read as lines of JSON ({line.strip()!r:.40}); expected "
                "one object with plain values per line"
            )
        if len(lines) == 1 and len(flat) > len(row):
            return None
        if any(isinstance(value, list) for value in flat.values()):
            return None
        rows.append(flat)
    return rows or None


def _rows_in(value: Any) -> list[dict[str, Any]] | None:
    """Return the rows of the first table in a document; None if there is none.

    A table is a list of objects, a list of rows below or beside one of their names, an object of lists or of
    numbered objects, or a list of objects with a name and a list each.
    """
    if isinstance(value, list):
        if _all(value, list) and _all(value[0], str) and len({len(row) for row in value}) == 1:
            return [dict(zip(value[0], row, strict=True)) for row in value[1:]]
        if not _all(value, dict):
            return None
        named = {
            next((one for one in part.values() if isinstance(one, str)), ""): one
            for part in value
            for one in part.values()
            if isinstance(one, list)
        }
        return _rows_in(named) if len(named) == len(value) else [_flat(row) for row in value]
    if not isinstance(value, dict):
        return None
    lists = {
        name: list(part.values()) if isinstance(part, dict) and "0" in part else part
        for name, part in value.items()
    }
    lists = {name: part for name, part in lists.items() if isinstance(part, list) and len(part) > 1}
    names = next((part for part in lists.values() if _all(part, str)), [])
    for part in lists.values():
        if names and _all(part, list) and all(len(row) == len(names) for row in part):
            return [dict(zip(names, row, strict=True)) for row in part]
    plain = {name: part for name, part in lists.items() if not any(isinstance(x, list | dict) for x in part)}
    if len(plain) > 1 and len({len(part) for part in plain.values()}) == 1:
        return [dict(zip(plain, row, strict=True)) for row in zip(*plain.values(), strict=True)]
    within = (_rows_in(part) for part in value.values())
    return next((found for found in within if found is not None), None)


def _all(values: Any, kind: type) -> bool:
    return bool(values) and isinstance(values, list) and all(isinstance(value, kind) for value in values)


def _flat(row: dict[str, Any], within: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in row.items():
        flat |= _flat(value, f"{within}{name}.") if isinstance(value, dict) else {within + name: value}
    return flat


def _cell(value: Any) -> str:
    return "" if value is None else " ".join(str(value).removesuffix(".0").split())
