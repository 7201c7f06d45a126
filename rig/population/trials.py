"""A table of trials put in order: every piece measured by every appraiser, equally often.

Problem: the arithmetic of a gauge study holds for complete tables only, and a table typed by hand has gaps,
doubles and slips. Plan: put the values into a block of pieces by appraisers by trials, and refuse in words
that name the cell whatever does not fill it. Cost: one pass over the rows.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray

COLUMNS = ("piece", "appraiser", "trial", "value")
KIND = "kind"

MOST_VALUES = 1_000_000
"""More values than anybody measures; a table of this length is another table."""

Cell = tuple[str, str]


@dataclass(frozen=True, slots=True)
class TrialTable:
    """A complete table of trials.

    `pieces`, `appraisers`: names, in the order in which they first appear.
    `measured`: values, shape (pieces, appraisers, trials); read-only. Trials of a cell are in the order of
    their numbers, or of the rows where they have names.
    `kinds`: what kind each appraiser is ("hand", "driven"); empty if not stated.
    """

    pieces: tuple[str, ...]
    appraisers: tuple[str, ...]
    measured: FloatArray
    kinds: tuple[str, ...] = ()

    @property
    def trials(self) -> int:
        """How often each appraiser measured each piece."""
        return int(self.measured.shape[2])

    def by_kind(self, kind: str) -> TrialTable:
        """Return the part of one kind of appraisers.

        Raises InputError if there is none of that kind.
        """
        picked = [place for place, own in enumerate(self.kinds) if own == kind]
        if not picked:
            known = ", ".join(sorted(set(self.kinds))) or "none"
            raise InputError(f"kind: no appraiser is {kind!r}; found {known}")
        return TrialTable(
            self.pieces,
            tuple(self.appraisers[place] for place in picked),
            _kept(self.measured[:, picked]),
            tuple(self.kinds[place] for place in picked),
        )


def arrange_trials(table: Any, *, where: str = "table", rows: Sequence[int] | None = None) -> TrialTable:
    """Put a table of trials in order.

    Parameters
    ----------
    table
        A data frame or mapping with the columns `piece`, `appraiser`, `trial` and `value`, each of shape
        (n,); a column `kind` may say what kind of appraiser each row's is.
    where
        Names the table in a refusal.
    rows
        Number of each row in its file, for refusals; None to count from 1.

    Raises
    ------
    InputError
        If a column or a value is missing, a trial appears twice, or the cells are not all filled equally.
        The message names the row or the cell.

    Examples
    --------
    >>> table = {"piece": ["a", "a", "b", "b"], "appraiser": ["rig"] * 4, "trial": [1, 2, 1, 2],
    ...          "value": [4.1, 4.2, 5.0, 5.1]}
    >>> arrange_trials(table).measured.shape
    (2, 1, 2)
    """
    columns = {
        name: table_column(table, name, where) for name in (*COLUMNS, KIND) if name != KIND or KIND in table
    }
    count = len(columns["value"])
    lengths = {name: len(column) for name, column in columns.items()}
    if len(set(lengths.values())) > 1:
        raise InputError(f"{where}: columns of unequal length, {lengths}; expected one entry per row in each")
    if not 0 < count <= MOST_VALUES:
        raise InputError(f"{where}: found {count} rows, expected 1 to {MOST_VALUES}")
    lines = range(1, count + 1) if rows is None else rows
    names = [[str(column).strip() for column in columns[name]] for name in COLUMNS[:3]]
    values = finite_values(columns["value"], lines, where)
    cells: dict[Cell, dict[str, float]] = {}
    for piece, appraiser, trial, value, line in zip(*names, values.tolist(), lines, strict=True):
        for name, found in zip(COLUMNS, (piece, appraiser, trial), strict=False):
            if not found or found == "nan":
                raise InputError(f"{where}, row {line}: {name} is empty; expected a name or a number")
        filled = cells.setdefault((piece, appraiser), {})
        if trial in filled:
            raise InputError(
                f"{where}, row {line}: piece {piece!r}, appraiser {appraiser!r}, trial {trial!r} "
                "appears twice; each trial is one row"
            )
        filled[trial] = value
    pieces, appraisers = (tuple(dict.fromkeys(column)) for column in names[:2])
    _refuse_gaps(cells, pieces, appraisers, where)
    block = [[_in_order(cells[piece, appraiser]) for appraiser in appraisers] for piece in pieces]
    kinds = _kinds(columns[KIND], names[1], appraisers, where) if KIND in columns else ()
    return TrialTable(pieces, appraisers, _kept(np.array(block, float)), kinds)


def table_column(table: Any, name: str, where: str) -> Sequence[Any]:
    """Return a column of a data frame or mapping; InputError, with the columns that there are, without it."""
    if name not in table:
        found = ", ".join(str(heading) for heading in table) or "none"
        raise InputError(f"{where}: column '{name}' is missing; found {found}")
    return list(table[name])


def finite_values(column: Sequence[Any], lines: Sequence[int], where: str) -> FloatArray:
    """Return a column as numbers, shape (n,); InputError, with the row, where one is not finite."""
    values = np.empty(len(column))
    for place, (found, line) in enumerate(zip(column, lines, strict=True)):
        try:
            values[place] = float(found)
        except (TypeError, ValueError):
            values[place] = np.nan
        if not np.isfinite(values[place]):
            raise InputError(f"{where}, row {line}: value {found!r:.40} is not a finite number")
    return values


def _refuse_gaps(
    cells: Mapping[Cell, Mapping[str, float]], pieces: Iterable[str], appraisers: Iterable[str], where: str
) -> None:
    """Refuse a table of unequally filled cells, naming the first that has fewer or more than most."""
    # how often most cells were measured: whatever differs from it is named
    usual = Counter(len(cell) for cell in cells.values()).most_common(1)[0][0]
    labels = Counter(label for cell in cells.values() for label in cell)
    for appraiser in appraisers:
        for piece in pieces:
            found = cells.get((piece, appraiser), {})
            if len(found) == usual:
                continue
            about = f"{where}: piece {piece!r}, appraiser {appraiser!r}"
            if not found:
                raise InputError(f"{about}: no trial at all; expected {usual}, as in the other cells")
            lacking = [label for label in labels if label not in found]
            which = f" (no trial {', '.join(lacking[:3])})" if len(found) < usual and lacking else ""
            raise InputError(
                f"{about}: {len(found)} trials{which}; expected {usual}, as in most other cells. Measure "
                "what is missing, or leave out the piece, appraiser or trial everywhere"
            )


def _in_order(trials: Mapping[str, float]) -> list[float]:
    """Return the values of a cell by the numbers of its trials; as they came where the trials have names."""
    try:
        numbered = sorted((float(label), value) for label, value in trials.items())
    except ValueError:
        return list(trials.values())
    return [value for _, value in numbered]


def _kinds(
    column: Sequence[Any], rows: Sequence[str], appraisers: Sequence[str], where: str
) -> tuple[str, ...]:
    kinds: dict[str, str] = {}
    for appraiser, found in zip(rows, column, strict=True):
        # an empty cell of a data frame is not-a-number
        kind = "" if (words := str(found).strip()) == "nan" else words
        if kinds.setdefault(appraiser, kind) != kind:
            raise InputError(
                f"{where}: appraiser {appraiser!r} is of kind {kinds[appraiser]!r} and of kind {kind!r}; "
                "expected one kind for each"
            )
    return tuple(kinds[appraiser] for appraiser in appraisers)


def _kept(values: FloatArray) -> FloatArray:
    values.setflags(write=False)
    return values
