"""Tables for the terminal; plain columns of text when they are piped."""

from __future__ import annotations

import math

import numpy as np
from rich import box
from rich.table import Table

from rig.analyser import CaptureResult, flag_labels
from rig.sheets.quantities import quantity

SHOWN_CYCLES = 12
"""Longer runs show their first and last cycles, and say where all are."""

_CYCLE_COLUMNS = (
    "contact_at_force_mm",
    "peak_deflection_mm",
    "peak_force_n",
    "secant_n_per_mm",
    "energy_in_mj",
    "hysteresis_pct",
    "set_mm",
)

_HEADINGS = {
    "contact_at_force_mm": "contact",
    "peak_deflection_mm": "deflection",
    "peak_force_n": "force",
    "secant_n_per_mm": "secant",
    "energy_in_mj": "work in",
    "hysteresis_pct": "hysteresis",
    "set_mm": "set",
}


def cycle_table(result: CaptureResult, title: str, *, plain: bool) -> Table:
    """The main quantities of each cycle, rounded to their uncertainties.

    Parameters
    ----------
    plain
        Without lines, for a pipe.
    """
    table = empty_table(title, plain=plain)
    table.add_column("cycle", justify="right")
    for name in _CYCLE_COLUMNS:
        table.add_column(f"{_HEADINGS[name]}\n{quantity(name).unit}", justify="right")
    table.add_column("left out")
    count = len(result)
    head, tail = SHOWN_CYCLES // 2, count - SHOWN_CYCLES // 2
    if count <= SHOWN_CYCLES:
        _add_cycles(table, result, slice(0, count))
        return table
    _add_cycles(table, result, slice(0, head))
    left_out = f"{tail - head} cycles in between: all with --out FOLDER or --json"
    table.add_row("...", *[""] * len(_CYCLE_COLUMNS), left_out)
    _add_cycles(table, result, slice(tail, count))
    return table


def _add_cycles(table: Table, result: CaptureResult, rows: slice) -> None:
    columns = result.rows(rows)
    for row, number in enumerate(columns.get("cycle", ())):
        cells = [rounded(columns[name][row], columns[f"{name}_u"][row]) for name in _CYCLE_COLUMNS]
        why = ", ".join(flag_labels(int(columns["flags"][row])))
        if not why and number <= result.settings.conditioning:
            why = "conditioning"
        table.add_row(str(int(number)), *cells, why)


def summary_table(result: CaptureResult, title: str, *, plain: bool) -> Table:
    """Mean and standard deviation over the cycles that count, with the uncertainty of a single one."""
    table = empty_table(title, plain=plain)
    table.add_column("quantity")
    table.add_column("unit")
    for heading in ("mean", "sd", "n", "u of one"):
        table.add_column(heading, justify="right")
    for name in result.quantities():
        entry = result.summary[name]
        if not entry["n"] or (name == "dwell_s" and entry["mean"] == 0):
            continue
        shown = quantity(name)
        u = _typical(result, name)
        # cycles that agree to rounding still show no more digits than a tenth of their uncertainty
        known_u = u if math.isfinite(u) and u > 0 else 0.0
        spread = max(entry["sd"], known_u / 10) if math.isfinite(entry["sd"]) else known_u
        table.add_row(
            shown.title,
            shown.unit,
            rounded(entry["mean"], min(spread, u) if math.isfinite(u) and u > 0 else spread),
            rounded(entry["sd"], spread),
            str(entry["n"]),
            rounded(u, u),
        )
    return table


def empty_table(title: str, *, plain: bool) -> Table:
    """An empty table that leaves its width to the numbers."""
    return Table(
        title=title,
        box=None if plain else box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
        collapse_padding=not plain,
    )


def _typical(result: CaptureResult, name: str) -> float:
    u = result.columns[f"{name}_u"]
    known = np.sort(u[np.isfinite(u)])
    return float(known[len(known) // 2]) if len(known) else math.nan


def rounded(value: float, u: float) -> str:
    """A number with as many digits as its uncertainty leaves two of.

    Examples
    --------
    >>> rounded(12.34567, 0.012)
    '12.346'
    >>> rounded(1234.567, 25.0)
    '1235'
    >>> rounded(float("nan"), 1.0)
    '-'
    """
    if not math.isfinite(value):
        return "-"
    if not math.isfinite(u) or u <= 0:
        return f"{value:.4g}"
    digits = max(1 - math.floor(math.log10(u)), 0)
    return f"{value:.{min(digits, 9)}f}"
