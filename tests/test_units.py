"""Text with a unit becomes the number that the code asked for, or a sentence that says what is right."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig import units
from rig.errors import InputError


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("0.5 in", "mm", 12.7),
        ("90mm", "mm", 90.0),
        (" 9 cm ", "mm", 90.0),
        ("5 um", "mm", 0.005),
        ("5 µm", "mm", 0.005),
        ("5 μm", "mm", 0.005),
        ("1 lbf", "N", 4.4482216152605),
        ("1 kg", "N", 9.80665),
        ("500 g", "N", 4.903325),
        ("2 mN", "N", 0.002),
        ("1.5 kN", "N", 1500.0),
        ("100 mm/min", "mm/s", 100 / 60),
        ("30 cm^2", "mm^2", 3000.0),
        ("30 cm²", "mm^2", 3000.0),
        ("25 ms", "s", 0.025),
        ("0.25 ms", "us", 250.0),
        ("20 um/N", "mm/N", 0.02),
        ("1 um/g", "mm/N", 0.001 / 0.00980665),
        ("40 %", "%", 40.0),
        ("40%", "%", 40.0),
        ("-3 mm", "mm", -3.0),
        ("1e-3 m", "mm", 1.0),
        ("7 1/16 in", "mm", 7.0625 * 25.4),
        ("10 7/8 oz", "g", 10.875 * 28.349523125),
        ("3/8 in", "mm", 9.525),
        ('2"', "mm", 50.8),
        ('3 1/2"', "mm", 88.9),
        ("-1 1/2 in", "mm", -38.1),
        ("12 lb 3 oz", "g", 195 * 28.349523125),
        ("12 lb 3 oz", "N", 195 / 16 * 4.4482216152605),
        ("5 ft 2 in", "mm", 62 * 25.4),
        ("1' 2\"", "mm", 14 * 25.4),
    ],
)
def test_a_quantity_is_read_in_the_unit_asked_for(text: str, unit: str, value: float) -> None:
    assert units.parse(text, unit) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    "text", ["7 1/0 in", "3 oz 12 lb", "12 lb 20 oz", "12 lb -3 oz", "1/2/3 in", "12 lb 3 mm", "2 5 in"]
)
def test_a_fraction_or_sum_that_is_none_is_refused(text):
    with pytest.raises(InputError):
        units.parse(text, "N" if "lb" in text else "mm")


@pytest.mark.parametrize("bare", ["90", 90, 90.0])
def test_a_bare_number_is_refused_with_what_would_be_right(bare: str | float) -> None:
    with pytest.raises(InputError, match=r"90(\.0)? mm"):
        units.parse(bare, "mm")


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("90 N", "mm"),
        ("90 kg", "mm"),
        ("90 mm", "%"),
        ("90 %", "mm"),
        ("0.4 rad", "%"),
        ("90 % mm", "mm"),
        ("90 mm deg", "mm"),
        ("5 counts", "N"),
        ("5 kilocounts", "N"),
        ("23 degC", "K"),
        ("0,5 in", "mm"),
        ("mm", "mm"),
        ("", "mm"),
        ("1e999 mm", "mm"),
        ("1 mm.__class__", "mm"),
        ("1 __import__('os')", "mm"),
        ("1 m^9999999", "mm"),
        ("1 florins", "mm"),
        ("9" * 5000 + " mm", "mm"),
        (True, "mm"),
        (None, "mm"),
    ],
)
def test_what_is_not_a_quantity_of_the_right_kind_is_refused(text: str, unit: str) -> None:
    with pytest.raises(InputError, match="write"):
        units.parse(text, unit)


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    try:
        units.parse(text, "mm")
    except InputError as refusal:
        assert len(str(refusal)) < 400


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("21 degC", 21.0),
        (" -5.5degC ", -5.5),
        ("21 °C", 21.0),
        ("21 C", 21.0),
        ("98.6 degF", 37.0),
        ("70 °F", 21.11111111111111),
        ("-40 F", -40.0),
        ("300 K", 26.85),
        ("491.67 degR", 0.0),
    ],
)
def test_a_temperature_is_read_in_degrees_celsius_and_rounded_once(text: str, celsius: float) -> None:
    assert units.parse_temperature(text) == celsius


@pytest.mark.parametrize(
    "text", ["21", "21 m", "degC", "21 degC/s", "21 degC K", "warm", "", "9" * 70, "1e999 K"]
)
def test_what_is_no_temperature_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"temperature|number"):
        units.parse_temperature(text)


def test_scale_units_are_forces_and_counts_are_nothing() -> None:
    assert all(map(units.is_force, ["N", "mN", "kN", "lbf", "kgf", "gf", "ozf", "g", "kg", "lb", "oz"]))
    assert all(map(units.is_length, ["mm", "um", "in", "cm"]))
    assert all(map(units.is_time, ["s", "ms", "us", "min"]))
    for unit in ("counts", "mm/s", "%", ""):
        assert not (units.is_force(unit) or units.is_length(unit) or units.is_time(unit))


def test_importing_units_does_not_load_pint() -> None:
    code = "import sys, rig.units; sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("unit", sorted(units._PLAIN))
def test_the_units_that_need_no_library_are_what_the_library_says(unit: str) -> None:
    # Source: the tables of pint, read from the package.
    kind, exact = units._PLAIN[unit]
    base = {"force": "N", "length": "mm", "time": "s", "mass": "g"}[kind]
    registry = pint.UnitRegistry(non_int_type=Fraction)
    assert registry.convert(Fraction(1), registry.parse_units(unit), registry.parse_units(base)) == exact
