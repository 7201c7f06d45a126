"""`pressrig verify`: whether a rig reads right, by references, by a held load, by a check standard."""

from __future__ import annotations

import click

from rig.cli.families import Family

_COMMANDS = {
    "force": ("rig.cli.verify_force", "Errors and class against references, with a report."),
    "creep": ("rig.cli.verify_creep", "Creep under a held load, and return to zero."),
    "piece": ("rig.cli.verify_piece", "Add a pressed check standard to its control chart."),
    "chart": ("rig.cli.verify_chart", "Show the control charts of a rig's check standards."),
    "clear": ("rig.cli.verify_clear", "Clear a check standard's warning, with the reason."),
}


@click.group("verify", cls=Family, rows=_COMMANDS)
def command() -> None:
    """Check that a rig reads right. The exit code is 1 if it does not."""
