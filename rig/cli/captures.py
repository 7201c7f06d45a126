"""`pressrig captures`: what has been recorded."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli.options import DEFAULT_FOLDER, FOLDER, workers_asked, workers_options
from rig.cli.output import console, framed_table, json_option, print_json, progress, say, say_exactly
from rig.errors import InputError
from rig.results import archive_table, column_values, selected

if TYPE_CHECKING:
    import pyarrow as pa

USUAL = ("started", "specimen", "batch", "state", "samples", "duration_s", "how_it_ended")

MOST_FRAMED = 200
"""Rows of a framed table; laying out ten thousand takes many seconds."""


@click.command("captures")
@click.argument("folder", type=FOLDER, default=DEFAULT_FOLDER)
@click.option(
    "--where", metavar="CONDITION",
    help="Show only these, 'batch == \"spring mould\" and hysteresis_pct > 20'; see `pressrig guide "
            "captures`.",
)  # fmt: skip
@click.option(
    "--sort", metavar="COLUMNS", help='Sort order, "batch,-peak_force_n"; a minus sign reverses it.'
)
@click.option(
    "--columns", metavar="LIST", help='Columns to show, "specimen,secant_n_per_mm"; --json has all of them.'
)
@click.option("--measure", is_flag=True, help="Measure captures that have no key figures yet.")
@workers_options
@json_option
def command(
    folder: Path, *, where: str | None, sort: str | None, columns: str | None, measure: bool, as_json: bool
) -> None:
    """List the captures in FOLDER and its subfolders, oldest first.

    Key figures appear for captures that `pressrig analyse CAPTURE` has measured without options.
    """
    table = archive_table(folder, workers=workers_asked() if measure else None, progress=progress)
    found = selected(table, where=where, sort=sort or "started")
    if as_json:
        print_json({"captures": _entries(folder, found, found.column_names)})
    elif not len(table):
        say(f"No capture in {folder}. Make one: pressrig demo")
    elif not len(found):
        say(f"None of the {len(table)} captures in {folder} match --where.")
    else:
        _print(folder, found, _shown(found, where, sort, columns))


def _entries(folder: Path, table: pa.Table, names: Sequence[str]) -> list[dict[str, Any]]:
    """One mapping per capture: its path, and some columns."""
    lists = {name: column_values(table, name) for name in names}
    if "started" in lists:
        lists["started"] = [None if at is None else f"{at:%Y-%m-%d %H:%M:%S}" for at in lists["started"]]
    paths = [str(folder / name) for name in column_values(table, "capture")]
    return [
        {"path": path} | dict(zip(lists, values, strict=True))
        for path, *values in zip(paths, *lists.values(), strict=True)
    ]


def _shown(table: pa.Table, where: str | None, sort: str | None, columns: str | None) -> list[str]:
    """Return the columns that were asked for; else the usual ones, and those that a question names."""
    if columns is not None:
        chosen = [name.strip() for name in columns.split(",") if name.strip()]
        for name in chosen:
            if name not in table.column_names:
                raise InputError(
                    f"--columns: no column {name!r:.60}; expected some of {', '.join(table.column_names)}"
                )
        return chosen
    named = re.findall(r"\w+", f"{where} {sort}")
    having = [name for name in USUAL if name in USUAL[:3] or table[name].null_count < len(table)]
    return list(dict.fromkeys([*having, *(name for name in named if name in table.column_names)]))


def _print(folder: Path, table: pa.Table, shown: list[str]) -> None:
    entries = _entries(folder, table, [*shown, "left_out", "problem"])
    for entry in entries if "how_it_ended" in shown else ():
        if entry["left_out"] is not None:
            entry["how_it_ended"] = f"{entry['how_it_ended']}; left out: {entry['left_out']}"
        entry["how_it_ended"] = entry["problem"] or entry["how_it_ended"]
    heads = [*(name.replace("how_it_ended", "ended") for name in shown), "folder"]
    rows = [[*(_cell(entry[name]) for name in shown), entry["path"]] for entry in entries]
    numbers = [any(isinstance(entry[name], int | float) for entry in entries) for name in shown] + [False]
    if len(rows) > MOST_FRAMED:
        widths = [max(map(len, cells)) for cells in zip(heads, *rows, strict=True)]
        say_exactly("\n".join(
            "  ".join(
                cell.rjust(width) if number else cell.ljust(width)
                for cell, width, number in zip(row, widths, numbers, strict=True)
            ).rstrip()
            for row in (heads, *rows)
        ))  # fmt: skip
        return
    framed = framed_table()
    for head, number in zip(heads, numbers, strict=True):
        framed.add_column(head, justify="right" if number else "left")
    for row in rows:
        framed.add_row(*row)
    console().print(framed)


def _cell(value: Any) -> str:
    return "" if value is None else f"{value:.4g}" if isinstance(value, float) else str(value)
