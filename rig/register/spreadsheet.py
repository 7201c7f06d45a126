"""The register as tables, and tables into the register.

Problem: people keep their pieces in a spreadsheet, and whoever gets the register's table wants one row a
piece, while a whole history has many. Plan: two tables. One row a piece with what holds now, whose columns a
spreadsheet has anyway; and one row a record, from which a register comes back exactly as it was. Which one is
read shows by its headings. Units stand in the headings or in the cells. Cost: the file in memory, bounded.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rig.core import csv_cell
from rig.errors import InputError, refused_at
from rig.register import records as kinds
from rig.register.records import Record, checked_id, now, read_day_or_time
from rig.register.specimen import RegisteredSpecimen, Size
from rig.register.store import COLUMNS, Register
from rig.tables import Row, name_and_unit, quantity_in, rows_of

LARGEST_TEXT = 64 << 20
"""Of a table, in characters."""

_WORDS = {
    "batch": kinds.BATCH,
    "model": kinds.MODEL,
    "moulded": kinds.MOULDED,
    "state": kinds.STATE,
    "orientation": kinds.ORIENTATION,
    "squeezed": kinds.SQUEEZED,
    "notes": kinds.NOTES,
}
_NUMBERS = {"drawing size": (kinds.DRAWING_SIZE, "mm"), "mass": (kinds.MASS, "g")}
_COMPUTED = {"captures", "missing"}
"""Written for whoever reads the table; captures come back by `link`."""

_WHOLE = re.compile(r"\d{1,15}", re.ASCII)


def records_csv(records: Iterable[Record]) -> str:
    """Return all records as a table, one row each; `import_into` makes the same register of it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*COLUMNS, "unit"])
    for record in records:
        values = [getattr(record, name) for name in COLUMNS]
        cells = ("" if value is None else csv_cell(_plain(value)) for value in values)
        writer.writerow([*cells, record.unit])
    return out.getvalue()


def specimens_csv(specimens: Sequence[RegisteredSpecimen]) -> str:
    """Return one row per piece with what holds now, a column per direction of sizes."""
    directions = sorted({size.direction for specimen in specimens for size in specimen.sizes})
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["id", *_WORDS, "drawing size (mm)", "mass (g)", "u mass (g)"]
        + [f"{u}size {direction} (mm)" for direction in directions for u in ("", "u ")]
        + ["captures", "missing"]
    )
    for specimen in specimens:
        writer.writerow(map(csv_cell, _row_of(specimen, directions)))
    return out.getvalue()


def _row_of(specimen: RegisteredSpecimen, directions: Sequence[str]) -> list[str]:
    words = [
        specimen.batch,
        specimen.model,
        specimen.moulded,
        specimen.state,
        specimen.orientation,
        specimen.squeezed,
        " / ".join(specimen.notes),
    ]
    mass = specimen.mass
    sizes: dict[str, Size] = {size.direction: size for size in specimen.sizes}
    numbers = [specimen.drawing_size_mm, *((mass.g, mass.u_g) if mass else (None, None))]
    for direction in directions:
        size = sizes.get(direction)
        numbers += [size.mm, size.u_mm] if size else [None, None]
    return [
        specimen.id,
        *(word or "" for word in words),
        *("" if number is None else _plain(number) for number in numbers),
        str(len(specimen.captures)),
        "; ".join(specimen.missing()),
    ]


def _plain(value: object) -> str:
    return repr(value) if isinstance(value, float) else str(value)


def import_into(
    register: Register, text: str, where: str, *, another: bool = False, who: str | None = None
) -> tuple[int, int]:
    """Read a table into a register: all of it, or nothing.

    Parameters
    ----------
    text
        The table, comma, semicolon or tab separated. With the heading `number` it is a whole history, for an
        empty register. Else each row is a piece with the heading `id`, and any of batch, model, drawing size,
        moulded, state, orientation, squeezed, notes, mass, `size DIRECTION`, `u mass`, `u size DIRECTION`,
        and `measured` for the day of mass and sizes. A piece that is known gets what is new of it.
    another
        Ids that are spelt nearly as known ones are other pieces.

    Returns
    -------
    specimens, records
        How many pieces were entered, and how many records were written beside.

    Raises
    ------
    InputError
        Naming table, line and column.
    """
    if len(text) > LARGEST_TEXT:
        raise InputError(f"{where}: {len(text)} characters are too many for a table of specimens")
    titles = {"id", "measured", "number", *COLUMNS, *_WORDS, *_NUMBERS, *_COMPUTED}
    table = rows_of(text, where, lambda cell: re.sub(r"\W*[\[(].*", "", cell).strip().lower() in titles)
    headings, rows = list(table.headings), list(table.rows)
    if "" in headings:
        raise InputError(f"{where}, line {table.heading_line}, headings: a column has no heading")
    if "number" in headings:
        records = [_record(row) for row in rows]
        register.restore(records)
        entered = sum(record.kind == kinds.REGISTERED for record in records)
        return entered, len(records) - entered
    columns = [_column(name, where) for name in headings]
    if "id" not in headings:
        raise InputError(f"{where}, headings: found {', '.join(headings)}; expected one named id")
    known = {specimen.id: specimen for specimen in register.specimens()}
    entered_ids: list[str] = []
    facts: list[Record] = []
    for row in rows:
        with refused_at(row.where):
            name = checked_id(row.cells["id"])
        if name in entered_ids:
            raise InputError(f"{row.where}: specimen {name} stands in the table twice")
        if name not in known:
            entered_ids.append(name)
        with refused_at(row.where):
            facts += _facts(name, row, columns, known.get(name), who)
    register.take_over(facts, entered=entered_ids, another=another)
    return len(entered_ids), len(facts)


