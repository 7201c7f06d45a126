"""`pressrig amend`: mend a capture's header by a dated record; the recording stays as it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.capture import add_amendment, open_capture
from rig.capture.amendments import AMENDABLE
from rig.cli.capture_arguments import captures_argument
from rig.cli.options import condition_option, quantity_option
from rig.cli.output import say
from rig.errors import InputError

reason_option = click.option("--reason", required=True, metavar="TEXT", help="Reason, kept with the record.")
by_option = click.option("--by", default="", metavar="NAME", help="Your name, kept with the record.")


@click.command("amend")
@captures_argument(once=False)
@click.option("--specimen", metavar="NAME", help="Name of the specimen.")
@click.option("--batch", metavar="NAME", help="Name of its batch.")
@quantity_option("--free-height", "free_height_mm", 'Free height, "90 mm".')
@quantity_option("--area", "area_mm2", 'Loaded area, "3000 mm^2".')
@click.option("--operator", metavar="NAME", help="Name of the operator.")
@click.option("--note", "notes", metavar="TEXT", help="Text to add to the notes.")
@click.option("--state", metavar="WORD", help="State of the piece: new, conditioned, abused or worn.")
@condition_option()
@reason_option
@by_option
def command(
    captures: tuple[Path, ...],
    *,
    state: str | None,
    conditions: dict[str, str],
    reason: str,
    by: str,
    **given: Any,
) -> None:
    """Correct or complete the header of CAPTURES.

    Each correction is a dated record in the capture's folder. The original header is kept, every command
    reads the amended one, and `pressrig show` lists the records.
    """
    given["conditions"] = conditions | ({"state": state} if state else {}) or None
    fields = {name: given[name] for name in AMENDABLE if given[name] is not None}
    if not fields:
        raise InputError("amend: give what to change, such as --batch or --free-height")
    opened = [open_capture(path) for path in captures]
    for capture in opened:
        record = add_amendment(capture.path, capture.header, "amended", reason=reason, by=by, fields=fields)
        say(f"{capture.path}: {record.sentence}")
