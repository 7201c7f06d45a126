"""Rows of a table of captures by a condition that a person typed, and their order.

Problem: a condition such as `batch == "spring mould" and hysteresis_pct > 20` must be able to say a lot and
do nothing. Plan: Python's own parser makes a tree of it, which may hold comparisons of columns with
constants, joined by and, or, not. Whatever else stands there is refused in words, and nothing of it is ever
run as code. A field without a value makes a comparison neither true nor false, as in SQL: `not` does not turn
it to true, and only `is None` finds it. Cost: ten microseconds a row.
"""

from __future__ import annotations

import ast
import operator
import re
import warnings
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from rig.errors import InputError
from rig.results.archive import archive_table, column_values, taken

if TYPE_CHECKING:
    import pandas as pd

LONGEST = 1000
"""Characters of a condition; a longer one is no condition that a person typed."""

EXAMPLE = """such as 'batch == "spring mould" and hysteresis_pct > 20'"""

_ORDERS: Mapping[type[ast.cmpop], Callable[[Any, Any], bool]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}

Test = Callable[[int], bool | None]
"""Whether a row fulfils a condition; None if it has no value for it."""


def selected(table: pa.Table, *, where: str | None = None, sort: str | None = None) -> pa.Table:
    """Return the rows of a table that fulfil a condition, in an order.

    Parameters
    ----------
    where
        Comparisons (`==`, `!=`, `<`, `<=`, `>`, `>=`) of columns with numbers, quoted texts and days;
        `"text" in column` for a part of a text, whatever its case; `column in ["a", "b"]`; `column is None`
        for a field without a value. Joined by `and`, `or`, `not` and parentheses.
    sort
        Names of columns with commas between; a minus before a name turns its order round. Fields without a
        value come last.

    Raises
    ------
    InputError
        Saying where a condition cannot be read, and what would be right.
    """
    columns = _Columns(table)
    rows = list(range(len(table)))
    if where is not None:
        test = _condition(where, columns)
        rows = [row for row in rows if test(row)]
    for key in reversed([key.strip() for key in (sort or "").split(",") if key.strip()]):
        values = columns.values(key.removeprefix("-"), "--sort")
        having = [row for row in rows if values[row] is not None]
        having.sort(key=values.__getitem__, reverse=key.startswith("-"))
        rows = having + [row for row in rows if values[row] is None]
    return taken(table, rows)


def archive_frame(folder: Path | str, *, where: str | None = None, sort: str | None = None) -> pd.DataFrame:
    """Return the captures of a folder as a data frame, one row each; see `archive_table`.

    Parameters
    ----------
    where, sort
        As for `pressrig captures`: 'batch == "spring mould" and hysteresis_pct > 20', "-started".
    """
    frame: pd.DataFrame = selected(archive_table(Path(folder)), where=where, sort=sort).to_pandas()
    return frame


class _Columns:
    """Columns of a table as lists, made when they are asked for."""

    def __init__(self, table: pa.Table) -> None:
        self._table = table
        self._lists: dict[str, list[Any]] = {}

    def values(self, name: str, option: str = "--where") -> list[Any]:
        if name not in self._table.column_names:
            close = get_close_matches(name, self._table.column_names, 3) or self._table.column_names
            raise InputError(f"{option}: no column {name!r:.60}; expected one such as {', '.join(close)}")
        if name not in self._lists:
            self._lists[name] = column_values(self._table, name)
        return self._lists[name]

    def kind(self, name: str) -> type:
        """Return whether a column holds texts, numbers or times."""
        self.values(name)
        type_ = self._table.schema.field(name).type
        return str if pa.types.is_string(type_) else datetime if pa.types.is_timestamp(type_) else float


def _condition(text: str, columns: _Columns) -> Test:
    if len(text) > LONGEST:
        raise InputError(f"--where: {len(text)} characters; at most {LONGEST} are read")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about a backslash in a text, which stays one
            tree = ast.parse(text.strip(), mode="eval")
        return _test(tree.body, columns)
    except SyntaxError as problem:
        where = f"at character {problem.offset}" if problem.offset else "at its end"
        hint = "; write == for equal" if re.search("[^=!<>]=[^=]", text) else ""
        if re.search(r"[<>=]\s*\d{4}-\d", text):
            hint = '; write a day in quotes, "2026-05-01"'
        raise InputError(f"--where: {text!r:.80} cannot be read {where}{hint}; expected {EXAMPLE}") from None
    except (RecursionError, MemoryError, ValueError):
        raise InputError(f"--where: {text!r:.80} is nested too deeply; expected {EXAMPLE}") from None


