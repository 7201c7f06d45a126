"""`pressrig release`: clears a latched stop and takes the platen slowly away."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.attending import MOVING_QUESTION, confirmed
from rig.cli.options import port_option, quantity_option, rig_option
from rig.cli.ordering import meant_rig, order_through_daemon
from rig.cli.output import say
from rig.cli.performing import perform_alone
from rig.errors import InputError
from rig.jobs.cautions import RELEASE_CAUTIONS
from rig.jobs.orders import ReleaseOrder
from rig.jobs.releasing import ReleaseJob
from rig.rigfile import read_rig_file

CURRENT_QUESTION = "Can you see the platen, and is no one within its reach if it falls or is pushed?"
CURRENT_CAUTION = (
    "without current the motor holds nothing: a platen that its screw does not hold falls. The motor still "
    "has its supply: before you put a hand in, switch the motor supply off and lock it"
)


@click.command("release")
@rig_option()
@port_option()
@quantity_option("--away", "away_mm", "Distance to move away, as far as the travel allows.", default="10 mm")
@click.option(
    "--current", is_flag=True,
    help="Move nothing; take the motor's current away, so that the platen can be pushed by hand.",
)  # fmt: skip
@click.option("--i-see-the-platen", "seen", is_flag=True, help="Confirm without being asked.")
def command(rig_file: Path, *, port: str | None, away_mm: float, current: bool, seen: bool) -> None:
    """Release a part after a trip: clear the stop, and move the platen away slowly.

    If a person is trapped, press the emergency stop first: this command moves the platen with its motor.
    Someone must watch the platen and confirm it. Find and remove the cause of the stop first.
    """
    rig = read_rig_file(rig_file)
    if rig.limits is None:
        raise InputError(f"{rig_file}: no `drive:` section, so its platen cannot move by itself")
    for caution in (CURRENT_CAUTION,) if current else RELEASE_CAUTIONS:
        say(f"caution: {caution}", err=True)
    if not seen and not confirmed(CURRENT_QUESTION if current else MOVING_QUESTION):
        raise InputError("not confirmed, so nothing moved")
    order = ReleaseOrder(confirmed=True, away_mm=away_mm, current=current)
    code = order_through_daemon(meant_rig(rig, port), order)
    if code is None:
        job = ReleaseJob(order, rig.limits)
        say(perform_alone(rig, port, Path(), lambda reader: job).reason)
        code = 0
    raise click.exceptions.Exit(code)
