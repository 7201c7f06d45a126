"""`pressrig verify clear`: a check standard was outside, and somebody knows why."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from rig.cli.options import rig_option
from rig.cli.output import say
from rig.errors import InputError
from rig.rigchecks import Clearing, read_checks
from rig.rigfile import read_rig_file

SHORTEST_REASON = 5
"""Letters; less is no reason."""


@click.command("clear")
@rig_option()
@click.option(
    "--reason", required=True, metavar="TEXT",
    help="Why the check standard was outside its limits, and what was done.",
)  # fmt: skip
@click.option("--by", required=True, metavar="NAME", help="Name of the person responsible for the entry.")
@click.option(
    "--new-baseline", is_flag=True, help="Start new charts, because the rig or a check standard has changed."
)
def command(*, rig_file: Path, reason: str, by: str, new_baseline: bool) -> None:
    """Clear the warning that recordings start with. The reading and your reason stay in the chart."""
    read_rig_file(rig_file)
    if len(reason.strip()) < SHORTEST_REASON:
        raise InputError(f"--reason: found {reason!r}, expected what was found and done")
    if not by.strip():
        raise InputError("--by: found nothing, expected a name")
    log = read_checks(rig_file)
    outside = log.outside()
    if not outside and not new_baseline:
        raise InputError(f"{log.path}: no check standard is outside its limits, so there is nothing to clear")
    log.add(Clearing(datetime.now().astimezone(), by.strip(), reason.strip(), new_baseline))
    say(f"{len(outside)} readings outside the limits are cleared; the reason is kept in {log.path.name}")
    if new_baseline:
        say("New charts start with the next reading.")
