"""Options that several commands share, with their texts read into values."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from rig.errors import InputError

DEFAULT_FOLDER = Path("captures")


def folder_option(help_text: str) -> Callable[..., Any]:
    """`--out DIR`."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path, file_okay=False),
        default=DEFAULT_FOLDER,
        show_default=True,
        help=help_text,
    )


def specimen_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say what is being squeezed."""
    for option in reversed(
        (
            click.option("--specimen", required=True, metavar="ID", help="Which piece."),
            click.option("--batch", metavar="ID", help="Which pieces it was made with."),
            click.option("--free-height", metavar="Q", help='Height of the untouched specimen, "90 mm".'),
            click.option("--area", metavar="Q", help='Loaded area, "30 cm^2".'),
            click.option("--operator", metavar="NAME", help="Who recorded it."),
            click.option("--notes", default="", metavar="TEXT", help="Anything worth knowing later."),
            click.option(
                "--condition",
                "conditions",
                multiple=True,
                metavar="NAME=VALUE",
                help="orientation=upright, temperature=21 degC, days since moulding=30 ...; repeatable.",
            ),
        )
    ):
        command = option(command)
    return command


def read_quantity(option: str, text: str | None, unit: str) -> float | None:
    """Value of an option with its unit; the refusal names the option.

    Raises
    ------
    InputError
        If it is not a positive quantity of that kind.
    """
    if text is None:
        return None
    from rig.units import parse

    try:
        value = parse(text, unit)
    except InputError as problem:
        raise InputError(f"{option}: {problem}") from None
    if not value > 0:
        raise InputError(f"{option}: found {text!r}, expected more than zero")
    return value


def read_conditions(pairs: tuple[str, ...]) -> dict[str, str]:
    """NAME=VALUE pairs as a mapping."""
    conditions = {}
    for pair in pairs:
        name, separator, value = pair.partition("=")
        if not separator or not name.strip():
            raise InputError(f"--condition: found {pair!r}, expected NAME=VALUE such as orientation=upright")
        conditions[name.strip()] = value.strip()
    return conditions
