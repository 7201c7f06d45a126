"""Public faces load what lies behind them when it is asked for, and nothing else."""

from __future__ import annotations

import importlib
import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import rig

RIG = Path(rig.__file__).parent
FACES = [
    ".".join(("rig", *path.parent.relative_to(RIG).parts))
    for path in sorted(RIG.rglob("__init__.py"))
    if path.parent != RIG
]


@pytest.mark.parametrize("face", FACES)
def test_every_public_name_can_be_had_and_is_what_its_module_says(face: str) -> None:
    package = importlib.import_module(face)
    found = {name: getattr(package, name) for name in package.__all__}
    assert [name for name, value in found.items() if isinstance(value, ModuleType)] == []
    assert set(package.__all__) <= set(dir(package))


def test_a_name_that_a_face_lacks_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match=r"'rig\.analyser' has no attribute 'colour'"):
        importlib.import_module("rig.analyser").colour  # noqa: B018


def asked_in_a_fresh_interpreter(program: str) -> object:
    run = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    return json.loads(run.stdout)


@pytest.mark.parametrize(
    "first", ["import rig.analyser.softening", "from rig.analyser import softening", "import rig.analyser"]
)
def test_a_name_spelled_like_its_module_means_the_function_whichever_came_first(first: str) -> None:
    program = (
        f"import json; {first}\nimport rig.analyser.softening\nimport rig.analyser\n"
        "print(json.dumps(callable(rig.analyser.softening)))"
    )
    assert asked_in_a_fresh_interpreter(program) is True


@pytest.mark.parametrize("face", FACES)
def test_importing_a_face_alone_loads_none_of_the_large_libraries(face: str) -> None:
    program = f"import json, sys, {face}; print(json.dumps(sorted(sys.modules)))"
    loaded = asked_in_a_fresh_interpreter(program)
    assert isinstance(loaded, list)
    assert {"pandas", "pint", "matplotlib", "scipy", "pyarrow", "fastapi"} & set(loaded) == set()


EXAMPLE = RIG.parent / "captures" / "example-F-90-001"


@pytest.mark.parametrize(
    ("line", "without"),
    [
        (["status"], {"pandas", "pint", "matplotlib", "scipy", "pyarrow"}),
        (["captures", "archive"], {"pandas", "pint", "matplotlib", "scipy"}),
        (["show", str(EXAMPLE)], {"pandas", "pint", "matplotlib", "scipy"}),
        (["analyse", str(EXAMPLE)], {"pandas", "pint", "matplotlib", "scipy.stats"}),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_a_command_loads_no_large_library_that_it_does_not_use(
    line: list[str], without: set[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # an archive that was never listed
    shutil.copytree(EXAMPLE, tmp_path / "archive" / "float", ignore=shutil.ignore_patterns(".results"))
    monkeypatch.chdir(tmp_path)
    program = (
        f"import io, json, sys; sys.argv = {['pressrig', *line]!r}\n"
        "from rig.cli import main\nout, sys.stdout = sys.stdout, io.StringIO()\n"
        "try: main()\nexcept SystemExit: pass\n"
        "sys.stdout = out; print(json.dumps(sorted(sys.modules)))"
    )
    loaded = asked_in_a_fresh_interpreter(program)
    assert isinstance(loaded, list)
    assert "rig.cli.main" in loaded
    assert without & set(loaded) == set()


@pytest.mark.parametrize("command", ["analyse", "captures", "compare", "reporting", "show"])
def test_a_command_that_has_drawn_nothing_yet_does_without_matplotlib(command):
    program = f"import sys, rig.cli.{command}; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
