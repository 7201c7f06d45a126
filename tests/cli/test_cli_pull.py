"""`pressrig pull`: from captures in tension to what holds a cap, the page, or a refusal."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest
from command_line import done
from pulled_captures import RELATIVE_U, compared, pulled_capture

from rig.virtual import PressedCap

CAP = PressedCap()
"""Peak 24 N, 4 % less with each pull; first slip 18 N and 12 N/mm; bead 0.5 mm, off after 8 mm."""

FIRM = PressedCap(first_slip_n=20.0, peak_n=27.0)


@pytest.fixture
def run(in_process) -> Callable[..., str]:
    """Standard output of a command; it must end with the code."""
    return lambda *arguments, code=0: in_process(*arguments, code=code).out


def test_every_pull_of_a_capture_is_listed_with_its_uncertainty(tmp_path):
    capture = pulled_capture(tmp_path, "cap-1", CAP)
    document = json.loads(done(tmp_path, "pull", capture, "--json", afresh=True))
    rows = document["pulls"]
    assert [row["peak_n"] for row in rows] == pytest.approx([24.0, 23.04, 22.1184], abs=0.06)
    for row, worn in zip(rows, (1, 0.96, 0.96**2), strict=True):
        truth = {"peak_n": 24 * worn, "slip_n": 18.6 * worn, "slip_mm": 0.5, "travel_mm": 8.0}
        truth |= {"work_mj": 65.1 * worn}
        for name, true in truth.items():
            assert abs(row[name] - true) < 3 * row[f"{name}_u"], name


def test_pieces_are_put_together_and_the_answer_comes_first(run, tmp_path):
    captures = [pulled_capture(tmp_path, f"cap-{n}", PressedCap(peak_n=23.0 + n), number=n) for n in range(3)]
    said = run("pull", *captures)
    # 23, 24 and 25 N: mean 24, sd 1, t(2) 4.303 over the root of 3: 2.48
    assert said.startswith("A new piece comes off at 24.0")
    figure = json.loads(run("pull", *captures, "--json"))["figures"]["first_peak_pull_n"]
    assert (figure["n"], figure["mean"]) == (3, pytest.approx(24.0, abs=0.05))
    assert figure["high"] - figure["mean"] == pytest.approx(2.48, abs=0.05)


def test_one_piece_speaks_for_itself_alone(run, tmp_path):
    said = run("pull", pulled_capture(tmp_path, "cap-1", CAP))
    assert said.startswith("cap-1 let go at 24.0")
    assert "this says nothing about other pieces" in said.splitlines()[0]


def test_two_batches_are_told_apart(run, tmp_path):
    captures = [
        pulled_capture(tmp_path, f"{batch}{n}", cap, number=number + n, batch=batch)
        for number, (batch, cap) in enumerate({"soft": CAP, "firm": FIRM}.items())
        for n in (1, 2)
    ]
    found = json.loads(run("pull", *captures, "--json"))["by_batch"]
    assert {batch: found[batch]["mean"] for batch in found} == pytest.approx(
        {"soft": 24.0, "firm": 27.0}, abs=0.06
    )


def test_a_calibration_that_reaches_below_zero_gives_its_part_to_every_force(run, tmp_path):
    capture = pulled_capture(tmp_path, "cap-1", CAP, calibration=compared(-60.0))
    document = json.loads(run("pull", capture, "--json"))
    (about,) = document["captures"].values()
    assert about["calibrated_to_n"] == pytest.approx(60.0)
    assert about["relative_u_calibration"]["peak_n"] == pytest.approx(RELATIVE_U, rel=1e-3)
    assert document["pulls"][0]["peak_n_u"] >= RELATIVE_U * 23.9
    assert document["figures"]["first_peak_pull_n"]["shared_u"] == pytest.approx(RELATIVE_U * 24.0, rel=0.01)


@pytest.mark.parametrize(("low_n", "reach"), [(0.0, "for loads that pull"), (-20.0, "beyond 20 N of pull")])
def test_pulls_beyond_the_calibration_are_refused_and_never_silently_used(
    run, refused, tmp_path, low_n, reach
):
    capture = pulled_capture(tmp_path, "cap-1", CAP, calibration=compared(low_n))
    said = refused(2, "pull", capture)
    assert f"there is no force calibration {reach}" in said
    assert "`pressrig calibrate force`), or --beyond-calibration" in said
    taken = run("pull", capture, "--beyond-calibration")
    assert f"there is no force calibration {reach}" in " ".join(taken.split())
    assert "as requested, it is extrapolated as a straight line" in " ".join(taken.split())


def test_pulls_within_the_calibration_count_while_those_beyond_are_flagged(run, tmp_path):
    capture = pulled_capture(tmp_path, "cap-1", CAP, calibration=compared(-23.5))  # 24 N first, then 23.04 N
    document = json.loads(run("pull", capture, "--json"))
    (about,) = document["captures"].values()
    assert [each["flags"] for each in about["pulls"]] == [["beyond the calibration"], [], []]
    assert document["pulls"][0]["peak_n"] is None
    assert "first_peak_pull_n" not in document["figures"]
    assert document["figures"]["mean_peak_pull_n"]["mean"] == pytest.approx((23.04 + 22.1184) / 2, abs=0.06)
    assert run("pull", capture).startswith("No first pull counts")


def test_the_page_has_its_picture_its_formulas_and_their_sources(run, tmp_path):
    run("pull", pulled_capture(tmp_path, "cap-1", CAP), "--out", tmp_path / "out")
    page = (tmp_path / "out" / "pull.html").read_text(encoding="utf-8")
    for words in ("cap-1 let go at", "lbf", "ISO 6892-1, recalled", "common practice, no source", "alt="):
        assert words in page
    assert "data:image/png;base64," in page
    assert "Not calibrated: force, position" in page
    assert json.loads((tmp_path / "out" / "pull.json").read_text(encoding="utf-8"))["answer"]


def test_other_commands_point_to_it(run, tmp_path):
    capture = pulled_capture(tmp_path, "cap-1", CAP)
    assert "measure the pulls with `pressrig pull`" in " ".join(run("report", capture).split())
    assert "measure the pulls with `pressrig pull`" in " ".join(run("analyse", capture).split())


def test_a_capture_without_a_method_is_reported_by_other_commands(refused, tmp_path):
    capture = pulled_capture(tmp_path, "cap-1", CAP, method=None)
    assert "`pressrig analyse` measures its cycles, `pressrig pull` its pulls" in refused(
        2, "report", capture
    )


def test_presses_without_a_pull_are_refused_with_what_was_expected(refused, tmp_path):
    loose = PressedCap(first_slip_n=1e-3, peak_n=2e-3, sliding_n=1e-3)
    said = refused(2, "pull", pulled_capture(tmp_path, "cap-1", loose))
    assert "found no pull, expected forces below zero while the platen moves away" in said


def test_captures_without_a_pull_are_all_named_and_the_others_used(run, refused, tmp_path):
    loose = PressedCap(first_slip_n=1e-3, peak_n=2e-3, sliding_n=1e-3)
    without = [pulled_capture(tmp_path, f"loose-{number}", loose, number=number) for number in (1, 2)]
    said = refused(2, "pull", *without)
    assert all(f"{path.name}: found no pull" in said for path in without)
    found = json.loads(run("pull", without[0], pulled_capture(tmp_path, "cap-1", CAP), "--json"))
    (used,) = found["captures"].values()
    assert without[0].name in used["notes"][0]
    assert used["pulls"]


def test_the_same_capture_twice_and_unlike_rates_are_refused(refused, tmp_path):
    capture = pulled_capture(tmp_path, "cap-1", CAP)
    assert "the same capture as" in refused(2, "pull", capture, capture)
    other = pulled_capture(tmp_path, "cap-2", CAP, number=1, conditions={"orientation": "upside down"})
    turned = pulled_capture(tmp_path, "cap-3", CAP, number=2, conditions={"orientation": "upright"})
    assert "orientation" in refused(2, "pull", other, turned)


def test_pulls_that_a_person_made_are_not_pooled_with_driven_ones(refused, tmp_path):
    driven = pulled_capture(tmp_path, "cap-1", CAP)
    by_hand = pulled_capture(tmp_path, "cap-2", CAP, number=1, guided=True)
    said = refused(2, "pull", driven, by_hand)
    assert "method" in said
    assert "by hand" in said


@pytest.mark.parametrize(("option", "value"), [("--slip", "0 mm"), ("--threshold", "5 mm")])
def test_a_number_that_makes_no_sense_is_refused_by_its_option(refused, tmp_path, option, value):
    assert option.strip("-").split("-")[0] in refused(
        2, "pull", pulled_capture(tmp_path, "c", CAP), option, value
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_pulls_of_a_table_in_tension_are_read_with_either_sign_as_its_cycles_are(run, tmp_path, sign):
    # gives to 12 N in 0.5 mm and 13 N at 1 mm, then slips off until 6 mm: 41.75 mJ
    way_mm = np.concatenate([np.zeros(150), np.arange(0, 8, 0.02), np.arange(8, 0, -0.04), np.zeros(150)])
    force_n = np.where(np.arange(len(way_mm)) < 550, np.interp(way_mm, [0, 0.5, 1, 6], [0, 12, 13, 0]), 0.0)
    force_n += np.random.default_rng(4).normal(0, 0.01, len(force_n))
    rows = zip(np.arange(len(way_mm)) * 0.01, sign * way_mm, sign * force_n, strict=True)
    table = tmp_path / "cap.csv"
    table.write_text(
        "Time (s),Extension (mm),Load (N)\n" + "".join(f"{t:.2f},{x:.4f},{f:.4f}\n" for t, x, f in rows)
    )
    (capture,) = run("import", table, "--sense", "tension", "--out", tmp_path / "made").split()
    (pull,) = json.loads(run("pull", capture, "--json"))["pulls"]
    (cycle,) = json.loads(run("analyse", capture, "--json"))["captures"][0]["cycles"]
    assert pull["peak_n"] == pytest.approx(13.0, abs=0.05)
    assert pull["travel_mm"] == pytest.approx(6.0, abs=0.1)
    assert pull["work_mj"] == pytest.approx(41.75, abs=0.2)
    assert cycle["peak_force_n"] == pytest.approx(13.0, abs=0.15)  # of a corner that few samples show
    assert cycle["energy_absorbed_mj"] == pytest.approx(41.75, abs=0.2)
