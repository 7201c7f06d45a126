"""Results of pieces from a table, one row a piece or a capture of it, as people keep it in a spreadsheet.

Columns that say who, which and how are known by their names; each other column is a quantity, its unit in
its name. Beside a quantity `x` may stand `x_u`, its standard uncertainty, `x_u_shared`, the calibration's
part of that, and `x_freedom`, the degrees of freedom of that part (empty where they have no limit).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from rig.errors import InputError
from rig.population import BY_HAND, STATES, UNSTATED, PieceResult
from rig.renamed import refuse_old_name
from rig.results.piece_captures import PressedPieces
from rig.results.study_values import table_rows
from rig.tables import Row

PIECE = "piece"

WHO = (PIECE, "batch", "state", "capture", "operator")

HOW = (
    "method", "rate", "temperature", "humidity", "orientation", "area", "platen", "calibration",
    "contact force", "conditioning", "datum", "days since moulding", "hours since last squeeze",
)  # fmt: skip
"""Circumstances: words, the same for all rows that may be put together."""

U, SHARED, FREEDOM = "_u", "_u_shared", "_freedom"

MOST_ROWS = 100_000
_METHOD_LABELS: dict[str, str | None] = {UNSTATED: None, "hand": BY_HAND}


def read_pieces(path: Path) -> PressedPieces:
    """Read a table of pieces.

    Parameters
    ----------
    path
        CSV with headings; lines that begin with # are left out. Rows are in order of time.

    Raises
    ------
    InputError
        Naming file, line and column.
    """
    table = table_rows(path, (*WHO, *HOW))
    headings, rows = table.headings, table.rows
    quantities = _quantities(path, headings)
    if len(rows) > MOST_ROWS:
        raise InputError(f"{path}: found {len(rows)} rows, expected at most {MOST_ROWS}")
    results, operators = [], {}
    for row in rows:
        result = _piece(row, quantities)
        if result.capture in operators:
            raise InputError(f"{row.where}: capture {result.capture!r} appears twice")
        results.append(result)
        operators[result.capture] = row.cells.get("operator") or None
    labels = {
        "batch": {result.capture: result.batch for result in results},
        "state": {result.capture: result.state if "state" in headings else None for result in results},
        "operator": operators,
        "method": {
            result.capture: _METHOD_LABELS.get(words, words)
            for result in results
            for words in [result.circumstances.get("method", UNSTATED)]
        },
    }
    return PressedPieces(tuple(results), labels)


def _quantities(path: Path, headings: Sequence[str]) -> list[str]:
    if PIECE not in headings:
        raise InputError(f"{path}, headings: no column '{PIECE}'; found {', '.join(headings)}")
    free = [name for name in headings if name not in (*WHO, *HOW)]
    for name in free:
        refuse_old_name(f"{path}, headings", name)
    # all but the uncertainties and degrees of freedom of other columns
    quantities = [
        name
        for name in free
        if not any(
            name.endswith(ending) and name.removesuffix(ending) in free for ending in (U, SHARED, FREEDOM)
        )
    ]
    if not quantities:
        raise InputError(f"{path}, headings: no column of a quantity; found {', '.join(headings)}")
    return quantities


def _piece(found: Row, quantities: Sequence[str]) -> PieceResult:
    where, row = found.where, found.cells
    state = row.get("state", "").lower() or UNSTATED
    if not row[PIECE]:
        raise InputError(f"{where}: {PIECE} is empty; expected a name")
    if state not in (*STATES, UNSTATED):
        raise InputError(f"{where}, column 'state': found {state!r:.40}, expected one of {', '.join(STATES)}")

    def numbers(ending: str) -> dict[str, float]:
        return {
            name: _finite(found, f"{name}{ending}", least=least[ending])
            for name in quantities
            if row.get(f"{name}{ending}")
        }

    least = {"": float("-inf"), U: 0.0, SHARED: 0.0, FREEDOM: 1.0}
    return PieceResult(
        row[PIECE],
        row.get("batch") or None,
        state,
        row.get("capture") or f"line {found.line}",
        numbers(""),
        numbers(U),
        numbers(SHARED),
        {name: row[name].lower() or UNSTATED for name in HOW if name in row},
        None,
        numbers(FREEDOM),
    )


def _finite(row: Row, heading: str, *, least: float) -> float:
    value = row.number(heading)
    if not (isfinite(value) and value >= least):
        bound = "" if least == float("-inf") else f" of at least {least:g}"
        raise InputError(
            f"{row.where}, column '{heading}': found {row.cells[heading]!r:.40}, expected a number{bound} "
            "that is finite"
        )
    return value
