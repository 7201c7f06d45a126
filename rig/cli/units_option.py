"""`--units`: the reader's units, on every command."""

from __future__ import annotations

import click

from rig.core import ENVIRONMENT, SYSTEMS, choose_units


def with_units(command: click.Command) -> None:
    """Add `--units` to a command and to those below it, once."""
    if isinstance(command, click.Group):
        for below in command.commands.values():
            with_units(below)
        return
    if any(parameter.name == "units" for parameter in command.params):
        return

    def choose(_: click.Context, __: click.Parameter, system: str | None) -> None:
        if system is not None:
            choose_units(system, "option")

    command.params.append(
        click.Option(
            ["--units"],
            type=click.Choice(SYSTEMS),
            expose_value=False,
            is_eager=True,
            callback=choose,
            help=f"Units of what is shown, instead of {ENVIRONMENT} or `units:` of the rig file; JSON is SI.",
        )
    )
