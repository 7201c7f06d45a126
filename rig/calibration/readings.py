"""Calibration readings as people write them: a table of references and counts, with units.

Problem: a table that mixes grams with pounds, swaps two rows or holds a reading of a converter at the end of
its range gives a scale that looks fine. Plan: each unit has to be said, each row is checked against the
others of its run, and what is wrong is refused with its line. Cost: one pass over a short table.

The columns: `mass` or `load` for a force, `travel` (of an indicator that follows the platen) or `block` (a
gauge block below it) for a position, the unit in the heading as in `mass_kg` or in each cell as in `500 g`;
`counts`; and, where wanted, `run`, `place` (of an off-centre load), `direction` (approaching or returning),
`status` (bit 0: saturated) and `kept` (no: left out).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import fmean

from rig.errors import InputError
from rig.tables import name_and_unit, rows_of
from rig.units import factor, parse

MOST_ROWS = 2_000
"""A calibration of more rows than this is a recording."""

CONVERTER_BITS = (12, 16, 18, 20, 24, 32)
"""Usual converters; the ends of their ranges are no readings."""

FORCE_COLUMNS = {"mass": "kg", "load": "N"}
POSITION_COLUMNS = {"travel": "mm", "block": "mm"}
OTHER_COLUMNS = ("counts", "run", "place", "direction", "status", "kept", "u_counts", "samples", "seconds")

_MEANING = {"mass": "load", "load": "load", "travel": "travel", "block": "platen's way down"}

_HEADINGS = {"mass": "mass_kg,counts", "travel": "travel_mm,counts"}
CENTRE = ("", "centre", "center", "middle")

_CELL = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*?)\s*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Reading:
    """One settled reading beside its reference.

    `reference`: in kg, N or mm, as its column says.
    `run`: readings of one run share a zero.
    `place`: of an off-centre load; empty for the centre.
    `falling`: whether it was reached from a larger reference (of a position: going back).
    `u_counts`: standard uncertainty of `counts`; 0 where it is not known.
    """

    reference: float
    counts: float
    run: str = ""
    place: str = ""
    falling: bool = False
    line: int = 0
    u_counts: float = 0.0

    @property
    def centred(self) -> bool:
        """Whether the load stood in the middle."""
        return self.place.lower() in CENTRE


@dataclass(frozen=True, slots=True)
class ReadingTable:
    """Readings of one column of references.

    `quantity`, `unit`: "mass" in kg, "load" in N, "travel" or "block" in mm.
    `directed`: whether a row says from which side its reference was approached.
    """

    quantity: str
    unit: str
    readings: tuple[Reading, ...]
    where: str
    directed: bool = False

    def place_of(self, reading: Reading) -> str:
        """Return the table and line."""
        return f"{self.where} line {reading.line}" if reading.line else self.where


def force_table(text: str, where: str) -> ReadingTable:
    """Read a table of masses or loads; below zero are those that pull.

    Parameters
    ----------
    text
        The table, in any dialect that `rig.tables` reads; lines that begin with # are for people.

    Raises
    ------
    InputError
        Naming table and line: units missing or mixed, a saturated reading, references out of order.
    """
    table = _read(text, where, FORCE_COLUMNS)
    return replace(table, readings=with_runs(table))


def position_table(text: str, where: str) -> ReadingTable:
    """Read a table of indicator readings or gauge blocks; see `force_table`."""
    table = _read(text, where, POSITION_COLUMNS)
    if table.quantity == "block" or table.directed:
        return table
    return replace(table, readings=with_runs(table))


def with_runs(table: ReadingTable) -> tuple[Reading, ...]:
    """Return the readings with their runs told apart, and with falling ones marked.

    In a run references rise and may then fall, away from zero and back: loads that pull grow below it. Where
    the table names no runs, a new one begins where they rise again from the lowest reference, or where they
    begin to pull, or to press.

    Raises InputError if they go up and down otherwise.
    """
    named = any(reading.run for reading in table.readings)
    lowest = min((_size(reading, table) for reading in table.readings), default=0.0)
    marked: list[Reading] = []
    last: dict[str, Reading] = {}
    number = 1
    for reading in table.readings:
        if not reading.centred:
            marked.append(reading if named else replace(reading, run=str(number)))
            continue
        before = last.get(reading.run if named else str(number))
        if not named and before is not None and _begins_again(reading, before, table, lowest):
            number, before = number + 1, None
        run = reading.run if named else str(number)
        falling = _falls(reading, before, table)
        last[run] = replace(reading, run=run, falling=falling)
        marked.append(last[run])
    if not named:
        # a drop from the top straight to the lowest reference begins the next run: it is no falling reading
        for index in range(1, len(marked) - 1):
            before, here, after = marked[index - 1 : index + 2]
            dropped = _size(here, table) == lowest and here.falling and not before.falling
            if dropped and after.run != here.run:
                marked[index] = replace(here, run=after.run, falling=False)
    return tuple(marked)


def _size(reading: Reading, table: ReadingTable) -> float:
    """Return what rises in a run: a load whichever way it works, a position as it is."""
    return abs(reading.reference) if table.quantity in FORCE_COLUMNS else reading.reference


def _begins_again(reading: Reading, before: Reading, table: ReadingTable, lowest: float) -> bool:
    """Return whether a new run begins with this reading."""
    here, there = _size(reading, table), _size(before, table)
    if table.quantity in FORCE_COLUMNS and reading.reference * before.reference < 0:
        return True
    if here == lowest and there == lowest:
        return before.falling  # 10, 0, then 0 again; two zeros at the start are repeats
    return here > there == lowest and before.falling


def _falls(reading: Reading, before: Reading | None, table: ReadingTable) -> bool:
    """Return whether a reading was reached from a larger reference; refuse one that rises after that."""
    if before is None or reading.reference == before.reference:
        return before is not None and before.falling
    if _size(reading, table) < _size(before, table):
        return True
    if before.falling:
        raise InputError(
            f"{table.place_of(reading)}: references out of order: {reading.reference:g} {table.unit} comes "
            f"after {before.reference:g}, which had come after a larger one. In a run they rise and may "
            "then fall; put the rows right, or give each run its name in a column `run`"
        )
    return False


def refuse_wrong_ways(table: ReadingTable, values: Sequence[float], *, reversed_way: bool) -> None:
    """Refuse readings that do not follow their references.

    Raises InputError if counts fall while the value rises, stand still, or go both ways.

    `values`: what they stand for in N or mm, in the same order.
    `reversed_way`: whether counts are meant to fall while the value rises.
    """
    centred = [
        (value, reading) for value, reading in zip(values, table.readings, strict=True) if reading.centred
    ]
    if not centred:
        raise InputError(f"{table.where}: every load is off the centre; expected the place empty, or centre")
    ordered = sorted(centred, key=lambda pair: pair[0])
    (low, first), (high, last) = ordered[0], ordered[-1]
    if not high > low:
        raise InputError(
            f"{table.where}: found one reference only, expected several between zero and the largest"
        )
    rises = last.counts > first.counts
    if rises == reversed_way:
        fall = "rise" if reversed_way else "fall"
        remedy = (
            "leave out --reversed"
            if reversed_way
            else "swap the two signal wires of the sensor, or, on a rig without a drive, say --reversed "
            "for a negative per_count"
        )
        raise InputError(
            f"{table.where}: sign error: counts {fall} from {first.counts:g} to {last.counts:g} while the "
            f"{_MEANING[table.quantity]} rises; {remedy}"
        )
    sign = 1 if rises else -1
    for (value, lower), (next_value, upper) in pairwise(_steps(ordered)):
        before, after = (fmean(reading.counts for reading in step) for step in (lower, upper))
        if not sign * after > sign * before:
            raise InputError(
                f"{table.place_of(upper[0])}: counts do not follow the references: {after:.6g} counts "
                f"at {next_value:.4g} {table.unit}, but {before:.6g} counts at {value:.4g} {table.unit} "
                f"({table.place_of(lower[0])}). Look for swapped rows, a wrong unit or a sensor at its stop; "
                "to leave a reading out, set its column `kept` to no and give the table as READINGS"
            )


def _steps(ordered: Sequence[tuple[float, Reading]]) -> list[tuple[float, list[Reading]]]:
    """Return the readings by their reference, which the same load in another unit misses by rounding."""
    steps: list[tuple[float, list[Reading]]] = []
    for value, reading in ordered:
        if steps and math.isclose(value, steps[-1][0], rel_tol=1e-9, abs_tol=1e-12):
            steps[-1][1].append(reading)
        else:
            steps.append((value, [reading]))
    return steps


def _read(text: str, where: str, quantities: dict[str, str]) -> ReadingTable:
    def is_heading(cell: str) -> bool:
        name = name_and_unit(cell, quantities)[0].lower()
        return name in quantities or cell.strip().lower() in OTHER_COLUMNS

    table = rows_of(text, where, is_heading, most_rows=2 * MOST_ROWS)
    columns = table.columns((*quantities, *OTHER_COLUMNS), ("counts",), _HEADINGS[next(iter(quantities))])
    stated = [name for name in quantities if name in columns]
    if len(stated) != 1:
        raise InputError(
            f"{where}, line {table.heading_line}: found {' and '.join(stated) or 'no column of references'}; "
            f"expected one of {' and '.join(quantities)}"
        )
    quantity, unit = stated[0], columns[stated[0]][1] or None
    readings: list[Reading] = []
    directed = False
    for row in table.rows:
        line, place = row.line, f"{where} line {row.line}"
        cells = {name: row.cells[heading] for name, (heading, _) in columns.items()}
        numeric = (quantity, "counts", "u_counts")
        cells |= {name: row.number_text(columns[name][0]) for name in numeric if name in columns}
        if cells.get("kept", "yes").lower() in ("no", "0", "false"):
            continue
        if len(readings) >= MOST_ROWS:
            raise InputError(f"{place}: more than {MOST_ROWS} readings; is it a table of plateaus?")
        directed = directed or bool(cells.get("direction"))
        readings.append(_reading(cells, quantity, unit, quantities[quantity], place=place, line=line))
    if not readings:
        raise InputError(f"{where}: found no reading below the heading")
    return ReadingTable(quantity, quantities[quantity], tuple(readings), where, directed)


def _reading(
    cells: dict[str, str], quantity: str, unit: str | None, to: str, *, place: str, line: int
) -> Reading:
    direction = cells.get("direction", "").lower()
    if direction not in ("", "approaching", "returning", "rising", "falling"):
        raise InputError(f"{place}: direction: found {direction!r}, expected approaching or returning")
    return Reading(
        reference_value(cells[quantity], quantity, unit, to, place=place),
        _counts(cells, place),
        cells.get("run", ""),
        cells.get("place", ""),
        direction in ("returning", "falling"),
        line,
        _u_counts(cells.get("u_counts", ""), place),
    )


def reference_value(text: str, quantity: str, unit: str | None, to: str, *, place: str) -> float:
    """Return a reference with its unit, from its cell or its heading, in the unit `to`.

    Raises InputError if no unit is stated, or two are, or it measures something else.
    """
    match = _CELL.fullmatch(text)
    if match is None:
        raise InputError(f"{place}: {quantity}: found {text!r}, expected a number")
    number, own = match.groups()
    if own and unit and own != unit:
        raise InputError(
            f"{place}: units mixed: {quantity} is in {unit} by its heading, but this cell says {text!r}"
        )
    said = own or unit
    if not said:
        if float(number) == 0:
            return 0.0
        raise InputError(
            f"{place}: {quantity}: {text!r} has no unit; write `{quantity}_{to}` in the heading, or "
            f"`{number} {to}` in the cell"
        )
    if to == "N" and is_mass(said):
        raise InputError(
            f"{place}: {said} is a unit of mass, in a column of loads; name the column `mass` and state the "
            "gravity, or write a load in N or lbf"
        )
    try:
        return parse(f"{number} {said}", to)
    except InputError as problem:
        raise InputError(f"{place}: {quantity}: {problem}") from None


def is_mass(unit: str) -> bool:
    """Return whether a unit is one of mass: g, kg, lb, oz ..."""
    try:
        factor(unit, "kg")
    except InputError:
        return False
    return True


def _u_counts(text: str, place: str) -> float:
    try:
        u = float(text or 0.0)
    except ValueError:
        u = math.nan
    if not (math.isfinite(u) and u >= 0):
        raise InputError(f"{place}: u_counts: found {text!r}, expected a number of counts, or nothing")
    return u


def _counts(cells: dict[str, str], place: str) -> float:
    try:
        counts = float(cells["counts"])
    except ValueError:
        counts = math.nan
    if not math.isfinite(counts):
        raise InputError(f"{place}: counts: found {cells['counts']!r}, expected a number")
    status = cells.get("status", "")
    if status and not re.fullmatch(r"\d{1,3}", status):
        raise InputError(f"{place}: status: found {status!r}, expected a number from 0 to 255")
    # largest and smallest number of two's complement
    ends = {end for bits in CONVERTER_BITS for end in (2.0 ** (bits - 1) - 1, -(2.0 ** (bits - 1)))}
    if (status and int(status) & 1) or counts in ends or abs(counts) > 2**31:
        raise InputError(
            f"{place}: saturated: {counts:.0f} counts is the end of a converter's range, so the reading "
            "says nothing; take a smaller load, or a smaller gain"
        )
    return counts
