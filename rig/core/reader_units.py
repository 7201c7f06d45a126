"""The reader's units: texts and tables are written in SI, and shown in the units that a person chose.

In: sentences and tables with a unit behind each number. Out: the same in US units, in both, or as they are.
Must not depend on: what a number measures.

The problem: a shop that measures in inches must not convert figures in its head, and several hundred
sentences cannot each carry two forms. The plan: one choice for the process, and one grammar of a number with
its unit, applied where text leaves the program. What is quoted is to be typed or was typed, and stays. The
cost: a number is rounded twice, so the US figure keeps a step close to that of the SI figure, which its
uncertainty chose.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable, Sequence
from typing import Final

from rig.errors import InputError
from rig.units import US_UNITS, us_factor, us_name

METRIC: Final = "metric"
US: Final = "us"
BOTH: Final = "both"
SYSTEMS = (METRIC, US, BOTH)

ENVIRONMENT = "PRESSRIG_UNITS"

NOT_IN_THE_UNIT = {"n", "p", "p (Holm)", "normal p", "pieces", "pieces needed", "outlier", "outside", "of"}
"""Headings of columns that hold counts, probabilities or names also where the whole table has a unit."""

NAMED = {"batch", "capture", "group", "model", "piece", "set", "specimen"}
"""Headings of columns that hold names, which stay as they are."""

FEWEST_DIGITS = 3
"""Significant digits that the US figure of a whole number keeps: 90 mm is 3.54 in."""

_NUMBER = r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?"
_UNIT = "|".join(re.escape(unit) for unit in sorted(US_UNITS, key=len, reverse=True))
_QUANTITIES = re.compile(
    # what stands in quotes or backticks was typed, or is to be typed
    r"(?P<quoted>`[^`]*`|(?<![\w])'[^'\n]*'|(?<![\w])\"[^\"\n]*\")"
    rf"|(?<![\w.=/-])(?P<numbers>{_NUMBER}(?:(?: to | \+- | and |, ){_NUMBER})*)"
    rf" (?P<unit>{_UNIT})(?![\w/^*°])(?! (?:mm|m)\b(?!/))"
)
_HEADED = re.compile(rf"(?P<before>^|.*(?:,\s|\n|\(|\bu ))(?P<unit>{_UNIT})(?P<after>[)\]]?)", re.DOTALL)
_NUMBERS_ONLY = re.compile(rf"\s*{_NUMBER}(?:[\s()+-]|to|{_NUMBER})*\s*")

_chosen: dict[str, str] = {}
"""What the command line and the rig file chose, by "option" and "rig file"."""

_in_names: dict[str, set[tuple[str, str]]] = {}
"""By quantity, what stands before and behind it in names such as "pad 5 mm"; it belongs to the name."""


def choose_units(system: str, by: str) -> None:
    """Choose the reader's units for this process; `by` is "option" or "rig file"."""
    if system not in SYSTEMS:
        raise InputError(f"units: found {system!r}, expected {', '.join(SYSTEMS)}")
    _chosen[by] = system


def forget_units() -> None:
    """Forget what was chosen, and the names; every command starts without."""
    _chosen.clear()
    _in_names.clear()


def keep_names(*names: str | None) -> None:
    """Leave the quantities within these names as they are: a name is typed, and found again, as it was given.

    Examples
    --------
    >>> keep_names("pad 5 mm, 20 N")
    >>> in_chosen_units("pad 5 mm, 20 N: softer by 5 mm", "us")
    'pad 5 mm, 20 N: softer by 0.20 in'
    """
    for name in names:
        # most names are file names without a space, which stands before any unit
        for found in _QUANTITIES.finditer(name) if name and " " in name else ():
            around = found.string[: found.start()], found.string[found.end() :]
            if any(around):  # a name that is nothing but a quantity cannot be told from one
                _in_names.setdefault(found[0], set()).add(around)


def chosen_units() -> str | None:
    """Return "metric", "us" or "both": the option's, else the environment's, else the rig file's, else None.

    Raises InputError if the environment names anything else.
    """
    if "option" in _chosen:
        return _chosen["option"]
    found = os.environ.get(ENVIRONMENT, "").strip().lower()
    if found:
        if found not in SYSTEMS:
            raise InputError(f"{ENVIRONMENT}: found {found!r}, expected {', '.join(SYSTEMS)}")
        return found
    return _chosen.get("rig file")


