"""Delay and frame of a virtual rig, recorded over a pseudo-terminal and measured by the commands."""

import json
import math
import os
import re
import shutil

import pytest
import yaml
from command_line import CALIBRATED, analysed, done, pressrig, rig_file

from rig.calibration import Calibration, Delay, Scale
from rig.calibrationfile import read_calibration, write_calibration

if os.name != "posix":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)

from rig.virtual import Chain, LinearSpring, VirtualPort, VirtualRig

CHAIN = Chain(compliance_mm_per_n=0.020, force_delay_s=0.025)
SPEEDS_MM_PER_S = (3.0, 6.0, 12.0)


def recorded(home, specimen, name, **plan):
    """The capture of a whole scripted run."""
    rig = VirtualRig(specimen, chain=CHAIN, **plan)
    with VirtualPort(rig, speed_up=math.inf) as port:
        output = done(
            home, "record", "--rig", rig_file(home, CALIBRATED), "--port", port.path, "--specimen", name,
            "--seconds", f"{rig.script_s:.3f}", "--out", home / "captures",
        )  # fmt: skip
    return home / output.splitlines()[-1]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("metrology")


@pytest.fixture(scope="module")
def spring_captures(home):
    return [
        recorded(home, LinearSpring(), f"K{seed}", seed=seed, cycles=2, depth_mm=6.0, speed_mm_per_s=speed)
        for seed, speed in enumerate(SPEEDS_MM_PER_S)
    ]


@pytest.fixture(scope="module")
def block_capture(home):
    plan = {"cycles": 4, "depth_mm": 1.2, "gap_mm": 0.4, "speed_mm_per_s": 1.0, "seed": 8}
    return recorded(home, LinearSpring(500e3), "B1", **plan)


@pytest.fixture(scope="module")
def bench(home, spring_captures, block_capture):
    """A calibration's file with delay and frame, and what the commands said."""
    file = home / "calibrations" / "bench.yaml"
    delay = done(
        home, "calibrate", "delay", *spring_captures, "--into", file, "--by", "bench", "--out", home / "d.png"
    )
    frame = done(
        home, "calibrate", "frame", block_capture, "--into", file, "--block-stiffness", "500 N/um",
        "--out", home / "f.png", "--on", "2026-03-01", "--expires-after", "6 months",
    )  # fmt: skip
    return file, delay, frame


def test_delay_and_frame_are_the_chains_within_three_uncertainties(bench):
    calibration = read_calibration(bench[0])
    delay, frame = calibration.delay, calibration.frame
    assert delay.s == pytest.approx(0.025, abs=3 * delay.u_s)
    give_u_mm = math.sqrt(frame.covariance_mm2[-1][-1])
    expected_mm = 0.020 * frame.force_n[-1]
    assert frame.deflection_at_mm[-1] == pytest.approx(expected_mm, abs=3 * give_u_mm + 1e-5 * expected_mm)


def test_a_new_file_holds_the_scales_that_the_parts_belong_to(bench):
    calibration = read_calibration(bench[0])
    assert (calibration.force.per_count, calibration.position.per_count) == (0.001, 0.005)


def test_a_spring_is_as_stiff_as_it_is_once_both_are_taken_off(home, bench):
    plan = {"cycles": 3, "depth_mm": 2.2, "gap_mm": 1.0, "speed_mm_per_s": 10.0, "seed": 5}
    capture = recorded(home, LinearSpring(40.0), "K40", **plan)
    raw = [each["secant_n_per_mm"] for each in analysed(home, capture)["cycles"]]
    # springs in series give 0.556 of 40 N/mm; the late force, a little more or less at the turn
    assert raw == pytest.approx([40 / 1.8] * 3, rel=0.12)
    cycles = analysed(home, capture, "--calibration", bench[0])["cycles"]
    for cycle in cycles:
        assert cycle["secant_n_per_mm"] == pytest.approx(40.0, abs=3 * cycle["secant_n_per_mm_u"])
        assert abs(cycle["hysteresis_pct"]) <= 3 * cycle["hysteresis_pct_u"] < 1.0