def _test(node: ast.expr, columns: _Columns) -> Test:
    match node:
        case ast.BoolOp(op=joined, values=parts):
            tests = [_test(part, columns) for part in parts]
            deciding = isinstance(joined, ast.Or)
            return lambda row: _joined([test(row) for test in tests], deciding)
        case ast.UnaryOp(op=ast.Not(), operand=part):
            test = _test(part, columns)
            return lambda row: None if (found := test(row)) is None else not found
        case ast.Compare(left=left, ops=ops, comparators=others):
            sides = [left, *others]
            pairs = [
                _pair(one, op, other, columns) for one, op, other in zip(sides, ops, others, strict=False)
            ]
            return lambda row: _joined([pair(row) for pair in pairs], deciding=False)
    raise _refused(node, "a comparison of a column")


def _joined(found: list[bool | None], deciding: bool) -> bool | None:
    """Return what `or` (deciding: true) or `and` (false) makes of its parts."""
    return deciding if deciding in found else None if None in found else not deciding


def _pair(left: ast.expr, op: ast.cmpop, right: ast.expr, columns: _Columns) -> Test:
    match left, op, right:
        case ast.Name(id=name), ast.Is() | ast.IsNot(), ast.Constant(value=None):
            values, absent = columns.values(name), isinstance(op, ast.Is)
            return lambda row: (values[row] is None) == absent
        case ast.Constant(value=str(part)), ast.In() | ast.NotIn(), ast.Name(id=name):
            if columns.kind(name) is not str:
                raise InputError(f"--where: column {name} holds no text that {part!r:.40} could be in")
            values, sought, inside = columns.values(name), part.casefold(), isinstance(op, ast.In)
            return lambda row: None if values[row] is None else (sought in values[row].casefold()) == inside
        case ast.Name(id=name), ast.In() | ast.NotIn(), ast.List(elts=items) | ast.Tuple(elts=items):
            equal = [_pair(left, ast.Eq(), item, columns) for item in items]
            inside = isinstance(op, ast.In)
            return lambda row: (
                None if (found := _joined([test(row) for test in equal], deciding=True)) is None
                else found == inside
            )  # fmt: skip
    if type(op) not in _ORDERS:
        raise _refused(right, "a quoted text in a column, a column in a list, or `is None`")
    compare = _ORDERS[type(op)]
    names = [side.id for side in (left, right) if isinstance(side, ast.Name)]
    if not names:
        raise _refused(left, "the name of a column")
    kinds = {columns.kind(name) for name in names}
    if len(kinds) > 1:
        raise InputError(f"--where: {names[0]} and {names[1]} cannot be compared: one is text, or a time")
    days = [_is_day(side) for side in (left, right)]
    one, other = (_side(side, names[0], columns, as_day=any(days)) for side in (left, right))

    def test(row: int) -> bool | None:
        first, second = one(row), other(row)
        return None if first is None or second is None else compare(first, second)

    return test


def _side(node: ast.expr, column: str, columns: _Columns, *, as_day: bool) -> Callable[[int], Any]:
    """Return what gives the value of one side of a comparison, in the type of a column."""
    kind = columns.kind(column)
    if isinstance(node, ast.Name):
        values = columns.values(node.id)
        if kind is datetime and as_day:
            return lambda row: None if values[row] is None else values[row].date()
        return values.__getitem__
    constant = _constant(node)
    if kind is datetime and isinstance(constant, str):
        try:
            found = date.fromisoformat(constant) if as_day else datetime.fromisoformat(constant)
        except ValueError:
            raise InputError(
                f'--where: {column}: found {constant!r:.40}, expected a day such as "2026-04-16", '
                'or "2026-04-16 10:12"'
            ) from None
        if isinstance(found, datetime) and found.tzinfo is None:
            found = found.replace(tzinfo=UTC)
        return lambda _: found
    if not isinstance(constant, str if kind is str else (int, float)) or kind is datetime:
        expected = {str: "a quoted text", float: "a number", datetime: "a quoted day"}[kind]
        raise InputError(f"--where: {column}: found {constant!r:.40}, expected {expected}")
    return lambda _: constant


def _is_day(node: ast.expr) -> bool:
    """Return whether a constant is a day without a time: then whole days are compared."""
    if not (isinstance(node, ast.Constant) and isinstance(node.value, str)):
        return False
    try:
        date.fromisoformat(node.value)
    except ValueError:
        return False
    return True


def _constant(node: ast.expr) -> str | float:
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.Constant(value=int(number) | float(number)) if not isinstance(number, bool):
            return number
        case ast.UnaryOp(op=ast.USub(), operand=ast.Constant(value=int(number) | float(number))):
            return -number
    raise _refused(node, "a number, a quoted text or the name of a column")


def _refused(node: ast.expr, expected: str) -> InputError:
    return InputError(f"--where: found {ast.unparse(node)!r:.60}, expected {expected}; {EXAMPLE}")
