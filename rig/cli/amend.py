"""`pressrig amend`: mend a capture's header by a dated record; the recording stays as it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.capture import add_amendment, open_capture
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import read_conditions, read_quantity
from rig.cli.output import say
from rig.errors import InputError

reason_option = click.option("--reason", required=True, metavar="TEXT", help="Reason, kept with the record.")
by_option = click.option("--by", default="", metavar="NAME", help="Your name, kept with the record.")


@click.command("amend")
@captures_argument(once=False)
@click.option("--specimen", metavar="NAME", help="Name of the specimen.")
@click.option("--batch", metavar="NAME", help="Name of its batch.")
@click.option("--free-height", metavar="Q", help='Free height, "90 mm".')
@click.option("--area", metavar="Q", help='Loaded area, "3000 mm^2".')
@click.option("--operator", metavar="NAME", help="Name of the operator.")
@click.option("--note", metavar="TEXT", help="Text to add to the notes.")
@click.option("--state", metavar="WORD", help="State of the piece: new, conditioned, abused or worn.")
@click.option(
    "--condition", "conditions", multiple=True, metavar="NAME=VALUE",
    help='Temperature, orientation and so on, "temperature=21 degC"; repeatable.',
)  # fmt: skip
@reason_option
@by_option
def command(
    captures: tuple[Path, ...],
    *,
    specimen: str | None,
    batch: str | None,
    free_height: str | None,
    area: str | None,
    operator: str | None,
    note: str | None,
    state: str | None,
    conditions: tuple[str, ...],
    reason: str,
    by: str,
) -> None:
    """Correct or complete the header of CAPTURES.

    Each correction is a dated record in the capture's folder. The original header is kept, every command
    reads the amended one, and `pressrig show` lists the records.
    """
    fields: dict[str, Any] = {
        "specimen": specimen,
        "batch": batch,
        "free_height_mm": read_quantity("--free-height", free_height, "mm"),
        "area_mm2": read_quantity("--area", area, "mm^2"),
        "operator": operator,
        "notes": note,
        "conditions": read_conditions(conditions) | ({"state": state} if state else {}) or None,
    }
    fields = {name: value for name, value in fields.items() if value is not None}
    if not fields:
        raise InputError("amend: give what to change, such as --batch or --free-height")
    opened = [open_capture(path) for path in captures]
    for capture in opened:
        record = add_amendment(capture.path, capture.header, "amended", reason=reason, by=by, fields=fields)
        say(f"{capture.path}: {record.sentence}")
