"""Options that several commands share, and the types that read their texts into values."""

from __future__ import annotations

import os
import re
from calendar import monthrange
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig import analyser, calibration, results, segmenter
from rig.errors import InputError, refused_at
from rig.units import parse

if TYPE_CHECKING:
    from rig.calibration import Calibration, Gravity
    from rig.results import Workers

DEFAULT_FOLDER = Path("captures")

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


class PathType(click.Path):
    """A path; an empty text, which would be the working folder, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a text as a path; the refusal names the option."""
        if not value and isinstance(value, str):
            self.fail("found '', expected a path; write . for the working folder.", param, ctx)
        return super().convert(value, param, ctx)


PATH = PathType(path_type=Path)
FILE = PathType(path_type=Path, dir_okay=False)
FOLDER = PathType(path_type=Path, file_okay=False)


class QuantityType(click.ParamType):  # type: ignore[type-arg]  # generic since click 8.4
    """A positive quantity with its unit, "12.5 mm", as a number in one unit."""

    name = "Q"

    def __init__(self, unit: str) -> None:
        self._unit = unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a text as a number; the refusal names the option."""
        return read_quantity(param.opts[0], value, self._unit) if param and isinstance(value, str) else value


UNITS = {
    "_n_per_mm": "N/mm",
    "_mm_per_n": "mm/N",
    "_mm_per_s2": "mm/s^2",
    "_mm_per_s": "mm/s",
    "_n_mm": "N*mm",
    "_mm2": "mm^2",
    "_mm": "mm",
    "_pct": "%",
    "_n": "N",
    "_s": "s",
    "_g": "g",
}
"""Endings of the names of values, longer ones first, and the units that they state."""


def unit_of_name(name: str) -> str:
    """Return the unit that the name of a value states, such as "mm/s" of `speed_mm_per_s`."""
    return next(unit for ending, unit in UNITS.items() if name.endswith(ending))


def quantity_option(
    option: str, name: str, about: str, *, default: str | None = None, required: bool = False
) -> Decorator:
    """Return an option that takes a quantity above zero, as the value `name` in the unit of its name."""
    return click.option(
        option, name, type=QuantityType(unit_of_name(name)), default=default,
        show_default=default is not None, required=required, help=about,
    )  # fmt: skip


class NumberRange(click.FloatRange):
    """A number in a range; not-a-number, which no bound excludes, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a text as a number; the refusal names the option."""
        number = super().convert(value, param, ctx)
        if isnan(number):
            self.fail(f"found {value!r}, expected a number.", param, ctx)
        return number


def together(*options: Decorator) -> Decorator:
    """Return one decorator that adds options to a command, in this order."""

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def _port(_: click.Context, __: click.Parameter, port: str | None) -> str | None:
    """Return a port as it was typed, a path from here made absolute; other names stand below /dev."""
    if port is None:
        return None
    if not port:
        raise InputError("--port: found '', expected a path such as /dev/ttyUSB0")
    here = Path(port).exists() or (os.sep in port and not Path("/dev", port).exists())
    return str(Path(port).absolute()) if here else port


def port_option(about: str = "Port to open instead of the rig file's.") -> Decorator:
    """`--port`."""
    return click.option("--port", metavar="PATH", callback=_port, help=about)


def rig_option(about: str = "The rig file.", *, required: bool = True) -> Decorator:
    """`--rig FILE`, as `rig_file`."""
    return click.option("--rig", "rig_file", required=required, type=PATH, help=about)


def _calibration(_: click.Context, __: click.Parameter, path: Path | None) -> Calibration | None:
    from rig.calibrationfile import read_calibration  # and NumPy, which halting does without

    return None if path is None else read_calibration(path)


def calibration_option(about: str = "Read all counts with this calibration.") -> Decorator:
    """`--calibration FILE`, read."""
    return click.option("--calibration", type=PATH, callback=_calibration, help=about)


def conditioning_option(about: str = "Number of first cycles to leave out.") -> Decorator:
    """`--conditioning N`."""
    about += "  [default: as the capture's method says, else 0]"
    return click.option("--conditioning", type=click.IntRange(0), metavar="N", help=about)


def depths_option(about: str, *, several: bool = True) -> Decorator:
    """`--at LIST` or `--at DEPTH`, as it was typed; each depth must be one."""

    def check(_: click.Context, __: click.Parameter, text: str | None) -> str | None:
        depths = [] if text is None else text.split(",") if several else [text]
        for depth in depths:
            with refused_at("--at"):
                if depth.strip() or not several:
                    analyser.Depth.of(depth)
        return text

    return click.option("--at", metavar="LIST" if several else "DEPTH", callback=check, help=about)


def listed(texts: Sequence[str]) -> list[str]:
    """Return the names of repeatable options, each a list with commas between."""
    return [name.strip() for text in texts for name in text.split(",") if name.strip()]


def although_option(example: str) -> Decorator:
    """`--although LIST`, as a list of names."""
    return click.option(
        "--although", multiple=True, metavar="LIST", callback=lambda _, __, texts: listed(texts),
        help=f'Pool captures even if these differ, "{example}".',
    )  # fmt: skip


strict_option = click.option(
    "--strict", is_flag=True, help="List hand captures separately if their speeds differ by 10 % or more."
)

gauge_option = click.option(
    "--gauge", "gauges", multiple=True, type=FILE, metavar="FILE",
    help="study.json from `pressrig study --out`, for the rig's part of the spread; repeatable.",
)  # fmt: skip


def _note(ctx: click.Context, parameter: click.Parameter, found: Any) -> None:
    """Keep the value of an option for whoever asks the command that runs for it."""
    ctx.meta[f"rig.cli.{parameter.name}"] = found


fresh_option = click.option(
    "--fresh", is_flag=True, expose_value=False, callback=_note, help="Measure again and ignore kept results."
)

workers_options = together(
    click.option(
        "--processes", type=click.IntRange(1), metavar="N", expose_value=False, callback=_note,
        help="Number of measuring processes.  [default: one per core]",
    ),
    click.option(
        "--scheduler", metavar="ADDRESS", expose_value=False, callback=_note,
        help="Dask scheduler whose workers measure, tcp://HOST:8786; they must see captures at the same "
            "paths.",
    ),
)  # fmt: skip


def workers_asked() -> Workers:
    """Return who measures, by the options of the command that runs."""
    meta = click.get_current_context().meta
    return results.Workers(meta.get("rig.cli.processes"), meta.get("rig.cli.scheduler"))


def is_fresh() -> bool:
    """Return whether the command that runs was called with --fresh."""
    return bool(click.get_current_context().meta.get("rig.cli.fresh"))


def folder_option(about: str) -> Decorator:
    """`--out DIR`."""
    return click.option("--out", type=FOLDER, default=DEFAULT_FOLDER, show_default=True, help=about)


def _conditions(_: click.Context, __: click.Parameter, pairs: tuple[str, ...]) -> dict[str, str]:
    conditions = {}
    for pair in pairs:
        name, separator, value = pair.partition("=")
        if not separator or not name.strip():
            raise InputError(f"--condition: found {pair!r}, expected NAME=VALUE such as orientation=upright")
        conditions[name.strip()] = value.strip()
    return conditions


def condition_option(
    about: str = 'Temperature, orientation and so on, "temperature=21 degC"; repeatable.',
) -> Decorator:
    """`--condition NAME=VALUE`, as the mapping `conditions`."""
    return click.option(
        "--condition", "conditions", multiple=True, metavar="NAME=VALUE", callback=_conditions, help=about
    )


def specimen_options(*, required: bool = True, default: str = "") -> Decorator:
    """Options that say what is being squeezed, named as the fields of a capture's header.

    `default`: where its name comes from otherwise, in words.
    """
    which = "Name of the specimen." + (f"  [default: {default}]" if default else "")
    return together(
        click.option("--specimen", required=required, metavar="ID", help=which),
        click.option("--batch", metavar="ID", help="Name of its batch."),
        quantity_option("--free-height", "free_height_mm", 'Height of the untouched specimen, "90 mm".'),
        quantity_option("--area", "area_mm2", 'Loaded area, "30 cm^2".'),
        click.option("--operator", metavar="NAME", help="Name of the operator."),
        click.option("--notes", default="", metavar="TEXT", help="Free text, kept with the record."),
        condition_option("orientation=upright, temperature=21 degC, days since moulding=30 ...; repeatable."),
    )  # fmt: skip


def renamed_option(old: str, new: str, **how: Any) -> Decorator:
    """Return an option by its old name: hidden, and refused with the new one."""
    return _refused_option(old, f"is now called {new}", f"; write {new} {{found}}", **how)


def needless_option(old: str, why: str) -> Decorator:
    """Return an option that nothing needs any more: hidden, and refused with the reason."""
    return _refused_option(old, f"leave it out: {why}")


def _refused_option(old: str, why: str, hint: str = "", **how: Any) -> Decorator:
    def refuse(_: click.Context, __: click.Parameter, found: str | bool | None) -> None:
        if found not in (None, False):
            raise InputError(f"{old}: {why}" + (hint.format(found=found) if isinstance(found, str) else ""))

    return click.option(old, hidden=True, expose_value=False, callback=refuse, **how)


def read_zero(text: str | None) -> str | None:
    """Return the text of `--zero`, checked, as a capture's header keeps it.

    Raises InputError if it names no force zero.
    """
    if text is None:
        return None
    try:
        return segmenter.ZeroPolicy.of(text).text
    except InputError as problem:
        raise InputError(f"--{problem}") from None


sense_and_zero_options = together(
    click.option(
        "--sense", type=click.Choice(["compression", "tension"]),
        help="Working direction. Default: the rig file's or the capture's, else compression.",
    ),
    click.option(
        "--zero", metavar="ZERO", callback=lambda _, __, text: read_zero(text),
        help="Force zero: untouched (mean of untouched stretches), as-recorded, or a force such as '1.9 N'. "
            "Default: chosen from the recording and reported.",
    ),
)  # fmt: skip
"""Which a capture's header keeps and an analysis may overrule."""


