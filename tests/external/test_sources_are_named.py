"""Each check against the outside world says where its truth comes from and how it was had.

A value without a source cannot be trusted more than the code that it checks, and one written down from memory
is not one that was looked up. A title, year or place that comes from memory is marked *recalled*, also where
the value itself was *recomputed*. This is a rule of the house, not a value: it has no source of its own.
"""

import ast
import re
from pathlib import Path

import pytest

EXTERNAL = Path(__file__).parent
TRUTH = EXTERNAL.parent / "truth"

SOURCE = re.compile(r"Source: (?P<place>.+?); (?P<mark>recalled|recomputed|read from the package)")

WHEN = re.compile(r"\b(1[6-9]|20)\d\d\b|year not verified|version installed|versions installed|edition")
"""A year, an edition or version, or that it is not known."""

OUTSIDE = re.compile(r"\b(ISO|ASTM|NIST|ITF|JCGM|DIN|IEC)\b")
"""Who publishes what a check against the rig's own truth may take from outside."""


def checks(folder: Path) -> list[tuple[str, str]]:
    """Name and text of each test function of a folder, comments joined to one line."""
    found = []
    for path in sorted(folder.glob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)):
            if path != Path(__file__) and isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                lines = (ast.get_source_segment(text, node) or "").splitlines()
                joined = " ".join(line.strip().removeprefix("#").strip() for line in lines)
                found.append((f"{path.stem}::{node.name}", joined))
    return found


def name_only(value: str) -> str:
    return value if "::" in value else ""


def complaint(text: str) -> str | None:
    """What is missing in the source that a check names, if anything is."""
    source = SOURCE.search(text)
    if not source:
        return "no line `# Source: author or standard, year, place; recalled` (or another mark)"
    place, mark = source["place"], source["mark"]
    if len(place) <= 20 or not WHEN.search(place):
        return f"{place!r} has neither year nor edition, or no place"
    if mark == "recomputed" and "recalled" not in place:
        return f"{place!r} does not say that title, year and place are recalled"
    return None


@pytest.mark.parametrize(("name", "text"), checks(EXTERNAL), ids=name_only)
def test_a_check_names_its_source_its_year_and_how_it_was_had(name: str, text: str) -> None:
    assert complaint(text) is None, name


@pytest.mark.parametrize(("name", "text"), checks(TRUTH), ids=name_only)
def test_a_check_against_the_rigs_truth_names_what_it_takes_from_outside(name: str, text: str) -> None:
    assert not OUTSIDE.search(text) or complaint(text) is None, name


@pytest.mark.parametrize("path", sorted(TRUTH.glob("test_*.py")), ids=lambda path: path.stem)
def test_a_module_of_truths_says_where_they_come_from(path: Path) -> None:
    words = " ".join((ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split())
    source = SOURCE.search(words)
    assert source, f"{path.name}: its docstring has no `Source: ...; recomputed` (or the like)"
    assert "no outside value" in source["place"]


def test_there_are_checks() -> None:
    assert len(checks(EXTERNAL)) > 50
    assert len(checks(TRUTH)) > 20


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("an exact number", "no line"),
        ("# Source: A. Body, On floats, chapter 3 of volume two; recalled", "neither year nor edition"),
        ("# Source: A. Body, On floats, 1901, ch. 3; recomputed", "does not say"),
        ("# Source: A. Body, On floats, 1901 (recalled), ch. 3; recomputed", None),
    ],
)
def test_a_missing_source_is_found(line: str, why: str | None) -> None:
    # Invented lines.
    found = complaint(line)
    assert (found is None) == (why is None)
    assert why is None or why in str(found)
