"""Cells to numbers: decimal marks, thousands marks, signs, blanks.

The problem: "1,234" is one and a bit in one country and a thousand in the next, and a wrong guess gives
wrong numbers without a word. The plan: a column's own cells decide where they can (two marks in a cell, a
group that is not of three digits, a leading zero); then the other columns; then a semicolon between cells,
which people write because the comma is taken. What is still open is refused. The cost: a few vectorised
passes over the cells, and only one where they are plain.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from rig.samples import FloatArray
from rig.tables.cells import BoolArray, Cells
from rig.tables.plain_text import plain_text

PLAIN = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
MISSING = (
    r"^(?i:|[-_*?#.]+|[+-]?(?:nan|inf|∞|ol|over|under)|[+-]?1\.#(?:ind|inf|qnan)0*|[+-]?9\.91?0*e\+?37|n/?a|"
    r"n\.a\.|null|none|missing|no ?data|err|error|fehler|erreur|invalid|ungültig|fault|bad|open|ovl|ovr|"
    r"[<>≤≥] ?[0-9.,]+|"
    r"over ?range|overload|saturated|overflow|ovrflw|ovld|#n/a|#nv|#[a-zé]+[!?]|#div/0!)$"
)
"""Cells that hold no reading: blank, a dash, beyond a limit, what programs write where there is none, and
9.9E37 and 9.91E37, which mean too large and not a number in SCPI-1999, volume 1, 7.2.1 (recalled)."""
_WORD = r"^[^0-9]*$"
_NINES = r"^[+-]?9{3,9}([.,](0*|9*))?$"
FILLER_BEYOND = 5.0
"""Times the largest other number; what a press measures would pass through the range between."""
MOST_WORDS = 0.1
"""Of a column's cells: a few words among its numbers, in whatever language, are readings that failed."""

_BLANK_MARKS = "[ ']"
_BLANK_GROUPS = rf"^[+-]?[0-9]{{1,3}}({_BLANK_MARKS}[0-9]{{3}})+([.,]|$)"
_BOTH = {".": r"^[+-]?[0-9]{1,3}(,[0-9]{3})+\.", ",": r"^[+-]?[0-9]{1,3}(\.[0-9]{3})+,"}
_MANY = {".": r"^[+-]?[0-9]{1,3}(,[0-9]{3}){2,}$", ",": r"^[+-]?[0-9]{1,3}(\.[0-9]{3}){2,}$"}
_OPEN = {",": r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$", ".": r"^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}$"}
"""One mark before exactly three digits: decimal or thousands."""
_WHOLE = r"^[+-]?[1-9][0-9]*$"
_DECIMAL = {mark: rf"^[+-]?[0-9]*\{mark}[0-9]*([eE][+-]?[0-9]+)?$" for mark in (",", ".")}


def plain_number(text: str, decimal: str | None = None) -> str:
    """Return a number's text with a decimal point and an ASCII minus, without thousands marks; else the text.

    Parameters
    ----------
    text
        One cell.
    decimal
        Decimal mark of the table; None to tell it from the cell, where one mark is then the decimal one.

    Examples
    --------
    >>> plain_number("\u22121.234,5"), plain_number("1,5"), plain_number("F-90")
    ('-1234.5', '1.5', 'F-90')
    """
    cell = plain_text(text.strip())
    if re.match(_BLANK_GROUPS, cell):
        cell = re.sub(_BLANK_MARKS, "", cell)
    if decimal is None:
        decimal = (
            "," if "," in cell and not re.match(_BOTH["."], cell) and not re.match(_MANY["."], cell) else "."
        )
    other = "." if decimal == "," else ","
    grouped = re.match(_BOTH[decimal], cell) or re.match(_MANY[decimal], cell) or re.match(_OPEN[other], cell)
    if grouped:
        cell = cell.replace(other, "")
    if decimal == "," and "." not in cell:
        cell = cell.replace(",", ".")
    return cell if re.match(PLAIN, cell) else text