def read_quantity(option: str, text: str | None, unit: str) -> float | None:
    """Return the value of an option with its unit; the refusal names the option.

    Raises InputError if it is not a positive quantity of that kind.
    """
    if text is None:
        return None
    with refused_at(option):
        value = parse(text, unit)
    if not value > 0:
        raise InputError(f"{option}: found {text!r}, expected more than zero")
    return value


def local_gravity(
    stated: str | None, latitude_deg: float | None = None, height_m: float = 0.0, height_option: str = ""
) -> Gravity | None:
    """Return gravity as stated, or as the international formula gives it; None where neither is given.

    Raises InputError if both are given, or one cannot be; the refusal names the option.
    """
    if stated is not None and latitude_deg is not None:
        raise InputError("--gravity and --latitude: found both, expected one of them")
    if stated is not None:
        with refused_at("--gravity"):
            return calibration.Gravity.stated(stated)
    with refused_at(f"--latitude or {height_option}"):
        return None if latitude_deg is None else calibration.Gravity.at(latitude_deg, height_m)


expiry_option = click.option(
    "--expires-after",
    default="12 months",
    show_default=True,
    metavar="SPAN",
    help="How long it is valid.",
)


def made_options(day: str) -> Decorator:
    """Return options of who made a calibration, when, and how long it holds; `day` ends the help of --on."""
    return together(
        click.option("--by", default="", metavar="NAME", help="Name of the person who made it."),
        click.option(
            "--on", "made", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help=f"Day of the {day}"
        ),
        expiry_option,
    )


def later(day: date, span: str) -> date:
    """Return a day that comes a span of days, weeks, months or years after another; the last of a short
    month.

    Raises InputError if the text is no span.

    Examples
    --------
    >>> later(date(2026, 8, 31), "6 months").isoformat()
    '2027-02-28'
    """
    match = re.fullmatch(r"\s*(\d{1,4})\s*(day|week|month|year)s?\s*", span, re.ASCII)
    if match is None or not int(match[1]):
        raise InputError(f"--expires-after: found {span!r}, expected a span such as '12 months'")
    count, unit = int(match[1]), match[2]
    if unit in ("day", "week"):
        days = timedelta(days=count * (7 if unit == "week" else 1))
        if days > date.max - day:
            raise InputError(f"--expires-after: found {span!r}, expected at most a lifetime")
        return day + days
    months = day.year * 12 + day.month - 1 + count * (12 if unit == "year" else 1)
    year, month = divmod(months, 12)
    if year > date.max.year:
        raise InputError(f"--expires-after: found {span!r}, expected at most a lifetime")
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
