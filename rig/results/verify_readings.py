"""The table of a verification: runs of loads, and what the rig said of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from rig.calibration import Gravity, Scale, VerificationReading, is_mass, mass_load_n
from rig.errors import InputError
from rig.tables import name_and_unit, read_rows
from rig.units import factor, is_force

LARGEST_FILE = 1 << 20
MOST_ROWS = 2_000
"""Of a table that a person wrote."""

HEADING = "run,direction,load_N,indicated_N"

NAMES = ("run", "direction", "load", "indicated")

_MEASURED = ("load", "mass", "indicated")
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
        lambda cell: name_and_unit(cell, _MEASURED)[0].lower() in (*NAMES, "mass"),
        most=LARGEST_FILE,
        most_rows=MOST_ROWS,
        hint=f"its heading is `{HEADING}`",
    )
    where = f"{table.where}, line {table.heading_line}"
    found_at = table.columns((*NAMES, "mass"), ("run", "direction", "indicated"), HEADING)
    units = {name: unit for name, (_, unit) in found_at.items()}
    loads = [name for name in ("load", "mass") if name in found_at]
    if len(loads) != 1:
        raise InputError(f"{where}: found {' and '.join(loads) or 'no column of load or mass'}; expected one")
    for name in (*loads, "indicated"):
        if not units[name]:
            right = "kg` or another unit of mass" if name == "mass" else "N` or another unit of force"
            raise InputError(f"{where}: {name}: no unit; write `{name}_{right}")
    units["load"] = units[loads[0]]
    per_unit_n = _per_unit_n(units, gravity, where)
    counted = units["indicated"] == "counts"
    if counted and scale is None:
        raise InputError(
            f"{where}: the readings are counts, but the rig's force is not calibrated; run `pressrig "
            "calibrate force` first"
        )
    unit_n = 1.0 if counted else factor(units["indicated"], "N")
    found: list[VerificationReading] = []
    decimals = 0
    for row in table.rows:
        where = f"{table.where} line {row.line}"
        cells = {name: row.cells[heading] for name, (heading, _) in found_at.items()}
        load, indicated = (row.number(found_at[name][0]) for name in (loads[0], "indicated"))
        step = row.number_text(found_at["indicated"][0])
        indicated = float(scale.value(indicated)) if counted and scale else indicated * unit_n
        found.append(_reading(cells, load * per_unit_n, indicated, where=where))
        decimals = max(decimals, len(step.partition(".")[2]))
    if counted and scale is not None:
        return VerificationTable(tuple(found), abs(scale.per_count))
    return VerificationTable(tuple(found), unit_n * 10.0**-decimals)


def _reading(cells: dict[str, str], load_n: float, indicated_n: float, *, where: str) -> VerificationReading:
    direction = cells["direction"].lower()
    if direction not in _DIRECTIONS:
        raise InputError(f"{where}: direction: found {cells['direction']!r}, expected rising or falling")
    if not re.fullmatch(r"\d{1,4}", cells["run"]):
        raise InputError(f"{where}: run: found {cells['run']!r}, expected a number such as 1")
    return VerificationReading(
        int(cells["run"]), "rising" if direction == "rising" else "falling", load_n, indicated_n
    )


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
