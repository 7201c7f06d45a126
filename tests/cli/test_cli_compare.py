"""`pressrig compare`: from captures or a table to a verdict, the page, or a refusal."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
from command_line import ROOT
from studied_captures import CALIBRATION, METHOD, studied_capture

from rig.cli import main

EXAMPLE = ROOT / "configs" / "studies" / "two_batches.csv"

SPREAD = (-0.06, -0.03, 0.00, 0.02, 0.07)
"""By what pieces differ in N/mm; invented, as all numbers here."""

SPRING, AUTUMN = 2.0, 1.7
"""Stiffness of two batches of floats in N/mm."""

MARGIN = ("--margin", "secant_n_per_mm=0.1 N/mm")
AIR = {"temperature": "23 degC", "orientation": "upright"}


@pytest.fixture
def run(in_process) -> Callable[..., str]:
    """Standard output of `compare`; it must end with the code."""
    return lambda *arguments, code=0: in_process("compare", *arguments, code=code).out


def squeezed(parent: Path, batch: str, stiffness: float, number: int = 0, **more: Any) -> list[Path]:
    """Captures of the pieces of a batch, two cycles each."""
    return [
        studied_capture(
            parent, f"{batch[0]}{place}", stiffness + away, number=number + place,
            **({"by": "hand A", "batch": batch, "conditions": AIR} | more),
        )
        for place, away in enumerate(SPREAD)
    ]  # fmt: skip


@pytest.fixture(scope="module")
def captures(tmp_path_factory) -> list[Path]:
    """Five pieces of each batch, and one of them a second time."""
    parent = tmp_path_factory.mktemp("floats")
    again = studied_capture(
        parent, "s0", SPRING + SPREAD[0], number=40, by="hand A", batch="spring", conditions=AIR
    )
    return [*squeezed(parent, "spring", SPRING), *squeezed(parent, "autumn", AUTUMN, 20), again]


def table(folder: Path, rows: list[str], head: str = "piece,batch,secant_n_per_mm") -> Path:
    path = folder / "results.csv"
    path.write_text("# invented\n" + "\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def two_batches(difference: float, scale: float = 1.0) -> list[str]:
    return [
        f"{batch[0]}{place},{batch},{2 + step + scale * away:.4f}"
        for batch, step in (("spring", 0.0), ("autumn", difference))
        for place, away in enumerate(SPREAD)
    ]


def test_the_example_says_that_it_is_invented_and_holds_what_was_planted(run):
    assert "Invented" in EXAMPLE.read_text(encoding="utf-8").splitlines()[0]
    document = json.loads(run("--table", EXAMPLE, *MARGIN, "--json", code=1))
    (found,) = document["comparison"]["differences"]
    assert found["low"] < -0.30 < found["high"]
    assert found["outcome"]["verdict"] == "larger than the margin"


def test_captures_of_a_softer_batch_are_beyond_the_margin_and_the_answer_is_no(run, captures):
    said = run(*captures, *MARGIN, code=1).splitlines()[0]
    assert said.startswith("autumn is softer than spring: 1.702 N/mm against 2.002 N/mm, secant stiffness")
    assert "N/mm, 15 %" in said
    assert said.endswith("The difference is larger than the margin of 0.1 N/mm.")


def test_the_planted_difference_is_inside_the_interval_of_pieces_not_of_cycles(run, captures):
    document = json.loads(run(*captures, "--json"))
    comparison = document["comparison"]
    (found,) = [each for each in comparison["differences"] if each["quantity"] == "secant_n_per_mm"]
    # eleven captures of two cycles each are five pieces of each batch
    assert (found["n_first"], found["n_second"], found["paired"]) == (5, 5, False)
    assert found["low"] < AUTUMN - SPRING < found["high"]
    # both batches spread by 0.0495 N/mm: t(8) = 2.306 times that by the root of 2/5
    assert found["high"] - found["low"] == pytest.approx(2 * 2.306 * 0.0495 * (2 / 5) ** 0.5, rel=0.05)
    spring = comparison["figures"]["spring"]["secant_n_per_mm"]
    assert spring["mean"] == pytest.approx(SPRING, abs=0.01)
    assert "To get a verdict" in " ".join(document["answer"])


def test_curves_of_the_batches_part_where_the_force_shows_it(run, captures):
    document = json.loads(run(*captures, "--json"))
    spring, autumn = document["curves"]
    middle = 30
    x = spring["deflection_mm"][middle]
    assert spring["loading_n"][middle] == pytest.approx(SPRING * x, rel=0.02)
    assert spring["unloading_n"][middle] == pytest.approx(SPRING * x, rel=0.02)
    assert len(autumn["pieces"]) == 5
    (parted,) = document["curve_differences"]
    at = int(np.argmin(np.abs(np.array(parted["deflection_mm"]) - 7)))
    assert parted["low_n"][at] < 7 * (AUTUMN - SPRING) < parted["high_n"][at] < 0


def test_the_folder_holds_a_page_that_stands_alone_and_values_that_compare_alike(run, captures, tmp_path):
    once = json.loads(run(*captures, *MARGIN, "--out", tmp_path / "out", "--json", code=1))
    page = (tmp_path / "out" / "comparison.html").read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 3
    assert not re.search(r"(src|href)=.(?!data:)", page)
    for picture in (tmp_path / "out").glob("*.png"):
        image = matplotlib.image.imread(picture)
        assert np.mean(image[:, :, :3].min(axis=2) < 0.9) > 0.005
    assert json.loads((tmp_path / "out" / "comparison.json").read_text())["answer"] == once["answer"]
    again = json.loads(run("--table", tmp_path / "out" / "pieces.csv", *MARGIN, "--json", code=1))
    assert again["comparison"]["differences"][0]["low"] == pytest.approx(
        once["comparison"]["differences"][0]["low"]
    )


def test_the_same_pieces_abused_are_compared_with_themselves(run, tmp_path):
    new = squeezed(tmp_path / "c", "spring", 2.0)
    abused = squeezed(tmp_path / "c", "spring", 1.8, 20, conditions=AIR | {"state": "abused"})
    document = json.loads(run(*abused, *new, "--by", "state", "--json"))
    assert document["comparison"]["groups"] == ["not stated", "abused"]
    found = document["comparison"]["differences"][0]
    assert found["paired"]
    # made without spread of the change; pieces differ by 0.05 N/mm
    assert found["high"] - found["low"] < 0.02
    assert found["low"] < -0.2 < found["high"]
    assert any("same 5 pieces" in note for note in document["notes"])


def test_a_hand_is_compared_with_the_rig_on_the_same_pieces(run, tmp_path):
    hand = squeezed(tmp_path / "c", "spring", 2.05)
    rig = squeezed(tmp_path / "c", "spring", 2.0, 20, method=METHOD, by=None)
    document = json.loads(run(*hand, *rig, "--by", "method", "--json"))
    assert document["comparison"]["groups"][0] == "by hand"
    assert document["comparison"]["groups"][1].startswith("squeeze.yaml ")
    assert document["comparison"]["differences"][0]["difference"] == pytest.approx(-0.05, abs=0.01)


def test_operators_can_be_compared(run, tmp_path):
    one = squeezed(tmp_path / "c", "spring", 2.0)
    other = squeezed(tmp_path / "c", "spring", 2.1, 20, by="hand B")
    document = json.loads(run(*one, *other, "--by", "operator", "--against", "hand B", "--json"))
    assert document["comparison"]["groups"] == ["hand B", "hand A"]


def test_unlike_temperatures_are_refused_by_name_and_said_where_they_are_allowed(run, refused, tmp_path):
    cold = squeezed(tmp_path / "c", "autumn", 2.0, 20, conditions=AIR | {"temperature": "8 degC"})
    both = [*squeezed(tmp_path / "c", "spring", 2.0), *cold]
    said = refused(2, "compare", *both)
    assert "different conditions: temperature: 23.0 degC (" in said
    assert '--although "temperature"' in said
    notes = json.loads(run(*both, "--although", "temperature", "--json"))["notes"]
    assert any(note.startswith("Pooled although different: temperature: 23.0 degC") for note in notes)


def test_unlike_orientations_and_calibrations_are_refused_together(refused, tmp_path):
    other = CALIBRATION | {"force": {"per_count_n": 0.0011}}
    more = {"conditions": AIR | {"orientation": "on its side"}, "calibration": other}
    both = [*squeezed(tmp_path, "spring", 2.0), *squeezed(tmp_path, "autumn", 2.0, 20, **more)]
    assert '--although "calibration, orientation"' in refused(2, "compare", *both)


def test_contact_is_the_same_for_all_without_being_asked_for(run, captures):
    document = json.loads(run(*captures, "--json"))
    forces = [note for note in document["notes"] if note.startswith("Contact is where the force passes")]
    assert len(forces) == 1
    told = json.loads(run(*captures, "--contact-force", "0.1 N", "--json"))["notes"]
    assert not any(note.startswith("Contact is where") for note in told)


def test_the_calibrations_part_is_in_the_interval_once(run, tmp_path):
    rows = [f"{row},0.01,0.2" for row in two_batches(0.0)]
    head = "piece,batch,secant_n_per_mm,secant_n_per_mm_u,secant_n_per_mm_u_shared"
    document = json.loads(run("--table", table(tmp_path, rows, head), "--json"))
    spring = document["comparison"]["figures"]["spring"]["secant_n_per_mm"]
    assert spring["shared_u"] == pytest.approx(0.2)
    assert spring["high"] - spring["mean"] > 0.39
    # the same in both batches, so that nearly nothing is left in their difference
    (found,) = document["comparison"]["differences"]
    assert found["shared_u"] == pytest.approx(0, abs=1e-9)


def test_a_table_may_say_how_many_degrees_of_freedom_the_calibrations_part_has(run, tmp_path):
    rows = [f"{row},0.01,0.2,3" for row in two_batches(0.0)]
    name = "secant_n_per_mm"
    head = f"piece,batch,{name},{name}_u,{name}_u_shared,{name}_freedom"
    document = json.loads(run("--table", table(tmp_path, rows, head), "--json"))
    spring = document["comparison"]["figures"]["spring"][name]
    assert spring["shared_freedom"] == 3
    # t(3) = 3.182 where the scatter adds little; 1.96 without the column
    assert 3.0 * 0.2 < spring["high"] - spring["mean"] < 3.2 * 0.2


@pytest.mark.parametrize(
    ("batches", "verdict", "code"),
    [
        ((0.0, 1.0), "The difference is smaller than the margin", 0),
        ((0.5, 1.0), "The difference is larger than the margin", 1),
        ((0.05, 3.0), "Undecided against the margin", 0),
    ],
)
def test_three_verdicts_and_their_exit_codes(run, tmp_path, batches, verdict, code):
    said = run("--table", table(tmp_path, two_batches(*batches)), *MARGIN, code=code)
    assert f"{verdict} of 0.1 N/mm" in said.splitlines()[0]
    assert ("more than now) to decide" in said) == verdict.startswith("Undecided")


def test_with_several_margins_the_first_line_says_each_verdict(run, tmp_path):
    rows = [f"{row},{30 + place % 5}" for place, row in enumerate(two_batches(0.5))]
    path = table(tmp_path, rows, "piece,batch,secant_n_per_mm,hysteresis_pct")
    first = run("--table", path, *MARGIN, "--margin", "hysteresis_pct=8 %", code=1).splitlines()[0]
    assert first == (
        "autumn against spring: secant stiffness at the peak: larger than the margin; "
        "hysteresis: smaller than the margin."
    )


def test_a_margin_may_be_in_another_unit(run, tmp_path):
    path = table(tmp_path, two_batches(0.0))
    # 1 lbf/in = 0.17513 N/mm
    document = json.loads(run("--table", path, "--margin", "secant_n_per_mm=1 lbf/in", "--json"))
    assert document["comparison"]["differences"][0]["outcome"]["margin"] == pytest.approx(0.17513, rel=1e-4)


def test_the_pieces_needed_for_a_wanted_half_width_are_said(run, tmp_path):
    path = table(tmp_path, two_batches(0.0))
    document = json.loads(run("--table", path, "--wanted", "secant_n_per_mm=0.02 N/mm", "--json"))
    # t(25) = 2.060: 2.060 * 0.0495 / root of 26 = 0.0200
    assert document["comparison"]["figures"]["spring"]["secant_n_per_mm"]["pieces_needed"] == 26


def test_batches_over_time_that_creep_are_told_of(run, tmp_path):
    rows = [
        f"{b}{place},batch {b},{2 - 0.1 * b + away}" for b in range(5) for place, away in enumerate(SPREAD)
    ]
    said = run("--table", table(tmp_path, rows), "--out", tmp_path / "out")
    assert "it falls from batch to batch, by 0.1 N/mm (median)" in said
    assert (tmp_path / "out" / "drift-secant_n_per_mm.png").exists()


def test_a_study_of_the_rig_says_the_rigs_part_of_the_spread(run, monkeypatch, capsys, tmp_path):
    rows = "".join(f"{p},rig,{t},{p + t / 100}\n" for p in (1, 2, 3) for t in (1, 2))
    (tmp_path / "study.csv").write_text("piece,appraiser,trial,secant_n_per_mm\n" + rows)
    monkeypatch.setattr(sys, "argv", ["pressrig", "study", "study.csv", "--out", "study"])
    with pytest.raises(SystemExit):
        main()
    capsys.readouterr()
    path = table(tmp_path, two_batches(0.0))
    document = json.loads(run("--table", path, "--gauge", "study/study.json", "--json"))
    split = document["comparison"]["figures"]["spring"]["secant_n_per_mm"]["spread"]
    # two repeats 0.01 apart
    assert (split["rig_from"], split["rig_sd"]) == ("gauge study", pytest.approx(0.01 / 2**0.5))


def test_a_register_knows_state_and_batch(run, tmp_path):
    from datetime import UTC, datetime

    from rig.register import Record, Register

    made = [
        studied_capture(tmp_path / "c", f"F{place}", stiffness + SPREAD[place % 5], number=place, by="hand A")
        for place, stiffness in enumerate([2.0] * 5 + [1.7] * 5)
    ]
    at = datetime(2026, 1, 1, tzinfo=UTC).isoformat()
    with Register(tmp_path / "register") as register:
        for place in range(10):
            state = "new" if place < 5 else "worn"
            facts = [
                Record(specimen=f"F{place}", kind="batch", text="spring", at=at),
                Record(specimen=f"F{place}", kind="state", text=state, at=at),
            ]
            register.add(f"F{place}", facts, another=True)
    document = json.loads(run(*made, "--register", tmp_path / "register", "--by", "state", "--json"))
    assert document["comparison"]["groups"] == ["new", "worn"]
    assert document["comparison"]["differences"][0]["difference"] == pytest.approx(-0.3, abs=0.01)


def test_names_in_a_table_cannot_write_into_the_page(run, tmp_path):
    rows = [row.replace("autumn", "<script>x</script>") for row in two_batches(0.0)]
    run("--table", table(tmp_path, rows), "--out", tmp_path / "out")
    page = (tmp_path / "out" / "comparison.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;x" in page


TABLES = {
    "no piece": ("batch,x_n\na,1\n", (), "no column 'piece'; found batch, x_n"),
    "no quantity": ("piece,batch\na,b\n", (), "no column of a quantity"),
    "no number": ("piece,batch,x_n\na,b,soft\n", (), "line 2, column 'x_n': found 'soft'"),
    "endless": ("piece,batch,x_n\na,b,1e999\n", (), "line 2, column 'x_n': found '1e999'"),
    "u below zero": ("piece,batch,x_n,x_n_u\na,b,1,-1\n", (), "line 2, column 'x_n_u': found '-1'"),
    "no such state": ("piece,batch,state,x_n\na,b,old,1\n", (), "column 'state': found 'old', expected"),
    "no batch": ("piece,x_n\na,1\nb,2\n", (), "--by batch: there is no batch for line 2, line 3"),
    "one batch": ("piece,batch,x_n\na,b,1\nc,b,2\n", (), "found 1 group (b)"),
    "a capture twice": ("piece,batch,capture,x_n\na,b,1,1\nc,b,1,2\n", (), "capture '1' appears twice"),
    "a bare margin": ("piece,batch,x_n\na,b,1\nc,d,2\n", ("--margin", "x_n=2"), "--margin: x_n: '2' has no"),
    "no margin": ("piece,batch,x_n\na,b,1\nc,d,2\n", ("--margin", "x_n"), "expected NAME=Q"),
    "unknown": ("piece,batch,x_n\na,b,1\nc,d,2\n", ("--quantities", "y_n"), "'y_n': no piece has it; found"),
    "options": ("piece,batch,x_n\na,b,1\nc,d,2\n", ("--at", "5 mm"), "--at: cannot be used with a table"),
    "stranger": ("piece,batch,x_n\na,b,1\nc,d,2\n", ("--against", "z"), "no batch 'z'; found b, d"),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLES)
def test_a_wrong_table_or_option_is_refused_with_its_place(refused, tmp_path, name):
    text, options, words = TABLES[name]
    (tmp_path / "v.csv").write_text(text)
    assert words in refused(2, "compare", "--table", "v.csv", *options)


def test_nothing_to_compare_is_refused(refused):
    assert "captures or --table: found neither" in refused(2, "compare")


def test_the_same_capture_twice_is_refused(refused, captures):
    assert "the same capture as" in refused(2, "compare", captures[0], captures[1], captures[0])


def test_a_state_that_does_not_exist_is_refused_with_those_there_are(refused, tmp_path):
    made = studied_capture(tmp_path, "s0", 2.0, by="hand A", conditions={"state": "tired"})
    assert "field 'state': found 'tired', expected one of new, conditioned" in refused(2, "compare", made)
