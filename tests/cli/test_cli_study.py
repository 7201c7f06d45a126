"""`pressrig study`: from a table or from captures to the answer, the page, or a refusal."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
from command_line import ROOT, done
from studied_captures import CALIBRATION, METHOD, studied_capture

from rig.population import GaugeResult

EXAMPLE = ROOT / "configs" / "studies" / "hand_and_rig.csv"
HEAD = "piece,appraiser,trial,stiffness_n_per_mm\n"

PIECES = {"F-90-1": 2.0, "F-90-2": 2.4, "F-90-3": 3.0}
"""Stiffness in N/mm; invented."""

HIGHER = {"hand A": 0.05, "hand B": -0.02, None: 0.0}
"""What each reads too high in N/mm; None is the driven rig."""

AGAIN = (0.004, -0.004)
"""By what the first and second squeeze of a piece differ, in N/mm, more so by hand."""


@pytest.fixture
def run(in_process) -> Callable[..., str]:
    """Standard output of `study`; it must end with the code."""
    return lambda *arguments, code=0: in_process("study", *arguments, code=code).out


@pytest.fixture(scope="module")
def of_captures(captures) -> dict[str, Any]:
    """The document of the study of the captures."""
    return json.loads(done(captures[0].parent, "study", *captures, "--contact-force", "0.1 N", "--json"))


@pytest.fixture(scope="module")
def captures(tmp_path_factory) -> list[Path]:
    """Three pieces, squeezed twice by two hands and by the driven rig."""
    parent = tmp_path_factory.mktemp("captures")
    made = []
    for again in range(2):
        for by, higher in HIGHER.items():
            for place, (piece, stiffness) in enumerate(PIECES.items()):
                spread = AGAIN[again] * (1 if by is None else 5) * (1 if place % 2 else -1)
                number = len(made)
                method = METHOD if by is None else None
                made.append(
                    studied_capture(
                        parent, piece, stiffness + higher + spread, number=number, by=by, method=method
                    )
                )
    return made


def test_the_example_answers_first_and_in_words(run):
    lines = run(EXAMPLE, "--tolerance", "1.2 N/mm").splitlines()
    assert re.match(
        r"Repeats by hand spread \d\.\d times as much as driven ones \(.* with 95 %\); hand reads", lines[0]
    )
    assert "of the tolerance" in lines[2]
    assert any(line.startswith("Driven alone: the gauge accounts for") for line in lines)


def test_the_example_says_that_it_is_invented():
    assert "invented" in EXAMPLE.read_text(encoding="utf-8").splitlines()[0]


def test_the_document_holds_a_result_that_can_be_read_again(run):
    document = json.loads(run(EXAMPLE, "--value", "stiffness_n_per_mm", "--json"))
    again = GaugeResult.from_dict(document["by_kind"]["driven"])
    assert (again.quantity, again.unit, again.trials) == ("stiffness", "N/mm", 3)
    # made with 0.018 N/mm
    assert again.component("repeatability").sd_low < 0.018 < again.component("repeatability").sd_high
    assert len(document["values"]) == 8 * 4 * 3
    assert set(document["values"][0]) == {"piece", "appraiser", "kind", "trial", "value"}


def test_a_folder_gets_a_page_that_stands_alone_and_its_pictures(run, tmp_path):
    said = run(EXAMPLE, "--out", tmp_path / "study")
    page = (tmp_path / "study" / "study.html").read_text(encoding="utf-8")
    assert str(tmp_path / "study" / "study.html") in said
    assert page.count("data:image/png;base64,") == 2
    assert not re.search(r"(src|href)=.(?!data:)", page)
    for name in ("variance", "pieces-1"):
        image = matplotlib.image.imread(tmp_path / "study" / f"{name}.png")
        assert np.mean(image[:, :, :3].min(axis=2) < 0.9) > 0.005
    assert json.loads((tmp_path / "study" / "study.json").read_text())["study"]["unit"] == "N/mm"


def test_the_values_that_are_written_can_be_studied_again(run, tmp_path):
    once = json.loads(run(EXAMPLE, "--out", tmp_path / "study", "--json"))
    assert json.loads(run(tmp_path / "study" / "values.csv", "--json"))["study"] == once["study"]


def test_names_in_a_table_cannot_write_into_the_page(run, tmp_path):
    cells = [(piece, trial) for piece in (1, 2) for trial in (1, 2)]
    rows = [f"<b>{piece}</b>,<script>x</script>,{trial},{piece + trial / 10}\n" for piece, trial in cells]
    (tmp_path / "v.csv").write_text(HEAD + "".join(rows))
    run("v.csv", "--out", "page")
    page = (tmp_path / "page" / "study.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;x" in page


def test_captures_are_trials_of_their_specimens_by_operators_and_the_rig(of_captures):
    study, comparison = of_captures["study"], of_captures["comparison"]
    assert study["pieces"] == list(PIECES)
    assert [each["name"] for each in study["appraisers"]] == ["hand A", "hand B", "rig"]
    assert [each["kind"] for each in study["appraisers"]] == ["hand", "hand", "driven"]
    assert study["trials"] == 2
    means = {each["name"]: each["mean"] for each in study["appraisers"]}
    assert means["hand A"] - means["rig"] == pytest.approx(0.05, abs=0.005)
    # (0.05 - 0.02) / 2 on the same pieces
    assert comparison["bias"] == pytest.approx(0.015, abs=0.005)
    # two repeats 0.008 apart have a standard deviation of 0.0057 N/mm; those of hands five times that
    assert comparison["sd_second"] == pytest.approx(0.0057, abs=0.002)
    assert comparison["ratio"] == pytest.approx(5, rel=0.3)


def test_cycles_are_no_trials_and_unlike_captures_are_told_of(of_captures):
    notes = of_captures["notes"]
    assert any("single cycles are not trials" in note for note in notes)
    assert any("These differ between the captures: method (2 kinds" in note for note in notes)
    assert not any("calibration (" in note or "contact force" in note for note in notes)


def test_an_unlike_calibration_is_told_of(run, tmp_path):
    stiffer = CALIBRATION | {"force": {"per_count_n": 0.0011}}
    made = [
        studied_capture(
            tmp_path, piece, k, number=n, by="hand A", calibration=CALIBRATION if n < 3 else stiffer
        )
        for n, (piece, k) in enumerate([*PIECES.items()] * 2)
    ]
    notes = json.loads(run(*made, "--json"))["notes"]
    assert any("These differ between the captures: calibration (2 kinds" in note for note in notes)


def test_a_method_that_only_guided_a_hand_is_no_driven_rig(run, tmp_path):
    made = [
        studied_capture(tmp_path, piece, k + 0.01 * n, number=n, by="hand A", method=METHOD, guided=True)
        for n, (piece, k) in enumerate([*PIECES.items()] * 2)
    ]
    study = json.loads(run(*made, "--json"))["study"]
    assert [(each["name"], each["kind"]) for each in study["appraisers"]] == [("hand A", "hand")]


def test_the_force_at_a_depth_can_be_studied(run, captures):
    study = json.loads(run(*captures, "--at", "5 mm", "--json"))["study"]
    assert (study["quantity"], study["unit"]) == ("force at 5 mm, loading", "N")
    # 5 mm deep into springs of 2.0, 2.4 and 3.0 N/mm, read 0.01 N/mm too high in the mean
    assert study["mean"] == pytest.approx(5 * (2.0 + 2.4 + 3.0) / 3 + 5 * 0.01, abs=0.05)


def test_a_gauge_above_what_it_may_take_makes_the_answer_no(run):
    run(EXAMPLE, "--at-most", 30, code=1)
    run(EXAMPLE, "--at-most", 90)


def test_a_decimal_comma_is_read_where_semicolons_part_the_cells(run, tmp_path):
    rows = "".join(f"{p};rig;{t};{p},{t}5\n" for p in (1, 2, 3) for t in (1, 2))
    (tmp_path / "v.csv").write_text("# invented\n" + HEAD.replace(",", ";") + rows)
    values = [each["value"] for each in json.loads(run("v.csv", "--json"))["values"]]
    assert values == [1.15, 1.25, 2.15, 2.25, 3.15, 3.25]


def test_appraisers_can_be_called_driven(run, tmp_path):
    rows = "".join(f"{p},{a},{t},{p + t / 9}\n" for p in (1, 2) for a in ("rig", "hand A") for t in (1, 2))
    (tmp_path / "v.csv").write_text(HEAD + rows)
    assert json.loads(run("v.csv", "--driven", "rig", "--json"))["comparison"]["second"] == "driven"


TABLES = {
    "no value": ("piece,appraiser,trial\na,rig,1\n", (), "the value column is not stated; found none"),
    "two values": ("piece,appraiser,trial,x_n,y_n\na,rig,1,2,3\n", (), "found x_n, y_n"),
    "unknown value": (HEAD + "a,rig,1,2\n", ("--value", "force_n"), "no column 'force_n'; found stiffness"),
    "no trial": ("piece,appraiser,x_n\na,rig,1\n", (), "no column trial"),
    "no number": (HEAD + "a,rig,1,2\na,rig,2,soft\n", (), "line 3, column 'stiffness_n_per_mm': found 'so"),
    "not finite": (HEAD + "a,rig,1,nan\n", (), "found 'nan', expected a number"),
    "a double": (HEAD + "a,rig,1,2\na,rig,1,3\n", (), "row 3: piece 'a', appraiser 'rig', trial '1'"),
    "a gap": (HEAD + "a,rig,1,2\na,rig,2,2\nb,rig,1,3\n", (), "piece 'b', appraiser 'rig': 1 trials"),
    "a ragged row": (HEAD + "a,rig,1,2,5\n", (), "line 2: found 5 cells, expected 4"),
    "one piece": (HEAD + "a,rig,1,2\na,rig,2,2\n", (), "found one piece"),
    "nothing": ("", (), "found nothing"),
    "a wrong tolerance": (HEAD + "a,rig,1,2\n", ("--tolerance", "3 mm"), "--tolerance"),
    "options of captures": (HEAD + "a,rig,1,2\n", ("--at", "5 mm"), "--at: does not go with a table"),
    "conditioning": (HEAD + "a,rig,1,2\n", ("--conditioning", "1"), "--conditioning: does not go with"),
    "a stranger": (HEAD + "a,rig,1,2\n", ("--driven", "motor"), "no appraiser motor"),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLES)
def test_a_wrong_table_is_refused_with_its_place(refused, tmp_path, name):
    text, options, words = TABLES[name]
    (tmp_path / "v.csv").write_text(text)
    assert words in refused(2, "study", "v.csv", *options)


def test_a_capture_without_an_operator_is_refused(refused, tmp_path):
    path = studied_capture(tmp_path, "F-90-1", 2.0)
    assert "field 'operator' is empty" in refused(2, "study", path)


def test_the_same_capture_twice_is_refused(refused, captures):
    assert "the same capture as" in refused(2, "study", captures[0], captures[1], captures[0])


def test_a_missing_capture_names_the_cell(refused, captures):
    said = refused(2, "study", *captures[:-1])
    assert "piece 'F-90-3', appraiser 'rig': 1 trials" in said


def test_an_unknown_quantity_is_refused_with_those_there_are(refused, captures):
    said = refused(2, "study", captures[0], "--quantity", "softness")
    assert "no quantity 'softness'" in said
    assert "secant_n_per_mm" in said


def test_a_table_option_does_not_go_with_captures(refused, captures):
    assert "--value: does not go with captures" in refused(2, "study", *captures[:2], "--value", "x")


LABORATORIES = ROOT / "configs" / "studies" / "laboratories.csv"


def test_a_table_of_laboratories_gives_repeatability_and_reproducibility(run):
    document = json.loads(run(LABORATORIES, "--json"))
    rows = [row for row in document["values"] if row["material"] == "autumn mould"]
    groups = [
        np.array([row["value"] for row in rows if row["laboratory"] == name])
        for name in dict.fromkeys(row["laboratory"] for row in rows)
    ]
    within = np.sqrt(sum(((each - each.mean()) ** 2).sum() for each in groups) / (len(rows) - len(groups)))
    found = document["study"]["materials"][1]
    assert found["repeatability"]["sd"] == pytest.approx(within)
    # the school's results were invented with three times the spread of the others
    assert any("Laboratory school has a larger spread" in sentence for sentence in document["answer"])


def test_a_study_of_laboratories_writes_its_page(run, tmp_path):
    said = run(LABORATORIES, "--out", tmp_path / "study")
    assert said.startswith("spring mould: results of different laboratories")
    page = (tmp_path / "study" / "study.md").read_text(encoding="utf-8")
    assert "reproducibility" in page
    assert matplotlib.image.imread(tmp_path / "study" / "laboratories.png").size
    assert {each.name for each in (tmp_path / "study").iterdir()} >= {
        "study.html",
        "study.json",
        "values.csv",
    }


def test_captures_are_studied_by_laboratory_with_pieces_of_their_own(run, captures):
    some = [each for number, each in enumerate(captures) if number != 4]
    document = json.loads(run(*some, "--laboratories", "--contact-force", "0.1 N", "--json"))
    (found,) = document["study"]["materials"]
    assert sorted(each["n"] for each in found["laboratories"]) == [5, 6, 6]
    assert any("Pieces of one laboratory differ" in note for note in document["notes"])


def test_options_of_a_gauge_study_are_refused_for_laboratories(in_process):
    assert (
        "does not go with laboratories"
        in in_process("study", LABORATORIES, "--tolerance", "1 N/mm", code=2).err
    )
