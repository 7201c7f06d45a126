"""`pressrig release`: clears a latched stop and takes the platen slowly away."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.options import read_quantity
from rig.cli.output import say
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.rigfile import RigFile


@click.command("release")
@click.option("--rig", "rig_file", required=True, type=click.Path(path_type=Path), help="The rig's file.")
@click.option("--port", metavar="PATH", help="Port to open instead of the rig file's.")
@click.option("--away", default="10 mm", show_default=True, metavar="Q", help="How far, travel allowing.")
@click.option("--i-see-the-platen", "seen", is_flag=True, help="Say so beforehand; do not ask.")
def command(rig_file: Path, *, port: str | None, away: str, seen: bool) -> None:
    """Release a part after a trip: clear the stop, and take the platen slowly away.

    If a person is trapped, press the emergency stop first: this command moves the platen by its motor.
    Somebody has to see the platen and say so. Find and remove the cause of the stop before.
    """
    from rig.cli.ordering import meant_rig, order_through_daemon
    from rig.jobs.cautions import RELEASE_CAUTIONS
    from rig.jobs.orders import ReleaseOrder
    from rig.rigfile import read_rig_file

    rig = read_rig_file(rig_file)
    if rig.limits is None:
        raise InputError(f"{rig_file}: no `drive:` section; its platen does not move by itself")
    away_mm = read_quantity("--away", away, "mm")
    assert away_mm is not None
    for caution in RELEASE_CAUTIONS:
        say(f"caution: {caution}", err=True)
    if not seen:
        _ask()
    code = order_through_daemon(meant_rig(rig, port), ReleaseOrder(confirmed=True, away_mm=away_mm))
    if code is None:
        code = _alone(rig, port, away_mm)
    raise click.exceptions.Exit(code)


def _ask() -> None:
    try:
        confirmed = click.confirm(
            "Is no one trapped, do you see the platen, and can no one be hurt if it moves?",
            default=False,
            err=True,
        )
    except click.Abort:  # nobody is there to answer
        confirmed = False
    if not confirmed:
        raise InputError("it was not confirmed: nothing was moved")


def _alone(rig: RigFile, port: str | None, away_mm: float) -> int:
    from rig.cli.logs import log_to_file
    from rig.cli.ordering import absolute_port
    from rig.cli.stopping import stop_on_signals
    from rig.jobs import Watch
    from rig.jobs.releasing import perform_release
    from rig.reader import Reader

    assert rig.limits is not None
    with (
        log_to_file(),
        stop_on_signals() as stopped,
        Reader(rig.address(absolute_port(port)), rig.wire, rate_hz=rig.rate_hz) as reader,
    ):
        watch = Watch(stopped, lambda text: None, lambda step, done: None)
        say(perform_release(reader, rig.calibration, rig.limits, watch, away_mm=away_mm))
    return 0
