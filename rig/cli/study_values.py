"""A table of trials in a CSV file, as people type it into a spreadsheet.

Problem: delimiters and decimal marks differ, and a slip has to be found again in the file. Plan: everything
is kept as text with the number of its line until it is a number. Cost: the file is held in memory, so its
size is bounded.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path

from rig.cli.study_captures import Trials
from rig.core import from_csv_cell, read_text
from rig.errors import InputError
from rig.population import DRIVEN, HAND
from rig.renamed import refuse_old_name

LARGEST_BYTES = 64 << 20
"""Longer than any table of trials."""

REMARK = "#"
"""Lines that begin with it are read by people only."""

NAMES = ("piece", "appraiser", "trial")
KIND = "kind"

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


def read_trials(path: Path, value: str | None, driven: Sequence[str] = ()) -> Trials:
    """Read a table of trials.

    Parameters
    ----------
    path
        CSV with the headings piece, appraiser, trial, a value, and perhaps kind. Lines that begin with # are
        left out.
    value
        Heading of the values; None if there is only one that it can be.
    driven
        Appraisers that are driven rigs, where there is no column kind.

    Raises
    ------
    InputError
        Naming file, line and column.
    """
    headings, rows = table_rows(path)
    value = _column_of_values(path, headings, value)
    lacking = [name for name in NAMES if name not in headings]
    if lacking:
        raise InputError(
            f"{path}, headings: no column {', '.join(lacking)}; found {', '.join(headings)}; "
            f"expected {', '.join(NAMES)} and a value"
        )
    columns = {
        name: [from_csv_cell(cells[headings.index(name)].strip()) for _, cells in rows]
        for name in (*NAMES, *([KIND] if KIND in headings else []))
    }
    place = headings.index(value)
    numbers = [read_number(cells[place], f"{path}, line {line}, column '{value}'") for line, cells in rows]
    if driven:
        columns[KIND] = _kinds(path, columns, driven)
    notes: tuple[str, ...] = ()
    if KIND in columns and len(set(columns[KIND])) == 1:
        notes = (f"All appraisers are of one kind, {columns[KIND][0]!r}.",)
    return Trials(columns | {"value": numbers}, value, str(path), [line for line, _ in rows], notes)


def table_rows(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Headings, and the cells of each row that says something with the number of its line."""
    text = read_text(path, most=LARGEST_BYTES, what="table of trials")
    # Blanked instead of dropped, so that the numbers of lines stay those of the file.
    lines = ["" if line.startswith(REMARK) else line for line in text.splitlines()]
    first = next((line for line in lines if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(lines, delimiter=delimiter)
    try:
        table = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as problem:
        raise InputError(f"{path}, line {reader.line_num}: not a table ({problem})") from None
    if len(table) < 2:
        raise InputError(f"{path}: found {len(table)} lines, expected headings and rows below them")
    headings = [cell.strip() for cell in table[0][1]]
    doubled = {name for name in headings if headings.count(name) > 1}
    if doubled:
        raise InputError(f"{path}, headings: more than one column {', '.join(sorted(doubled))}")
    for line, cells in table[1:]:
        if len(cells) != len(headings):
            raise InputError(
                f"{path}, line {line}: found {len(cells)} cells, expected {len(headings)} as in the headings"
                + (" (a decimal comma needs ';' between cells)" if delimiter == "," else "")
            )
    return headings, table[1:]


def _column_of_values(path: Path, headings: Sequence[str], value: str | None) -> str:
    others = [name for name in headings if name not in (*NAMES, KIND)]
    if value is not None:
        refuse_old_name("--value", value)
    for name in others:
        refuse_old_name(f"{path}, headings", name)
    if value is None and len(others) == 1:
        return others[0]
    if value not in others:
        found = ", ".join(others) or "none"
        asked = "not said which column holds the values" if value is None else f"no column {value!r:.40}"
        raise InputError(f"{path}, headings: {asked}; found {found}; write one of these after --value")
    return str(value)


def read_number(text: str, where: str) -> float:
    """A number as a spreadsheet writes it, with a point or a comma.

    Raises
    ------
    InputError
        If it is none.
    """
    plain = text.strip()
    if "," in plain and "." not in plain:
        plain = plain.replace(",", ".", 1)
    if not _NUMBER.fullmatch(plain):
        raise InputError(f"{where}: found {text.strip()!r:.40}, expected a number such as 1.5")
    return float(plain)


def _kinds(path: Path, columns: dict[str, list[str]], driven: Sequence[str]) -> list[str]:
    if KIND in columns:
        raise InputError(f"--driven: {path} has a column 'kind' that says it; leave the option out")
    unknown = sorted(set(driven) - set(columns["appraiser"]))
    if unknown:
        known = ", ".join(dict.fromkeys(columns["appraiser"]))
        raise InputError(f"--driven: no appraiser {', '.join(unknown)} in {path}; found {known}")
    return [DRIVEN if name in driven else HAND for name in columns["appraiser"]]
