"""Documents and tables of captures, as another program reads them."""

from __future__ import annotations

import csv
import json
import subprocess
from pathlib import Path

import pytest
from command_line import PATIENCE_S, PRESSRIG, analysed, done, pressrig, running

DOCUMENT = {"capture", "specimen", "batch", "free_height_mm", "datum", "cycles", "summary", "warnings"}

MEASURED = {
    "contact_mm",
    "contact_at_force_mm",
    "peak_force_n",
    "peak_deflection_mm",
    "secant_n_per_mm",
    "tangent_n_per_mm",
    "initial_n_per_mm",
    "energy_absorbed_mj",
    "energy_returned_mj",
    "loss_mj",
    "hysteresis_pct",
    "set_mm",
    "rate_mm_per_s",
}

# Read by hand on a soft moulded part, common practice, no source: travel in mm and force in N.
HAND_TABLE = "travel,load\n12.7,8.90\n25.4,13.34\n38.1,17.79\n50.8,22.24\n"
HAND_SECANTS = [0.701, 0.525, 0.467, 0.438]


@pytest.fixture(scope="module")
def hand_read(tmp_path_factory):
    home = tmp_path_factory.mktemp("hand")
    (home / "part.csv").write_text(HAND_TABLE)
    output = done(
        home, "import", "part.csv", "--position", "travel:mm", "--force", "load:N", "--specimen", "R1",
        "--out", home / "captures", afresh=True,
    )  # fmt: skip
    return analysed(home, output.splitlines()[-1])


def test_the_document_has_the_fields_that_other_programs_read(framed, document) -> None:
    capture, _ = framed
    assert set(document) >= DOCUMENT
    assert document["capture"] == str(capture)
    assert (document["specimen"], document["batch"]) == ("K1", "spring")
    assert (document["free_height_mm"], document["datum"]) == (60.0, "cycle")
    assert [each["cycle"] for each in document["cycles"]] == [1, 2, 3]
    for cycle in document["cycles"]:
        assert set(cycle) >= MEASURED | {f"{name}_u" for name in MEASURED} | {
            "flags",
            "start_s",
            "end_s",
            "at",
        }
        assert cycle["flags"] == []
        assert [each["at"] for each in cycle["at"]] == ["10%", "25%", "40%", "50%", "65%"]
        assert all({"at", "loading_n", "unloading_n"} <= set(each) for each in cycle["at"])


def test_a_number_that_cannot_be_had_is_null_and_its_reason_given(framed) -> None:
    capture, _ = framed
    document = analysed(capture.parent, capture, "--at", "5mm,50%")
    assert [each["at"] for each in document["cycles"][0]["at"]] == ["5mm", "50%"]
    assert [each["loading_n"] is None for each in document["cycles"][0]["at"]] == [False, True]
    assert any("50 %" in warning for warning in document["warnings"])


def test_a_summary_is_over_the_cycles_after_conditioning(framed) -> None:
    capture, _ = framed
    document = analysed(capture.parent, capture, "--conditioning", 1)
    secants = [each["secant_n_per_mm"] for each in document["cycles"][1:]]
    summary = document["summary"]["secant_n_per_mm"]
    assert summary["n"] == 2
    assert summary["mean"] == pytest.approx(sum(secants) / 2)
    assert summary["sd"] == pytest.approx(abs(secants[0] - secants[1]) / 2**0.5)


def test_lines_give_the_same_stiffness_as_frames(document, lines) -> None:
    """Both carry the same counts of the same run."""
    first = analysed(lines.parent, lines)["cycles"][1]
    second = document["cycles"][1]
    assert first["secant_n_per_mm"] == pytest.approx(second["secant_n_per_mm"], rel=1e-3)


def test_a_table_read_by_hand_gives_its_own_secants(hand_read) -> None:
    (cycle,) = hand_read["cycles"]
    secants = [each["secant_loading_n_per_mm"] for each in cycle["at"]]
    assert secants == pytest.approx(HAND_SECANTS, abs=5e-4)
    assert cycle["secant_n_per_mm"] == pytest.approx(0.438, abs=5e-4)


