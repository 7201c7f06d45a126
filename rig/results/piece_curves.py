"""Curves of pieces from a table, one row a point, as a design sheet or a spreadsheet holds them.

Columns: `piece`, `deflection_mm`, `loading_n`, `unloading_n`; where known, `batch`, `rate_mm_per_s` and
`size_mm`, the same in all rows of one curve. A piece squeezed at several rates has a curve for each.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.aids import NipPiece
from rig.core.measured import Measured
from rig.errors import InputError
from rig.population import Curve, PieceResult
from rig.results.study_values import table_rows
from rig.tables import Row

NEEDED = ("piece", "deflection_mm", "loading_n", "unloading_n")
ALSO = ("batch", "rate_mm_per_s", "size_mm")

MOST_POINTS = 500_000

FEWEST_POINTS = 3


def read_curves(path: Path, size_mm: Measured | None) -> list[NipPiece]:
    """Read a table of curves.

    Parameters
    ----------
    path
        CSV with headings; lines that begin with # are left out.
    size_mm
        Of all pieces; None: the table's own.

    Raises
    ------
    InputError
        Naming file, line and column.
    """
    table = table_rows(path, (*NEEDED, *ALSO))
    headings, rows = table.headings, table.rows
    lacking = [name for name in NEEDED if name not in headings]
    strange = [name for name in headings if name not in (*NEEDED, *ALSO)]
    if lacking or strange:
        told = f"no column {lacking[0]}" if lacking else f"column {strange[0]!r:.40} is not known"
        raise InputError(
            f"{path}, headings: {told}; expected {', '.join(NEEDED)}; optional: {', '.join(ALSO)}"
        )
    if len(rows) > MOST_POINTS:
        raise InputError(f"{path}: found {len(rows)} rows, expected at most {MOST_POINTS}")
    curves: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        key = tuple(row.cells.get(name, "") for name in ("piece", *ALSO))
        if not row.cells["piece"]:
            raise InputError(f"{row.where}: piece is empty; expected a name")
        curves.setdefault(key, []).append(row)
    return [_piece(path, key, points, size_mm) for key, points in curves.items()]


def _piece(path: Path, key: tuple[str, ...], points: list[Row], size_mm: Measured | None) -> NipPiece:
    piece, batch, rate, size = key
    where = points[0].where
    if len(points) < FEWEST_POINTS:
        raise InputError(
            f"{where}: piece {piece!r:.40} has {len(points)} points, expected {FEWEST_POINTS} or more"
        )
    # deflection, loading and unloading
    columns = [np.array([row.number(name) for row in points]) for name in NEEDED[1:]]
    if not (np.diff(columns[0]) > 0).all():
        at = points[int(np.argmin(np.diff(columns[0]) > 0)) + 1]
        raise InputError(f"{at.where}, column 'deflection_mm': does not rise; expected points in order")
    if size_mm is None and not size:
        raise InputError(f"{where}: no size_mm; add the column, or give --size")
    own_mm = Measured(points[0].number("size_mm")) if size else None
    values = {"rate_mm_per_s": points[0].number("rate_mm_per_s")} if rate else {}
    words = {"rate": f"{values['rate_mm_per_s']:.2g} mm/s"} if rate else {}
    result = PieceResult(
        piece,
        batch or None,
        "new",
        f"{path.name} line {points[0].line}",
        values,
        {},
        {},
        words,
        Curve(*columns),
    )
    known_mm = size_mm or own_mm
    assert known_mm is not None
    return NipPiece(result, known_mm)
