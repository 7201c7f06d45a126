"""Texts and tables in SI become US or both where they are shown, and no figure loses its meaning."""

import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.core import (
    choose_units,
    chosen_units,
    forget_units,
    in_chosen_units,
    keep_names,
    open_file,
    table_in_chosen_units,
)
from rig.errors import InputError

# NIST Special Publication 811 (2008), appendix B: recalled
EXACT = {
    "N": ("lbf", 1 / Fraction("4.4482216152605")),
    "mm": ("in", 1 / Fraction("25.4")),
    "N/mm": ("lbf/in", Fraction("25.4") / Fraction("4.4482216152605")),
    "g": ("oz", 1 / Fraction("28.349523125")),
    "mJ": ("in lbf", 1 / (Fraction("25.4") * Fraction("4.4482216152605"))),
}


@pytest.fixture(autouse=True)
def nothing_chosen(monkeypatch):
    monkeypatch.delenv("PRESSRIG_UNITS", raising=False)
    forget_units()
    yield
    forget_units()


# the first conversion loads the table of units
@settings(deadline=None)
@given(
    st.decimals(min_value="0.001", max_value="99999", places=3).map(str),
    st.sampled_from(sorted(EXACT)),
)
def test_a_converted_number_is_the_exact_one_within_the_step_of_the_original(text, unit):
    name, many = EXACT[unit]
    shown = re.fullmatch(rf"about (\S+) {re.escape(name)}\.", in_chosen_units(f"about {text} {unit}.", "us"))
    exact = Fraction(text) * many
    # the step shown is at most the square root of ten times that of the number, half of it is the rounding
    assert abs(Fraction(shown[1]) - exact) <= Fraction("1.6") * Fraction("0.001") * many


@pytest.mark.parametrize(
    ("text", "us"),
    [
        ("90 mm high", "3.54 in high"),
        ("47.2 to 50.8 N", "10.61 to 11.42 lbf"),
        ("24.05 mm/s", "0.947 in/s"),
        ("an area of 3000 mm^2", "an area of 4.650 in^2"),
        ("found '90 mm', give `--force 80 N`", "found '90 mm', give `--force 80 N`"),
        ("the rig's 90 mm isn't", "the rig's 3.54 in isn't"),
        ("0 N and 25 %, F-90 N, x=3 mm, 5 Nm, 3 mm/N", "0 lbf and 25 %, F-90 N, x=3 mm, 5 Nm, 3 mm/N"),
    ],
)
def test_sentences_in_us_units(text, us):
    assert in_chosen_units(text, "us") == us


def test_quantities_within_names_stay_as_they_were_typed(tmp_path):
    (tmp_path / "pad 5 mm.yaml").write_text("{}")
    with open_file(tmp_path / "pad 5 mm.yaml"):
        keep_names("float 90 mm spring", "12 mm F-90", None, "40 N")
    said = "float 90 mm spring and 12 mm F-90 (pad 5 mm.yaml) differ by"
    shown = in_chosen_units(f"{said} 90 mm, 12 mm, 5 mm and 40 N", "us")
    assert shown == f"{said} 3.54 in, 0.472 in, 0.20 in and 8.99 lbf"
    forget_units()
    assert "90 mm" not in in_chosen_units(said, "us")
    named = table_in_chosen_units("batches", ("batch", "height, mm"), [("40 N", "90.0")], "us")
    assert named[2] == (("40 N", "3.54"),)


def test_both_stand_beside_each_other_and_metric_changes_nothing():
    assert in_chosen_units("a gap of 41.52 mm", "both") == "a gap of 41.52 mm [1.635 in]"
    assert in_chosen_units("a gap of 41.52 mm", "metric") == "a gap of 41.52 mm"


def test_a_table_is_converted_by_heading_by_its_column_of_units_and_by_its_caption():
    rows = [("force", "N", "49.03", "3")]
    assert table_in_chosen_units("Means", ("quantity", "unit", "mean", "n"), rows, "us")[2] == (
        ("force", "lbf", "11.022", "3"),
    )
    caption, heads, cells = table_in_chosen_units(
        "force, N", ("batch", "mean", "CV %"), [("a", "10.0", "4")], "us"
    )
    assert (caption, heads, cells) == ("force, lbf", ("batch", "mean", "CV %"), (("a", "2.25", "4"),))
    assert table_in_chosen_units("", ("gap, mm", "Hedges' g"), [("1", "2.0")], "us")[1:] == (
        ("gap, in", "Hedges' g"),
        (("0.039", "2.0"),),
    )


def test_the_column_of_us_values_goes_once_a_system_is_chosen():
    heads, rows = ("what", "value", "unit", "US"), [("gap", "41.5", "mm", "1.634 in")]
    assert table_in_chosen_units("", heads, rows)[1] == heads
    assert table_in_chosen_units("", heads, rows, "metric")[1:] == (heads[:3], (("gap", "41.5", "mm"),))


def test_the_option_comes_before_the_environment_and_that_before_the_rig_file(monkeypatch):
    choose_units("both", "rig file")
    assert chosen_units() == "both"
    monkeypatch.setenv("PRESSRIG_UNITS", "us")
    assert chosen_units() == "us"
    choose_units("metric", "option")
    assert chosen_units() == "metric"


def test_a_wrong_system_in_the_environment_is_refused_by_name(monkeypatch):
    monkeypatch.setenv("PRESSRIG_UNITS", "imperial")
    with pytest.raises(InputError, match=r"PRESSRIG_UNITS: found 'imperial', expected metric, us, both"):
        in_chosen_units("1 mm")
