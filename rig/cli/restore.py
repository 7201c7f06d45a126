"""`pressrig restore`: take back into results what `pressrig exclude` has left out."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.amend import by_option, reason_option
from rig.cli.capture_arguments import captures_argument
from rig.cli.exclude import cycles_option, record_choice


@click.command("restore")
@captures_argument(once=False)
@cycles_option
@reason_option
@by_option
def command(captures: tuple[Path, ...], *, cycles: str | None, reason: str, by: str) -> None:
    """Take CAPTURES, or some of their cycles, back into results."""
    record_choice(captures, "restored", cycles, reason=reason, by=by)