def told_decimal(cells: Sequence[str]) -> str | None:
    """Return the decimal mark that cells with both marks show, as "1.234,5" does; None if others differ.

    Examples
    --------
    >>> told_decimal(["1.234,5", "1.234"]), told_decimal(["1.234,5", "1.5"]), told_decimal(["1.234"])
    (',', None, None)
    """
    shown = {mark for cell in cells for mark in (".", ",") if re.match(_BOTH[mark], cell)}
    if len(shown) != 1:
        return None
    mark = shown.pop()
    other = "." if mark == "," else ","
    grouped = re.compile("|".join((_BOTH[mark], _MANY[mark], _OPEN[other])))
    return mark if all(grouped.match(cell) for cell in cells if other in cell) else None


def may_be_thousands(text: str) -> bool:
    """Return whether a number's one mark may be decimal or mark thousands, as in "1,234" and "1.234"."""
    return any(re.match(pattern, text.strip()) for pattern in _OPEN.values())


def tell_decimal(columns: Sequence[Cells], delimiter: str) -> list[str]:
    """Return the decimal mark of each column: "." or ",".

    Raises
    ------
    InputError
        If it cannot be told: every number with a mark has three digits behind it.
    """
    own = [_own_decimal(column.text) for column in columns]
    settled = {mark for mark in own if mark in (".", ",")}
    marks = []
    for column, mark in zip(columns, own, strict=True):
        if mark is None:
            marks.append(".")
        elif mark in (".", ","):
            marks.append(mark)
        elif mark == "likely point":
            # beside decimal commas a point before three digits marks thousands
            marks.append("," if settled == {","} else ".")
        elif len(settled) == 1:
            marks.append(next(iter(settled)))
        elif delimiter == ";" and mark == "open comma":
            marks.append(",")
        else:
            sign = "," if mark == "open comma" else "."
            row = int(np.argmax(_matches(column.text, _OPEN[sign])))
            raise column.refuse(
                row,
                f"the {mark.removeprefix('open ')} may be decimal or mark thousands; say which with "
                "--decimal ',' or --decimal '.'",
            )
    return marks


def _own_decimal(cells: pa.Array) -> str | None:
    """Decimal mark by a column's own cells; None without any, "open comma" or "open point" for either, and
    "likely point" where only another column could say otherwise."""
    comma = pc.filter(cells, pc.match_substring(cells, ","))
    if not len(comma):
        point = pc.filter(cells, pc.match_substring(cells, "."))
        if _any(point, _MANY[","]):
            return ","
        threes = len(point) and _all(point, _OPEN["."])
        # beside "1.200", decimals would stand behind "900" too; without such a cell, a point before three
        # digits is a decimal one unless another column says otherwise
        open_one = "open point" if _any(cells, _WHOLE) else "likely point"
        return open_one if threes else "." if len(point) else None
    for mark in (".", ","):
        if _any(comma, _BOTH[mark]) or (mark == "." and _any(comma, _MANY["."])):
            return mark
    decimal_only = pc.and_(
        pc.match_substring_regex(comma, _DECIMAL[","]), pc.invert(pc.match_substring_regex(comma, _OPEN[","]))
    )
    if pc.any(decimal_only).as_py():
        return ","
    if _any(cells, _DECIMAL["."]) and pc.any(pc.match_substring(cells, ".")).as_py():
        return "."
    return "open comma"


