"""A table of trials in a CSV file, as people type it into a spreadsheet.

Problem: a slip has to be found again in the file. Plan: `rig.tables` keeps every cell as text with its line
until it is a number. Cost: the file is held in memory, so its size is bounded.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from rig.errors import InputError
from rig.population import DRIVEN, HAND
from rig.renamed import refuse_old_name
from rig.results.study_captures import LABORATORY, Trials
from rig.tables import RowTable, read_rows

LARGEST_BYTES = 64 << 20
"""Longer than any table of trials."""

NAMES = ("piece", "appraiser", "trial")
KIND = "kind"
LABORATORY_NAMES = (LABORATORY, "material")
"""Columns of a study of many laboratories; the second may be missing."""


def read_trials(path: Path, value: str | None, driven: Sequence[str] = ()) -> Trials:
    """Read a table of trials.

    Parameters
    ----------
    path
        CSV with the headings piece, appraiser, trial, a value, and perhaps kind; or laboratory, a value, and
        perhaps material. Lines that begin with # are left out.
    value
        Heading of the values; None if there is only one that it can be.
    driven
        Appraisers that are driven rigs, where there is no column kind.

    Raises
    ------
    InputError
        Naming file, line and column.
    """
    table = table_rows(path, (*NAMES, KIND, *LABORATORY_NAMES, *([] if value is None else [value])))
    headings, rows = table.headings, table.rows
    if LABORATORY in headings:
        return _laboratories(path, table, value, driven)
    value = _column_of_values(path, headings, value)
    lacking = [name for name in NAMES if name not in headings]
    if lacking:
        raise InputError(
            f"{path}, headings: no column {', '.join(lacking)}; found {', '.join(headings)}; "
            f"expected {', '.join(NAMES)} and a value"
        )
    columns = {
        name: [row.cells[name] for row in rows] for name in (*NAMES, *([KIND] if KIND in headings else []))
    }
    numbers = [row.number(value) for row in rows]
    if driven:
        columns[KIND] = _kinds(path, columns, driven)
    notes: tuple[str, ...] = ()
    if KIND in columns and len(set(columns[KIND])) == 1:
        notes = (f"All appraisers are of one kind, {columns[KIND][0]!r}.",)
    return Trials(columns | {"value": numbers}, value, str(path), [row.line for row in rows], notes)


def _laboratories(path: Path, table: RowTable, value: str | None, driven: Sequence[str]) -> Trials:
    """Return the results of laboratories, as many of each as there are; a column `trial` only numbers
    them."""
    if driven:
        raise InputError(f"--driven: {path} has a column '{LABORATORY}'; leave out the option")
    value = _column_of_values(path, table.headings, value)
    columns: dict[str, list[object]] = {
        name: [row.cells[name] for row in table.rows] for name in LABORATORY_NAMES if name in table.headings
    }
    columns["value"] = [row.number(value) for row in table.rows]
    return Trials(columns, value, str(path), [row.line for row in table.rows], ())


def table_rows(path: Path, known: Collection[str]) -> RowTable:
    """Return the headings and rows of a table whose columns are known by some of these names."""
    return read_rows(path, lambda cell: cell.strip() in known, most=LARGEST_BYTES)


def _column_of_values(path: Path, headings: Sequence[str], value: str | None) -> str:
    others = [name for name in headings if name not in (*NAMES, KIND, *LABORATORY_NAMES)]
    if value is not None:
        refuse_old_name("--value", value)
    for name in others:
        refuse_old_name(f"{path}, headings", name)
    if value is None and len(others) == 1:
        return others[0]
    if value not in others:
        found = ", ".join(others) or "none"
        asked = "the value column is not stated" if value is None else f"no column {value!r:.40}"
        raise InputError(f"{path}, headings: {asked}; found {found}; write one of these after --value")
    return str(value)


def _kinds(path: Path, columns: dict[str, list[str]], driven: Sequence[str]) -> list[str]:
    if KIND in columns:
        raise InputError(f"--driven: {path} has a column 'kind'; leave out the option")
    unknown = sorted(set(driven) - set(columns["appraiser"]))
    if unknown:
        known = ", ".join(dict.fromkeys(columns["appraiser"]))
        raise InputError(f"--driven: no appraiser {', '.join(unknown)} in {path}; found {known}")
    return [DRIVEN if name in driven else HAND for name in columns["appraiser"]]
