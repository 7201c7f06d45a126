"""House rules that a linter does not know: who may import whom, what stands where, how things are named."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
RIG = ROOT / "rig"

BASE = {"errors", "units", "samples", "core", "renamed", "tables"}
MEASURES = {"calibration", "segmenter", "analyser"}
DEVICES = {"wire", "reader"}

ALLOWED: dict[str, set[str]] = {
    # What everybody may use knows nobody.
    "errors": set(),
    "guides": {"errors"},
    "units": {"errors"},
    "samples": {"errors"},
    "renamed": {"errors"},
    # What every part that meets untrusted input needs.
    "core": {"errors", "units", "renamed"},
    # Files to columns and rows; what a column is for, whoever reads it knows.
    "tables": {"errors", "units", "samples", "core"},
    # Bytes, ports, a rig of software: none of them knows of captures or of newtons.
    "wire": {"errors", "samples"},
    "reader": {"errors", "samples", "core", "wire"},
    "virtual": {*BASE, "wire"},
    # Counts and rules of the wire; what a count is, the caller knows.
    "conformance": {"errors", "samples", "core", "wire", "reader"},
    # Numbers: neither the disk nor the wire.
    "calibration": BASE,
    "segmenter": {*BASE, "calibration"},
    "analyser": {*BASE, "calibration", "segmenter"},
    # What to do to a specimen: read and checked, not done.
    "methods": BASE,
    # The disk: what a sample is, not what it means.
    "capture": BASE,
    "calibrationfile": {*BASE, "calibration"},
    "rigfile": {*BASE, *DEVICES, "calibration", "calibrationfile", "methods"},
    "rigchecks": {*BASE, "calibration", "rigfile"},
    # Result tables, not captures' files.
    "population": BASE,
    # What builders ask: arithmetic on results of pieces.
    "aids": {*BASE, "population"},
    # Which pieces there are; what a capture holds it is told.
    "register": {*BASE, "population"},
    # Captures in, results out; the arithmetic is theirs that it asks.
    "results": {*BASE, *MEASURES, "methods", "capture", "population", "aids", "register"},
    # Paper and screens: results and headers.
    "sheets": {
        *BASE,
        "calibration",
        "analyser",
        "capture",
        "methods",
        "population",
        "aids",
        "conformance",
        "results",
    },
    # The face for notebooks.
    "notebook": {*BASE, *MEASURES, "capture", "results"},
    "rig": {"notebook"},
    # What a rig can be asked to do; who asks, and where it is shown, others know.
    "jobs": {
        *BASE,
        *MEASURES,
        *DEVICES,
        "methods",
        "capture",
        "rigfile",
        "rigchecks",
        "calibrationfile",
        "results",
    },
    # Only these see everything, and only the command line sees the daemon.
    "daemon": {
        *BASE,
        *MEASURES,
        *DEVICES,
        "methods",
        "capture",
        "rigfile",
        "rigchecks",
        "calibrationfile",
        "results",
        "jobs",
        "workbench",
    },
    # Pages about captures: they read the archive's index and samples, and leave results to the command line.
    "workbench": {*BASE, "calibration", "capture", "results"},
    "cli": {
        *BASE,
        *MEASURES,
        *DEVICES,
        "methods",
        "virtual",
        "conformance",
        "capture",
        "population",
        "aids",
        "register",
        "calibrationfile",
        "rigfile",
        "rigchecks",
        "results",
        "sheets",
        "jobs",
        "daemon",
        "guides",
    },
}
"""Which part of `rig` may import which: the only truth about it. "rig" is the top package itself."""

FROM_THE_TOP = {"__version__"}
"""What any part may take from `rig` itself, which is loaded before every part of it."""

POSIX_ONLY = {"pty", "termios", "fcntl", "tty"}
"""Modules that Windows lacks; at the top of a module only inside `rig/virtual`."""

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "rig",
    "firmware_notes",
    "configs",
    "tests",
    "captures",
}

CARELESS = {
    "print",
    "eval",
    "exec",
    "yaml.load",
    "yaml.unsafe_load",
    "yaml.full_load",
    "pickle.load",
    "pickle.loads",
}

NAMES_THAT_SAY_NOTHING = {"utils", "util", "helpers", "helper", "common", "misc", "manager", "managers"}

MODULES = sorted(RIG.rglob("*.py"))
PACKAGES = sorted(path.parent for path in RIG.rglob("__init__.py"))


def kept_files() -> list[Path]:
    """Files that belong to the project: those that git knows, or all of its folders without git."""
    try:
        listed = subprocess.run(["git", "-C", str(ROOT), "ls-files", "-z"], check=True, capture_output=True)
        names = listed.stdout.decode().split("\0")
    except (OSError, subprocess.CalledProcessError):
        names = []
    files = [ROOT / name for name in names if name]
    if not files:
        files = [path for name in TOP_LEVEL for path in [ROOT / name, *(ROOT / name).rglob("*")]]
    return [path for path in files if path.is_file() and "__pycache__" not in path.parts]


def short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def part_of(path: Path) -> str:
    """The part of `rig` that a module belongs to."""
    inside = path.relative_to(RIG).parts
    return inside[0].removesuffix(".py").replace("__init__", "rig")


def imported(tree: ast.AST) -> Iterator[tuple[str, set[str], int]]:
    """Every import: the module's dotted name, the names taken from it, and the line."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, set(), node.lineno
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: a relative import; write it in full"
            yield node.module or "", {alias.name for alias in node.names}, node.lineno


