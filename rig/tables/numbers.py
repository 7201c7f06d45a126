"""Cells to numbers: decimal marks, thousands marks, signs, blanks.

The problem: "1,234" is one and a bit in one country and a thousand in the next, and a wrong guess gives
wrong numbers without a word. The plan: a column's own cells decide where they can (two marks in a cell, a
group that is not of three digits, a leading zero); then the other columns; then a semicolon between cells,
which people write because the comma is taken. What is still open is refused. The cost: a few vectorised
passes over the cells, and only one where they are plain.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from rig import units
from rig.errors import InputError
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
_MOST_SHOWN = 4
"""Different cells without a number that a note counts."""
MOST_WORDS = 0.1
"""Of a column's cells: a few words among its numbers, in whatever language, are readings that failed."""

_BLANK_MARKS = "[ ']"
_BLANK_GROUPS = rf"^[+-]?[0-9]{{1,3}}({_BLANK_MARKS}[0-9]{{3}})+([.,]|$)"
_BOTH = {".": r"^[+-]?[0-9]{1,3}(,[0-9]{3})+\.", ",": r"^[+-]?[0-9]{1,3}(\.[0-9]{3})+,"}
_MANY = {".": r"^[+-]?[0-9]{1,3}(,[0-9]{3}){2,}$", ",": r"^[+-]?[0-9]{1,3}(\.[0-9]{3}){2,}$"}
_OPEN = {",": r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$", ".": r"^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}$"}
"""One mark before exactly three digits: decimal or thousands."""
_GROUPED = {mark: "|".join((_BOTH[mark], _MANY[mark], _OPEN[other])) for mark, other in (".,", ",.")}
"""Numbers with marks of thousands beside each decimal mark."""
MIXED = "mixed"
"""Of a table in which some numbers have a decimal comma and others a decimal point."""
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
    if re.match(_GROUPED[decimal], cell):
        cell = cell.replace("." if decimal == "," else ",", "")
    if decimal == "," and "." not in cell:
        cell = cell.replace(",", ".")
    return cell if re.match(PLAIN, cell) else text


def quantity_in(text: str, unit: str, to: str) -> float:
    """Return a number in the unit `to`, from the unit behind it, else that of its heading.

    Raises InputError if it is no number, has no unit, or its unit measures something else.
    """
    if not re.match(PLAIN, text):
        return units.parse(text, to)
    if not unit:
        raise InputError(f"found {text!r} without a unit; give it in the cell or the heading, as in '({to})'")
    return units.parse(f"{text} {unit}", to)


def one_decimal(cells: Sequence[str]) -> str | None:
    """Return the decimal mark of a table; None without any mark, MIXED where cells differ.

    Examples
    --------
    >>> one_decimal(["1.234,5", "1.234"]), one_decimal(["1.234,5", "1.5"]), one_decimal(["1,234"])
    (',', 'mixed', ',')
    """
    numbers = pa.array(cells, pa.string())
    mark = _own_decimal(numbers)
    if mark not in (".", ","):
        return "," if mark == "open comma" else None
    others = pc.filter(numbers, pc.match_substring(numbers, "." if mark == "," else ","))
    shows_groups = _matches(others, _BOTH[mark]).any() or _matches(others, _MANY[mark]).any()
    return mark if not len(others) or (shows_groups and _matches(others, _GROUPED[mark]).all()) else MIXED


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
    other = next(iter(settled)) if len(settled) == 1 else None
    marks = []
    for column, mark in zip(columns, own, strict=True):
        if mark in (None, ".", ","):
            marks.append(mark or ".")
        elif other is not None:
            # beside decimal commas a point before three digits marks thousands
            marks.append(other)
        elif mark == "likely point":
            marks.append(".")
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
        if _matches(point, _MANY[","]).any():
            return ","
        threes = len(point) and _matches(point, _OPEN["."]).all()
        # beside "1.200", decimals would stand behind "900" too; without such a cell, a point before three
        # digits is a decimal one unless another column says otherwise
        open_one = "open point" if _matches(cells, _WHOLE).any() else "likely point"
        return open_one if threes else "." if len(point) else None
    for mark in (".", ","):
        if _matches(comma, _BOTH[mark]).any() or (mark == "." and _matches(comma, _MANY["."]).any()):
            return mark
    if (_matches(comma, _DECIMAL[","]) & ~_matches(comma, _OPEN[","])).any():
        return ","
    return "." if _matches(cells, _DECIMAL["."]).any() else "open comma"


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
    if words.sum() <= MOST_WORDS * len(words):
        blank |= words
    bad = ~plain & ~blank
    if bad.any():
        right = "a decimal comma as in '1,5'" if decimal == "," else "as in '1.5'"
        raise column.refuse(int(np.argmax(bad)), f"expected a number, {right}, or leave out the line")
    plain &= ~blank
    if blank.any():
        cells = pc.if_else(pa.array(blank), pa.scalar("nan"), cells)
    numbers: FloatArray = pc.cast(cells, pa.float64()).to_numpy(zero_copy_only=False)
    plain &= ~_fillers(column.text, numbers, plain)
    found = Counter(filter(None, pc.filter(column.text, pa.array(~plain)).to_pylist()))
    if found:
        each = ", ".join(f"{count} of {text!r:.40}" for text, count in found.most_common(_MOST_SHOWN))
        more = ", ..." if len(found) > _MOST_SHOWN else ""
        notes.append(f"{column.where}, column '{column.name:.40}': cells without a reading: {each}{more}")
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
    grouped = pc.match_substring_regex(cells, _GROUPED[decimal])
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
