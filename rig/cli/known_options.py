"""Numbers that people state with a spread: "0.6 +- 0.1", "90 mm +- 0.4 mm", "38 g +- 2 %"."""

from __future__ import annotations

import re
from math import inf, isfinite
from typing import Any

import click

from rig.cli.options import Decorator, unit_of_name
from rig.core.measured import Measured, coverage_factor
from rig.errors import InputError, refused_at
from rig.units import parse

_APART = re.compile(r"\s*(?:\+/?-|±)\s*")
_BARE = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)", re.ASCII)

MEANT = "+- is half of a 95 % interval"


class KnownType(click.ParamType):  # type: ignore[type-arg]  # generic since click 8.4
    """A quantity that may state its uncertainty, "90 mm +- 0.4 mm", as `read_known` reads it.

    `unit`: that is wanted; empty for a bare number.
    `zero`: whether zero will do.
    """

    name = "Q"

    def __init__(self, unit: str, *, zero: bool = False) -> None:
        self._unit, self._zero = unit, zero

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a text as a value with its uncertainty; the refusal names the option."""
        if param is None or not isinstance(value, str):
            return value
        return read_known(param.opts[0], value, self._unit, zero=self._zero)


def known_option(
    option: str,
    name: str,
    about: str,
    *,
    zero: bool = False,
    default: str | None = None,
    required: bool = False,
) -> Decorator:
    """Return an option that takes a quantity with its uncertainty, as `name` in the unit of its name."""
    kind = KnownType(unit_of_name(name), zero=zero)
    return click.option(option, name, type=kind, default=default, required=required, help=about)


def read_known(option: str, text: str, unit: str, *, zero: bool = False) -> Measured:
    """Return the value of an option with its standard uncertainty; the refusal names the option.

    Raises InputError if it is not such a quantity, or not above zero.

    `text`: a value, and after "+-" half of its 95 % interval, in the same unit or in per cent of the value.
    `unit`, `zero`: as of `KnownType`.
    """
    # what is typed after +- stands for as much as the intervals that are shown: 1.96 (JCGM 100:2008, 4.3.4)
    coverage = coverage_factor(inf)
    parts = _APART.split(text.strip())
    if len(parts) > 2 or not all(parts):
        raise InputError(
            f"{option}: found {text!r:.60}, expected a value, or a value +- half its 95 % interval"
        )
    if len(parts) == 1:
        return Measured(_value(option, parts[0], unit, zero=zero))
    value_text, half_text = parts
    if half_text.rstrip().endswith("%") and unit != "%":
        value = _value(option, value_text, unit, zero=zero)
        return Measured(value, abs(value) * _value(option, half_text, "%", zero=True) / 100 / coverage)
    if _BARE.fullmatch(value_text) and not _BARE.fullmatch(half_text):
        value_text += " " + _BARE.sub("", half_text, count=1).strip()
    elif _BARE.fullmatch(half_text) and not _BARE.fullmatch(value_text):
        half_text += " " + _BARE.sub("", value_text, count=1).strip()
    half = _value(option, half_text, unit, zero=True)
    return Measured(_value(option, value_text, unit, zero=zero), half / coverage)


def _value(option: str, text: str, unit: str, *, zero: bool) -> float:
    with refused_at(option):
        if not unit and not _BARE.fullmatch(text.strip()):
            raise InputError(f"found {text!r:.40}, expected a bare number such as 0.6")
        value = parse(text, unit) if unit else float(text)
    if not (isfinite(value) and (value > 0 or (zero and value == 0))):
        raise InputError(
            f"{option}: found {text!r:.40}, expected {'zero or more' if zero else 'more than zero'}"
        )
    return value