def parts_imported(path: Path) -> Iterator[tuple[str, int]]:
    """Parts of `rig` that a module imports, inside functions too."""
    for module, names, line in imported(ast.parse(path.read_text(encoding="utf-8"))):
        top, _, rest = module.partition(".")
        if top != "rig":
            continue
        if rest:
            yield rest.split(".")[0], line
            continue
        for name in names - FROM_THE_TOP or ({"rig"} if not names else set()):
            yield (name if name in ALLOWED else "rig"), line


def complaints(path: Path) -> list[str]:
    part = part_of(path)
    return [
        f"{short(path)}:{line}: {part} imports {other}"
        for other, line in parts_imported(path)
        if other != part and other not in ALLOWED[part]
    ]


def test_every_part_of_rig_stands_in_the_table_of_imports() -> None:
    assert {part_of(path) for path in MODULES} == set(ALLOWED)


def test_imports_follow_the_table() -> None:
    assert [complaint for path in MODULES for complaint in complaints(path)] == []


def test_allowed_imports_run_in_one_direction() -> None:
    left = {part: set(others) for part, others in ALLOWED.items()}
    while left:
        settled = {part for part, others in left.items() if not others}
        assert settled, f"a circle among {sorted(left)}"
        left = {part: others - settled for part, others in left.items() if part not in settled}


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def taken_from(path: Path) -> Iterator[tuple[str, str]]:
    """Modules and names that a module imports, wherever in it."""
    for module, names, _ in imported(ast.parse(path.read_text(encoding="utf-8"))):
        yield from ((module, name) for name in names or {""})


def imports_between_modules() -> dict[str, set[str]]:
    """Modules that each module of `rig` imports, also for types only; a face's name counts as its home."""
    files = {module_name(path): path for path in MODULES}
    faces = {module_name(path) for path in PACKAGES}
    homes = {face: {name: module for module, name in taken_from(files[face])} for face in faces}

    def home(module: str, name: str) -> str:
        inner = f"{module}.{name}"
        return inner if inner in files else homes.get(module, {}).get(name, module)

    return {
        name: {home(*taken) for taken in taken_from(path)} & set(files) - faces - {name}
        for name, path in files.items()
        if name not in faces
    }


def circles(left: dict[str, set[str]]) -> set[str]:
    """Modules that are in a circle of imports, or between two circles."""
    while True:
        importing = {name for name, others in left.items() if others & set(left)}
        wanted = set().union(*left.values())
        kept = {name: left[name] for name in importing & wanted}
        if kept.keys() == left.keys():
            return set(kept)
        left = kept


