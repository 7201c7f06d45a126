"""Exact factors between units, and text such as "0.5 in" or "100 mm/min" read as a number.

In: what people write in files, on command lines and in column headings. Out: floats in the unit the
code asked for. Must not depend on: files, ports, calibrations.

The problem: people mix inches, scale readings and millimetres per minute, and a bare number hides
which was meant. The plan: a small grammar checks the text (it is untrusted), pint knows the units,
and fractions carry the factors, so that each result is the exact one rounded once. The cost: pint and
its registry take a quarter of a second, paid once, and only for units that are not in the table below.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from rig.errors import InputError

if TYPE_CHECKING:
    import pint

LONGEST_TEXT = 64
"""Characters; longer than any quantity a person writes, short enough that no parser labours over it."""

US_UNITS = {
    "N": ("N", "lbf", "lbf"),
    "mm": ("mm", "in", "in"),
    "um": ("um", "in", "in"),
    "mm^2": ("mm^2", "in^2", "in^2"),
    "N/s": ("N/s", "lbf/s", "lbf/s"),
    "J": ("J", "in*lbf", "in lbf"),
    "N/mm": ("N/mm", "lbf/in", "lbf/in"),
    "mJ": ("mJ", "in*lbf", "in lbf"),
    "N mm": ("N*mm", "in*lbf", "in lbf"),
    "g": ("g", "oz", "oz"),
    "mm/s": ("mm/s", "in/s", "in/s"),
    "m/s": ("m/s", "ft/s", "ft/s"),
}
"""By unit: itself and the US one as `rig.units` writes them, and the US one as people do."""

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_FACTOR = r"[A-Za-zμ%]+(?:\^-?[1-9])?"
_UNIT = rf"{_FACTOR}(?:\s*[ */]\s*{_FACTOR})*"
_FRACTION = r"[+-]?(?:\d{1,6}[ -])?\d{1,6}/\d{1,6}"
"""Of inches and ounces as they are marked on rules and scales: 7 1/16, 3/8."""

_QUANTITY = re.compile(rf"\s*({_FRACTION}|{_NUMBER})\s*({_UNIT})?\s*", re.ASCII)
_PART = rf"({_FRACTION}|{_NUMBER})\s*([A-Za-z]+)"
_COMPOUND = re.compile(rf"\s*{_PART}\s+{_PART}\s*", re.ASCII)
"""A larger and a smaller unit of one kind, as in 12 lb 3 oz."""

_TEMPERATURE = re.compile(rf"\s*({_NUMBER})\s*(°?[A-Za-z][A-Za-z ]*)\s*", re.ASCII)
_UNIT_ONLY = re.compile(rf"\s*({_UNIT})\s*", re.ASCII)

_PLAIN = {
    "N": ("force", Fraction(1)),
    "kN": ("force", Fraction(1000)),
    "mN": ("force", Fraction(1, 1000)),
    "lbf": ("force", Fraction("4.4482216152605")),
    "mm": ("length", Fraction(1)),
    "um": ("length", Fraction(1, 1000)),
    "cm": ("length", Fraction(10)),
    "m": ("length", Fraction(1000)),
    "in": ("length", Fraction("25.4")),
    "s": ("time", Fraction(1)),
    "ms": ("time", Fraction(1, 1000)),
    "us": ("time", Fraction(1, 1_000_000)),
    "min": ("time", Fraction(60)),
    "h": ("time", Fraction(3600)),
    "g": ("mass", Fraction(1)),
    "kg": ("mass", Fraction(1000)),
}
"""By unit: what it measures, and how many N, mm, s or g it is. Most recordings hold no other."""

# The same sign typed in several ways: micro, squared and cubed, times, minus, no-break space.
_SPELLINGS = str.maketrans(
    {"\u2033": " in", '"': " in", "\u201d": " in", "\u2032": " ft", "'": " ft", "\u2019": " ft"}
    | {"µ": "μ", "²": "^2", "³": "^3", "·": "*", "\u00d7": "*", "\u2212": "-", "\u00a0": " "}
)

# A scale shows a mass, but what it feels is that mass's weight in standard gravity.
_WEIGHT_OF = {
    "g": "gf",
    "kg": "kgf",
    "lb": "lbf",
    "lbs": "lbf",
    "oz": "ozf",
    "gram": "gf",
    "grams": "gf",
    "pound": "lbf",
    "pounds": "lbf",
    "ounce": "ozf",
    "ounces": "ozf",
}
_MASS_WORD = re.compile(r"(?<![A-Za-zμ])(" + "|".join(_WEIGHT_OF) + r")(?![A-Za-z])")

# As people write them; to pint C is a coulomb and F a farad.
_DEGREES = {
    "C": "degC",
    "°C": "degC",
    "deg C": "degC",
    "celsius": "degC",
    "F": "degF",
    "°F": "degF",
    "deg F": "degF",
    "fahrenheit": "degF",
}

_PERCENT = "%"

_EXAMPLES = {
    "mm": "90 mm",
    "N": "25 N",
    "s": "0.5 s",
    "us": "250 us",
    "mm/s": "100 mm/min",
    "mm^2": "30 cm^2",
    "mm/N": "20 um/N",
    "N/mm": "0.7 N/mm",
    "%": "40 %",
}


def parse(text: str | float, unit: str) -> float:
    """Read a quantity and give its value in `unit`.

    Parameters
    ----------
    text
        A number and its unit, such as "0.5 in", "7 1/16 in", "12 lb 3 oz", "1 lbf" or "40 %". Bare
        numbers are refused, because they do not say which unit was meant. Where `unit` holds a force, units
        of mass are read as a scale's reading: the weight of that mass in standard gravity.
    unit
        The unit wanted: "mm", "N", "s", "us", "mm/s", "mm^2", "mm/N", "%" or any other that pint knows.

    Returns
    -------
    float
        The exactly converted value, rounded once.

    Raises
    ------
    InputError
        If the text is not a number with a unit, or its unit measures something else.

    References
    ----------
    NIST Special Publication 811 (2008), appendix B: the factors.

    Examples
    --------
    >>> parse("0.5 in", "mm")
    12.7
    >>> parse("30 cm^2", "mm^2")
    3000.0
    >>> parse('7 1/16"', "in"), parse("12 lb 3 oz", "oz")
    (7.0625, 195.0)
    """
    right = _EXAMPLES.get(unit, f"1 {unit}")
    if not isinstance(text, str):
        bare = isinstance(text, int | float) and not isinstance(text, bool)
        right = f"{text} {unit}" if bare else right
        raise InputError(f"{_shown(text)} is not a quantity with its unit; write '{right}'")
    normal = _normal(text)
    compound = _COMPOUND.fullmatch(normal)
    if compound is not None:
        return _sum_of_two(text, compound, unit)
    match = _QUANTITY.fullmatch(normal)
    if match is None:
        pointed = re.sub(r"(?<=\d),(?=\d)", ".", normal, count=1).strip()
        if pointed != normal.strip() and _QUANTITY.fullmatch(pointed):
            # three digits after it may be meant as thousands
            joined = f" or '{normal.replace(',', '').strip()}'" if re.search(r",\d{3}(?!\d)", normal) else ""
            raise InputError(f"{_shown(text)} has a comma; write '{pointed}'{joined}")
        raise InputError(f"{_shown(text)} is not a number followed by a unit; write '{right}'")
    number, found = match.groups()
    if found is None:
        raise InputError(f"{_shown(text)} has no unit; write '{number} {unit}' if that is what was meant")
    try:
        return float(_number(text, number) * _exact_factor(found, unit))
    except OverflowError:
        raise InputError(f"{_shown(text)} is too large a number; write '{right}'") from None


def _number(text: str, number: str) -> Fraction:
    """Return a decimal, a fraction, or a whole number and a fraction."""
    if "/" not in number:
        return Fraction(number)
    sign = -1 if number.startswith("-") else 1
    whole, _, fraction = number.lstrip("+-").replace("-", " ").rpartition(" ")
    if fraction.endswith("/0") or not int(fraction.split("/")[1]):
        raise InputError(f"{_shown(text)} divides by zero; write a fraction such as '7 1/16 in'")
    return sign * (Fraction(whole or 0) + Fraction(fraction))


def _sum_of_two(text: str, found: re.Match[str], unit: str) -> float:
    """Sum of a larger and a smaller unit, which takes the sign of the first."""
    first, larger, second, smaller = found.groups()
    high, low = _exact_factor(larger, unit), _exact_factor(smaller, unit)
    if not low < high or second.startswith(("+", "-")):
        raise InputError(f"{_shown(text)}: expected a larger and then a smaller unit, such as '12 lb 3 oz'")
    head, tail = _number(text, first) * high, _number(text, second) * low
    if not tail < high:
        raise InputError(f"{_shown(text)}: expected less than one {larger} behind it, such as '12 lb 3 oz'")
    return float(head - tail if first.startswith("-") else head + tail)


def factor(unit: str, to: str) -> float:
    """Return how many `to` are in one `unit`, exactly converted and rounded once.

    Raises InputError if either is not a unit, or they measure different things.

    Examples
    --------
    >>> factor("lbf", "N")
    4.4482216152605
    """
    return float(_exact_factor(unit, to))


def temperature_scale(unit: str) -> tuple[float, float]:
    """Return what a reading in a unit of temperature is in degrees Celsius: (reading - zero) * slope.

    Returns
    -------
    zero, slope
        The reading at 0 degC and the degrees Celsius in one degree of `unit`, each rounded once.

    Raises
    ------
    InputError
        If it is no unit of temperature.

    References
    ----------
    NIST Special Publication 811 (2008), section B.9: the factors.

    Examples
    --------
    >>> temperature_scale("degF")[0], temperature_scale("K")
    (32.0, (273.15, 1.0))
    """
    zero, slope = _exact_temperature(unit)
    return float(zero), float(slope)


def parse_temperature(text: str) -> float:
    """Read a temperature such as "21 degC", "70 degF" or "21 C", in degrees Celsius.

    Raises InputError if the text is not a number with a unit of temperature.

    Examples
    --------
    >>> parse_temperature("77 °F")
    25.0
    """
    match = _TEMPERATURE.fullmatch(text) if len(text) <= LONGEST_TEXT else None
    if match is None:
        raise InputError(f"{_shown(text)} is not a temperature with its unit; write '21 degC' or '70 degF'")
    zero, slope = _exact_temperature(match[2])
    try:
        return float((Fraction(match[1]) - zero) * slope)
    except OverflowError:
        raise InputError(f"{_shown(text)} is too large a number; write '21 degC'") from None


def is_force(unit: str) -> bool:
    """Return whether a reading in `unit` is a force: N, lbf, kgf ..., or a scale's g, kg, lb, oz."""
    return _converts(unit, "N")