def test_a_table_read_by_hand_is_said_to_be_short_and_to_miss_the_origin(hand_read) -> None:
    said = " ".join(hand_read["warnings"])
    assert "4 points are few" in said
    assert "misses the origin by 4.45 N" in said


def test_no_point_at_zero_is_added_to_a_table_read_by_hand(hand_read) -> None:
    (cycle,) = hand_read["cycles"]
    assert [each["at"] for each in cycle["at"]] == ["12.7mm", "25.4mm", "38.1mm", "50.8mm"]
    # from the first point on, by trapezoids; a point at zero would add 56.5 mJ
    assert cycle["energy_absorbed_mj"] == pytest.approx(593.3, abs=0.5)


def test_files_of_tables_and_plots_are_written(framed, tmp_path) -> None:
    capture, _ = framed
    done(tmp_path, "analyse", capture, "--out", tmp_path / "results", afresh=True)
    with (tmp_path / "results" / f"{capture.name}-cycles.csv").open(newline="") as table:
        assert [row["cycle"] for row in csv.DictReader(table)] == ["1", "2", "3"]
    for plot in ("loops", "trends"):
        assert (tmp_path / "results" / f"{capture.name}-{plot}.png").read_bytes().startswith(b"\x89PNG")


def test_an_export_has_the_columns_that_were_promised(framed, tmp_path) -> None:
    capture, _ = framed
    done(tmp_path, "export", capture, "--to", tmp_path / "samples.csv", afresh=True)
    header, first = (tmp_path / "samples.csv").read_text().splitlines()[:2]
    assert header == "seq,time_us,force_counts,position_counts,status,time_s,force_n,position_mm"
    row = dict(zip(header.split(","), first.split(","), strict=True))
    assert float(row["time_s"]) == pytest.approx(int(row["time_us"]) / 1e6)
    assert float(row["force_n"]) == pytest.approx(int(row["force_counts"]) * 0.001)
    assert float(row["position_mm"]) == pytest.approx(int(row["position_counts"]) * 0.005)


def test_an_export_does_not_replace_a_file_unasked(framed, tmp_path) -> None:
    capture, _ = framed
    (tmp_path / "mine.csv").write_text("mine")
    refused = pressrig(tmp_path, "export", capture, "--to", tmp_path / "mine.csv")
    assert refused.returncode == 2
    assert (tmp_path / "mine.csv").read_text() == "mine"


def test_captures_are_listed(framed) -> None:
    capture, _ = framed
    listed = json.loads(done(capture.parent, "captures", capture.parent, "--json", afresh=True))["captures"]
    assert [(each["path"], each["specimen"], each["how_it_ended"]) for each in listed] == [
        (str(capture), "K1", "3 cycles")
    ]


def test_a_recording_without_a_press_has_the_answer_no(tmp_path) -> None:
    rows = "\n".join(f"{0.1 * row:.1f},0" for row in range(20))
    (tmp_path / "flat.csv").write_text(f"travel,load\n{rows}\n")
    output = done(
        tmp_path, "import", "flat.csv", "--position", "travel:mm", "--force", "load:N", "--specimen", "R1",
        "--out", tmp_path,
    )  # fmt: skip
    finished = pressrig(tmp_path, "analyse", output.splitlines()[-1], "--json")
    assert finished.returncode == 1
    (capture,) = json.loads(finished.stdout)["captures"]
    assert capture["cycles"] == []
    assert any("No cycle" in warning for warning in capture["warnings"])


@pytest.mark.parametrize("options", [(), ("--json",)], ids=["table", "json"])
def test_a_reader_that_has_seen_enough_is_no_failure(framed, options) -> None:
    capture, _ = framed
    with running(capture.parent, "analyse", capture, *options) as process:
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(PATIENCE_S) == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_under_the_output_is_said_in_words(framed) -> None:
    capture, _ = framed
    with Path("/dev/full").open("w") as full:
        finished = subprocess.run(
            [PRESSRIG, "analyse", capture], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert finished.returncode == 3
    assert finished.stderr == "pressrig: No space left on device\n"
