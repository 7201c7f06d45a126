"""Which columns of a table hold time, position and force: as a person says, else as the headings propose."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import pyarrow as pa
import pyarrow.compute as pc

from rig.errors import InputError
from rig.samples import COUNTS
from rig.tables import (
    COUNTING,
    KINDS,
    SHARES,
    Kind,
    Layout,
    agreed_unit,
    is_numeric,
    is_pressure,
    is_unit_alone,
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
_IN_HEADING = re.compile(r"[\[(]\s*[x\u00d7*]?\s*(\d{1,6}(?:\.\d{1,6})?)\s*([^\W\d]{1,12})\s*[\])]")
"""What one number of a column is, as a heading says it: "Force (x10 N)"."""
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

_LEGEND, _LONGEST_LEGEND = re.compile(r"[=:;\t]"), 200
"""What stands between a heading and its meaning, and characters of such a line."""
_CAPACITY = re.compile(r"\d\s*[^\W\d_]+$")
"""Of a sensor, as in "load cell 500 N": no unit of its channel."""
_CELLS = re.compile(r"[;,\t:=|()\[\]]")
_WORDS = re.compile(r"[;,\s:=|()\[\]]+")
_ABOUT_UNITS = re.compile(r"(?i)unit|einheit|eenhe|enhet|jednot|jednost|единиц|单位|単位|단위")
"""A line above a table that says units of its columns."""

_IN_COUNTS = re.compile(
    r"(?i)(?<![a-z])(counts?|raw|adc|encoder|ticks?|steps?|pulses?|bits?|lsb|digits?|inkremente?)(?![a-z])"
)
"""A heading of numbers that are no mm and no N, whatever the first guess at a unit."""

CLOCK = "clock"
"""Stands for the unit of a column of hh:mm:ss or of dates with times."""


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """Which column of a table, and the unit of its numbers.

    `column`: its heading, or "#2" counted from 1.
    `unit`: None where the table says it.
    `each`: how many of the unit one of its numbers is: what a count or a volt stands for.
    """

    column: str
    unit: str | None = None
    each: float = 1.0

    def told(self) -> str:
        """Return it as it was typed."""
        if self.unit is None:
            return self.column
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
    counted = choice.unit == COUNTS and kind != "time"
    if not (
        choice.unit is None or counted or is_reduced(kind, choice.unit) or kind_of_unit(choice.unit) == kind
    ):
        right = {
            "time": "s, ms, us or min",
            "force": "N, lbf, kgf, g or counts",
            "position": "mm, in, um or counts",
        }
        found = f"{choice.unit!r:.40} is not a unit of {kind}"
        raise InputError(f"column '{choice.column}': {found}; write {right[kind]}")


def is_reduced(kind: Kind, unit: str | None) -> bool:
    """Return whether a unit is that of a strain (for position) or of a stress (for force)."""
    if unit is None:
        return False
    return unit in SHARES if kind == "position" else kind == "force" and is_pressure(unit)


def match_headings(layout: Layout, given: Mapping[Kind, ColumnChoice]) -> Layout:
    """Return a table whose headings stand above their columns; decimal commas between commas make two cells
    one number.

    Raises InputError if rows have numbers beyond the last heading, unless position and force are asked for by
    number.
    """
    named = max((place + 1 for place, name in enumerate(layout.headings) if name), default=0)
    by_number = all(kind in given and _INDEX.fullmatch(given[kind].column) for kind in ("position", "force"))
    columns = layout.columns
    first_cells = [column[:50].to_pylist() for column in columns]
    beyond = [place for place in range(named, layout.width) if any(map(is_numeric, first_cells[place]))]
    if not named or not beyond or by_number:
        return layout
    counted = [str(n) for n in range(len(first_cells[0]) + 1)]
    if named == layout.width - 1 and first_cells[0] in (counted[1:], counted[:-1]):
        # some programs number the rows and write no heading above the numbers
        return replace(layout, headings=("", *layout.headings[:-1]), units=(None, *layout.units[:-1]))
    digits = (pc.all(pc.utf8_is_digit(column)).as_py() for column in columns[1::2])
    if layout.delimiter == "," and layout.width == 2 * named and all(digits):
        pairs = zip(columns[::2], columns[1::2], strict=True)
        joined = [pc.binary_join_element_wise(whole, part, ",") for whole, part in pairs]
        heads, units_of = layout.headings[:named], layout.units[:named]
        return replace(layout, width=named, headings=heads, units=units_of, columns=joined)
    raise InputError(
        f"{layout.where}, line {layout.heading_line or layout.numbers[0]}: {named} headings above rows of "
        f"{layout.width} numbers (cells end at {layout.delimiter!r}); name columns by number. "
        'Type: --position "#2:mm" --force "#3:N" (if these are the columns and units)'
    )


def _with_legend(layout: Layout, given: Mapping[Kind, ColumnChoice]) -> tuple[Layout, list[str]]:
    """Return a table headed by what lines above say of its headings, as in "CH1 = load [N]"; and a note."""
    said: dict[str, set[str]] = {}
    for _, line in layout.preamble[-_MOST_ABOVE:]:
        name, *meant = (part.strip(" \t;,") for part in _LEGEND.split(line[:_LONGEST_LEGEND], maxsplit=1))
        # "Load: 5 kN" is a setting
        if meant and kind_of(meant[0], None) and not (meant[0][0].isdigit() or _CAPACITY.search(meant[0])):
            said.setdefault(name, set()).add(meant[0])
    told = {name: meanings.pop() for name, meanings in said.items() if len(meanings) == 1}
    headings = tuple(name if kind_of(name, None) else told.get(name, name) for name in layout.headings)
    kinds = {kind_of(name, None) for name in headings}
    asked = {choice.column for choice in given.values()} & set(layout.headings)
    if headings == layout.headings or asked or not kinds >= {"force", "position"}:
        return layout, []
    # where a heading stays, so does its unit: one that was left open stays open
    agreed = tuple(
        unit if name == before else agreed_unit(name, unit_in(name)[1], unit or "")
        for name, (before, unit) in zip(headings, layout.titles(), strict=True)
    )
    note = f"{layout.where}: headings by the lines above the table: {', '.join(headings)}"
    return replace(layout, headings=headings, units=agreed), [note]


def with_stated_units(layout: Layout, given: Mapping[Kind, ColumnChoice]) -> tuple[Layout, list[str]]:
    """Return a table whose headings have the meaning and the unit that a column of units beside them, or a
    line above the table, says where they have none; and notes."""
    layout, notes = _with_legend(layout, given)
    said_units: list[str | None] = list(layout.units)
    lines = [(line, _unit_cells(line)) for _, line in layout.preamble[-_MOST_ABOVE:]]
    for line, _ in lines:
        in_order: list[str | None] = [unit for cell in _WORDS.split(line) if (unit := unit_of(cell))]
        if len(in_order) == layout.width and not any(said_units) and _ABOUT_UNITS.search(line):
            said_units = in_order
            notes.append(f"{layout.where}: units by the line {line.strip()!r:.60}")
    for place, heading in enumerate(layout.headings):
        kind = kind_of(heading, None)
        if said_units[place] is not None or kind_in_other_unit(heading) or not heading:
            continue
        beside = layout.columns[place + 1].unique().to_pylist() if place + 1 < layout.width else []
        unit = agreed_unit(heading, None, beside[0]) if len(beside) == 1 else None
        if kind_of(heading, unit) == kind_of_unit(unit) is not None:
            said_units[place] = unit
            continue
        word = re.compile(rf"(?i)(?<![a-z]){re.escape(heading)}(?![a-z])")
        of_heading = [cells for _, cells in lines if any(map(word.search, cells))]
        of_units = [cells for line, cells in lines if _ABOUT_UNITS.search(line)]
        for about in (of_heading, of_units):
            found = {unit for cells in about for cell in cells if kind_of_unit(unit := unit_of(cell)) == kind}
            if kind is not None and len(found) == 1:
                said_units[place] = found.pop()
                notes.append(
                    f"{layout.where}: '{heading:.40}' in {said_units[place]}, as lines above the table say"
                )
                break
    return replace(layout, units=tuple(said_units)), notes


def _unit_cells(line: str) -> list[str]:
    """Return the cells of a line above a table, without units beside a number: "Load cell [kN]: 5" says the
    unit of that number, not of the columns."""
    cells = [cell for part in _CELLS.split(line) if (cell := part.strip())]
    numeric = [False, *map(is_numeric, cells), False]
    beside = zip(cells, numeric, numeric[2:], strict=False)
    return [cell for cell, before, behind in beside if unit_of(cell) is None or not (before or behind)]


def choose_columns(
    layout: Layout, given: Mapping[Kind, ColumnChoice], *, in_order: bool
) -> tuple[dict[Kind, tuple[int, ColumnChoice]], list[str]]:
    """Return the place and the unit of each column that is taken, and notes about it.

    Raises InputError if a column is not there, has no unit, or the headings allow several readings; with
    options to type.
    """
    chosen: dict[Kind, tuple[int, ColumnChoice]] = {}
    notes = []
    for kind, choice in given.items():
        place, unit = _asked(layout, kind, choice)
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
    taken = {place for place, _ in chosen.values()}
    may_be = {kind: _candidates(layout, kind, taken) for kind in lacking}
    if "time" in may_be and ("force" in given and "position" in given):
        # Whoever names force and position is not stopped by clocks that cannot be told apart.
        usable = [place for place in may_be["time"] if _unit(layout, place)]
        if len(usable) != 1 or len(may_be["time"]) != 1:
            if may_be["time"]:
                notes.append(
                    f"{layout.where}: no time column used, rows are in order; choose one with --time"
                )
            lacking.remove("time")
    for kind in lacking:
        if kind == "time" and not may_be[kind]:
            continue
        if len(may_be[kind]) != 1 or not _unit(layout, may_be[kind][0]):
            raise _unclear(layout, may_be, given)
    for kind in lacking:
        if may_be[kind]:
            place = may_be[kind][0]
            chosen[kind] = place, ColumnChoice(_label(layout, place), _unit(layout, place))
    if not any(may_be[kind] for kind in lacking):
        return chosen, notes
    in_words = {kind: chosen[kind] for kind in KINDS if kind in chosen}
    took = ", ".join(
        f"{kind} from '{_label(layout, place)}' "
        + ("as clock times" if choice.unit == CLOCK else f"in {choice.unit}")
        for kind, (place, choice) in in_words.items()
    )
    places = set() if in_order else set(range(layout.width)) - {place for place, _ in chosen.values()}
    hint = "" if "time" in chosen else _hint_of_time(layout, places)
    without = "" if "time" in chosen else f"; no time column, so rows are in order{hint}"
    notes.append(f"{layout.where}: {took}{without}")
    return chosen, notes


def _asked(layout: Layout, kind: Kind, choice: ColumnChoice) -> tuple[int, str]:
    place = _place(layout, choice.column)
    unit: str | None = choice.unit or _unit(layout, place)
    if kind == "time" and looks_like_clock(layout.cells(place)):
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


def _unit(layout: Layout, place: int) -> str | None:
    if looks_like_clock(layout.cells(place)):
        return CLOCK
    reduced = reduced_kind(layout.headings[place], layout.units[place])
    return layout.units[place] or (None if reduced is None else reduced[1])


def _candidates(layout: Layout, kind: Kind, taken: set[int]) -> list[int]:
    found: list[int] = []
    columns = layout.columns
    for place, (heading, unit) in enumerate(layout.titles()):
        filled = pc.sum(pc.not_equal(columns[place], "")).as_py() or 0
        if place not in taken and filled > LEAST_FILLED * len(columns[place]):
            found += [place] if kind_of(heading, unit) == kind and (heading or unit) else []
    found = [place for place in found if _unit(layout, place)] or found
    found = [place for place in found if not is_unit_alone(layout.headings[place])] or found
    # a preload or a gauge length that is written again in every row is no channel
    if kind != "time" and len(columns[0]) > _MOST_CONSTANT:
        found = [place for place in found if len(columns[place].unique()) > 1]
    if kind == "time" and len(elapsed := [p for p in found if _unit(layout, p) != CLOCK]) == 1:
        return elapsed  # beside the time of day
    if found:
        return found
    left = [(p, name, unit) for p, (name, unit) in enumerate(layout.titles()) if p not in taken]
    if kind == "time":
        # a column of clock times shows itself, whatever its heading is called
        clocks = [place for place, _, _ in left if looks_like_clock(layout.cells(place))]
        return clocks if len(clocks) == 1 else []
    # strain and stress only where nothing says the length or the force itself
    return [place for place, name, unit in left if (reduced_kind(name, unit) or ("",))[0] == kind] or [
        place for place, name, unit in left if unit is None and names_reduced(name) == kind
    ]


def _label(layout: Layout, place: int) -> str:
    name = layout.headings[place]
    return name if name and layout.headings.count(name) == 1 else f"#{place + 1}"


def _option(layout: Layout, kind: Kind, place: int) -> tuple[str, str]:
    """Return the option that takes a column, and what is to be checked about it before it is typed."""
    label, heading = _label(layout, place), layout.headings[place]
    unit = _unit(layout, place)
    if unit == CLOCK:
        return f'--{kind} "{label}"', ""
    if unit is not None and kind_of(heading, unit) == kind:
        return f'--{kind} "{label}:{unit}"', ""
    if kind == "time":
        return f'--{kind} "{label}:{_unit_by_size(layout.columns[place])}"', "with the right units"
    each = _IN_HEADING.search(heading)
    if each is not None and kind_of_unit(unit_of(each[2])) == kind:
        one = f"{each[1]} {unit_of(each[2])}"
        return f'--{kind} "{label}:{one}"', f"if one of '{heading:.40}' is {one}"
    is_named = kind_of(heading, None) == kind
    is_whole = not any("." in cell or "," in cell for cell in layout.columns[place].unique().to_pylist())
    may_count = is_whole and heading and (not is_named or _IN_COUNTS.search(heading))
    if may_count or kind_in_other_unit(heading) == kind:
        one = f"0.01 {_USUAL_UNIT[kind]}"
        return f'--{kind} "{label}:{one}"', f"if '{heading:.40}' is the {kind} and one of it is {one}"
    is_share = names_reduced(heading) == kind and not is_named
    return (
        f'--{kind} "{label}:{unit or (_REDUCED_UNIT if is_share else _USUAL_UNIT)[kind]}"',
        "" if unit else "with the right units",
    )


def _by_symbol(layout: Layout, kind: Kind) -> list[int]:
    """Return the only column that is headed by a letter for a quantity, such as t, x or F."""
    found = [p for p, name in enumerate(layout.headings) if len(name) == 1 and name in _SYMBOLS[kind]]
    return found if len(found) == 1 else []


def _unit_by_size(column: pa.Array) -> str:
    """Return the unit that a time without one most likely has."""
    try:
        first = float(plain_number(column[0].as_py()))
    except ValueError:
        first = 0.0
    return next((unit for least, most, unit in _BY_SIZE if least <= first < most), _USUAL_UNIT["time"])


def _guesses(
    layout: Layout, may_be: Mapping[Kind, Sequence[int]], given: Mapping[Kind, ColumnChoice]
) -> dict[Kind, int]:
    """Return a column for each quantity that no heading names: by another unit, by a letter, else in the
    usual order of time, if it rises all along, position and force; nothing where too few are left."""
    taken = {place for places in may_be.values() for place in places}
    taken |= {_place(layout, choice.column) for choice in given.values()}
    lacking = [kind for kind, places in may_be.items() if not places]
    found: dict[Kind, int] = {}
    for kind in lacking:
        other = [place for place, name in enumerate(layout.headings) if kind_in_other_unit(name) == kind]
        sure = other if len(other) == 1 else _by_symbol(layout, kind)
        if sure and sure[0] not in taken:
            found[kind] = sure[0]
    taken |= set(found.values())
    left = [
        place
        for place in range(layout.width)
        if place not in taken
        and (not COUNTING.search(name := layout.headings[place]) or _IN_COUNTS.search(name))
        and len(cells := [cell for cell in layout.columns[place].unique().to_pylist() if cell]) > 1
        and all(map(is_numeric, cells))
    ]
    measured = [kind for kind in lacking if kind not in found and kind != "time"]
    # a position that is pressed once rises too, but then the last column would have no name
    if measured and "time" in lacking and "time" not in found and len(left) > len(measured):
        found |= {"time": left.pop(0)} if _rises(layout.columns[left[0]]) else {}
    return found | (dict(zip(measured, left, strict=False)) if len(left) >= len(measured) else {})


def _problem(layout: Layout, kind: Kind, places: Sequence[int]) -> str:
    """Return why the headings do not say which column holds a quantity; nothing where they do."""
    names = [layout.headings[place] for place in places]
    if len(places) > 1:
        choices = (f"#{place + 1} '{name:.40}'" for place, name in zip(places[:6], names, strict=False))
        return f"{kind} may be " + " or ".join(choices)
    if places and not _unit(layout, places[0]):
        said = "no unit" if unit_in(names[0])[1] is None else "another unit in its row of units"
        return f"'{names[0]:.40}' has {said}"
    if places or kind == "time":
        return ""
    named = [name for name in layout.headings if kind_in_other_unit(name) == kind]
    return f"'{named[0]:.40}' has no unit of {kind}" if len(named) == 1 else f"no heading names a {kind}"


def _unclear(
    layout: Layout, may_be: Mapping[Kind, Sequence[int]], given: Mapping[Kind, ColumnChoice]
) -> InputError:
    """Return the refusal of headings that allow no or several readings, with the options to type."""
    problems = [_problem(layout, kind, places) for kind, places in may_be.items()]
    if not any(layout.headings):
        problems.append("the table has no headings")
    guessed = _guesses(layout, may_be, given)
    checks: list[str] = []
    told = [f'--{kind} "{choice.told()}"' for kind, choice in given.items()]
    none_left: dict[str, None] = {}
    sets = []
    for number in range(min(max(len(places) for places in may_be.values()) or 1, _MOST_SETS)):
        options = []
        for kind, places in may_be.items():
            place = places[min(number, len(places) - 1)] if places else guessed.get(kind)
            if place is not None:
                option, check = _option(layout, kind, place)
                options.append(option)
                if kind in guessed and not check.startswith("if"):
                    check = "if these are the columns and units"
                checks += [check] * bool(check)
            elif kind != "time":
                none_left[f"no column of numbers is left that could be the {kind}"] = None
        sets.append(" ".join([*options, *told]))
    line = layout.heading_line or layout.numbers[0]
    return InputError(
        f"{layout.where}, line {line}: the headings do not show which columns to use: "
        f"{'; '.join(filter(None, [*problems, *none_left]))}. Found {layout.names()}. "
        + (
            "Expected a column of position and one of force"
            if none_left
            else f"Type: {' or: '.join(sets)}" + (f" ({'; '.join(dict.fromkeys(checks))})" if checks else "")
        )
    )


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


def _hint_of_time(layout: Layout, left: set[int]) -> str:
    """Return what to type if one of the columns left rises all along, and does not count rows."""
    for place in sorted(left):
        if layout.columns[place][0].as_py() not in ("0", "1", "") and _rises(layout.columns[place]):
            label, unit = _label(layout, place), _unit_by_size(layout.columns[place])
            # brackets behind the heading hold a unit that is not known here
            told = "" if unit_in(layout.headings[place])[0] == layout.headings[place] else " (with its unit)"
            return f"; if '{label}' is the time, give --time \"{label}:{unit}\"{told}"
    return ""
