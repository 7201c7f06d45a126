"""The table of a verification: runs of loads, and what the rig said of them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.calibration import Gravity, Scale, VerificationReading, is_mass, mass_load_n
from rig.errors import InputError
from rig.tables import read_rows
from rig.units import factor, is_force

LARGEST_FILE = 1 << 20
MOST_ROWS = 2_000
"""Of a table that a person wrote."""

HEADING = "run,direction,load_N,indicated_N"

NAMES = ("run", "direction", "load", "indicated")

_COLUMN = re.compile(r"\s*(load|mass|indicated)\s*(?:_(\S+)|[\[(]\s*([^\])]+?)\s*[\])])\s*", re.IGNORECASE)
_DIRECTIONS = ("rising", "falling")


@dataclass(frozen=True, slots=True)
class VerificationTable:
    """A table of readings.

    Parameters
    ----------
    step_n
        Smallest step that the readings are written in: their last decimal, or one count.
    """

    readings: tuple[VerificationReading, ...]
    step_n: float


def read_verification(path: Path, scale: Scale | None, gravity: Gravity | None = None) -> VerificationTable:
    """Read a table of `run`, `direction`, `load` or `mass`, and `indicated`, with units in the heading.

    Parameters
    ----------
    path
        Of a CSV file; lines that begin with # are for people.
    scale
        Of the rig's force, for readings in counts (`indicated_counts`).
    gravity
        Where the rig stands, for masses (`mass_kg`), which press with their weight less their buoyancy.

    Raises
    ------
    InputError
        Naming file and line.
    """
    table = read_rows(
        path,
        lambda cell: _COLUMN.fullmatch(cell) is not None or cell.strip().lower() in NAMES,
        most=LARGEST_FILE,
        most_rows=MOST_ROWS,
        hint=f"its heading is `{HEADING}`",
    )
    heading, where = table.headings, f"{table.where} line {table.heading_line}"
    columns, units = _columns(heading, where)
    per_unit_n = _per_unit_n(units, gravity, where)
    counted = units["indicated"] == "counts"
    if counted and scale is None:
        raise InputError(
            f"{where}: the readings are counts, but the rig's force is not calibrated; run `pressrig "
            "calibrate force` first"
        )
    found: list[VerificationReading] = []
    decimals = 0
    for row in table.rows:
        where = f"{table.where} line {row.line}"
        cells = {name: row.cells[heading[place]] for name, place in columns.items()}
        cells |= {name: row.number_text(heading[columns[name]]) for name in ("load", "indicated")}
        found.append(_reading(cells, per_unit_n, units["indicated"], scale, where=where))
        decimals = max(decimals, len(cells["indicated"].partition(".")[2]))
    if counted and scale is not None:
        return VerificationTable(tuple(found), abs(scale.per_count))
    return VerificationTable(tuple(found), factor(units["indicated"], "N") * 10.0**-decimals)


def _reading(
    cells: dict[str, str], per_unit_n: float, unit: str, scale: Scale | None, *, where: str
) -> VerificationReading:
    direction = cells["direction"].lower()
    if direction not in _DIRECTIONS:
        raise InputError(f"{where}: direction: found {cells['direction']!r}, expected rising or falling")
    if not re.fullmatch(r"\d{1,4}", cells["run"]):
        raise InputError(f"{where}: run: found {cells['run']!r}, expected a number such as 1")
    load_n = _number(cells, "load", where) * per_unit_n
    indicated = _number(cells, "indicated", where)
    if unit != "counts":
        indicated *= factor(unit, "N")
    elif scale is not None:
        indicated = float(scale.value(indicated))
    return VerificationReading(
        int(cells["run"]), "rising" if direction == "rising" else "falling", load_n, indicated
    )


def _number(cells: dict[str, str], name: str, where: str) -> float:
    try:
        number = float(cells[name])
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise InputError(
            f"{where}: {name}: found {cells[name]!r}, expected a number; units stand in the heading"
        )
    return number


def _columns(heading: Sequence[str], where: str) -> tuple[dict[str, int], dict[str, str]]:
    """Return where each column is, and the units of load and reading."""
    columns: dict[str, int] = {}
    units: dict[str, str] = {}
    for index, title in enumerate(heading):
        name = title.strip().lower()
        match = _COLUMN.fullmatch(title)
        if match is not None:
            kind, unit = match[1].lower(), match[2] or match[3]
            name = "load" if kind == "mass" else kind
            units[name] = unit
            if kind == "mass":
                units["mass"] = unit
        if name not in NAMES or name in columns:
            raise InputError(f"{where}: found a column {title.strip()!r}; a heading is `{HEADING}`")
        columns[name] = index
    for name in NAMES:
        if name not in columns:
            raise InputError(f"{where}: no column {name}; a heading is `{HEADING}`")
    for name in ("load", "indicated"):
        if name not in units:
            raise InputError(f"{where}: {name}: no unit; write `{name}_N` or another unit of force")
    return columns, units


def _per_unit_n(units: dict[str, str], gravity: Gravity | None, where: str) -> float:
    """Return the newtons of one of the load's unit, with the units looked through."""
    indicated, load = units["indicated"], units["load"]
    if indicated != "counts" and not is_force(indicated):
        raise InputError(f"{where}: indicated: found the unit {indicated!r}, expected N, counts and the like")
    if "mass" in units:
        if not is_mass(load):
            raise InputError(f"{where}: mass: found the unit {load!r}, expected kg, g, lb and the like")
        if gravity is None:
            raise InputError(f'{where}: for masses give the local gravity: --gravity "9.8145 m/s^2"')
        return mass_load_n(factor(load, "kg"), gravity.m_per_s2)
    if is_mass(load):
        raise InputError(f"{where}: load: {load} is a unit of mass; name the column mass, and give --gravity")
    if not is_force(load):
        raise InputError(f"{where}: load: found the unit {load!r}, expected N, kN, lbf and the like")
    return factor(load, "N")
