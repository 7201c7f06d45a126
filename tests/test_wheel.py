"""The wheel holds the methods and plans of the checkout, and a daemon that runs from it finds them."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("hatchling")

ROOT = Path(__file__).parents[1]
BUILD = "import sys; from hatchling.build import build_wheel; build_wheel(sys.argv[1])"
FOLDERS = "from rig.cli.serve import ready_folders; print(*ready_folders(), sep='\\n')"


def folders_seen(package: Path, here: Path) -> list[Path]:
    """Which folders a daemon would offer, with `rig` imported from a place."""
    words = [sys.executable, "-c", FOLDERS]
    environment = os.environ | {"PYTHONPATH": str(package)}
    found = subprocess.run(words, cwd=here, env=environment, capture_output=True, text=True, check=True)
    return [here / line for line in found.stdout.splitlines()]


def test_methods_and_plans_are_found_from_a_wheel_a_checkout_and_the_folder_here(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-c", BUILD, str(tmp_path)], cwd=ROOT, check=True)
    installed, here = tmp_path / "installed", tmp_path / "here"
    here.mkdir()
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as file:
        file.extractall(installed)
    for package, place in ((installed, installed / "rig" / "packaged"), (ROOT, ROOT / "configs")):
        assert folders_seen(package, here) == [place / "methods", place / "endurance"]
    for name in ("methods", "endurance"):
        texts = [
            {path.name: path.read_bytes() for path in folder.iterdir()}
            for folder in (ROOT / "configs" / name, installed / "rig" / "packaged" / name)
        ]
        assert texts[0] == texts[1] != {}
    (here / "configs" / "methods").mkdir(parents=True)
    assert folders_seen(installed, here) == [here / "configs" / "methods", here / "configs" / "endurance"]
