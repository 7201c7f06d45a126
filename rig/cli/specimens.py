"""`pressrig specimens`: which pieces there are, what they weigh and measure, and what they went through."""

from __future__ import annotations

import importlib

import click

_COMMANDS = {
    "add": ("rig.cli.specimens_entering", "add", "Enter a piece."),
    "note": ("rig.cli.specimens_entering", "note", "Note new facts about a piece, with their date."),
    "size": ("rig.cli.specimens_sizes", "size", "Note caliper readings, or a height from the rig."),
    "correct": ("rig.cli.specimens_entering", "correct", "Correct a wrong record, with the reason."),
    "show": ("rig.cli.specimens_showing", "show", "Show all facts about a piece."),
    "list": ("rig.cli.specimens_showing", "every", "List pieces and what is missing."),
    "link": ("rig.cli.specimens_files", "link", "Attach captures to their pieces."),
    "import": ("rig.cli.specimens_files", "take_in", "Read pieces from a table."),
    "export": ("rig.cli.specimens_files", "give_out", "Write pieces, or the whole history, as a table."),
}


class _Register(click.Group):
    """Subcommands by name; a module is imported when its command runs."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, name, _ = _COMMANDS[cmd_name]
        found: click.Command = getattr(importlib.import_module(module), name)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, _, summary) in _COMMANDS.items()])


@click.group("specimens", cls=_Register)
def command() -> None:
    """Keep a register of specimens: each mass, size and capture is dated and never overwritten."""
