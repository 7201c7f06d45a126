"""Tables for the terminal; plain columns of text when they are piped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from rich import box
from rich.table import Table

from rig.analyser import Budget, CaptureResult, MonteCarlo, flag_labels
from rig.core import counted, quantity, rounded
from rig.sheets.page import PageTable

SHOWN_CYCLES = 12
"""Longer runs show their first and last cycles, and say where all are."""

KEY_FORCE, KEY_DEPTH = "at 25%.loading_n", "25 % compression"
"""The force that says most of a part: at a depth that is stated, not at each capture's own peak."""

KEY_QUANTITIES = (
    "secant_n_per_mm",
    "peak_force_n",
    "energy_absorbed_mj",
    "hysteresis_pct",
    "set_mm",
)
"""The five figures that open an analysis."""

_CYCLE_COLUMNS = (
    "peak_deflection_mm",
    "peak_force_n",
    "secant_n_per_mm",
    "energy_absorbed_mj",
    "hysteresis_pct",
    "set_mm",
)

BUDGETED = (
    "peak_force_n",
    "peak_deflection_mm",
    "secant_n_per_mm",
    "tangent_n_per_mm",
    "energy_absorbed_mj",
    "hysteresis_pct",
    "set_mm",
)
"""Quantities whose budget is shown; JSON holds all."""

NEGLIGIBLE = 0.01


_HEADINGS = {
    "tangent_n_per_mm": "tangent",
    "peak_deflection_mm": "deflection",
    "peak_force_n": "force",
    "secant_n_per_mm": "secant",
    "energy_absorbed_mj": "energy",
    "hysteresis_pct": "hysteresis",
    "set_mm": "set",
}


def cycle_table(result: CaptureResult, title: str, *, plain: bool) -> Table:
    """Return the main quantities of each cycle, rounded to their uncertainties."""
    headings = (f"{_HEADINGS[name]}\n{quantity(name).unit}" for name in _CYCLE_COLUMNS)
    table = empty_table(title, numbers=("cycle", *headings), remarks=("flags",), plain=plain)
    count = len(result)
    head, tail = SHOWN_CYCLES // 2, count - SHOWN_CYCLES // 2
    if count <= SHOWN_CYCLES:
        _add_cycles(table, result, slice(0, count))
        return table
    _add_cycles(table, result, slice(0, head))
    left_out = f"{tail - head} cycles not shown: --out FOLDER or --json gives all"
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


def answer_sentence(result: CaptureResult, specimen: str) -> str:
    """Return what a capture says in a sentence or two; empty without a counted cycle.

    The force at a stated depth comes first where the cycles reach it: a stiffness at each capture's own peak
    would make a part that was pressed less deeply look softer.
    """
    peak, secant = (result.summary.get(name, {"n": 0}) for name in ("peak_force_n", "secant_n_per_mm"))
    if not peak["n"] or not secant["n"]:
        return ""
    # where the force falls before the turn, the peak force lies at less than the peak deflection
    reach = result.summary["deflection_at_peak_force_mm"]
    at_peak = (
        f"{rounded(peak['mean'], peak['half95'] / 2)} N at a deflection of "
        f"{rounded(reach['mean'], reach['half95'] / 2)} mm"
    )
    stiffness, interval = _with_interval(secant, "N/mm")
    key = result.summary.get(KEY_FORCE, {"n": 0})
    if key["n"]:
        force, of_force = _with_interval(key, "N")
        # a part that takes set is pressed that deep in its first cycles only, which are its stiffest
        mean = f"mean of {_cycles(key['n'])}"
        if key["n"] < secant["n"]:
            mean = f"mean of the {key['n']:.0f} of {_cycles(secant['n'])} in which it could be read"
        return (
            f"{specimen}: {force} at {KEY_DEPTH}{of_force}; {mean}. Secant stiffness at "
            f"the peak: {stiffness}, from {at_peak}."
        )
    return (
        f"{specimen}: secant stiffness {stiffness}{interval}, from {at_peak}; mean of {_cycles(secant['n'])}."
    )


def _with_interval(entry: Mapping[str, Any], unit: str) -> tuple[str, str]:
    """Return a mean with its unit, and its 95 % interval in brackets; the latter empty where unknown."""
    mean, half = entry["mean"], entry["half95"]
    value = f"{rounded(mean, half / 2)} {unit}"
    if not math.isfinite(half):
        return value, ""
    low, high = (rounded(edge, half / 2) for edge in (mean - half, mean + half))
    return value, f" (95 % interval {low} to {high} {unit})"


def _cycles(count: float) -> str:
    return counted(round(count), "cycle")


