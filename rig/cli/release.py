"""`pressrig release`: clears a latched stop and takes the platen slowly away."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.options import read_quantity
from rig.cli.ordering import meant_rig, order_through_daemon
from rig.cli.output import say
from rig.cli.performing import perform_alone
from rig.errors import InputError
from rig.jobs.cautions import RELEASE_CAUTIONS
from rig.jobs.orders import ReleaseOrder
from rig.jobs.releasing import ReleaseJob
from rig.rigfile import read_rig_file

MOVING_QUESTION = "Do you see the platen, is no one trapped, and can no one be hurt if it moves?"
CURRENT_QUESTION = "Do you see the platen, and can it hurt no one if it falls or is pushed?"
CURRENT_CAUTION = (
    "without current the motor holds nothing: a platen that its screw does not hold falls. The motor still "
    "has its supply: before you put a hand in, switch the motor supply off and lock it"
)


@click.command("release")
@click.option("--rig", "rig_file", required=True, type=click.Path(path_type=Path), help="The rig file.")
@click.option("--port", metavar="PATH", help="Port to open instead of the rig file's.")
@click.option(
    "--away",
    default="10 mm",
    show_default=True,
    metavar="Q",
    help="Distance to move away, as far as the travel allows.",
)
@click.option(
    "--current",
    is_flag=True,
    help="Move nothing; take the motor's current away, so that the platen can be pushed by hand.",
)
@click.option("--i-see-the-platen", "seen", is_flag=True, help="Confirm without being asked.")
def command(rig_file: Path, *, port: str | None, away: str, current: bool, seen: bool) -> None:
    """Release a part after a trip: clear the stop, and move the platen away slowly.

    If a person is trapped, press the emergency stop first: this command moves the platen with its motor.
    Someone must watch the platen and confirm it. Find and remove the cause of the stop first.
    """
    rig = read_rig_file(rig_file)
    if rig.limits is None:
        raise InputError(f"{rig_file}: no `drive:` section, so its platen cannot move by itself")
    away_mm = read_quantity("--away", away, "mm")
    assert away_mm is not None
    for caution in (CURRENT_CAUTION,) if current else RELEASE_CAUTIONS:
        say(f"caution: {caution}", err=True)
    if not seen:
        _ask(CURRENT_QUESTION if current else MOVING_QUESTION)
    order = ReleaseOrder(confirmed=True, away_mm=away_mm, current=current)
    code = order_through_daemon(meant_rig(rig, port), order)
    if code is None:
        job = ReleaseJob(order, rig.limits)
        say(perform_alone(rig, port, Path(), lambda reader: job).reason)
        code = 0
    raise click.exceptions.Exit(code)


def _ask(question: str) -> None:
    try:
        confirmed = click.confirm(question, default=False, err=True)
    except click.Abort:  # no person is there to answer
        confirmed = False
    if not confirmed:
        raise InputError("not confirmed, so nothing moved")
