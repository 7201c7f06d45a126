"""`pressrig calibrate`: what a count is, how late the force comes, and the frame compliance."""

from __future__ import annotations

import importlib

import click

_COMMANDS = {
    "force": ("rig.cli.calibrate_force", "Newtons per count, from masses or a reference cell."),
    "position": ("rig.cli.calibrate_position", "Millimetres per count, and the backlash."),
    "delay": ("rig.cli.calibrate_delay", "Time offset between force and position."),
    "frame": ("rig.cli.calibrate_frame", "Frame compliance."),
}


class _Calibrations(click.Group):
    """Subcommands by name; a module is imported when its command runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        found: click.Command = importlib.import_module(_COMMANDS[cmd_name][0]).command
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in _COMMANDS.items()])


@click.group("calibrate", cls=_Calibrations)
def command() -> None:
    """Measure how a rig's counts become numbers that you can defend."""
