"""Commands that hold others, whose modules are imported when they run and never to list them."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Mapping
from typing import Any

import click

from rig.core import ENVIRONMENT, SYSTEMS, choose_units

Rows = Mapping[str, tuple[str, str]]
"""By a command's name: its place, "module" or "module:function", and one line about it."""


class Family(click.Group):
    """Subcommands by name, each with `--units`.

    `rows`: the subcommands, in the order of their list.
    """

    def __init__(self, *arguments: Any, rows: Rows, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._rows = rows

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names, without an import."""
        return list(self._rows)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a subcommand."""
        if cmd_name not in self._rows:
            return None
        module, _, name = self._rows[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name or "command")
        with_units(command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a subcommand; the refusal of one that does not exist names the nearest."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as refusal:
            near = difflib.get_close_matches(args[0], self._rows, n=1)
            if not near:
                raise
            raise click.UsageError(f"{refusal.message} Did you mean {near[0]!r}?", ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write names and lines, without an import."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in self._rows.items()])


def with_units(command: click.Command) -> None:
    """Add `--units`, the reader's units, to a command that holds no others, once."""
    if isinstance(command, click.Group) or any(option.name == "units" for option in command.params):
        return

    def choose(_: click.Context, __: click.Parameter, system: str | None) -> None:
        if system is not None:
            choose_units(system, "option")

    about = f"Units of what is shown, instead of {ENVIRONMENT} or `units:` of the rig file; JSON is SI."
    command.params.append(
        click.Option(
            ["--units"],
            type=click.Choice(SYSTEMS),
            expose_value=False,
            is_eager=True,
            callback=choose,
            help=about,
        )
    )
