"""Texts in the program use standard terms; each word refused here has a plainer or standard replacement."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

DONE = ("rig/aids", "rig/core", "rig/register", "rig/tables", "rig/population")
"""Folders whose texts are checked; add one when its texts are revised."""

TERMS = {
    r"foot exponent": "toe exponent",
    r"foot": "toe region",
    r"on the way back": "unloading",
    r"give of the frame|frame's give": "frame compliance",
    r"play": "backlash",
    r"travel until off": "displacement to pull-off",
    r"way back between": "retract distance",
    r"dwells?": "hold",
    r"take up a run": "resume a run",
    r"check pieces?": "check standard",
    r"unlike": "different, or measured under different conditions",
    r"alike": "equal, or measured under the same conditions",
    r"stands? off": "outlier",
    r"whose the spread is": "sources of variation",
    r"u of one": "standard uncertainty of one cycle",
    r"chance alone": "the difference could be chance",
    r"beyond the margin": "larger than the margin of X",
    r"within the margin": "smaller than the margin of X",
    r"so many": "the number of ...",
    r"nobody": "name who or what is missing",
    r"(is|are|was|were) (told|said)": "reported, stated, given",
}

ALLOWED: tuple[tuple[str, str], ...] = ()
"""File and text that may keep a term; a comment beside each entry states the reason."""


def texts(source: str) -> Iterator[tuple[int, str]]:
    """Return line and text of a module's literals, without docstrings of functions and classes."""
    tree = ast.parse(source)
    described = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, described) and node.body and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
            yield node.lineno, node.value


def refused(text: str) -> Iterator[str]:
    """Return the terms of a text that have a replacement, each with it."""
    for term, right in TERMS.items():
        # A term inside an identifier, such as a key or a file name, is not prose.
        found = re.search(rf"(?i)(?<![\w-])(?:{term})(?![\w-])", text)
        if found and " " in text.strip():
            yield f"{found[0]!r} -> {right}"


@pytest.mark.parametrize("folder", DONE)
def test_texts_use_standard_terms(folder: str) -> None:
    files = sorted((ROOT / folder).rglob("*.py"))
    assert files
    found = [
        f"{path.relative_to(ROOT)}:{line}: {problem} in {text!r}"
        for path in files
        for line, text in texts(path.read_text(encoding="utf-8"))
        if (path.relative_to(ROOT).as_posix(), text) not in ALLOWED
        for problem in refused(text)
    ]
    assert not found, "\n".join(found)


def test_a_refused_term_is_found_with_its_line() -> None:
    source = 'A = 1\n"""Nobody said so."""\nB = f"{A} check pieces: alike"\n'
    problems = [(line, problem) for line, text in texts(source) for problem in refused(text)]
    assert [line for line, _ in problems] == [2, 3, 3]