def test_the_older_file_is_kept_beside_the_new_one(bench):
    older = [path for path in bench[0].parent.iterdir() if path != bench[0]]
    assert len(older) == 1
    assert not read_calibration(older[0]).frame.measured
    assert older[0].name in bench[2]


def test_the_record_says_when_by_whom_and_from_what(bench, block_capture):
    content = yaml.safe_load(bench[0].read_text())
    assert content["delay"]["by"] == "bench"
    assert content["frame"]["made"] == "2026-03-01"
    assert content["frame"]["expires"] == "2026-09-01"
    assert content["frame"]["references"] == [
        "a block of 500 N/um, stated, relative standard uncertainty 10 %"
    ]
    assert content["frame"]["details"]["captures"] == [block_capture.name]


def test_what_is_printed_says_the_result_in_words(bench):
    _, delay, frame = bench
    assert float(re.search(r"time offset: ([\d.]+) ms \+- ", delay)[1]) == pytest.approx(25, abs=0.1)
    assert "previously 0 ms)" in delay
    assert "a straight line leaves" in frame
    assert "Add this line to the rig file: calibration: " in frame


def test_pictures_are_drawn(home, bench):
    assert bench
    assert all((home / name).stat().st_size > 10_000 for name in ("d.png", "f.png"))


def test_one_document_holds_every_press(home, spring_captures):
    document = json.loads(done(home, "calibrate", "delay", *spring_captures, "--json"))
    assert document["delay_s"] == pytest.approx(0.025, abs=3 * document["u_s"])
    assert len(document["presses"]) == 6
    # 4 v t/x of false hysteresis with the stiffness of spring and frame together
    fast = [each for each in document["presses"] if each["speed_mm_per_s"] > 10]
    assert all(each["hysteresis_before_pct"] < -10 for each in fast)
    assert all(abs(each["hysteresis_after_pct"]) < 0.2 for each in document["presses"])
    assert "written" not in document


def test_one_document_holds_the_curve(home, block_capture, bench):
    document = json.loads(
        done(home, "calibrate", "frame", block_capture, "--json", "--knots", 2, "--calibration", bench[0])
    )
    assert [
        give / force for give, force in zip(document["deflection_mm"], document["force_n"], strict=True)
    ] == (pytest.approx([0.020] * 2, rel=0.002))
    assert any("taken as rigid" in caution for caution in document["cautions"])


def refused(home, *arguments):
    finished = pressrig(home, "calibrate", *arguments)
    assert finished.returncode == 2, finished.stdout
    return finished.stderr


def test_captures_of_one_speed_are_refused(home, spring_captures):
    assert "one speed only" in refused(home, "delay", spring_captures[0])


def test_a_spring_is_refused_as_a_block(home, spring_captures):
    said = refused(home, "frame", *spring_captures)
    assert "far softer than a frame" in said


def test_captures_with_different_calibrations_need_one_named(home, spring_captures, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(spring_captures[2], other)
    header = yaml.safe_load((other / "capture.yaml").read_text())
    header["calibration"]["force"]["per_count_n"] = 0.002
    (other / "capture.yaml").write_text(yaml.safe_dump(header))
    (other / "end.yaml").unlink()
    captures = [spring_captures[0], other]
    assert "recorded with a different calibration" in refused(home, "delay", *captures)
    file = tmp_path / "named.yaml"
    write_calibration(file, Calibration(Scale(0.001), Scale(0.005), Delay(0.02)))
    said = done(home, "calibrate", "delay", *captures, "--calibration", file)
    assert "previously 20 ms)" in said


@pytest.mark.parametrize(
    ("option", "value", "part"),
    [
        ("--block-u", "150 %", "expected less than 100 %"),
        ("--block-stiffness", "500", "has no unit"),
        ("--out", "frame.txt", "ends in .png or .svg"),
        ("--expires-after", "soon", "expected a span"),
    ],
)
def test_an_option_that_makes_no_sense_is_refused(home, block_capture, option, value, part):
    assert part in refused(home, "frame", block_capture, option, value)
