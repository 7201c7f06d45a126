"""Texts in the program use standard terms; each word refused here has a plainer or standard replacement."""

import ast
import io
import re
import tokenize
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

PACKAGES = sorted(path.name for path in (ROOT / "rig").iterdir() if (path / "__init__.py").exists())

DOCUMENTS = (
    "README.md",
    "DEVELOPERS.md",
    "rig/guides/*.md",
    "firmware_notes/**/*.md",
    "configs/**/*.*",
    "rig/**/*.html",
    "rig/**/*.js",
    "rig/**/*.css",
)

TERMS = {
    r"foot exponent": "toe exponent",
    r"foot": "toe region",
    r"on the way back": "unloading",
    r"give of the frame|frame's give": "frame compliance",
    r"play": "backlash",
    r"travel until off": "displacement to pull-off",
    r"way back between": "retract distance",
    r"dwells?": "hold",
    r"touch(?:es|ed|ing)?": "contact check, contact; or the plain verb: meet, press, change",
    r"take up a run": "resume a run",
    r"check pieces?": "check standard",
    r"unlike": "different, or measured under different conditions",
    r"alike": "equal, or measured under the same conditions",
    r"stands? off": "outlier",
    r"whose the spread": "sources of variation",
    r"work in and out|energy (?:in and out|given back)": "energy absorbed / returned",
    r"on the way (?:in|out)": "during loading, during unloading",
    r"delay between (?:the )?channels": "force-position time offset",
    r"force left": "force retention",
    r"pieces with a spread": "coefficient of variation, or standard deviation between pieces",
    r"(?:may|must never) know|knows (?:no|only|nothing)": "depends on, imports",
    r"u of one": "standard uncertainty of one cycle",
    r"chance alone": "the difference could be chance",
    r"beyond the margin": "larger than the margin of X",
    r"within the margin": "smaller than the margin of X",
    r"so many": "the number of ...",
    # in a caution it says that a person must not, or need not, be there
    r"nobody(?! (?:else|there|at the computer)\b|'s hand)": "name who or what is missing",
    r"(is|are|was|were) (told|said)": "reported, stated, given",
}

ALLOWED = {
    # names of fields of the wire protocol, which programs of others read
    "firmware_notes/protocol.md": ("dwell",),
    # refused with the new name, or read in what was recorded before
    "rig/renamed.py": ("touch",),
    # a function of that name is shown in an example
    "rig/register/near_ids.py": ("alike",),
}
"""Terms that a file may keep."""

OLD_WORDS = {"foot", "feet", "play", "dwell", "dwells", "alike", "unlike", "touch", "touches", "touched"}
"""Parts that a public name (a column, a key, an option) may not have."""

OLD_STEP = {"touch", "touches", "touched", "touching"}
"""Parts that no function, class, argument, field or variable of the program may have."""

OLD_NAMES = {
    # refused with the new name
    "rig/renamed.py": OLD_WORDS,
    "rig/calibration/frame.py": {"touch"},
    "rig/cli/analyse.py": {"foot"},
    "rig/cli/height.py": {"touches"},
    "rig/cli/simulate.py": {"dwell"},
    # the protocol's own fields
    "rig/wire": {"dwell"},
}
"""Old words that the public names of a file or folder may keep."""


def texts(source: str) -> Iterator[tuple[int, str]]:
    """Return line and text of a module's literals, docstrings and comments."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def refused(text: str) -> Iterator[str]:
    """Return the terms of a text that have a replacement, each with it."""
    for term, right in TERMS.items():
        # A term inside an identifier, such as a key or a file name, is not prose.
        found = re.search(rf"(?i)(?<![\w-])(?:{term})(?![\w-])", text)
        if found and " " in text.strip():
            yield f"{found[0]!r} -> {right}"


def old_names(source: str) -> Iterator[tuple[int, str]]:
    """Return line and text of literals that are a name with an old word in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            name = node.value.lower()
            if re.fullmatch(r"[a-z0-9_-]+", name) and OLD_WORDS & set(re.split(r"[_-]", name)):
                yield node.lineno, node.value