@dataclass(frozen=True, slots=True)
class _Column:
    heading: str
    name: str
    unit: str


def _column(heading: str, where: str) -> _Column:
    spelt, unit = name_and_unit(heading)
    name = spelt.lower().replace("_", " ")
    measured = name.removeprefix("u ")
    if name in ("id", "measured", *_WORDS, *_COMPUTED) or measured in ("mass", "drawing size"):
        return _Column(heading, name, unit)
    if measured.startswith("size ") and len(measured) > len("size "):
        # a direction keeps its capitals
        direction = spelt[spelt.lower().index("size") + len("size") :].strip(" _")
        return _Column(heading, ("u " if name.startswith("u ") else "") + f"size {direction}", unit)
    raise InputError(
        f"{where}, headings: found {heading!r:.40}, expected id, {', '.join(_WORDS)}, drawing size, mass, "
        "size DIRECTION, u mass, u size DIRECTION or measured; units such as 'mass (g)'"
    )


def _facts(
    name: str, row: Row, columns: Sequence[_Column], known: RegisteredSpecimen | None, who: str | None
) -> list[Record]:
    """Return what a row says of a piece, less what is known already."""
    by_name = {column.name: column for column in columns}
    at, measured = now(), by_name.get("measured")
    if measured is not None and row.cells[measured.heading]:
        at = read_day_or_time(row.cells[measured.heading], "measured")
    facts = []
    for column in columns:
        text = row.cells[column.heading] if column.name in _WORDS else row.number_text(column.heading)
        if not text or column.name in ("id", "measured", *_COMPUTED) or column.name.startswith("u "):
            continue
        record = _fact(name, row, column, by_name.get(f"u {column.name}"), at=at, who=who)
        if known is None or not _told_before(known, record):
            facts.append(record)
    return facts


def _fact(
    name: str, row: Row, column: _Column, u_column: _Column | None, *, at: str, who: str | None
) -> Record:
    """Return what a cell says of a piece, with the uncertainty in a column of its own."""
    if column.name in _WORDS:
        kind, text = _WORDS[column.name], row.cells[column.heading]
        if kind in (kinds.MOULDED, kinds.SQUEEZED):
            at = text = read_day_or_time(text, column.name)
        return Record(specimen=name, kind=kind, text=text, at=at, how="table", who=who)
    kind, unit = _NUMBERS.get(column.name, (kinds.SIZE, "mm"))
    direction = column.name.removeprefix("size ") if kind == kinds.SIZE else None
    value, u = (_value(row, place, unit) for place in (column, u_column))
    return Record(specimen=name, kind=kind, value=value, u=u, detail=direction, at=at, how="table", who=who)


def _value(row: Row, column: _Column | None, unit: str) -> float | None:
    """Return a cell in a unit; None without the column or the cell."""
    text = "" if column is None else row.number_text(column.heading)
    if column is None or not text:
        return None
    with refused_at(column.heading):
        return quantity_in(text, column.unit, unit)


def _told_before(known: RegisteredSpecimen, record: Record) -> bool:
    """Return whether the register says the same already, so that a table can be read twice."""
    last = [event for event in known.holding if (event.kind, event.detail) == (record.kind, record.detail)]
    if record.kind == kinds.NOTES:
        return record.text in {" / ".join(known.notes), *known.notes}
    if record.kind == kinds.SQUEEZED:
        return record.text == known.squeezed
    if record.kind == kinds.STATE and not last:
        return record.text == known.state
    return bool(last) and (last[-1].text, last[-1].value, last[-1].u) == (record.text, record.value, record.u)


def _record(row: Row) -> Record:
    """Return one row of a whole history."""
    cells = row.cells
    words = {name: cells.get(name) or None for name in ("text", "detail", "how", "who", "reason")}
    numbers = {name: row.number(name) if cells.get(name) else None for name in ("value", "u", "force_n")}
    with refused_at(row.where):
        record = Record(
            specimen=cells.get("specimen", ""),
            kind=cells.get("kind", ""),
            at=cells.get("at", ""),
            written=read_day_or_time(cells.get("written", ""), "written"),
            value=numbers["value"],
            u=numbers["u"],
            force_n=numbers["force_n"],
            corrects=_whole(cells, "corrects"),
            number=_whole(cells, "number") or 0,
            **words,
        )
        if record.number <= 0:
            raise InputError("number: is missing")
        if cells.get("unit", record.unit) != record.unit:
            raise InputError(f"unit: found {cells['unit']!r:.20}, expected {record.unit or 'none'}")
    return record


def _whole(cells: Mapping[str, str], name: str) -> int | None:
    cell = cells.get(name, "")
    if cell and not _WHOLE.fullmatch(cell):
        raise InputError(f"{name}: found {cell!r:.40}, expected a whole number")
    return int(cell) if cell else None
