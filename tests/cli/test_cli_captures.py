"""`pressrig captures`: questions to an archive."""

from __future__ import annotations

import json
import shutil

import pytest
from studied_captures import studied_capture

STIFFNESS = {"A1": 2.0, "A2": 4.0, "B1": 3.0}
"""N/mm by piece, all of springs."""


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive") / "captures"
    for number, (piece, stiffness) in enumerate(STIFFNESS.items()):
        studied_capture(
            folder, piece, stiffness, number=number, by="Kim",
            batch=f"[red]{piece[0]}[/]", conditions={"tags": "trial" if number else "sheet, trial"},
        )  # fmt: skip
    return folder


def pieces(in_process, *words):
    return [each["specimen"] for each in json.loads(in_process("captures", *words, "--json").out)["captures"]]


def test_a_condition_chooses_and_an_order_sorts(in_process, archive):
    assert pieces(in_process, archive) == ["A1", "A2", "B1"]
    assert pieces(in_process, archive, "--where", "batch == '[red]A[/]'", "--sort", "-specimen") == [
        "A2",
        "A1",
    ]
    assert pieces(in_process, archive, "--where", "'sheet' in tags and started >= '2026-05-04'") == ["A1"]
    said = in_process("captures", archive, "--where", "samples > 1e9").out
    assert said == f"None of the 3 captures in {archive} match --where.\n"


def test_missing_key_figures_are_measured_on_request(in_process, archive, tmp_path):
    folder = tmp_path / "captures"
    shutil.copytree(archive, folder)
    assert pieces(in_process, folder, "--where", "secant_n_per_mm > 0") == []
    found = json.loads(in_process("captures", folder, "--measure", "--json").out)["captures"]
    for each in found:
        # the spring's own stiffness: far outside the noise of 3 mN, and 1 % for the cut corners of the course
        assert each["secant_n_per_mm"] == pytest.approx(STIFFNESS[each["specimen"]], rel=0.01)
        assert each["secant_n_per_mm_u"] > 0
        assert each["cycles"] == 2
    assert pieces(in_process, folder, "--where", "2.5 < secant_n_per_mm < 3.5") == ["B1"]
    text = in_process("captures", folder, "--sort", "-secant_n_per_mm", "--columns", "specimen,batch").out
    assert [line.split()[:2] for line in text.splitlines()] == [
        ["specimen", "batch"], ["A2", "[red]A[/]"], ["B1", "[red]B[/]"], ["A1", "[red]A[/]"],
    ]  # fmt: skip


def test_a_long_list_is_not_framed_and_holds_the_same(in_process, archive, monkeypatch):
    from rig.cli import captures

    framed = in_process("captures", archive).out
    monkeypatch.setattr(captures, "MOST_FRAMED", 0)
    plain = in_process("captures", archive).out
    assert [line.split() for line in plain.splitlines()] == [line.split() for line in framed.splitlines()]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--where", "batch = 'A'"), "write == for equal"),
        (("--where", "weight > 3"), "no column 'weight'"),
        (("--sort", "secant"), "secant_n_per_mm"),
        (("--columns", "piece"), "no column 'piece'"),
        (("--where", "__import__('os')"), "expected a comparison"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_words(in_process, archive, words, said):
    assert said in in_process("captures", archive, *words, code=2).err