def is_length(unit: str) -> bool:
    """Return whether `unit` is a length: mm, um, in ..."""
    return _converts(unit, "mm")


def is_time(unit: str) -> bool:
    """Return whether `unit` is a time: s, ms, us, min ..."""
    return _converts(unit, "s")


def _converts(unit: str, to: str) -> bool:
    try:
        _exact_factor(unit, to)
    except InputError:
        return False
    return True


def _normal(text: str) -> str:
    return text[: LONGEST_TEXT + 1].translate(_SPELLINGS) if len(text) <= LONGEST_TEXT else ""


def _shown(found: object) -> str:
    text = repr(found)
    return text if len(text) <= LONGEST_TEXT else text[:LONGEST_TEXT] + "..."


@lru_cache(maxsize=256)
def _exact_factor(unit: str, to: str) -> Fraction:
    right = _EXAMPLES.get(to, f"1 {to}").split(" ", 1)[1]
    if (unit == _PERCENT) != (to == _PERCENT):
        raise InputError(f"unit {_shown(unit)} does not convert to {to!r}; write a unit such as {right!r}")
    if unit == to == _PERCENT:
        return Fraction(1)
    plain, plain_to = _PLAIN.get(unit), _PLAIN.get(to)
    if plain is not None and plain_to is not None and plain[0] == plain_to[0]:
        return plain[1] / plain_to[1]
    wanted = _pint_unit(to, to)
    for spelling in (unit, _MASS_WORD.sub(lambda mass: _WEIGHT_OF[mass[1]], unit)):
        found = _pint_unit(spelling, unit)
        # "90 % mm" is a slip of the pen, and so is "90 mm deg"; neither is a length of its own
        if found.dimensionality == wanted.dimensionality and _bare_factors(unit) == _bare_factors(to):
            registry = _registry()
            zero, one = (Fraction(registry.convert(Fraction(n), found, wanted)) for n in (0, 1))
            if zero != 0:
                raise InputError(
                    f"unit {_shown(unit)} has a zero of its own; write one that starts from nothing"
                )
            return one
    raise InputError(f"unit {_shown(unit)} does not convert to {to!r}; write a unit such as {right!r}")