def definitions(source: str) -> Iterator[tuple[int, str]]:
    """Return line and name of what a module defines with an old step's name in it."""
    for node in ast.walk(ast.parse(source)):
        names = [node.name] if isinstance(node, ast.FunctionDef | ast.ClassDef) else []
        names += [node.arg] if isinstance(node, ast.arg) else []
        names += [node.id] if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store) else []
        for name in names:
            words = re.findall(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+", name)
            if OLD_STEP & {word.lower() for word in words}:
                yield node.lineno, name


def found_in(path: Path, numbered: Iterable[tuple[int, str]]) -> list[str]:
    """Return file, line, term and replacement of what a file may not say."""
    name = path.relative_to(ROOT).as_posix()
    return [
        f"{name}:{line}: {problem} in {text!r}"
        for line, text in numbered
        for problem in refused(text)
        if not any(problem.lower().startswith(f"'{term}") for term in ALLOWED.get(name, ()))
    ]


@pytest.mark.parametrize("package", [*PACKAGES, ""])
def test_texts_use_standard_terms(package: str) -> None:
    folder = ROOT / "rig" / package
    files = sorted(folder.rglob("*.py") if package else folder.glob("*.py"))
    assert files
    found = [problem for path in files for problem in found_in(path, texts(path.read_text(encoding="utf-8")))]
    assert not found, "\n".join(found)


def test_columns_keys_and_options_have_no_old_names() -> None:
    found = []
    for path in sorted((ROOT / "rig").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        kept = {word for place, words in OLD_NAMES.items() if name.startswith(place) for word in words}
        found += [
            f"{name}:{line}: {text!r}"
            for line, text in old_names(path.read_text(encoding="utf-8"))
            if not kept & set(re.split(r"[_-]+", text.lower()))
        ]
    assert not found, "\n".join(found)


def test_nothing_is_defined_by_the_old_name_of_a_step() -> None:
    files = sorted((ROOT / "rig").rglob("*.py"))
    found = [
        f"{path.relative_to(ROOT)}:{line}: {name}"
        for path in files
        for line, name in definitions(path.read_text(encoding="utf-8"))
    ]
    assert not found, "\n".join(found)
    assert not [path for path in files if OLD_STEP & set(path.stem.split("_"))]


@pytest.mark.parametrize("pattern", DOCUMENTS)
def test_documents_and_examples_use_standard_terms(pattern: str) -> None:
    files = [
        path
        for path in sorted(ROOT.glob(pattern))
        if path.suffix in (".md", ".yaml", ".csv", ".service", ".html", ".js", ".css")
        and "node_modules" not in path.parts
    ]
    assert files
    found = [
        problem
        for path in files
        for problem in found_in(path, enumerate(path.read_text(encoding="utf-8").splitlines(), start=1))
    ]
    assert not found, "\n".join(found)


def test_a_refused_term_is_found_with_its_line() -> None:
    source = 'A = 1\nC = "Nobody said so."\nB = f"{A} check pieces: alike"  # of a dwell\n'
    problems = [(line, problem) for line, text in texts(source) for problem in refused(text)]
    assert [line for line, _ in problems] == [2, 3, 3, 3]


def test_a_definition_by_an_old_name_is_found() -> None:
    source = "class PlatenTouch:\n    touches_mm: float\n    untouched_s: float\nMOST_TOUCHES = 3\n"
    assert {name for _, name in definitions(source)} == {"PlatenTouch", "touches_mm", "MOST_TOUCHES"}


def test_an_old_name_is_found_whatever_stands_around_it() -> None:
    source = 'A = {"dwell_s": 1, "display": 2, "hold_s": 3}\nB = "--foot-exponent"\n'
    assert {text for _, text in old_names(source)} == {"dwell_s", "--foot-exponent"}
