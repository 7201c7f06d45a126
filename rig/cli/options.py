"""Options that several commands share, with their texts read into values."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.errors import InputError

if TYPE_CHECKING:
    from rig.results import Workers

DEFAULT_FOLDER = Path("captures")

_FRESH = "rig.cli.fresh"


def _note_fresh(ctx: click.Context, _: click.Parameter, fresh: bool) -> None:
    ctx.meta[_FRESH] = fresh


fresh_option = click.option(
    "--fresh",
    is_flag=True,
    expose_value=False,
    callback=_note_fresh,
    help="Measure again and ignore kept results.",
)


def _note_worker(ctx: click.Context, parameter: click.Parameter, found: Any) -> None:
    ctx.meta[f"rig.cli.{parameter.name}"] = found


def workers_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--processes` and `--scheduler`, of commands that measure many captures."""
    command = click.option(
        "--scheduler", metavar="ADDRESS", expose_value=False, callback=_note_worker,
        help="Dask scheduler whose workers measure, tcp://HOST:8786; they must see captures at the same "
            "paths.",
    )(command)  # fmt: skip
    return click.option(
        "--processes", type=click.IntRange(1), metavar="N", expose_value=False, callback=_note_worker,
        help="Number of measuring processes.  [default: one per core]",
    )(command)  # fmt: skip


def workers_asked() -> Workers:
    """Return who measures, by the options of the command that runs."""
    from rig.results import Workers

    meta = click.get_current_context().meta
    return Workers(meta.get("rig.cli.processes"), meta.get("rig.cli.scheduler"))


def is_fresh() -> bool:
    """Return whether the command that runs was called with --fresh."""
    return bool(click.get_current_context().meta.get(_FRESH))


def folder_option(help_text: str) -> Callable[..., Any]:
    """`--out DIR`."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path, file_okay=False),
        default=DEFAULT_FOLDER,
        show_default=True,
        help=help_text,
    )


def specimen_options(*, required: bool = True) -> Callable[..., Any]:
    """Options that say what is being squeezed; an import can tell the specimen by other means."""
    which = "Name of the specimen." if required else "Name of the specimen.  [default: the file name]"
    options = (
        click.option("--specimen", required=required, metavar="ID", help=which),
        click.option("--batch", metavar="ID", help="Name of its batch."),
        click.option("--free-height", metavar="Q", help='Height of the untouched specimen, "90 mm".'),
        click.option("--area", metavar="Q", help='Loaded area, "30 cm^2".'),
        click.option("--operator", metavar="NAME", help="Name of the operator."),
        click.option("--notes", default="", metavar="TEXT", help="Free text, kept with the record."),
        click.option(
            "--condition",
            "conditions",
            multiple=True,
            metavar="NAME=VALUE",
            help="orientation=upright, temperature=21 degC, days since moulding=30 ...; repeatable.",
        ),
    )

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def renamed_option(old: str, new: str) -> Callable[..., Any]:
    """Return an option by its old name: hidden, and refused with the new one."""
    return _refused_option(old, f"is now called {new}; write {new} {{found}}")


def needless_option(old: str, why: str) -> Callable[..., Any]:
    """Return an option that nothing needs any more: hidden, and refused with the reason."""
    return _refused_option(old, f"leave it out: {why}")


def _refused_option(old: str, words: str) -> Callable[..., Any]:
    def refuse(_: click.Context, __: click.Parameter, found: str | None) -> None:
        if found is not None:
            raise InputError(f"{old}: {words.format(found=found)}")

    return click.option(old, hidden=True, expose_value=False, callback=refuse)


def sense_and_zero_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--sense` and `--zero`, which a capture's header keeps and an analysis may overrule."""
    sense = click.option(
        "--sense",
        type=click.Choice(["compression", "tension"]),
        help="Working direction. Default: the rig file's or the capture's, else compression.",
    )
    zero = click.option(
        "--zero",
        metavar="ZERO",
        help=(
            "Force zero: untouched (mean of untouched stretches), as-recorded, or a force such as '1.9 N'. "
            "Default: chosen from the recording and reported."
        ),
    )
    return sense(zero(command))


def read_zero(text: str | None) -> str | None:
    """Return the text of `--zero`, checked, as a capture's header keeps it.

    Raises
    ------
    InputError
        If it names no force zero.
    """
    if text is None:
        return None
    from rig.segmenter import ZeroPolicy

    try:
        return ZeroPolicy.of(text).text
    except InputError as problem:
        raise InputError(f"--{problem}") from None


def read_quantity(option: str, text: str | None, unit: str) -> float | None:
    """Return the value of an option with its unit; the refusal names the option.

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


def later(day: date, span: str) -> date:
    """Return a day that comes a span of days, weeks, months or years after another; the last of a short
    month.

    Raises
    ------
    InputError
        If the text is no span.

    Examples
    --------
    >>> later(date(2026, 8, 31), "6 months").isoformat()
    '2027-02-28'
    """
    from calendar import monthrange
    from datetime import timedelta

    match = re.fullmatch(r"\s*(\d{1,4})\s*(day|week|month|year)s?\s*", span)
    if match is None or not int(match[1]):
        raise InputError(f"--expires-after: found {span!r}, expected a span such as '12 months'")
    count, unit = int(match[1]), match[2]
    if unit in ("day", "week"):
        return day + timedelta(days=count * (7 if unit == "week" else 1))
    months = day.year * 12 + day.month - 1 + count * (12 if unit == "year" else 1)
    year, month = divmod(months, 12)
    if year > date.max.year:
        raise InputError(f"--expires-after: found {span!r}, expected at most a lifetime")
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
