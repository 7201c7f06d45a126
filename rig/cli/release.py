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
    """Release what is trapped after a trip: clear the stop, and take the platen slowly away.

    Somebody has to see the platen and say so. The cause of the stop should have been understood and removed.
    """
    from rig.rigfile import read_rig_file

    rig = read_rig_file(rig_file)
    if rig.limits is None:
        raise InputError(f"{rig_file}: no `drive:` section; its platen does not move by itself")
    away_mm = read_quantity("--away", away, "mm")
    assert away_mm is not None
    say("caution: The platen is going to move by itself, away from what it presses.", err=True)
    say("caution: A part that is set free stores energy and can fly out.", err=True)
    if not seen:
        _ask()
    code = None
    if port is None:
        from rig.cli.ordering import order_through_daemon
        from rig.daemon.bulletin import ReleaseOrder

        code = order_through_daemon(rig.name, ReleaseOrder(confirmed=True, away_mm=away_mm))
    if code is None:
        code = _alone(rig, port, away_mm)
    raise click.exceptions.Exit(code)


def _ask() -> None:
    try:
        confirmed = click.confirm(
            "Do you see the platen, and can nobody be hurt if it goes back?", default=False, err=True
        )
    except click.Abort:  # nobody is there to answer
        confirmed = False
    if not confirmed:
        raise InputError("it was not confirmed: nothing was moved")


def _alone(rig: RigFile, port: str | None, away_mm: float) -> int:
    from rig.cli.logs import log_to_file
    from rig.cli.stopping import stop_on_signals
    from rig.daemon import Watch
    from rig.daemon.releasing import perform_release
    from rig.reader import Reader

    assert rig.limits is not None
    with (
        log_to_file(),
        stop_on_signals() as stopped,
        Reader(rig.address(port), rig.wire, rate_hz=rig.rate_hz) as reader,
    ):
        watch = Watch(stopped, lambda text: None, lambda step, done: None)
        say(perform_release(reader, rig.calibration, rig.limits, watch, away_mm=away_mm))
    return 0
