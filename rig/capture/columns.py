"""Which columns of a table hold time, position and force: as a person says, else as the headings propose."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import pyarrow as pa
import pyarrow.compute as pc

from rig import units
from rig.errors import InputError
from rig.samples import COUNTS
from rig.tables import (
    COUNTING,
    KINDS,
    SHARES,
    Cells,
    Kind,
    Layout,
    is_numeric,
    is_pressure,
    kind_in_other_unit,
    kind_of,
    kind_of_unit,
    looks_like_clock,
    names_reduced,
    plain_number,
    reduced_kind,
    unit_in,
    unit_of,
)

_INDEX = re.compile(r"#([1-9]\d{0,3})")
_MOST_CONSTANT = 10
"""Rows of a table written by hand, in which a channel may stay the same."""
_EACH = re.compile(r"(\d{1,12}(?:\.\d{0,12})?(?:[eE][+-]?\d{1,2})?)\s*(\D.{0,23})")
LARGEST_EACH = 1e9
"""Units in one of a column: a metre in nanometres."""
_USUAL_UNIT: dict[Kind, str] = {"time": "s", "position": "mm", "force": "N"}
_REDUCED_UNIT: dict[Kind, str] = {"position": "mm/mm", "force": "MPa"}
_SYMBOLS: dict[Kind, str] = {"time": "t", "position": "xszdhlu", "force": "FPQ"}
"""Letters that head columns where nothing else does; only proposed, never taken."""
LEAST_FILLED = 0.05
"""Of a column that holds a channel; results beside a table fill a few rows."""
_BY_SIZE = ((1e15, 1e16, "us"), (1e12, 1e13, "ms"), (1e9, 1e10, "s"), (2e4, 8e4, "day"))
"""Between which values a time since 1970, or in days since 1900, lies now, and in which unit."""
_MOST_ABOVE = 100
"""Lines above a table that are looked at for units."""
_MOST_SETS = 12
"""Tables side by side whose options a refusal spells out."""

_IN_COUNTS = re.compile(
    r"(?i)(?<![a-z])(counts?|raw|adc|ticks?|steps?|pulses?|bits?|lsb|digits?|inkremente?)(?![a-z])"
)
"""A heading of numbers that are no mm and no N, whatever the first guess at a unit."""

CLOCK = "clock"
"""Stands for the unit of a column of hh:mm:ss or of dates with times."""


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """Which column of a table, and the unit of its numbers.

    Parameters
    ----------
    column
        Its heading, or "#2" counted from 1.
    unit
        None where the table says it.
    each
        How many of the unit one of its numbers is: what a count or a volt stands for.
    """

    column: str
    unit: str | None = None
    each: float = 1.0

    def told(self) -> str:
        """Return it as it was typed."""
        return f"{self.column}:{'' if self.each == 1 else f'{self.each:.12g} '}{self.unit}"


def parse_column(text: str) -> ColumnChoice:
    """Read "heading:unit", "#2:unit", or a heading whose unit the table says.

    A number before the unit says what one of the column is, as for an encoder or a voltage.

    Examples
    --------
    >>> parse_column("disp:mm"), parse_column("Force")
    (ColumnChoice(column='disp', unit='mm', each=1.0), ColumnChoice(column='Force', unit=None, each=1.0))
    >>> parse_column("#2:0.005 mm")
    ColumnChoice(column='#2', unit='mm', each=0.005)
    """
    column, colon, unit = (part.strip() for part in text.rpartition(":"))
    if not colon and unit:
        return ColumnChoice(unit)
    if not column or not unit:
        raise InputError(
            f"column {text!r:.60} is incomplete; write it with its unit, as in 'disp:mm' or '#2:mm', or "
            "only the heading if the table has the unit"
        )
    scaled = _EACH.fullmatch(unit)
    if scaled is None:
        return ColumnChoice(column, unit)
    each = float(scaled[1])
    if not 0 < each < LARGEST_EACH:
        raise InputError(
            f"column '{column}': found {unit!r:.40}; expected a size above zero, such as '0.005 mm'; reverse "
            "signs with --negate-force or --negate-position"
        )
    return ColumnChoice(column, scaled[2], each)


def check_unit(kind: Kind, choice: ColumnChoice) -> None:
    """Refuse a unit that does not measure the quantity; strain and stress stand for position and force."""
    if choice.unit is None or (choice.unit == COUNTS and kind != "time"):
        return
    if is_reduced(kind, choice.unit):
        return
    is_right = {"time": units.is_time, "force": units.is_force, "position": units.is_length}[kind]
    if not is_right(choice.unit):
        right = {
            "time": "s, ms, us or min",
            "force": "N, lbf, kgf, g or counts",
            "position": "mm, in, um or counts",
        }
        raise InputError(f"column '{choice.column}': {choice.unit!r:.40} is no {kind}; write {right[kind]}")


def is_reduced(kind: Kind, unit: str | None) -> bool:
    """Return whether a unit is that of a strain (for position) or of a stress (for force)."""
    if unit is None:
        return False
    return unit in SHARES if kind == "position" else kind == "force" and is_pressure(unit)


def match_headings(layout: Layout, given: Mapping[Kind, ColumnChoice], columns: Sequence[pa.Array]) -> Layout:
    """Return a table whose headings stand above their columns.

    Raises
    ------
    InputError
        If rows have numbers beyond the last heading, unless position and force are asked for by number.
    """
    named = max((place + 1 for place, name in enumerate(layout.headings) if name), default=0)
    by_number = all(kind in given and _INDEX.fullmatch(given[kind].column) for kind in ("position", "force"))
    first_cells = [column[:50].to_pylist() for column in columns]
    beyond = [place for place in range(named, layout.width) if any(map(is_numeric, first_cells[place]))]
    if not named or not beyond or by_number:
        return layout
    counted = [str(n) for n in range(len(first_cells[0]) + 1)]
    if named == layout.width - 1 and first_cells[0] in (counted[1:], counted[:-1]):
        # some programs number the rows and write no heading above the numbers
        return replace(layout, headings=("", *layout.headings[:-1]), units=(None, *layout.units[:-1]))
    commas = layout.delimiter == "," and not any("." in cell for cells in first_cells for cell in cells)
    raise InputError(
        f"{layout.where}, line {layout.heading_line or layout.numbers[0]}: {named} headings above rows of "
        f"{layout.width} numbers (cells end at {layout.delimiter!r}); "
        + (
            "decimal commas need ';' between cells, or quotation marks: write the table so"
            if commas
            else 'name columns by number, as in --position "#2:mm" --force "#3:N"'
        )
    )


def choose_columns(
    layout: Layout, given: Mapping[Kind, ColumnChoice], columns: Sequence[pa.Array], *, in_order: bool
) -> tuple[dict[Kind, tuple[int, ColumnChoice]], list[str]]:
    """Return the place and the unit of each column that is taken, and notes about it.

    Raises
    ------
    InputError
        If a column is not there, has no unit, or the headings allow several readings; with options to type.
    """
    chosen: dict[Kind, tuple[int, ColumnChoice]] = {}
    notes = []
    for kind, choice in given.items():
        place, unit = _asked(layout, kind, choice, columns)
        said = layout.units[place]
        if said is not None and unit not in (said, CLOCK):
            notes.append(
                f"{layout.where}: the table says '{said}' for '{layout.headings[place]}'; read in "
                f"'{unit}', as asked"
            )
        chosen[kind] = place, replace(choice, unit=unit)
    lacking = [kind for kind in KINDS if kind not in chosen and not (kind == "time" and in_order)]
    if not lacking:
        return chosen, notes
    may_be = {
        kind: _candidates(layout, kind, columns, {place for place, _ in chosen.values()}) for kind in lacking
    }
    if "time" in may_be and ("force" in given and "position" in given):
        # Whoever names force and position is not stopped by clocks that cannot be told apart.
        usable = [place for place in may_be["time"] if _unit(layout, place, columns)]
        if len(usable) != 1 or len(may_be["time"]) != 1:
            if may_be["time"]:
                notes.append(
                    f"{layout.where}: no time column used, rows are in order; choose one with --time"
                )
            lacking.remove("time")
    for kind in lacking:
        if kind == "time" and not may_be[kind]:
            continue
        if len(may_be[kind]) != 1 or not _unit(layout, may_be[kind][0], columns):
            raise _unclear(layout, may_be, given, columns)
    for kind in lacking:
        if may_be[kind]:
            place = may_be[kind][0]
            chosen[kind] = place, ColumnChoice(_label(layout, place), _unit(layout, place, columns))
    if not any(may_be[kind] for kind in lacking):
        return chosen, notes
    in_words = {kind: chosen[kind] for kind in KINDS if kind in chosen}
    took = ", ".join(
        f"{kind} from '{_label(layout, place)}' "
        + ("as clock times" if choice.unit == CLOCK else f"in {choice.unit}")
        for kind, (place, choice) in in_words.items()
    )
    places = set() if in_order else set(range(layout.width)) - {place for place, _ in chosen.values()}
    hint = "" if "time" in chosen else _hint_of_time(layout, columns, places)
    without = "" if "time" in chosen else f"; no time column, so rows are in order{hint}"
    notes.append(f"{layout.where}: {took}{without}")
    return chosen, notes


def _asked(layout: Layout, kind: Kind, choice: ColumnChoice, columns: Sequence[pa.Array]) -> tuple[int, str]:
    place = _place(layout, choice.column)
    unit: str | None = choice.unit or _unit(layout, place, columns)
    if kind == "time" and looks_like_clock(_cells(layout, place, columns)):
        unit = CLOCK
    if unit is None:
        raise InputError(
            f"{layout.where}: column '{choice.column}': no unit in the table; give it, as in --{kind} "
            f"'{choice.column}:{_USUAL_UNIT[kind]}'"
        )
    if choice.unit is None and unit != CLOCK:
        check_unit(kind, ColumnChoice(choice.column, unit))
    return place, unit


def _place(layout: Layout, column: str) -> int:
    index = _INDEX.fullmatch(column)
    if index is not None and int(index[1]) <= layout.width:
        return int(index[1]) - 1
    found = layout.headings
    if index is None and found.count(column) == 1:
        return found.index(column)
    problem = "more than one" if found.count(column) > 1 else "no"
    line = layout.heading_line or layout.numbers[0]
    raise InputError(
        f"{layout.where}, line {line}: {problem} column {column!r:.60}; found {layout.names()} "
        f"(cells end at {layout.delimiter!r}); use one of these names or numbers"
    )


def _cells(layout: Layout, place: int, columns: Sequence[pa.Array]) -> Cells:
    return Cells(layout.where, layout.headings[place], columns[place], layout.numbers)


def _unit(layout: Layout, place: int, columns: Sequence[pa.Array]) -> str | None:
    if looks_like_clock(_cells(layout, place, columns)):
        return CLOCK
    reduced = reduced_kind(layout.headings[place], layout.units[place])
    return layout.units[place] or (None if reduced is None else reduced[1])


def _candidates(layout: Layout, kind: Kind, columns: Sequence[pa.Array], taken: set[int]) -> list[int]:
    found = []
    for place, heading in enumerate(layout.headings):
        filled = pc.sum(pc.not_equal(columns[place], "")).as_py() or 0
        if place in taken or filled <= LEAST_FILLED * len(columns[place]):
            continue
        if kind_of(heading, layout.units[place]) == kind and (heading or layout.units[place]):
            found.append(place)
    found = [place for place in found if _unit(layout, place, columns)] or found
    # a preload or a gauge length that is written again in every row is no channel
    if kind != "time" and len(columns[0]) > _MOST_CONSTANT:
        found = [place for place in found if len(columns[place].unique()) > 1]
    if not found and kind == "time":
        # a column of clock times shows itself, whatever its heading is called
        places = [
            p for p in range(layout.width) if p not in taken and looks_like_clock(_cells(layout, p, columns))
        ]
        return places if len(places) == 1 else []
    if not found:
        # strain and stress only where nothing says the length or the force itself
        return [
            place
            for place, heading in enumerate(layout.headings)
            if place not in taken and (reduced_kind(heading, layout.units[place]) or ("",))[0] == kind
        ] or [
            place
            for place, heading in enumerate(layout.headings)
            if place not in taken and layout.units[place] is None and names_reduced(heading) == kind
        ]
    return found


def _label(layout: Layout, place: int) -> str:
    name = layout.headings[place]
    return name if name and layout.headings.count(name) == 1 else f"#{place + 1}"


def _option(layout: Layout, kind: Kind, place: int | None, columns: Sequence[pa.Array]) -> str:
    if place is None:
        return f"--{kind} " + (
            f'"COLUMN:{_USUAL_UNIT[kind]}"' if any(layout.headings) else f'"#NUMBER:{_USUAL_UNIT[kind]}"'
        )
    unit = _unit(layout, place, columns)
    usual = (
        _REDUCED_UNIT[kind]
        if names_reduced(layout.headings[place]) == kind != kind_of(layout.headings[place], None)
        else _USUAL_UNIT[kind]
    )
    label = _label(layout, place)
    if unit == CLOCK:
        return f'--{kind} "{label}"'
    if kind == "time" and unit is None:
        usual = _unit_by_size(columns[place])
    elif unit is None:
        usual = _said_above(layout, kind) or usual
    return f'--{kind} "{label}:{unit or usual}"'


def _said_above(layout: Layout, kind: Kind) -> str | None:
    """Return the only unit of a quantity that stands for itself above the table: "Units: s, in, lbf"."""
    cells = {
        cell.strip()
        for _, line in layout.preamble[-_MOST_ABOVE:]
        for cell in re.split(r"[;,\t:=|()\[\]]", line)
    }
    said = {unit for cell in cells if kind_of_unit(unit := unit_of(cell)) == kind}
    return said.pop() if len(said) == 1 else None


def _by_symbol(layout: Layout, kind: Kind) -> int | None:
    """Return the only column that is headed by a letter for a quantity, such as t, x or F."""
    found = [p for p, name in enumerate(layout.headings) if len(name) == 1 and name in _SYMBOLS[kind]]
    return found[0] if len(found) == 1 else None


def _unit_by_size(column: pa.Array) -> str:
    """Return the unit that a time without one most likely has."""
    try:
        first = float(plain_number(column[0].as_py()))
    except ValueError:
        first = 0.0
    return next((unit for least, most, unit in _BY_SIZE if least <= first < most), _USUAL_UNIT["time"])


def _only_left(
    layout: Layout,
    may_be: Mapping[Kind, Sequence[int]],
    given: Mapping[Kind, ColumnChoice],
    columns: Sequence[pa.Array],
) -> int | None:
    """Return the only column of changing numbers that is neither asked for nor names any of the three; none
    where two quantities look for one."""
    if sum(not places and kind != "time" for kind, places in may_be.items()) > 1:
        return None
    taken = {place for places in may_be.values() for place in places}
    taken |= {_place(layout, choice.column) for choice in given.values()}
    left = []
    for place in set(range(layout.width)) - taken:
        cells = [cell for cell in columns[place].unique().to_pylist() if cell]
        if len(cells) > 1 and all(map(is_numeric, cells)) and not COUNTING.search(layout.headings[place]):
            left.append(place)
    return left[0] if len(left) == 1 else None


def _unclear(
    layout: Layout,
    may_be: Mapping[Kind, Sequence[int]],
    given: Mapping[Kind, ColumnChoice],
    columns: Sequence[pa.Array],
) -> InputError:
    """Return the refusal of headings that allow no or several readings, with the options to type."""
    problems = []
    others: dict[Kind, str] = {}
    for kind, places in may_be.items():
        if not places and kind != "time":
            problems.append(f"no heading names a {kind}")
            named = [place for place, name in enumerate(layout.headings) if kind_in_other_unit(name) == kind]
            unit = _USUAL_UNIT[kind]
            if len(named) == 1:
                label = _label(layout, named[0])
                problems[-1] = f"the unit of '{layout.headings[named[0]]:.40}' is no {kind}"
                others[kind] = f'--{kind} "{label}:0.01 {unit}" (if one of it is 0.01 {unit})'
            elif (left := _only_left(layout, may_be, given, columns)) is not None:
                label = _label(layout, left)
                whole = all(
                    "." not in cell and "," not in cell for cell in columns[left].unique().to_pylist()
                )
                size = f"0.01 {unit}" if whole else unit
                told = f"if it is the {kind}, " + ("and one of it is " if whole else "in ") + size
                others[kind] = f'--{kind} "{label}:{size}" ({told})'
        elif len(places) > 1:
            problems.append(
                f"{kind} may be "
                + " or ".join(f"#{place + 1} '{layout.headings[place]:.40}'" for place in places[:6])
            )
        elif places and not _unit(layout, places[0], columns):
            has = (
                "no unit"
                if unit_in(layout.headings[places[0]])[1] is None
                else "another unit in its row of units"
            )
            problems.append(f"'{layout.headings[places[0]]:.40}' has {has}")
            if kind != "time" and _IN_COUNTS.search(layout.headings[places[0]]):
                one = f"0.01 {_USUAL_UNIT[kind]}"
                others[kind] = f'--{kind} "{_label(layout, places[0])}:{one}" (if one count is {one})'
    if not any(layout.headings):
        problems.append("the table has no headings")
    guess = {} if given else _in_usual_order(layout, columns)
    if any(places and places != [guess.get(kind)] for kind, places in may_be.items()):
        guess = {}  # what the headings do say is in another order
    sets = []
    for number in range(min(max(len(places) for places in may_be.values()) or 1, _MOST_SETS)):
        place_of = {
            kind: places[min(number, len(places) - 1)]
            if places
            else guess.get(kind, _by_symbol(layout, kind))
            for kind, places in may_be.items()
        }
        sets.append(
            " ".join(
                others.get(kind) or _option(layout, kind, place, columns)
                for kind, place in place_of.items()
                if place is not None or kind != "time"
            )
        )
    is_guess = any(not places and kind in guess and kind not in others for kind, places in may_be.items())
    has_units = all(_unit(layout, place, columns) for places in may_be.values() for place in places)
    told = (
        " (if these are the columns and units)"
        if is_guess
        else ""
        if has_units
        else " (with the right units)"
    )
    return _refusal(layout, problems, " or: ".join(sets) + told)


def _refusal(layout: Layout, problems: Sequence[str], options: str) -> InputError:
    line = layout.heading_line or layout.numbers[0]
    return InputError(
        f"{layout.where}, line {line}: the headings do not show which columns to use: {'; '.join(problems)}. "
        f"Found {layout.names()}. Type: {options}"
    )


def _in_usual_order(layout: Layout, columns: Sequence[pa.Array]) -> dict[Kind, int]:
    """Return the places of time, position and force in a table of two or three columns: time, if the first
    rises all along and there are three, then position, then force; nothing for any other."""
    counts = any(COUNTING.search(name) or _IN_COUNTS.search(name) for name in layout.headings)
    if layout.width not in (2, 3) or counts:
        return {}
    kinds: list[Kind] = ["position", "force"]
    if layout.width == 3:
        # a position that is pressed once rises too, but a third column would then have no name
        if not _rises(columns[0]):
            return {}
        kinds.insert(0, "time")
    return {kind: place for place, kind in enumerate(kinds)}


def _rises(column: pa.Array) -> bool:
    """Return whether a column holds two numbers or more, each larger than the one before."""
    rises = False
    # cell by cell: a long column that does not rise shows it within a few rows
    numbers = (float(plain_number(text)) for cell in column if (text := cell.as_py()))
    try:
        for earlier, later in pairwise(numbers):
            rises = later > earlier
            if not rises:
                break
    except ValueError:
        return False
    return rises


def _hint_of_time(layout: Layout, columns: Sequence[pa.Array], left: set[int]) -> str:
    """Return what to type if one of the columns left rises all along, and does not count rows."""
    for place in sorted(left):
        if columns[place][0].as_py() not in ("0", "1", "") and _rises(columns[place]):
            label, unit = _label(layout, place), _unit_by_size(columns[place])
            # brackets behind the heading hold a unit that is not known here
            told = "" if unit_in(layout.headings[place])[0] == layout.headings[place] else " (with its unit)"
            return f"; if '{label}' is the time, give --time \"{label}:{unit}\"{told}"
    return ""