def key_table(result: CaptureResult, *, plain: bool) -> Table:
    """Return the five figures that open an analysis, with their 95 % intervals."""
    table = empty_table(None, ("quantity", "unit"), ("mean", "+- (95 %)"), plain=plain)
    for name in KEY_QUANTITIES:
        entry = result.summary.get(name, {"n": 0})
        # set counts from the first cycle, whose own is zero by definition
        if entry["n"] > (name == "set_mm"):
            shown = quantity(name)
            half = entry["half95"]
            table.add_row(shown.title, shown.unit, rounded(entry["mean"], half / 2), rounded(half, half / 2))
    return table


def summary_table(result: CaptureResult, title: str, *, plain: bool) -> Table:
    """Return means over the counted cycles, with intervals, spread, and the uncertainty of one cycle."""
    numbers = ("mean", "+- (95 %)", "sd", "n", "u of a cycle")
    table = empty_table(title, ("quantity", "unit"), numbers, plain=plain)
    for name in result.quantities():
        entry = result.summary[name]
        if not entry["n"] or (name == "hold_s" and entry["mean"] == 0):
            continue
        shown = quantity(name)
        known = np.sort(result.columns[f"{name}_u"])
        known = known[np.isfinite(known)]
        u = float(known[len(known) // 2]) if len(known) else math.nan  # of a typical cycle
        # cycles that agree to rounding still show no more digits than a tenth of their uncertainty
        known_u = u if math.isfinite(u) and u > 0 else 0.0
        spread = max(entry["sd"], known_u / 10) if math.isfinite(entry["sd"]) else known_u
        table.add_row(
            shown.title,
            shown.unit,
            rounded(entry["mean"], min(spread, u) if math.isfinite(u) and u > 0 else spread),
            rounded(entry["half95"], entry["half95"] / 2),
            rounded(entry["sd"], spread),
            str(entry["n"]),
            rounded(u, u),
        )
    return table


def budget_table(found: Budget, title: str, *, plain: bool) -> Table:
    """Return what each source contributes to the main quantities of one cycle, the largest marked."""
    names = [name for name in BUDGETED if name in found.names]
    columns = [found.names.index(name) for name in names]
    headings = [f"{_HEADINGS.get(name, name)}\n{quantity(name).unit}" for name in names]
    table = empty_table(title, ("standard uncertainty from",), headings, plain=plain)
    largest = found.parts.argmax(axis=0)
    for row, source in enumerate(found.sources):
        cells = [
            _part(float(found.parts[row, column]), float(found.u[column]), marked=largest[column] == row)
            for column in columns
        ]
        table.add_row(source, *cells)
    table.add_row("combined u", *[rounded(found.u[column], found.u[column]) for column in columns])
    table.add_row("+- (95 %)", *[rounded(half, half) for half in found.half95[columns].tolist()])
    table.add_row("value", *[rounded(found.value[column], found.u[column]) for column in columns])
    return table


def _part(part: float, u: float, *, marked: bool) -> str:
    """Return a contribution; a dash where it is below a hundredth of the whole."""
    if not part > NEGLIGIBLE * u:
        return "-"
    return f"{'* ' if marked else ''}{rounded(part, part)}"


def monte_carlo_table(found: MonteCarlo, title: str, *, plain: bool) -> Table:
    """Propagated uncertainties beside those of the draws."""
    stated = found.budget
    headings = ("value", "u", "u drawn", "+- (95 %)", "95 % of draws from", "to")
    table = empty_table(title, ("quantity", "unit"), headings, plain=plain)
    for name in (name for name in BUDGETED if name in stated.names):
        at = stated.names.index(name)
        u, half = float(stated.u[at]), float(stated.half95[at])
        shown = quantity(name)
        numbers = [
            rounded(stated.value[at], u),
            rounded(u, u),
            rounded(found.rms[at], u),
            rounded(half, half),
            rounded(found.low[at], u),
            rounded(found.high[at], u),
        ]
        table.add_row(shown.title, shown.unit, *numbers)
    return table


def empty_table(
    title: str | None,
    words: Iterable[str] = (),
    numbers: Iterable[str] = (),
    remarks: Iterable[str] = (),
    *,
    plain: bool,
) -> Table:
    """Return an empty table that leaves its width to the numbers.

    Parameters
    ----------
    words, numbers, remarks
        Headings of its columns: of text on the left, of numbers, and of text on the right.
    """
    table = Table(
        title=title,
        box=None if plain else box.SIMPLE_HEAD,
        title_justify="left",
        pad_edge=False,
        collapse_padding=not plain,
    )
    for heading in words:
        table.add_column(heading)
    for heading in numbers:
        table.add_column(heading, justify="right")
    for heading in remarks:
        table.add_column(heading)
    return table


def rich_table(cells: PageTable, *, plain: bool) -> Table:
    """Return a table of a page for the terminal: the first column is text, the others are numbers."""
    table = empty_table(cells.caption, cells.headings[:1], cells.headings[1:], plain=plain)
    for row in cells.rows:
        table.add_row(*row)
    return table
