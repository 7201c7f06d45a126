"""Text that nobody vouches for: each output shows it and obeys nothing of it.

The truth is what does the showing: a browser's parser for HTML, matplotlib for plots, json for JSON, the csv
module for tables. What a terminal, a spreadsheet and Markdown obey is written down here from ECMA-48 (control
functions), Unicode Standard Annex 9 (directional formatting characters) and the CommonMark specification, all
*recalled*.
"""

from __future__ import annotations

import csv
import io
import json
import unicodedata

import html5lib
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rig.core import csv_cell, from_csv_cell, html_text, json_visible, markdown_text, plot_text, visible

DIRECTIONAL = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""UAX 9, table of directional formatting characters."""

ANY_TEXT = st.text(max_size=30) | st.text("$_^{}\\\\[]<>&'\"=+-@|*`#\x1b\x9b\u202e a1", max_size=30)


@settings(max_examples=300, deadline=None)
@given(ANY_TEXT)
@example("\x1b]0;title\x07")
@example(DIRECTIONAL)
def test_nothing_that_a_terminal_obeys_is_left(text: str) -> None:
    shown = visible(text)
    assert not [sign for sign in shown if unicodedata.category(sign) == "Cc" and sign not in "\t\n"]
    assert not set(shown) & set(DIRECTIONAL)
    shown.encode("utf-8")  # half a surrogate pair cannot be


@pytest.mark.parametrize(
    "name", ["F-90-001", "Schwimmer Größe 90", "浮き", "नमूना", "می‌خواهم", "a\tb\nc", "😀"]
)
def test_a_name_of_any_script_stays_what_it_is(name: str) -> None:
    assert visible(name) == name


def test_two_names_that_differ_look_different() -> None:
    names = ["F-90", "F-90\u200b", "F\xad-90", "F-90\ufeff", "F-90\x00", "F-90\u202e"]
    assert len({visible(name) for name in names}) == len(names)


@settings(max_examples=200, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=30))
def test_json_stays_the_same_value(text: str) -> None:
    shown = json_visible(json.dumps({text: text}, ensure_ascii=False))
    assert json.loads(shown) == {text: text}
    assert visible(shown) == shown


@settings(max_examples=300, deadline=None)
@given(ANY_TEXT)
@example("'=1+1")
@example("=cmd|' /C calc'!A0")
@example("-3.5 mm")
def test_a_cell_begins_no_formula_and_comes_back(text: str) -> None:
    text = visible(text)
    out = io.StringIO()
    csv.writer(out).writerow([csv_cell(text), "end"])
    (cell, _), *_ = csv.reader(io.StringIO(out.getvalue(), newline=""))
    is_number = text.lstrip("+-").replace(".", "", 1).replace("e", "", 1).isdigit()
    assert is_number or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert from_csv_cell(cell) == text


def test_numbers_in_a_table_stay_numbers() -> None:
    assert [csv_cell(value) for value in (-1.5, 3, "-1.5", "+2e-3", None, True)] == [
        -1.5,
        3,
        "-1.5",
        "+2e-3",
        None,
        True,
    ]


@settings(max_examples=200, deadline=None)
@given(ANY_TEXT)
@example("<script>alert(1)</script>")
@example('" onload="alert(1)')
def test_html_shows_the_text_and_nothing_of_it_becomes_an_element(text: str) -> None:
    page = f'<p title="{html_text(text)}">{html_text(text)}</p>'
    root = html5lib.parseFragment(page, namespaceHTMLElements=False)
    (paragraph,) = root
    assert len(paragraph) == 0
    assert paragraph.text or visible(text) == ""
    assert paragraph.attrib == {"title": visible(text)}


@settings(max_examples=60, deadline=None)
@given(ANY_TEXT)
@example("$x_{")
@example("$x$ and \\$y\\$")
@example("\\frac{$a$}")
def test_matplotlib_sets_nothing_as_mathematics(text: str) -> None:
    figure = Figure(figsize=(2, 1))
    FigureCanvasAgg(figure)
    words = figure.text(0, 0, plot_text(text))
    shown, is_mathematics = words._preprocess_math(words.get_text())
    assert not is_mathematics
    assert shown == visible(text)


@pytest.mark.parametrize(
    "text",
    [
        "*a*",
        "_a_",
        "`a",
        "<b>",
        "[x](y)",
        "![x](y)",
        "a|b",
        "# a",
        "$a$",
        "~~a~~",
        "&amp;",
        "- a",
        "1. a",
        "\\*",
    ],
)
def test_markdown_escapes_what_it_would_obey(text: str) -> None:
    shown = markdown_text(text)
    bare = shown.replace("\\\\", "")
    for sign in "*_`<>[]|#$~&":
        assert f"{sign}" not in bare.replace(f"\\{sign}", "")
    assert not bare.startswith(("- ", "1. "))


def test_a_command_between_backticks_stays_one_in_markdown() -> None:
    assert markdown_text("try `pressrig show a_b`\nnow") == "try `pressrig show a_b` now"
