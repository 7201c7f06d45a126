"""`pressrig captures`: what has been recorded."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.options import DEFAULT_FOLDER
from rig.cli.output import console, is_plain, json_option, print_json, say


@click.command("captures")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default=DEFAULT_FOLDER)
@json_option
def command(folder: Path, *, as_json: bool) -> None:
    """List the captures of FOLDER, oldest first."""
    from rig.capture import list_captures

    found = list_captures(folder)
    if as_json:
        print_json({"captures": [_entry(each) for each in found]})
        return
    if not found:
        say(f"No capture in {folder}. Make one: pressrig demo")
        return
    from rich import box
    from rich.table import Table

    table = Table(box=None if is_plain() else box.SIMPLE_HEAD)
    for heading in ("started", "specimen", "batch", "samples", "length", "ended", "folder"):
        table.add_column(heading, justify="right" if heading in ("samples", "length") else "left")
    for each in found:
        entry = _entry(each)
        length = "" if each.duration_s is None else f"{each.duration_s:.1f} s"
        cells = [entry["started"], entry["specimen"], entry["batch"], entry["samples"], length]
        ended = each.problem or each.how_it_ended
        table.add_row(*("" if cell is None else str(cell) for cell in cells), ended, str(each.path))
    console().print(table)


def _entry(summary: object) -> dict[str, object]:
    names = ("path", "id", "started", "specimen", "batch", "samples", "duration_s", "how_it_ended", "problem")
    entry = {name: getattr(summary, name) for name in names}
    return entry | {
        "path": str(entry["path"]),
        "started": None if entry["started"] is None else f"{entry['started']:%Y-%m-%d %H:%M:%S}",
    }