def test_no_module_imports_itself_by_way_of_others() -> None:
    assert circles(imports_between_modules()) == set()


def test_a_circle_of_imports_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == {"b", "c"}


def users(folder: str, *libraries: str) -> list[str]:
    return [
        short(path)
        for path in MODULES
        if path.is_relative_to(RIG / folder)
        and any(module.split(".")[0] in libraries for module, _ in taken_from(path))
    ]


def test_the_command_line_computes_nothing() -> None:
    assert users("cli", "numpy", "scipy") == []


def test_only_the_command_line_knows_that_it_is_one() -> None:
    assert [name for name in users(".", "click") if not name.startswith("rig/cli/")] == []


def test_sheets_and_pages_see_no_samples() -> None:
    # types of arrays stand in the same module
    seen = {
        (short(path), name)
        for path in MODULES
        if path.is_relative_to(RIG / "sheets")
        for module, name in taken_from(path)
        if module == "rig.samples"
    }
    assert {name for _, name in seen} <= {"FloatArray", "IntArray", "BoolArray"}


def test_an_import_inside_a_function_is_seen(tmp_path: Path) -> None:
    # Only the parser is asked here; the file need not lie in the package.
    module = tmp_path / "deep.py"
    module.write_text("def f():\n    from rig.reader import Reader\n    import rig.wire.frames\n")
    assert list(parts_imported(module)) == [("reader", 2), ("wire", 3)]


def test_an_import_of_the_top_package_is_seen_but_its_version_is_free(tmp_path: Path) -> None:
    module = tmp_path / "top.py"
    module.write_text(
        "import rig\nfrom rig import __version__\nfrom rig import open_capture\nfrom rig import wire\n"
    )
    assert list(parts_imported(module)) == [("rig", 1), ("rig", 3), ("wire", 4)]


def platform_bound(path: Path) -> list[str]:
    """Imports that fail on Windows as soon as the module is imported."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    later = (ast.FunctionDef, ast.AsyncFunctionDef, ast.If, ast.Try)
    deferred = {id(inner) for node in ast.walk(tree) if isinstance(node, later) for inner in ast.walk(node)}
    return [
        f"{short(path)}:{line}: {module}"
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom) and id(node) not in deferred
        for module, _, line in imported(node)
        if module.split(".")[0] in POSIX_ONLY or module.startswith("rig.virtual")
    ]


def test_only_the_virtual_rig_needs_a_pseudo_terminal_to_be_imported() -> None:
    elsewhere = [path for path in MODULES if part_of(path) != "virtual"]
    assert [found for path in elsewhere for found in platform_bound(path)] == []


@pytest.mark.parametrize("package", PACKAGES, ids=short)
def test_each_package_has_a_docstring_and_one_public_face(package: Path) -> None:
    tree = ast.parse((package / "__init__.py").read_text(encoding="utf-8"))
    assert ast.get_docstring(tree)
    if package == RIG:
        return
    stated = [ast.unparse(node.targets[0]) for node in tree.body if isinstance(node, ast.Assign)]
    lazy = [
        node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
    ]
    # a face that imports at once lists its names; one that does not takes them from its imports
    assert ("__all__" in stated) + len(lazy) == 1
    assert ast.unparse(tree.body[-1]) == "import_when_used(__name__)" or not lazy
    words = " ".join((ast.get_docstring(tree) or "").split())
    assert "In: " in words
    assert "Out: " in words


def test_each_module_says_what_it_is_for() -> None:
    trees = {short(path): ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}
    assert [name for name, tree in trees.items() if not ast.get_docstring(tree)] == []


def careless_calls(path: Path) -> list[str]:
    """Calls that print past the command line's own output, or that run what a file says."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name = ast.unparse(node.func)
        careful = name == "yaml.load" and ast.unparse(node.args[-1]).endswith("SafeLoader")
        if name in CARELESS and not careful:
            found.append(f"{short(path)}:{node.lineno}: {name}")
    return found