def in_chosen_units(text: str, system: str | None = None) -> str:
    """Return a text with its quantities in the reader's units.

    Parameters
    ----------
    system
        Instead of the chosen one.

    Examples
    --------
    >>> in_chosen_units("softer: 49.0 N (47.2 to 50.8 N); give '80 N'", "us")
    "softer: 11.02 lbf (10.61 to 11.42 lbf); give '80 N'"
    >>> in_chosen_units("a gap of 41.52 mm", "both")
    'a gap of 41.52 mm [1.635 in]'
    """
    system = system or chosen_units()
    return text if system in (None, METRIC) else _QUANTITIES.sub(_shown_in(system), text)


def _shown_in(system: str | None) -> Callable[[re.Match[str]], str]:
    def shown(found: re.Match[str]) -> str:
        before, behind = found.string[: found.start()], found.string[found.end() :]
        if found["quoted"] or any(
            before.endswith(first) and behind.startswith(last) for first, last in _in_names.get(found[0], ())
        ):
            return found[0]
        us = f"{_scaled(found['numbers'], found['unit'])} {us_name(found['unit'])}"
        return us if system == US else f"{found[0]} [{us}]"

    return shown


def _scaled(text: str, unit: str) -> str:
    """Return a text of numbers in the US unit."""
    many = us_factor(unit)
    assert many is not None
    return re.sub(_NUMBER, lambda number: _converted(number[0], many), text)


def _converted(number: str, many: float) -> str:
    """Return a number times a factor, with a step close to that of the number as it was written."""
    value = float(number) * many
    mantissa, _, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2]) - int(exponent or 0)
    digits = len(mantissa.strip("+-").replace(".", "").lstrip("0")) or 1
    # the power of ten nearest to the step of the number, so that no digit is invented and none is lost
    places = round(decimals - math.log10(many))
    if not value:
        return number
    # a whole number may be exact: it keeps its value, not the coarse step of its last digit
    least = min(digits, 2) if "." in mantissa else min(digits + 1, FEWEST_DIGITS)
    places = max(places, least - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(max(places, 0), 12)}f}"
    return f"+{text}" if number.startswith("+") else text


def table_in_chosen_units(
    caption: str, headings: Sequence[str], rows: Sequence[Sequence[str]], system: str | None = None
) -> tuple[str, tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return caption, headings and rows of a table in the reader's units.

    A unit may stand at the end of a heading, in a column named "unit", or at the end of the caption; then it
    holds for every column of numbers without a unit of its own. A column "US" repeats the first system and is
    left out once a system was chosen.

    Examples
    --------
    >>> table_in_chosen_units("Cycles", ("cycle", "force, N"), [("2", "49.03")], "us")
    ('Cycles', ('cycle', 'force, lbf'), (('2', '11.022'),))
    """
    system = system or chosen_units()
    cut = [list(row) for row in rows]
    heads = list(headings)
    if system is not None and "US" in heads:
        at = heads.index("US")
        del heads[at]
        for row in cut:
            del row[at]
    if system in (None, METRIC):
        return caption, tuple(heads), tuple(tuple(row) for row in cut)
    of_rows = heads.index("unit") if "unit" in heads else None
    of_caption = _HEADED.fullmatch(caption) if ", " in caption else None
    columns = [_HEADED.fullmatch(head) for head in heads]
    for row in cut:
        for place, cell in enumerate(row):
            head = columns[place]
            bare = heads[place] not in NOT_IN_THE_UNIT and not heads[place].endswith("%")
            unit = head["unit"] if head else None
            if unit is None and place and bare:
                whole = of_caption["unit"] if of_caption else None
                unit = row[of_rows] if of_rows is not None else whole
            if unit in US_UNITS and _NUMBERS_ONLY.fullmatch(cell):
                us = _scaled(cell, unit)
                row[place] = us if system == US else f"{cell} [{us}]"
            elif heads[place] not in NAMED:
                row[place] = in_chosen_units(cell, system)
    if of_rows is not None:
        for row in cut:
            row[of_rows] = _renamed(row[of_rows], system) if row[of_rows] in US_UNITS else row[of_rows]
    if of_caption:
        caption = f"{of_caption['before']}{_renamed(of_caption['unit'], system)}{of_caption['after']}"
    heads = [
        f"{found['before']}{_renamed(found['unit'], system)}{found['after']}" if found else head
        for head, found in zip(heads, columns, strict=True)
    ]
    return in_chosen_units(caption, system), tuple(heads), tuple(tuple(row) for row in cut)


def _renamed(unit: str, system: str | None) -> str:
    return us_name(unit) if system == US else f"{unit} [{us_name(unit)}]"
