"""Each check against the outside world says where its truth comes from and how it was had.

A value without a source cannot be trusted more than the code that it checks, and one written down from memory
is not one that was looked up. This is a rule of the house, no value: it has no source of its own.
"""

import ast
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent

SOURCE = re.compile(r"Source: (?P<place>.+?)(?P<mark>recalled|recomputed|read from the package)")

WHEN = re.compile(r"\b(1[6-9]|20)\d\d\b|year not verified|version installed|versions installed|edition")
"""A year, an edition or version, or that it is not known."""


def checks() -> list[tuple[str, str]]:
    """Name and text of each test function beside this one, comments joined to one line."""
    found = []
    for path in sorted(FOLDER.glob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)):
            if path != Path(__file__) and isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                lines = (ast.get_source_segment(text, node) or "").splitlines()
                joined = " ".join(line.strip().removeprefix("#").strip() for line in lines)
                found.append((f"{path.stem}::{node.name}", joined))
    return found


@pytest.mark.parametrize(("name", "text"), checks(), ids=lambda value: value if "::" in value else "")
def test_a_check_names_its_source_its_year_and_how_it_was_had(name: str, text: str) -> None:
    source = SOURCE.search(text)
    assert source, f"{name}: no line `# Source: author or standard, year, place; recalled` (or the like)"
    assert WHEN.search(source["place"]), f"{name}: {source['place']!r} has neither year nor edition"
    assert len(source["place"]) > 20


def test_there_are_checks() -> None:
    assert len(checks()) > 50
