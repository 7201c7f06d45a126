"""`pressrig specimens`: pieces entered, noted, measured, corrected, linked, listed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from command_line import ROOT, done, environment, pressrig

from rig.calibration import Height
from rig.capture import CaptureHeader, CaptureWriter

CONFIGS = ROOT / "configs" / "specimens"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)
    return tmp_path


def refusal(home, *arguments):
    finished = pressrig(home, "specimens", *arguments)
    assert finished.returncode == 2, finished.stdout
    return finished.stderr


def shown(home, name):
    return json.loads(done(home, "specimens", "show", name, "--json"))


def record(home, specimen, batch=None):
    """A capture that holds nothing but its header."""
    header = CaptureHeader(specimen=specimen, batch=batch, started=datetime(2026, 4, 2, 10, tzinfo=UTC))
    with CaptureWriter.create(home / "captures", header) as writer:
        writer.end("enough")


def test_a_piece_is_followed_from_its_moulding_on(home):
    said = done(
        home,
        *("specimens", "add", "F-90-001", "--batch", "spring", "--model", "F-90"),
        *("--drawing-size", "90 mm", "--moulded", "2026-03-14"),
        afresh=True,
    )
    assert "still missing: mass, size, captures" in said
    done(home, "specimens", "note", "F-90-001", "--state", "abused", "--orientation", "bore [up]")
    done(home, "weigh", "F-90-001=73.2 g")
    piece = shown(home, "F-90-001")
    assert (piece["state"], piece["orientation"], piece["mass_g"]) == ("abused", "bore [up]", 73.2)
    assert piece["since_moulding_days"] > 100
    number = next(each["number"] for each in piece["records"] if each["kind"] == "mass")
    done(home, "specimens", "correct", number, "37.2 g", "--reason", "digits swapped")
    assert shown(home, "F-90-001")["masses"][0]["g"] == 37.2
    number = next(each["number"] for each in piece["records"] if each["kind"] == "moulded")
    done(home, "specimens", "correct", number, "2026-03-15", "--reason", "the mould's own log")
    assert shown(home, "F-90-001")["moulded"] == "2026-03-15"
    history = done(home, "specimens", "show", "F-90-001")
    assert "digits swapped" in history
    assert history.count("bore [up]") == 2
    assert "73.2" in history


def test_a_list_says_what_is_missing(home):
    done(home, "specimens", "import", CONFIGS / "floats.csv")
    lines = done(home, "specimens", "list").splitlines()
    (row,) = (line for line in lines if line.startswith("F-90-004"))
    # no mass, no second diameter, no length
    assert row.split().count("missing") == 3
    assert [
        each["id"]
        for each in json.loads(done(home, "specimens", "list", "--state", "abused", "--json"))["specimens"]
    ] == ["F-90-005"]


def test_caliper_readings_make_roundness_and_a_difference_from_the_drawing(home):
    done(home, "specimens", "add", "F-90-001", "--drawing-size", "90 mm")
    sizing = json.loads(
        done(
            home,
            *("specimens", "size", "F-90-001", "diameter A=90.40 mm", "diameter B=89.80 mm", "--json"),
            *("--force", "2 N", "--instrument-u", "0.03 mm"),
        )
    )["F-90-001"]
    assert sizing["roundness_mm"] == pytest.approx(0.3)
    assert sizing["off_drawing_mm"] == pytest.approx(0.1)
    # 0.03 of the caliper and a last digit of 0.01 mm; normal, as both are taken to be known
    assert sizing["off_drawing_half95_mm"] == pytest.approx(
        1.96 * np.hypot(0.03, 0.01 / np.sqrt(12)), rel=1e-3
    )
    assert any("ISO 1101" in note for note in sizing["notes"])


def test_the_example_of_caliper_readings_goes_to_its_pieces(home):
    done(home, "specimens", "import", CONFIGS / "floats.csv")
    sizings = json.loads(done(home, "specimens", "size", "--table", CONFIGS / "caliper.csv", "--json"))
    assert sizings["F-90-001"]["directions"]["diameter A"]["mm"] == pytest.approx(90.42)
    assert sizings["F-90-001"]["directions"]["diameter A"]["n"] == 2
    assert sizings["F-90-002"]["roundness_mm"] == pytest.approx(0.05)


def test_the_rigs_height_becomes_a_size_with_its_force_and_uncertainty(home):
    done(home, "specimens", "add", "F-90-001")
    nothing = (None,) * 4
    at = Height(0.05, 89.97, 0.02, 8.0, *nothing, (89.97,), None, None, ())
    document = {"capture": "captures/h", "specimen": "F-90-001", "at_contact_force": at.as_dict()}
    (home / "height.json").write_text(json.dumps(document))
    done(home, "specimens", "size", "--height", "height.json")
    (size,) = shown(home, "F-90-001")["sizes"]
    assert (size["direction"], size["mm"], size["u_mm"], size["force_n"]) == ("height", 89.97, 0.02, 0.05)
    assert "is the height of F-90-001" in refusal(home, "size", "F-90-002", "--height", "height.json")


def test_captures_are_linked_and_conflicts_answer_no(home):
    done(home, "specimens", "add", "F-90-001", "--batch", "spring")
    for specimen, batch in (("F-90-001", "spring"), ("F-90-001", "autumn"), ("F-90-01", None)):
        record(home, specimen, batch)
    finished = pressrig(home, "specimens", "link", "captures", "--json")
    assert finished.returncode == 1
    found = json.loads(finished.stdout)
    assert [each["specimen"] for each in found["attached"]] == ["F-90-001"]
    whys = " ".join(each["why"] for each in found["conflicts"])
    assert "says batch autumn" in whys
    assert "did you mean F-90-001?" in whys
    assert shown(home, "F-90-001")["squeezed"].startswith("2026-04-02T10:00")


def test_captures_of_several_folders_are_linked_at_once(home):
    for folder, specimen in (("spring", "F-90-001"), ("autumn", "F-90-002"), ("autumn", "F-90-003")):
        with CaptureWriter.create(home / folder, CaptureHeader(specimen=specimen)):
            pass
    (home / "spring" / "broken").mkdir()
    (home / "spring" / "broken" / "capture.yaml").write_text("specimen: [", encoding="utf-8")
    finished = pressrig(home, "specimens", "link", "spring", "autumn/*F-90-002", "--add", "--json")
    found = json.loads(finished.stdout)
    assert finished.returncode == 1
    assert sorted(each["specimen"] for each in found["attached"]) == ["F-90-001", "F-90-002"]
    assert [each["capture"] for each in found["conflicts"]] == ["spring/broken"]


def test_a_history_that_was_exported_makes_the_same_register(home):
    done(home, "specimens", "import", CONFIGS / "floats.csv")
    done(home, "specimens", "note", "F-90-001", "--state", "worn", "--notes", "a second season")
    done(home, "specimens", "export", "history.csv", "--history")
    done(home, "specimens", "import", "history.csv", "--register", "again.sqlite")
    done(home, "specimens", "export", "once more.csv", "--history", "--register", "again.sqlite")
    assert (home / "once more.csv").read_text() == (home / "history.csv").read_text()


def test_what_is_wrong_is_refused_with_what_would_be_right(home):
    assert "no such register" in refusal(home, "list")
    done(home, "specimens", "add", "F-90-001")
    assert "did you mean F-90-001? If it is another piece" in refusal(home, "add", "F90-1")
    assert "give what to note" in refusal(home, "note", "F-90-001")
    assert "expected new, conditioned, abused, worn" in refusal(home, "note", "F-90-001", "--state", "old")
    assert "--drawing-size: '90' has no unit" in refusal(home, "add", "F-90-002", "--drawing-size", "90")
    assert "did you mean F-90-001?" in refusal(home, "show", "F-90-0O1")
    assert "such as 'diameter A=90.4 mm'" in refusal(home, "size", "F-90-001", "90.4 mm")
    assert "give the right VALUE" in refusal(home, "correct", "1", "--reason", "slip")
    (home / "height.json").write_text("{}")
    assert "not the output of `pressrig height --json`" in refusal(home, "size", "--height", "height.json")
    (home / "there.csv").write_text("")
    assert "already exists" in refusal(home, "export", "there.csv")
