"""`pressrig verify`: whether a rig reads right, by references, by a held load, by a check standard."""

from __future__ import annotations

import importlib

import click

_COMMANDS = {
    "force": ("rig.cli.verify_force", "Errors and class against references, with a report."),
    "creep": ("rig.cli.verify_creep", "Creep under a held load, and return to zero."),
    "piece": ("rig.cli.verify_piece", "Add a pressed check standard to its control chart."),
    "chart": ("rig.cli.verify_chart", "Show the control charts of a rig's check standards."),
    "clear": ("rig.cli.verify_clear", "Clear a check standard's warning, with the reason."),
}


class _Verifications(click.Group):
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


@click.group("verify", cls=_Verifications)
def command() -> None:
    """Check that a rig reads right. The exit code is 1 if it does not."""
