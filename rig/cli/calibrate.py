"""`pressrig calibrate`: what a count is, how late the force comes, and the frame compliance."""

from __future__ import annotations

import click

from rig.cli.families import Family

_COMMANDS = {
    "force": ("rig.cli.calibrate_force", "Newtons per count, from masses or a reference cell."),
    "position": ("rig.cli.calibrate_position", "Millimetres per count, and the backlash."),
    "delay": ("rig.cli.calibrate_delay", "Time offset between force and position."),
    "frame": ("rig.cli.calibrate_frame", "Frame compliance."),
}


@click.group("calibrate", cls=Family, rows=_COMMANDS)
def command() -> None:
    """Measure how a rig's counts become numbers that you can defend."""
