"""`pressrig specimens import`, `export` and `link`: tables in and out, and captures attached."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.capture import open_capture
from rig.cli.capture_arguments import captures_in
from rig.cli.options import DEFAULT_FOLDER, FILE, PATH
from rig.cli.output import json_option, print_json, say
from rig.cli.specimens_options import register_option, who_option
from rig.core import counted
from rig.errors import CaptureError, InputError
from rig.register import Register, SeenCapture, import_into, records_csv, specimens_csv
from rig.tables import read_table_text

LARGEST_TEXT = 64 << 20
"""Bytes of a table of specimens."""

if TYPE_CHECKING:
    from rig.capture import CaptureHeader


@click.command("import")
@click.argument("table", type=FILE)
@click.option("--another", is_flag=True, help="Similar ids are different pieces.")
@who_option
@register_option
def take_in(table: Path, *, another: bool, who: str | None, path: Path) -> None:
    """Read the pieces of TABLE (CSV), all or none.

    One row per piece: id, batch, model, drawing size, moulded, state, orientation, squeezed, notes, mass,
    size DIRECTION, their u, and measured. Put units in the headings, as in "mass (g)". A known piece gets
    only what is new. A whole history, as written by `export --history`, is read into a new register.
    """
    text = read_table_text(table, most=LARGEST_TEXT, known=lambda _: False).text
    with Register(path) as register:
        entered, written = import_into(register, text, str(table), another=another, who=who)
    say(f"{path}: {counted(entered, 'piece')} entered, {counted(written, 'record')} written")


@click.command("export")
@click.argument("table", type=FILE)
@click.option(
    "--history",
    is_flag=True,
    help="Write every record, one row each; `import` restores the register from it.",
)
@register_option
def give_out(table: Path, *, history: bool, path: Path) -> None:
    """Write TABLE (CSV): one row per piece with its present facts, or the whole history."""
    if table.exists():
        raise InputError(f"{table}: already exists; give another file")
    with Register(path, make=False) as register:
        text = records_csv(register.records()) if history else specimens_csv(register.specimens())
    table.write_text(text, encoding="utf-8")
    say(table)


@click.command("link")
@click.argument("captures", nargs=-1, type=PATH)
@click.option(
    "--add", "enter", is_flag=True, help="Enter pieces that are not in the register, with their batch."
)
@register_option
@json_option
def link(captures: tuple[Path, ...], *, enter: bool, path: Path, as_json: bool) -> None:
    """Attach captures to the pieces named in their headers.

    CAPTURES are captures, folders of captures and patterns; `captures` if none is given.

    An unknown specimen, a batch that differs from the register's, or a copy is reported and left alone; the
    exit code is then 1.
    """
    seen: list[SeenCapture] = []
    unread: list[tuple[str, str]] = []
    for capture in captures_in(captures or (DEFAULT_FOLDER,), once=False, leave_out=True).paths:
        try:
            seen.append(seen_capture(capture, open_capture(capture).header))
        except CaptureError as problem:
            unread.append((str(capture), str(problem)))
    with Register(path) as register:
        linked = register.link(seen, add=enter)
    conflicts = [(conflict.folder, conflict.why) for conflict in linked.conflicts] + unread
    if as_json:
        print_json(
            {
                "attached": [{"capture": where, "specimen": name} for where, name in linked.attached],
                "moved": linked.moved,
                "already": linked.already,
                "added": linked.added,
                "conflicts": [{"capture": where, "why": why} for where, why in conflicts],
            }
        )
    else:
        for where, name in linked.attached:
            say(f"{where}: attached to {name}")
        for where in linked.moved:
            say(f"{where}: was attached from another folder; now noted with this one")
        say(
            f"{len(linked.attached)} attached, {linked.already} were already, "
            f"{counted(len(linked.added), 'piece')} entered, {len(conflicts)} left alone"
        )
        for where, why in conflicts:
            say(f"left alone: {where}: {why}", err=True)
    if conflicts:
        raise click.exceptions.Exit(1)


def seen_capture(path: Path, header: CaptureHeader) -> SeenCapture:
    """Return what the register notes of a capture."""
    lay = header.conditions.get("orientation")
    return SeenCapture(
        header.id,
        str(path),
        header.specimen,
        header.batch,
        header.started.isoformat(timespec="seconds"),
        lay if isinstance(lay, str) and lay.strip() else None,
    )