def _bare_factors(unit: str) -> bool:
    """Return whether a unit has a factor without a dimension, such as %, rad or dozen."""
    names = re.findall(r"[A-Za-zμ%]+", _normal(unit))
    return any(not _pint_unit(name, unit).dimensionality for name in names)


@lru_cache(maxsize=64)
def _exact_temperature(unit: str) -> tuple[Fraction, Fraction]:
    spelling = _DEGREES.get(unit.strip(), unit.strip())
    registry = _registry()
    # One word: pint cannot multiply a unit whose zero is its own.
    if spelling.isalpha():
        found, celsius = _pint_unit(spelling, unit), registry.degC
        if found.dimensionality == celsius.dimensionality:
            zero, one = (Fraction(registry.convert(Fraction(n), celsius, found)) for n in (0, 1))
            return zero, 1 / (one - zero)
    raise InputError(f"unit {_shown(unit)} is not a temperature; write degC, degF or K")


def _pint_unit(spelling: str, unit: str) -> pint.Unit:
    # "counts" is a unit to pint, but here it means that nothing is known about the unit.
    if "count" not in spelling and _UNIT_ONLY.fullmatch(_normal(spelling)):
        registry = _registry()  # what fails here is the installation, not the unit
        try:
            return registry.parse_units(_normal(spelling))
        # Pint raises whatever its tokenizer and its tables raise; to the person it is all one thing.
        except Exception:
            pass
    raise InputError(f"{_shown(unit)} is not a known unit; write one such as mm, in, N, lbf, s or mm/s")


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Fraction]:
    import pint  # noqa: PLC0415

    return pint.UnitRegistry(non_int_type=Fraction)


@lru_cache(maxsize=32)
def us_factor(unit: str) -> float | None:
    """US units in one of these; None where both worlds use the same."""
    if unit not in US_UNITS:
        return None
    own, us, _ = US_UNITS[unit]
    return factor(own, us)


def us_name(unit: str) -> str:
    """Return the US unit as people write it; empty where both worlds use the same."""
    return US_UNITS[unit][2] if unit in US_UNITS else ""
