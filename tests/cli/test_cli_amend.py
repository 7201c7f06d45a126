"""`pressrig amend`, `exclude`, `restore`, `delete`: dated records mend slips, and nothing is lost."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from studied_captures import studied_capture

from rig.capture import open_capture

SECANT = 2.0
WHY = ("--reason", "typed the wrong batch", "--by", "A")


@pytest.fixture
def capture(tmp_path) -> Path:
    return studied_capture(tmp_path / "captures", "F1", SECANT, by="A", batch="sprnig", free_height_mm=None)


def test_the_amended_header_is_read_and_the_recorded_one_is_kept(in_process, capture):
    before = (capture / "capture.yaml").read_bytes()
    in_process("amend", capture, "--batch", "spring", "--free-height", "1.5 in", "--state", "new", *WHY)
    opened = open_capture(capture)
    assert opened.header.batch == "spring"
    assert opened.header.free_height_mm == pytest.approx(38.1)  # 1.5 x 25.4, exact
    assert opened.header.conditions["state"] == "new"
    assert opened.recorded_header.batch == "sprnig"
    assert (capture / "capture.yaml").read_bytes() == before
    assert opened.damage == ()
    shown = in_process("show", capture).out
    assert "typed the wrong batch" in shown
    document = json.loads(in_process("analyse", capture, "--json").out)["captures"][0]
    assert document["batch"] == "spring"
    assert any("typed the wrong batch" in warning for warning in document["warnings"])
    # 25 % of 38.1 mm is 9.5 mm, deeper than the press of 8 mm; 10 % is not
    at = {each["at"]: each["loading_n"] for each in document["cycles"][0]["at"]}
    assert at["10%"] == pytest.approx(SECANT * 3.81, rel=0.01)


def test_a_later_record_overrules_an_earlier_one_and_notes_are_added(in_process, capture):
    in_process("amend", capture, "--batch", "autumn", "--note", "from the shelf", *WHY)
    in_process("amend", capture, "--batch", "spring", "--note", "dusty", *WHY)
    header = open_capture(capture).header
    assert header.batch == "spring"
    assert header.notes.splitlines()[-2:] == ["from the shelf", "dusty"]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("--batch", "spring"), "--reason"),
        (WHY, "give what to change"),
        (("--free-height", "0 mm", *WHY), "more than zero"),
        (("--free-height", "90 kg", *WHY), "mm"),
        (("--batch", "x" * 300, *WHY), "batch"),
        (("--batch", "spring", "--reason", " "), "reason"),
    ],
)
def test_what_makes_no_sense_is_refused_and_nothing_is_written(in_process, capture, given, said):
    assert said in in_process("amend", capture, *given, code=2).err
    assert not (capture / "amendments.jsonl").exists()


def test_one_path_that_is_no_capture_leaves_all_as_they_are(in_process, capture, tmp_path):
    in_process("amend", capture, tmp_path / "nowhere", "--batch", "spring", *WHY, code=2)
    assert not (capture / "amendments.jsonl").exists()


def test_excluded_cycles_are_flagged_and_leave_the_means(in_process, capture):
    both = json.loads(in_process("analyse", capture, "--json").out)["captures"][0]
    in_process("exclude", capture, "--cycles", "2", "--reason", "the piece slipped")
    one = json.loads(in_process("analyse", capture, "--json").out)["captures"][0]
    assert (both["summary"]["secant_n_per_mm"]["n"], one["summary"]["secant_n_per_mm"]["n"]) == (2, 1)
    assert one["cycles"][1]["flags"] == ["excluded"]
    assert one["summary"]["secant_n_per_mm"]["mean"] == both["cycles"][0]["secant_n_per_mm"]
    assert any("the piece slipped" in warning for warning in one["warnings"])
    in_process("restore", capture, "--cycles", "1-2", "--reason", "it did not")
    again = json.loads(in_process("analyse", capture, "--json").out)["captures"][0]
    assert again["summary"] == both["summary"]


def test_an_excluded_capture_leaves_comparisons_and_sheets_until_it_is_restored(in_process, tmp_path):
    folder = tmp_path / "captures"
    paths = [
        studied_capture(folder, f"{batch[0]}{place}", 2.0 + 0.1 * place, number=number, by="A", batch=batch)
        for number, (batch, place) in enumerate((b, p) for b in ("spring", "autumn") for p in range(3))
    ]
    in_process("exclude", paths[0], "--reason", "the platen was crooked")
    compared = json.loads(in_process("compare", *paths, "--json").out)
    assert compared["comparison"]["differences"][0]["n_first"] == 2
    assert any("crooked" in note for note in compared["notes"])
    said = in_process("sheet", folder, "--out", tmp_path / "sheet").out
    assert "crooked" in said
    in_process("restore", paths[0], "--reason", "it was not")
    assert (
        json.loads(in_process("compare", *paths, "--json").out)["comparison"]["differences"][0]["n_first"]
        == 3
    )


@pytest.mark.parametrize("text", ["0", "3-1", "a", "1,,2", "1-99999999"])
def test_a_list_of_cycles_that_is_none_is_refused(in_process, capture, text):
    assert "--cycles" in in_process("exclude", capture, "--cycles", text, "--reason", "x", code=2).err


def test_a_damaged_record_costs_itself_only(in_process, capture):
    in_process("amend", capture, "--batch", "spring", *WHY)
    with (capture / "amendments.jsonl").open("ab") as file:
        file.write(b'{"kind": "amended", "fields": {"batch": "torn')
    opened = open_capture(capture)
    assert opened.header.batch == "spring"
    assert [damage.file for damage in opened.damage] == ["amendments.jsonl"]
    said = in_process("amend", capture, "--batch", "autumn", *WHY).out
    assert "batch to 'autumn'" in said
    assert open_capture(capture).header.batch == "autumn"


@pytest.mark.skipif(os.geteuid() == 0 if os.name == "posix" else True, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_is_said(in_process, capture):
    capture.chmod(0o500)
    assert "cannot be written" in in_process("amend", capture, "--batch", "spring", *WHY, code=3).err


def test_delete_moves_into_the_bin_and_a_move_back_brings_it_again(in_process, capture):
    moved = capture.parent / ".bin" / capture.name
    in_process("delete", capture)
    assert not capture.exists()
    assert open_capture(moved).header.specimen == "F1"
    assert "No capture" in in_process("captures", capture.parent).out
    shutil.move(moved, capture)
    assert open_capture(capture).damage == ()


def test_delete_moves_all_or_none(in_process, capture, tmp_path):
    other = capture.parent / "other"
    shutil.copytree(capture, other)
    (capture.parent / ".bin" / "other").mkdir(parents=True)
    assert "Nothing was moved" in in_process("delete", capture, other, code=2).err
    assert capture.exists()


def test_delete_takes_no_whole_folder_by_its_name(in_process, capture):
    said = in_process("delete", capture.parent, code=2).err
    assert f"write {capture.parent}/* to mean them all" in said
    assert capture.exists()
    in_process("delete", f"{capture.parent}/*")
    assert not capture.exists()


def test_a_register_gives_the_free_height_that_a_capture_lacks(in_process, capture, tmp_path):
    register = tmp_path / "pieces.sqlite"
    in_process("specimens", "add", "F1", "--register", register, "--batch", "spring")
    in_process("specimens", "size", "F1", "--register", register, "height=40 mm")
    said = json.loads(
        in_process("sheet", capture, "--register", register, "--out", tmp_path / "sheet", "--json").out
    )
    assert said["sets"][0]["height_mm"] == pytest.approx(40.0)
