"""Tables become captures: one without options, folders at once, with names and lists; captures are then named
by folders and patterns."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import yaml

HEAD = "Harbour workshop,invented\nRate,10,mm/min\n\nTime,Displacement,Force\n(s),(mm),(N)\n"


def rows(factor=1.0, cycles=3):
    """Presses of a spring of `factor` N/mm to 10 mm, from 2 mm above it and back."""
    time_s = np.arange(0, 8 * cycles, 0.02)
    position = 4 - 6 * np.cos(2 * np.pi * time_s / 8)
    force = factor * np.clip(position, 0, None) + np.random.default_rng(1).normal(0, 0.002, len(time_s))
    return list(zip(time_s.round(3), position.round(4), force.round(4), strict=True))


def table(path, factor=1.0, head=HEAD):
    path.write_text(head + "\n".join(",".join(map(str, row)) for row in rows(factor)) + "\n")
    return path


def headers(folder):
    found = [yaml.safe_load((each / "capture.yaml").read_text()) for each in folder.iterdir()]
    return {header["specimen"]: header for header in found}


@pytest.fixture
def tables(tmp_path):
    """Two pieces of two batches, in a folder with other things."""
    folder = tmp_path / "tables"
    folder.mkdir()
    for number, batch, factor in (
        (1, "spring", 1.0),
        (2, "spring", 1.05),
        (3, "autumn", 2.0),
        (4, "autumn", 2.1),
    ):
        table(folder / f"F-90-00{number}_{batch}_2026041{number}.csv", factor)
    (folder / "README.txt").write_text("Recordings of floats, invented.\n")
    (folder / "picture.png").write_bytes(b"\x89PNG")
    return folder


NAME = ("--name", "{specimen}_{batch}_{date}")


def test_one_table_needs_no_option_and_says_what_it_took(in_process, tmp_path) -> None:
    path = table(tmp_path / "F-90-001.csv")
    said = in_process("import", path)
    assert "time from 'Time' in s, position from 'Displacement' in mm, force from 'Force' in N" in said.err
    (header,) = headers(tmp_path / "captures").values()
    assert header["specimen"] == "F-90-001"
    found = json.loads(in_process("analyse", said.out.strip(), "--json").out)["captures"][0]
    # The spring's peak is 10 N at 10 mm, in all three presses.
    assert found["summary"]["peak_force_n"]["mean"] == pytest.approx(10, abs=0.02)


def test_a_folder_is_imported_at_once_with_names_and_the_rest_is_told(in_process, tables, tmp_path) -> None:
    said = in_process("import", tables, *NAME)
    assert len(said.out.split()) == 4
    assert "README.txt: skipped, no table in it" in said.err
    assert "skipped 1 that are not tables, such as picture.png" in said.err
    found = headers(tmp_path / "captures")
    assert found["F-90-003"]["batch"] == "autumn"
    assert found["F-90-003"]["started"].startswith("2026-04-13")


def test_importing_again_passes_over_what_is_there_but_not_what_was_cut_short(
    in_process, tables, tmp_path
) -> None:
    in_process("import", tables, *NAME)
    one = next(each for each in (tmp_path / "captures").iterdir() if "F-90-002" in each.name)
    (one / "end.yaml").unlink()
    said = in_process("import", tables, *NAME)
    assert said.err.count("imported before as") == 3
    assert len(said.out.split()) == 1
    assert "F-90-002" in said.out
    # Other options make another capture of the same file.
    assert len(in_process("import", tables, *NAME, "--negate-force").out.split()) == 4


def test_files_that_fail_are_all_named_and_the_others_go_through(in_process, tables, tmp_path) -> None:
    (tables / "F-90-005_spring_20260415.csv").write_text("Time (s),Force (N)\n1,2\n2,3\n")
    (tables / "F-90-006.csv").write_text("1,2\n")
    said = in_process("import", tables, *NAME, code=2)
    assert len(said.out.split()) == 4
    assert "2 of 7 files were not imported" in said.err
    assert "no heading names a position" in said.err
    assert "F-90-006.csv: the name does not match" in said.err


def test_a_list_says_what_the_files_are(in_process, tables, tmp_path) -> None:
    lines = ["file;specimen;batch;state;date;free height (mm);orientation;jig;oven (degC);made in"]
    for path in sorted(tables.glob("*.csv")):
        lines.append(f"{path.name};{path.name[:8]};B1;used;16.04.2026;90,5;upright;no 3;40,5;hall 2")
    listed = tmp_path / "files.csv"
    listed.write_text("\n".join(lines) + "\n")
    in_process("import", *sorted(tables.glob("*.csv")), "--list", listed)
    header = headers(tmp_path / "captures")["F-90-004"]
    assert (header["batch"], header["free_height_mm"]) == ("B1", 90.5)
    assert header["conditions"] == {"state": "used", "orientation": "upright", "jig": "no 3"} | {
        "oven": "40.5 degC",
        "made in": "hall 2",
    }
    assert header["started"].startswith("2026-04-16")


def test_a_file_that_the_list_lacks_is_named(in_process, tables, tmp_path) -> None:
    listed = tmp_path / "files.csv"
    listed.write_text("file,specimen\nF-90-001_spring_20260411.csv,F-90-001\n")
    said = in_process("import", tables, "--list", listed, code=2)
    assert said.err.count(f"not in {listed}") == 3


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("{specimen}_{batch}", "in several ways"),
        ("{specimen}{batch}", "two fields have nothing between them"),
        ("specimen", "expected fields in braces"),
        ("{specimen}_{specimen}_{date}", "twice"),
        ("{specimen}_{batch}_{date}x", "does not match"),
        ("{date}_{batch}_{specimen}", "date: found 'F-90-001'"),
    ],
)
def test_a_pattern_that_does_not_read_the_name_is_refused(in_process, tables, pattern, words) -> None:
    said = in_process("import", tables / "F-90-001_spring_20260411.csv", "--name", pattern, code=2)
    assert words in said.err


def test_sense_and_zero_are_kept_in_the_header(in_process, tmp_path) -> None:
    in_process("import", table(tmp_path / "t.csv"), "--sense", "tension", "--zero", "as-recorded")
    (header,) = headers(tmp_path / "captures").values()
    assert (header["sense"], header["zero"]) == ("tension", "as-recorded")


def test_folders_and_patterns_name_captures_and_other_things_are_passed_over(
    in_process, tables, tmp_path
) -> None:
    in_process("import", tables, *NAME)
    captures = tmp_path / "captures"
    (captures / "README.md").write_text("where captures go")
    whole = json.loads(in_process("compare", captures, "--json").out)
    said = in_process("compare", *sorted(captures.iterdir()), "--json")
    assert f"skipped, not a capture: {captures / 'README.md'}" in said.err
    assert json.loads(said.out) == whole
    assert json.loads(in_process("compare", f"{captures}/*F-90*", "--json").out) == whole


def test_everything_that_cannot_be_used_is_named_before_anything_is_measured(
    in_process, tables, tmp_path
) -> None:
    in_process("import", tables, *NAME)
    captures = sorted((tmp_path / "captures").iterdir())
    shutil.copytree(captures[0], tmp_path / "copy")
    (captures[1] / "capture.yaml").write_text("specimen: [")
    for samples in captures[1].glob("samples-*.arrow"):
        samples.unlink()
    said = in_process("compare", *captures, tmp_path / "copy", tmp_path / "absent", code=2)
    assert "3 captures cannot be used" in said.err
    assert f"{captures[1]}/capture.yaml" in said.err
    assert f"{tmp_path / 'copy'}: the same capture as {captures[0]}, a copy" in said.err
    assert f"{tmp_path / 'absent'}: no such capture" in said.err


NIP = ("nip", "--force", "5 N", "--wheel", "radius 60 mm", "--friction", "0.6", "--size", "90 mm +- 0.4 mm")
MEASURING = {
    "compare": ["compare", "--by", "operator"], "pull": ["pull"], "nip": NIP, "study": ["study"],
    "sheet": ["sheet", "--out", "sheet"],
}  # fmt: skip
"""Commands that put captures together, so that a copy would count twice."""
ONE_BY_ONE = {
    "analyse": ["analyse"], "amend": ["amend", "--note", "seen", "--reason", "seen"],
    "exclude": ["exclude", "--reason", "seen"], "restore": ["restore", "--reason", "seen"],
}  # fmt: skip
OTHER_CODES = {"pull": 2}
"""Exit codes of commands that find nothing of theirs in presses."""


@pytest.fixture
def trials(in_process, tables, tmp_path):
    """A folder of captures of two pieces, each measured twice by two people, with a README among them."""
    for operator in ("A", "B"):
        for trial, factor in enumerate((1.0, 1.01)):
            folder = tmp_path / f"{operator}{trial}"
            folder.mkdir()
            for number in (1, 2):
                table(folder / f"F-90-00{number}.csv", factor * (1 + 0.1 * number) + 0.001 * ord(operator))
            in_process("import", folder, "--operator", operator, "--free-height", "90 mm")
    (tmp_path / "captures" / "README.md").write_text("where captures go")
    return tmp_path / "captures"


@pytest.mark.parametrize("command", (MEASURING | ONE_BY_ONE).values(), ids=MEASURING | ONE_BY_ONE)
def test_every_command_takes_folders_and_patterns_of_captures(in_process, trials, tmp_path, command) -> None:
    said = in_process(*command, trials, tmp_path / "absent", tmp_path / "gone", code=2)
    assert "2 captures cannot be used" in said.err
    code = OTHER_CODES.get(command[0], 0)
    whole = in_process(*command, *sorted(trials.iterdir()), code=code)
    assert whole.err.count("skipped, not a capture") == 1
    assert f"skipped, not a capture: {trials / 'README.md'}" in whole.err
    if command[0] not in ("exclude", "restore"):  # these answer another time that it is done
        assert in_process(*command, f"{trials}/*F-90*", code=code).out == whole.out


@pytest.mark.parametrize("command", MEASURING.values(), ids=MEASURING)
def test_a_copy_is_named_before_anything_is_measured(in_process, trials, command) -> None:
    captures = sorted(trials.glob("*F-90*"))
    shutil.copytree(captures[0], trials / "copy")
    said = in_process(*command, trials, code=2)
    assert "the same capture as" in said.err
    assert "give it once" in said.err
    # what was measured is kept inside its capture
    assert not list(trials.glob("*/.results"))
