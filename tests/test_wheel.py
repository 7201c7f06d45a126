"""The wheel holds the methods, plans and cautions of the checkout, and its commands find them."""

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


def test_methods_plans_and_cautions_are_found_from_wheel_checkout_and_here(tmp_path: Path) -> None:
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
    cautions = [
        subprocess.run(
            [sys.executable, "-c", "from rig.guides import guide; print(guide('safety'), end='')"],
            cwd=here,
            env=os.environ | {"PYTHONPATH": str(package)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for package in (installed, ROOT)
    ]
    assert cautions == [(ROOT / "firmware_notes" / "safety.md").read_text(encoding="utf-8")] * 2
    (here / "configs" / "methods").mkdir(parents=True)
    assert folders_seen(installed, here) == [here / "configs" / "methods", here / "configs" / "endurance"]
