"""`pressrig sheet`: from captures and a register to a page."""

from __future__ import annotations

import json
import math
import re

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
    (comparable,) = json.loads(sheet(tmp_path, pressed / "captures", *QUICK, "--json"))["sets"]
    for batch, stiffnesses in (("spring", SPRING), ("autumn", AUTUMN)):
        figures = comparable["figures"][batch]["secant_n_per_mm"]
        assert figures["n"] == 3
        assert figures["mean"] == pytest.approx(sum(stiffnesses) / 3, rel=0.005)
    (comparison,) = comparable["comparisons"]
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


def test_pieces_of_several_models_are_refused_until_one_is_named(pressed, tmp_path):
    other = studied_capture(tmp_path / "more", "B1", 5.0, number=9, by="A", batch="spring")
    register = tmp_path / "both.sqlite"
    with Register(register) as opened:
        for name, model in (("S0", "F-90"), ("S1", "F-90"), ("B1", "B-40")):
            opened.add(name, [Record(specimen=name, kind="model", text=model, at="2026-01-01")])
    given = (pressed / "captures", other, "--register", register, *QUICK)
    with pytest.raises(InputError, match="several models: F-90, B-40"):
        sheet(tmp_path, *given)
    document = json.loads(sheet(tmp_path, *given, "--model", "F-90", "--json"))
    assert "B1" not in json.dumps(document["sets"])
    assert any("another model: B1" in note for note in document["notes"])
    with pytest.raises(InputError, match="no captured piece of 'C-1'"):
        sheet(tmp_path, *given, "--model", "C-1")


def test_what_cannot_be_measured_in_a_folder_is_left_out_and_named(pressed, tmp_path):
    folder = tmp_path / "captures"
    studied_capture(folder, "S0", 2.0, by="A")
    untouched = studied_capture(folder, "S9", 0.0, number=2, by="A")
    torn = folder / "torn"
    torn.mkdir()
    (torn / "capture.yaml").write_text("specimen: [", encoding="utf-8")
    said = sheet(tmp_path, folder, *QUICK)
    assert f"note: Left out: {untouched}" in said
    assert f"note: Left out: {torn}" in said
    assert "only S0 was pressed" in said
    with pytest.raises(InputError, match="no sound cycle"):
        sheet(tmp_path, untouched, *QUICK)


def test_a_capture_that_is_named_and_lies_in_the_folder_counts_once(pressed, tmp_path):
    first = next((pressed / "captures").iterdir())
    document = json.loads(sheet(tmp_path, first, pressed / "captures", *QUICK, "--json"))
    assert len(document["captures"]) == len(SPRING) + len(AUTUMN)


def test_contact_checks_after_the_release_are_told_piece_by_piece(tmp_path):
    method = {"kind": "endurance"}
    path = studied_capture(tmp_path / "captures", "S0", 2.0, by="A", method=method)
    with (path / "events.jsonl").open("a", encoding="utf-8") as events:
        for after_s in (1.0, 10.0, 100.0, 1000.0, 10000.0):
            # three tenths of a millimetre less for ten times the time
            check = {
                "kind": "recovery contact check",
                "after_s": after_s,
                "set_mm": 2.0 - 0.3 * math.log10(after_s),
            }
            events.write(json.dumps(check) + "\n")
    document = json.loads(sheet(tmp_path, path, *QUICK, "--json"))
    (capture,) = document["captures"]
    assert capture["recovery"][2] == [100.0, pytest.approx(1.4)]
    page = (tmp_path / "out" / "sheet.md").read_text(encoding="utf-8")
    section = page[page.index("## Recovery") :]
    assert "| 1 | 1000 s | 1.100 |" in section
    assert "2.78 h | 0.800" in section
    assert "logarithm" in section
    assert not any(each.startswith("Recovery") for each in document["missing"])


def test_the_set_of_the_last_cycle_stands_beside_the_mean_over_the_cycles(tmp_path):
    for number, sags_mm in enumerate((0.30, 0.40, 0.50)):
        studied_capture(
            tmp_path / "captures", f"S{number}", 2.0, number=number, by="A", batch="spring", sags_mm=sags_mm
        )
    document = json.loads(sheet(tmp_path, tmp_path / "captures", *QUICK, "--json"))
    figures = document["sets"][0]["figures"]["spring"]
    # two cycles: none at the first, all of it at the second
    # contacts of these coarse strokes are known to about a hundredth of a millimetre
    assert figures["set_last_mm"]["mean"] == pytest.approx(0.40, abs=0.02)
    assert figures["set_mm"]["mean"] == pytest.approx(0.20, abs=0.01)
    page = (tmp_path / "out" / "sheet.md").read_text(encoding="utf-8")
    assert "| permanent set, last cycle, mm | spring | 3 |" in page
    assert "Every capture holds 2 cycles." in page


SPREAD = (-0.05, -0.03, -0.02, 0.0, 0.01, 0.02, 0.03, 0.04)
"""Of eight pieces about their batch, N/mm: their mean is 0."""

PLANTED = -0.30
ABUSED = -0.20


def test_a_softer_batch_and_three_abused_floats_are_told_with_what_was_planted(tmp_path):
    folder, number = tmp_path / "captures", 0
    for batch, stiffness in (("spring", 2.0), ("autumn", 2.0 + PLANTED)):
        for place, away in enumerate(SPREAD):
            studied_capture(
                folder, f"{batch[0]}{place}", stiffness + away, number=number, by="A", batch=batch
            )
            number += 1
    for place, away in enumerate(SPREAD[:3]):
        studied_capture(
            folder, f"s{place}", 2.0 + away + ABUSED + 0.004 * place, number=number, by="A", batch="spring",
            conditions={"state": "abused"},
        )  # fmt: skip
        number += 1
    said = sheet(tmp_path, folder, "--margin", "secant_n_per_mm=0.1 N/mm", *QUICK)
    assert re.search(
        r"autumn is softer than spring: .*secant stiffness at the peak .*larger than the margin", said
    )
    assert re.search(r"abused is softer than not stated: .*larger than the margin", said)
    (comparable,) = json.loads((tmp_path / "out" / "sheet.json").read_text(encoding="utf-8"))["sets"]
    batches, states = (
        next(each for each in found["differences"] if each["quantity"] == "secant_n_per_mm")
        for found in comparable["comparisons"]
    )
    assert (batches["n_first"], batches["n_second"]) == (8, 8)
    assert batches["low"] < PLANTED < batches["high"]
    assert states["paired"]
    assert states["low"] < ABUSED + 0.004 < states["high"]


def test_a_depth_that_is_none_is_refused_once_and_by_its_option(pressed):
    with pytest.raises(InputError, match=r"^--at: .*'kg' does not convert to 'mm'"):
        CliRunner().invoke(command, [str(pressed / "captures"), "--at", "10kg"], catch_exceptions=False)
