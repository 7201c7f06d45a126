"""`pressrig nip` and `pressrig lift`: from captures, curves and weighings to an answer or a refusal."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from statistics import stdev
from typing import Any

import matplotlib.image
import pytest
from studied_captures import studied_capture

from rig.register import Record, Register

SPRING, AUTUMN = (1.9, 2.0, 2.1), (2.4, 2.5, 2.6)
"""Stiffness of pieces of two batches in N/mm; invented, as all numbers here."""

NIP = ("--force", "10 N", "--wheel", "radius 100 mm", "--friction", "0.6 +- 0.1")
LIFT = ("--near", "600 g", "--far", "400 g", "--span", "1.2 m")


@pytest.fixture
def run(in_process) -> Callable[..., str]:
    """What a command says, or why it refuses; it must end with the code."""
    return lambda *arguments, code=0: in_process(*arguments, code=code)[code >= 2]


@pytest.fixture(scope="module")
def captures(tmp_path_factory) -> list[Path]:
    parent = tmp_path_factory.mktemp("floats")
    return [
        studied_capture(
            parent, f"{batch}{place}", stiffness, number=10 * first + place, by="hand A", batch=batch
        )
        for first, (batch, stiffnesses) in enumerate((("spring", SPRING), ("autumn", AUTUMN)))
        for place, stiffness in enumerate(stiffnesses)
    ]


def curves(
    folder: Path, rows: list[str], head: str = "piece,deflection_mm,loading_n,unloading_n,size_mm"
) -> Path:
    path = folder / "curves.csv"
    path.write_text("# invented\n" + "\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def spring_rows(piece: str, stiffness: float, size: float = 90.0) -> list[str]:
    return [f"{piece},{x},{stiffness * x},{0.8 * stiffness * x},{size}" for x in (0, 10, 20, 30)]


def test_captures_of_two_batches_give_the_gap_of_their_free_height_and_the_adjustment(run, captures):
    document = json.loads(run("nip", *captures, *NIP, "--json"))
    # 40 mm of free height; 10 N squeeze by 10/k: 5.0088 and 4.0021 mm on the mean of three. Samples are
    # 0.084 mm apart, and contact is found to half of that
    by_batch = document["by_batch"]
    assert by_batch["spring"]["mean"] == pytest.approx(40 - 5.0088, abs=0.042)
    assert by_batch["autumn"]["mean"] == pytest.approx(40 - 4.0021, abs=0.042)
    assert document["adjustment_mm"]["between_batches"] == pytest.approx(1.0067, abs=0.06)
    assert document["figures"]["gap_mm"]["n"] == 6
    assert document["grip_n"]["value"] == pytest.approx(6.0)


def test_a_table_of_curves_gives_the_gap_in_a_sentence_in_both_systems_of_units(run, tmp_path):
    path = curves(tmp_path, [*spring_rows("a", 4.0), *spring_rows("b", 4.0)])
    said = run("nip", "--curves", path, "--force", "80 N", "--wheel", "radius 100 mm", "--friction", "0.6")
    # 90 - 80/4 mm; 70 / 25.4 = 2.7559 in; 80 / 4.44822 = 17.98 lbf
    assert said.startswith("Set the gap to 70.00 mm [2.756 in]")
    assert "for 80 N [18.0 lbf]." in said
    assert "The force falls by 4 N/mm [23 lbf/in] as the gap opens" in said


def test_limits_and_sources_stand_in_the_text(run, tmp_path):
    said = " ".join(run("nip", "--curves", curves(tmp_path, spring_rows("a", 4.0)), *NIP).split())
    assert "Platen force at test speed is not roller force at line speed" in said
    assert "common practice, no source" in said
    assert "limits" in said


def test_pounds_and_inches_are_read(run, tmp_path):
    path = curves(tmp_path, spring_rows("a", 4.0))
    about = ("--force", "10 lbf", "--wheel", "diameter 8 in", "--between", "wheels", "--friction", "0.6")
    document = json.loads(run("nip", "--curves", path, *about, "--json"))
    assert document["wheels_mm"] == pytest.approx([101.6, 101.6])
    # 44.482216 N over 4 N/mm
    assert document["figures"]["deflection_mm"]["mean"] == pytest.approx(11.12055, abs=1e-4)


@pytest.fixture(scope="module")
def registered(captures, tmp_path_factory) -> Path:
    """The spring floats, 41, 42 and 43 mm across two ways and 36, 38 and 40 g heavy."""
    path = tmp_path_factory.mktemp("register") / "specimens.sqlite"
    with Register(path) as register:
        for place, (mm, grams) in enumerate(((41.0, 36.0), (42.0, 38.0), (43.0, 40.0))):
            name = f"spring{place}"
            said = [("size", mm - 0.1, 0.05, "diameter A"), ("size", mm + 0.1, 0.05, "diameter B")]
            records = [
                Record(specimen=name, kind=kind, value=value, u=u, detail=detail, at="2026-10-01")
                for kind, value, u, detail in [*said, ("mass", grams, 0.01, None)]
            ]
            register.add(name, records)
    return path


def test_diameters_and_masses_of_the_register_go_into_a_nip(run, captures, registered):
    document = json.loads(run("nip", *captures[:3], *NIP, "--register", registered, "--json"))
    gap = document["figures"]["gap_mm"]
    # 10 N squeeze by 10/1.9, 10/2.0 and 10/2.1 mm
    gaps_mm = [41 - 10 / 1.9, 42 - 10 / 2.0, 43 - 10 / 2.1]
    assert gap["values"] == pytest.approx(gaps_mm, abs=0.042)
    assert gap["sd"] == pytest.approx(stdev(gaps_mm), rel=0.02)
    assert document["size_mm"]["value"] == pytest.approx(42.0)
    # the instrument's 0.05 mm is in both diameters of a piece
    assert document["size_mm"]["u"] == pytest.approx(0.05, rel=0.02)
    assert document["mass_g"]["value"] == pytest.approx(38.0)
    assert document["mass_g"]["u"] == pytest.approx(2.0, rel=1e-3)
    assert "Diameters of 3 of 3 pieces are from the register." in document["notes"]


def test_a_piece_that_a_register_does_not_know_keeps_its_free_height_and_is_named(run, captures, registered):
    document = json.loads(run("nip", *captures[:4], *NIP, "--register", registered, "--json"))
    assert document["figures"]["gap_mm"]["values"][3] == pytest.approx(40 - 10 / 2.4, abs=0.042)
    assert "No diameter in the register, so the free height is used: autumn0." in document["notes"]


def test_a_stated_size_and_mass_go_before_those_of_the_register(run, captures, registered):
    stated = ("--size", "50 mm", "--mass", "30 g")
    document = json.loads(run("nip", *captures[:3], *NIP, *stated, "--register", registered, "--json"))
    assert document["size_mm"]["value"] == 50.0
    assert document["mass_g"]["value"] == 30.0
    assert not any("register" in note for note in document["notes"])


def test_a_nip_s_page_has_its_picture_and_its_values_beside_it(run, tmp_path):
    path = curves(tmp_path, [*spring_rows("a", 4.0), *spring_rows("b", 4.2)])
    run("nip", "--curves", path, *NIP, "--out", "aid")
    page = (tmp_path / "aid" / "nip.html").read_text(encoding="utf-8")
    assert "Set the gap to" in page
    assert "Limits:" in page
    assert matplotlib.image.imread(tmp_path / "aid" / "nip.png").std() > 0.05
    saved = json.loads((tmp_path / "aid" / "nip.json").read_text(encoding="utf-8"))
    assert saved["answer"][0].split(" mm")[0] in page


def refused(curves_file: Path, **changes: Any) -> list[object]:
    options = {
        "--curves": curves_file,
        "--force": "10 N",
        "--wheel": "radius 100 mm",
        "--friction": "0.6",
    } | changes
    return ["nip", *(part for pair in options.items() for part in pair if part is not None)]


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"--force": "500 N"}, "pressed to 120 N"),
        ({"--force": "10 mm"}, "--force"),
        ({"--friction": "rough"}, "--friction"),
        ({"--friction": "0.6 +- 0.1 +- 0.1"}, "half its 95 % interval"),
        ({"--wheel": "radius -3 mm"}, "--wheel"),
        ({"--wheel": "60 mm"}, "expected 'radius 60 mm' or 'diameter 60 mm'"),
        ({"--contact-force": "1 N"}, "leave them out"),
    ],
)
def test_a_nip_that_cannot_be_is_refused_in_words(run, tmp_path, changes, named):
    assert named in run(*refused(curves(tmp_path, spring_rows("a", 4.0)), **changes), code=2)


@pytest.mark.parametrize(
    ("rows", "head", "named"),
    [
        (["a,0,0,0,90", "a,10,x,0,90", "a,20,2,1,90"], None, "line 4, column 'loading_n'"),
        (["a,0,0,0,90", "a,10,1,0,90", "a,5,2,1,90"], None, "line 5, column 'deflection_mm': does not rise"),
        (["a,0,0,0,90"], None, "1 points"),
        (["a,0,0,0"], "piece,deflection_mm,loading_n,unloading_n", "no size_mm"),
        (["a,0,0"], "piece,deflection_mm,loading_n", "no column unloading_n"),
        (["a,0,0,0,1"], "piece,deflection_mm,loading_n,unloading_n,colour", "'colour' is not known"),
    ],
)  # fmt: skip
def test_a_table_that_is_wrong_is_refused_by_its_place(run, tmp_path, rows, head, named):
    if named == "no size_mm":
        rows = [f"a,{x},{x},{x}" for x in range(3)]
    path = curves(tmp_path, rows, *([] if head is None else [head]))
    assert named in run(*refused(path), code=2)


def test_neither_captures_nor_curves_is_refused(run):
    assert "found neither" in run("nip", *NIP, code=2)


def test_a_lift_says_where_the_piece_balances_and_what_to_hold(run):
    said = run("lift", *LIFT, "--grip-at", "300 mm", "--gravity", "9.80665 m/s^2")
    # 1200 x 400 / 1000 = 480 mm = 18.898 in; 1 kg x 9.80665 x 180 mm = 1765.2 N mm
    assert said.startswith("The piece balances 480.0 mm [18.90 in] from its near end.")
    assert "The grip has to hold 1765 N mm [15.62 in lbf]." in said


@pytest.mark.parametrize(
    ("torque", "code", "verdict"), [("2 N m", 0, "enough"), ("1.5 N m", 1, "too little")]
)
def test_a_lift_that_is_too_heavy_for_the_grip_ends_with_one(run, torque, code, verdict):
    said = run("lift", *LIFT, "--grip-at", "300 mm", "--grip-torque", torque, code=code)
    assert f"times that: {verdict}." in " ".join(said.split())


def test_a_lift_s_document_has_the_arm_s_own_torque(run):
    arm = ("--grip-at", "300 mm", "--arm", "0.5 m", "--arm-mass", "800 g", "--arm-centre", "220 mm")
    document = json.loads(run("lift", *LIFT, *arm, "--gravity", "9.80665 m/s^2", "--json"))
    # 9.80665 x (1.0 x (500 + 180) + 0.8 x 220) = 8394.49 N mm
    assert document["joint_torque_n_mm"]["value"] == pytest.approx(8394.49, abs=0.01)
    assert all(each["source"] and each["limits"] for each in document["formulas"])


def test_what_follows_plus_minus_is_half_of_a_95_per_cent_interval(run):
    about = ("lift", "--near", "600 g", "--mass", "1000 g +- 1 %", "--span", "1200 mm", "--json")
    # JCGM 100:2008, 4.3.4, recalled: 95 % of a normal distribution lie within 1.96 standard deviations
    assert json.loads(run(*about))["mass_g"]["u"] == pytest.approx(10.0 / 1.96, rel=1e-4)


def test_a_lift_s_page_is_written(run, tmp_path):
    run("lift", *LIFT, "--out", "aid")
    assert "balances" in (tmp_path / "aid" / "lift.html").read_text(encoding="utf-8")
    assert json.loads((tmp_path / "aid" / "lift.json").read_text(encoding="utf-8"))["enough"] is True


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (("--near", "600 g", "--span", "1.2 m"), "expected two or three"),
        ((*LIFT, "--grip-torque", "2 N m"), "needs --grip-at"),
        ((*LIFT, "--grip-at", "300 mm", "--joint-torque", "2 N m"), "needs the arm's length"),
        ((*LIFT, "--grip-at", "300 mm", "--angle", "120"), "angle"),
        (("--near", "600 N", "--far", "400 g", "--span", "1.2 m"), "--near"),
    ],
)
def test_a_lift_that_cannot_be_is_refused_in_words(run, options, named):
    assert named in run("lift", *options, code=2)
