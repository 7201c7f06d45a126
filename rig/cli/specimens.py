"""`pressrig specimens`: which pieces there are, what they weigh and measure, and what they went through."""

from __future__ import annotations

import click

from rig.cli.families import Family

_COMMANDS = {
    "add": ("rig.cli.specimens_entering:add", "Enter a piece."),
    "note": ("rig.cli.specimens_entering:note", "Note new facts about a piece, with their date."),
    "size": ("rig.cli.specimens_sizes:size", "Note caliper readings, or a height from the rig."),
    "correct": ("rig.cli.specimens_entering:correct", "Correct a wrong record, with the reason."),
    "show": ("rig.cli.specimens_showing:show", "Show all facts about a piece."),
    "list": ("rig.cli.specimens_showing:every", "List pieces and what is missing."),
    "link": ("rig.cli.specimens_files:link", "Attach captures to their pieces."),
    "import": ("rig.cli.specimens_files:take_in", "Read pieces from a table."),
    "export": ("rig.cli.specimens_files:give_out", "Write pieces, or the whole history, as a table."),
}


@click.group("specimens", cls=Family, rows=_COMMANDS)
def command() -> None:
    """Keep a register of specimens: each mass, size and capture is dated and never overwritten."""