def numbers_of(column: Cells, decimal: str) -> tuple[FloatArray, BoolArray, list[str]]:
    """Return a column's numbers, which rows hold one (others are blank), and notes.

    Raises
    ------
    InputError
        Naming the first cell that is neither a number nor blank.
    """
    cells = column.text
    notes: list[str] = []
    plain = _matches(cells, PLAIN)
    if not plain.all() or decimal == ",":
        cells, notes = _made_plain(column, decimal)
        plain = _matches(cells, PLAIN)
    blank = _matches(column.text, MISSING)
    words = ~plain & ~blank & _matches(column.text, _WORD)
    if words.any() and words.sum() <= MOST_WORDS * len(words):
        word = column.text[int(np.argmax(words))].as_py()
        notes.append(f"{column.where}: {int(words.sum())} cells without a number, such as {word!r:.40}")
        blank |= words
    bad = ~plain & ~blank
    if bad.any():
        right = "a decimal comma as in '1,5'" if decimal == "," else "as in '1.5'"
        raise column.refuse(int(np.argmax(bad)), f"expected a number, {right}, or leave out the line")
    plain &= ~blank
    if blank.any():
        cells = pc.if_else(pa.array(blank), pa.scalar("nan"), cells)
    numbers: FloatArray = pc.cast(cells, pa.float64()).to_numpy(zero_copy_only=False)
    filler = _fillers(column.text, numbers, plain)
    if filler.any():
        found = column.text[int(np.argmax(filler))].as_py()
        notes.append(
            f"{column.where}: {int(filler.sum())} cells of {found!r:.40}, which stands for no reading"
        )
        plain &= ~filler
    endless = ~np.isfinite(numbers) & plain
    if endless.any():
        raise column.refuse(int(np.argmax(endless)), "expected a number that is not as large as this")
    return numbers, plain, notes


def _fillers(cells: pa.Array, numbers: FloatArray, plain: BoolArray) -> BoolArray:
    """Return which cells are nines only and far beyond all others: -9999 and the like, written for no
    reading (common practice, no source)."""
    nines = plain & _matches(cells, _NINES)
    others = np.abs(numbers[plain & ~nines])
    if not 0 < nines.sum() <= MOST_WORDS * len(numbers) or not others.any():
        return np.zeros(len(numbers), bool)
    found: BoolArray = nines & (np.abs(numbers) / FILLER_BEYOND > others.max())
    return found


def _made_plain(column: Cells, decimal: str) -> tuple[pa.Array, list[str]]:
    cells, notes = column.text, []
    other = "." if decimal == "," else ","
    grouped = pc.match_substring_regex(cells, _BLANK_GROUPS)
    if pc.any(grouped).as_py():
        notes.append(_marks_note(column, pc.filter(column.text, grouped)[0].as_py()))
        cells = pc.if_else(grouped, pc.replace_substring_regex(cells, _BLANK_MARKS, ""), cells)
    for pattern in (_BOTH[decimal], _MANY[decimal], _OPEN[other]):
        grouped = pc.match_substring_regex(cells, pattern)
        if pc.any(grouped).as_py():
            notes.append(_marks_note(column, pc.filter(column.text, grouped)[0].as_py()))
            cells = pc.if_else(grouped, pc.replace_substring(cells, other, ""), cells)
    if decimal == ",":
        with_comma = pc.match_substring(cells, ",")
        if pc.any(with_comma).as_py():
            example = pc.filter(cells, with_comma)[0].as_py()
            notes.append(f"{column.where}: read with a decimal comma, as in {example!r:.60}")
        # A point that is left beside decimal commas is neither, and is refused by the caller.
        cells = pc.replace_substring(pc.replace_substring(cells, ".", "?"), ",", ".")
    return cells, notes[:2]


def _marks_note(column: Cells, example: str) -> str:
    return f"{column.where}: thousands marks left out, as in {example!r:.60}"


def _matches(cells: pa.Array, pattern: str) -> BoolArray:
    found: BoolArray = pc.match_substring_regex(cells, pattern).to_numpy(zero_copy_only=False).astype(bool)
    return found


def _any(cells: pa.Array, pattern: str) -> bool:
    return bool(pc.any(pc.match_substring_regex(cells, pattern)).as_py())


def _all(cells: pa.Array, pattern: str) -> bool:
    return bool(pc.all(pc.match_substring_regex(cells, pattern)).as_py())
