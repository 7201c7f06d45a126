"""`pressrig sheet`: from captures and a register to a page."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from studied_captures import CALIBRATION, studied_capture

from rig.cli.sheet import command
from rig.errors import InputError
from rig.register import Record, Register

SPRING = [2.0, 2.1, 1.9]
AUTUMN = [1.4, 1.5, 1.45]
QUICK = ("--contact-force", "0.1 N")


@pytest.fixture(scope="module")
def pressed(tmp_path_factory):
    """Captures of two batches, and a register that knows their masses."""
    home = tmp_path_factory.mktemp("sheet")
    stiffnesses = {f"S{n}": each for n, each in enumerate(SPRING)} | {
        f"A{n}": each for n, each in enumerate(AUTUMN)
    }
    with Register(home / "specimens.sqlite") as register:
        for number, (name, stiffness) in enumerate(stiffnesses.items()):
            batch = "spring" if name.startswith("S") else "autumn"
            studied_capture(home / "captures", name, stiffness, number=number, batch=batch, by="A")
            register.add(
                name,
                [
                    Record(
                        specimen=name, kind="mass", value=60.0 + number, u=0.1, how="scale", at="2026-01-01"
                    ),
                    Record(specimen=name, kind="model", text="F-90", at="2026-01-01"),
                ],
            )
    return home


def sheet(home, *arguments):
    result = CliRunner().invoke(
        command, [*map(str, arguments), "--out", str(home / "out")], catch_exceptions=False
    )
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_folder_of_captures_becomes_a_page_with_its_tables(pressed, tmp_path):
    said = sheet(tmp_path, pressed / "captures", "--register", pressed / "specimens.sqlite", *QUICK)
    assert said.splitlines()[-1].startswith(str(tmp_path / "out" / "sheet.html"))
    assert "missing: Size" in said
    assert "missing: Mass" not in said
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"sheet.html", "sheet.md", "sheet.json", "force.csv", "figures.csv", "pieces.csv"} <= names
    assert "F-90" in (tmp_path / "out" / "sheet.md").read_text(encoding="utf-8")


def test_the_document_holds_the_stiffness_of_each_batch_within_its_interval(pressed, tmp_path):
    (alike,) = json.loads(sheet(tmp_path, pressed / "captures", *QUICK, "--json"))["sets"]
    for batch, stiffnesses in (("spring", SPRING), ("autumn", AUTUMN)):
        figures = alike["figures"][f"{batch}, new"]["secant_n_per_mm"]
        assert figures["n"] == 3
        assert figures["mean"] == pytest.approx(sum(stiffnesses) / 3, rel=0.005)
    (comparison,) = alike["comparisons"]
    secant = next(each for each in comparison["differences"] if each["quantity"] == "secant_n_per_mm")
    assert secant["low"] <= -0.55 <= secant["high"]


def test_captures_read_with_unlike_calibrations_stand_apart(pressed, tmp_path):
    other = CALIBRATION | {"name": "another"}
    path = studied_capture(tmp_path, "S9", 2.0, number=9, by="A", batch="spring", calibration=other)
    document = json.loads(sheet(tmp_path, pressed / "captures", path, *QUICK, "--json"))
    assert [each["set"] for each in document["sets"]] == ["A", "B"]


def test_a_folder_without_captures_is_refused(tmp_path):
    with pytest.raises(InputError, match="holds no captures"):
        CliRunner().invoke(command, [str(tmp_path)], catch_exceptions=False)


def test_a_register_that_is_not_there_is_refused(pressed, tmp_path):
    with pytest.raises(InputError, match="nowhere"):
        sheet(tmp_path, pressed / "captures", "--register", tmp_path / "nowhere.sqlite")