def test_nothing_in_rig_prints_or_runs_what_a_file_says() -> None:
    assert [found for path in MODULES for found in careless_calls(path)] == []


ONE_PLACE = {
    "json.loads": "core/loading.py",
    "json.load": "core/loading.py",
    "yaml.safe_load": "core/loading.py",
    "yaml.load": "core/loading.py",
    "yaml.compose": "core/loading.py",
    "html.escape": "core/escaping.py",
    "click.echo": "cli/output.py",
    "click.secho": "cli/output.py",
    "Console": "cli/output.py",
    "figure.savefig": "sheets/plots.py",
}
"""Calls that have one place, where input is bounded and text is made harmless; all others go through it."""


def bypasses(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = (node for node in ast.walk(tree) if isinstance(node, ast.Call))
    named = [(ast.unparse(call.func), call.lineno) for call in calls]
    taken = [
        (f"{module}.{name}", line)
        for module, names, line in imported(tree)
        for name in names
        if module == "html"
    ]
    inside = path.relative_to(RIG).as_posix()
    return [
        f"{inside}:{line}: {name}" for name, line in named + taken if ONE_PLACE.get(name, inside) != inside
    ]


def test_input_is_read_and_text_is_shown_through_one_place() -> None:
    assert [found for path in MODULES for found in bypasses(path)] == []


DISTRIBUTIONS = {"serial": "pyserial", "yaml": "pyyaml"}
"""Of the modules that have another name than what is installed."""


def test_each_library_that_is_imported_is_declared_with_its_lowest_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [
        *project["dependencies"],
        *(line for extra in ("spreadsheets", "cluster") for line in project["optional-dependencies"][extra]),
    ]
    stated = dict(line.split(">=") for line in lines)
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in MODULES]
    tops = {module.split(".")[0] for tree in trees for module, _, _ in imported(tree)}
    foreign = {
        DISTRIBUTIONS.get(top, top).replace("_", "-") for top in tops - set(sys.stdlib_module_names) - {"rig"}
    }
    assert foreign - set(stated) == set()
    # Not imported, but used: the page serves a script of plotly, uvicorn speaks by websockets, and
    # pandas writes workbooks with xlsxwriter; Dask is loaded by name
    assert set(stated) - foreign == {"plotly", "websockets", "xlsxwriter", "dask", "distributed"}


def test_no_module_has_a_name_that_says_nothing() -> None:
    parts = {part.removesuffix(".py") for path in MODULES for part in path.relative_to(RIG).parts}
    assert not parts & NAMES_THAT_SAY_NOTHING


def test_the_top_level_holds_only_what_belongs_there() -> None:
    top = {path.relative_to(ROOT).parts[0] for path in kept_files()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


HOME = re.compile(r"/(?:home|root|Users|work)/|[A-Z]:\\Users")
ADDRESS = re.compile(r"https?://(?!\{)[^\s\"'<>)]+")
ADDRESSES_KEPT = {"http://www.w3.org/2000/svg"}
"""The name of the picture format's vocabulary; nothing is fetched from it."""

TEXT = {
    *(".py", ".md", ".toml", ".yaml", ".svg", ".jsonl", ".csv", ".txt", ".c", ".h", ".js", ".css", ".html"),
    *(".service", ".rules", ".json", ".cfg", ".sh", ""),
}


def texts() -> Iterator[tuple[Path, str]]:
    for path in kept_files():
        if path.suffix in TEXT:
            yield path, path.read_text(encoding="utf-8")


def test_no_file_holds_a_path_of_one_machine() -> None:
    assert [short(path) for path, text in texts() if HOME.search(text)] == []


def test_no_file_depends_on_an_address_on_the_net() -> None:
    found = {address for _, text in texts() for address in ADDRESS.findall(text)}
    assert found <= ADDRESSES_KEPT
