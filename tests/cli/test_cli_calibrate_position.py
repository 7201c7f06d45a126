"""`pressrig calibrate position`: scale and backlash from a table, and taken on a real pseudo-terminal."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest

if os.name != "posix":
    pytest.skip("pseudo-terminals are needed", allow_module_level=True)

from click.testing import CliRunner
from command_line import CALIBRATED, ROOT, UNCALIBRATED, environment, rig_file
from scale_pan import Hand, ScalePan

from rig.calibration import Delay
from rig.calibrationfile import read_calibration, with_part, write_calibration
from rig.cli.calibrate_position import command

EXAMPLE = ROOT / "configs" / "calibrations" / "example_position_readings.csv"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)
    return tmp_path


def done(*arguments, stdin=None):
    finished = CliRunner().invoke(command, [str(each) for each in arguments], input=stdin)
    assert finished.exit_code == 0, (finished.output, finished.exception)
    return finished


def test_a_table_gives_scale_and_backlash_and_leaves_the_other_parts(home):
    into = home / "bench.yaml"
    write_calibration(into, with_part(into, delay=Delay(0.01, 0.001)))
    done(EXAMPLE, "--reference", "dial", "--reference-u", "2 um", "--into", into)
    calibration = read_calibration(into)
    # the example was made up with 5.0021 um at a count and a backlash of 30 um
    assert calibration.position.per_count == pytest.approx(5.0021e-3, rel=1e-4)
    assert calibration.backlash.mm == pytest.approx(0.030, abs=4 * calibration.backlash.u_mm)
    assert calibration.delay == Delay(0.01, 0.001)


def test_residuals_of_gauge_blocks_are_those_of_their_heights(home):
    table, heights, counts = home / "blocks.csv", [5.0, 10.0, 15.0, 20.0], [-50000, -100200, -150000, -200000]
    rows = (f"{height} mm,{count}" for height, count in zip(heights, counts, strict=True))
    table.write_text("\n".join(["block,counts", *rows]), encoding="utf-8")
    readings = json.loads(done(table, "--json").stdout)["readings"]
    assert [reading["reference_mm"] for reading in readings] == heights
    off_mm = heights - np.polyval(np.polyfit(counts, heights, 1), counts)
    assert [reading["residual_mm"] for reading in readings] == pytest.approx(off_mm.tolist(), abs=1e-6)


def test_the_zero_stays_where_the_rig_has_it(home):
    rig = rig_file(home, CALIBRATED.replace('"5 um"', '"5 um", zero_counts: 2500'))
    document = json.loads(done(EXAMPLE, "--rig", rig, "--json").stdout)
    assert document["scale"]["zero_counts"] == 2500
    assert document["backlash"]["degrees_of_freedom"] == 9


def test_a_person_is_led_there_and_back(home):
    with ScalePan(home / "port") as device:

        def at(mm, backlash=0.0):
            def act():
                device.platen_counts = (mm + backlash) / 0.005

            return act, f"{mm} mm"

        there = [at(mm) for mm in (0, 10, 20, 30)]
        back = [at(mm, backlash=0.05) for mm in (20, 10, 0)]
        outcome = done(
            "--rig", rig_file(home, UNCALIBRATED), "--port", home / "port", "--settle", "0.2 s", "--json",
            "--readings-into", home / "taken.csv", stdin=Hand([*there, *back, (None, "")]),
        )  # fmt: skip
    document = json.loads(outcome.stdout)
    assert document["scale"]["per_count_mm"] == pytest.approx(0.005, rel=1e-4)
    assert document["backlash"]["backlash_mm"] == pytest.approx(0.05, abs=0.002)
