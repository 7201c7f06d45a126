"""`pressrig halt`: stops the platen of a rig that a daemon holds."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.output import say


@click.command("halt")
@click.option(
    "--rig", "rig_file", type=click.Path(path_type=Path), help="The rig's file; needed if several are served."
)
def command(rig_file: Path | None) -> None:
    """Halt the platen at once, through the daemon that holds the rig, and end the job.

    It is no emergency stop: that one is wired, and cuts the motor's power.
    """
    from rig.cli.ordering import the_daemon
    from rig.daemon.bulletin import Refusal
    from rig.daemon.control import NoDaemonError
    from rig.errors import DeviceError

    try:
        with the_daemon(rig_file) as daemon:
            answer = daemon.halt("pressrig halt")
    except NoDaemonError as nobody:
        raise DeviceError(
            f"{nobody}; nothing was halted. If something moves, press the emergency stop; a `pressrig run` "
            "that works alone is halted by Ctrl-C in its own terminal"
        ) from None
    if isinstance(answer, Refusal):
        raise DeviceError(answer.refused)
    say("halted" if answer.job is None else f"halted; job {answer.job} ends its capture")
