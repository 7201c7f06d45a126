"""`pressrig calibrate force`: from a table, and led through the readings on a real pseudo-terminal."""

from __future__ import annotations

import json
import os
from functools import partial
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("pseudo-terminals are needed", allow_module_level=True)

from click.testing import CliRunner
from command_line import CALIBRATED, LINES, ROOT, UNCALIBRATED, environment, rig_file
from scale_pan import ZERO, Hand, ScalePan

from rig.calibration import force_table
from rig.calibrationfile import read_calibration, write_calibration
from rig.cli.calibrate_force import command
from rig.errors import InputError
from rig.rigfile import read_rig_file
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import LineFormat

EXAMPLE = ROOT / "configs" / "calibrations" / "example_force_readings.csv"
MASSES = ("--gravity", "9.8145 m/s^2", "--reference", "brass masses", "--reference-u", "0.01 %")
QUICK = ("--settle", "0.2 s", "--patience", "1 s")

COUNTS_PER_N = 1000.0


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, value in environment(tmp_path).items():
        monkeypatch.setenv(name, value)
    return tmp_path


def calibrate(*arguments, stdin=None):
    return CliRunner().invoke(command, [str(each) for each in arguments], input=stdin)


def done(*arguments, stdin=None):
    finished = calibrate(*arguments, stdin=stdin)
    assert finished.exit_code == 0, (finished.output, finished.exception)
    return finished


def table(home, text):
    path = home / "cell.csv"
    path.write_text(text)
    return path


def test_a_table_becomes_a_calibration_that_a_rig_can_name(home):
    into = home / "calibrations" / "bench.yaml"
    rig = home / "rigs" / "bench.yaml"
    rig.parent.mkdir()
    rig.write_text(CALIBRATED)
    said = done(EXAMPLE, *MASSES, "--into", into, "--rig", rig, "--by", "quay").stdout
    assert "calibration: ../calibrations/bench.yaml" in said
    rig.write_text(CALIBRATED + "calibration: ../calibrations/bench.yaml\n")
    force = read_rig_file(rig).calibration.force
    assert force == read_calibration(into).force
    # the example was made up with 1.0004 mN at a count and a bend of 1.5e-12 N
    assert float(force.slope(force.zero_counts + 98_000)) == pytest.approx(
        1.0004e-3 + 2 * 1.5e-12 * 98_000, rel=1e-4
    )
    assert (force.record.by, force.record.references[0][:12]) == ("quay", "brass masses")


def test_what_is_printed_shows_residuals_the_budget_and_the_reason_of_the_degree():
    said = done(EXAMPLE, *MASSES).stdout
    assert "Residuals" in said
    assert "off-centre load" in said
    assert "a straight line leaves 0.00758 N (p < 0.01)" in said
    assert "No calibration was written" in said


def test_the_example_calibration_is_what_the_example_readings_give(home):
    into = home / "example.yaml"
    done(EXAMPLE, "--gravity", "9.8145 m/s^2", "--reference-u", "0.003 %", "--into", into)
    example = read_calibration(EXAMPLE.with_name("example.yaml")).force
    assert example.terms == pytest.approx(read_calibration(into).force.terms, rel=1e-9)


def test_json_gives_the_same_scale_as_the_file(home):
    into = home / "bench.yaml"
    document = json.loads(done(EXAMPLE, *MASSES, "--into", into, "--json").stdout)
    scale = read_calibration(into).force
    assert document["scale"]["per_count_n"] == scale.per_count
    assert len(document["readings"]) == 27
    assert [each["source"] for each in document["budget"]][-1] == "combined"
    assert document["older"] is None


def test_an_older_calibration_is_kept_and_its_other_parts_go_on(home):
    into = home / "bench.yaml"
    done(EXAMPLE, *MASSES, "--into", into)
    first = read_calibration(into)
    write_calibration(into, first)
    said = done(EXAMPLE, *MASSES, "--into", into, "--degree", "1").stdout
    assert f"bench-{first.identity}.yaml" in said
    assert read_calibration(into).force.bends == ()


def test_a_calibration_expires_after_the_span_given(home):
    into = home / "bench.yaml"
    done(EXAMPLE, *MASSES, "--into", into, "--on", "2026-03-31", "--expires-after", "6 months")
    record = read_calibration(into).force.record
    assert (record.made.isoformat(), record.expires.isoformat()) == ("2026-03-31", "2026-09-30")


@pytest.mark.parametrize(
    ("text", "arguments", "complaint"),
    [
        (
            "load_N,counts\n0,0\n50,5\n",
            ("--degree", "3"),
            "cell.csv: 2 different references in N cannot carry",
        ),
        ("load_N,counts\n0,0\n10,5\n5,3\n20,9\n", (), "cell.csv line 5: references out of order"),
        ("load_N,counts\n0,0\n10,8388607\n", (), "cell.csv line 3: saturated"),
        ("load_N,counts\n0,9\n10,5\n20,1\n", (), "cell.csv: sign error"),
        ("load,counts\n0,0\n10 g,5\n2 lbf,9\n", (), "cell.csv line 3: g is a unit of mass"),
        ("mass_kg,counts\n0,0\n1,5\n2,9\n", ("--gravity", "9.81"), "--gravity: '9.81' has no unit"),
        (
            "mass_kg,counts\n0,0\n1,5\n2,9\n",
            ("--gravity", "981 m/s^2"),
            "--gravity: found '981 m/s^2'",
        ),
        ("load_N,counts\n0,0\n1,5\n2,9\n", ("--reference-u", "0"), "--reference-u: '0' has no unit"),
        ("load_N,counts\n0,0\n1,5\n2,9\n", ("--expires-after", "soon"), "--expires-after: found 'soon'"),
        (
            "load_N,counts\n0,0\n1,5\n2,9\n",
            ("--on", "9999-12-31", "--expires-after", "1 week"),
            "--expires-after: found '1 week', expected at most",
        ),
    ],
)
def test_wrong_input_is_refused_and_nothing_is_written(home, text, arguments, complaint):
    into = home / "bench.yaml"
    refused = calibrate(table(home, text), "--into", into, *arguments)
    assert isinstance(refused.exception, InputError)
    assert complaint in str(refused.exception)
    assert not into.exists()


def test_gravity_may_come_from_the_place(home):
    # Somigliana's closed formula gives 9.814476 m/s^2 at 54.3 degrees; 12 m above the sea take off 0.000037
    path = table(home, "mass_kg,counts\n0,0\n1,9813\n2,19626\n3,29439\n")
    document = json.loads(done(path, "--latitude", "54.3", "--height", "12 m", "--json").stdout)
    assert document["readings"][1]["reference_n"] == pytest.approx(9.814439 * (1 - 1.2 / 8000), rel=1e-6)
    assert "gravity" in [each["source"] for each in document["budget"]]
    both = calibrate(path, "--latitude", "54.3", "--gravity", "9.81 m/s^2")
    assert "found both, expected one of them" in str(both.exception)


def test_masses_without_a_stated_gravity_take_its_spread_over_the_earth(home):
    path = table(home, "mass_kg,counts\n0,0\n1,9807\n2,19613\n3,29420\n")
    document = json.loads(done(path, "--json").stdout)
    # 1 kg of 8000 kg/m^3 in air of 1.2 kg/m^3
    assert document["readings"][1]["reference_n"] == pytest.approx(9.80665 * (1 - 1.2 / 8000), rel=1e-9)
    (gravity,) = (each for each in document["budget"] if each["source"] == "gravity")
    # poles 9.832, equator 9.780: half of the range over the root of three
    assert gravity["relative_u"] == pytest.approx((9.832 - 9.780) / 2 / 3**0.5 / 9.80665, rel=1e-3)


def test_the_command_line_refuses_with_code_2_and_one_sentence(refused):
    assert refused(2, "calibrate", "force", "none.csv") == (
        "pressrig: none.csv: no such table; leave it out to take readings from a rig\n"
    )
    assert "give READINGS (a table), or --rig" in refused(2, "calibrate", "force")


@pytest.fixture
def pan(home):
    with ScalePan(home / "port") as device:
        yield device


def put(device, newtons, line, *, drift=0.0, saturated=False, off=0.0):
    """Load the cell, then type a line."""

    def act():
        device.load_counts = newtons * COUNTS_PER_N + off
        device.drift_per_s = drift
        device.saturated = saturated

    return act, line


def taken(home, steps, *arguments):
    """Led through the steps; the outcome and the table that was written."""
    readings = home / "taken.csv"
    outcome = calibrate(
        "--rig", rig_file(home, UNCALIBRATED), "--port", home / "port", "--readings-into", readings, *QUICK,
        *arguments, stdin=Hand(steps),
    )  # fmt: skip
    return outcome, readings


def test_a_person_is_led_from_load_to_load_and_gets_a_calibration(home, pan):
    load = partial(put, pan)
    rising = [load(newtons, f"{newtons} N") for newtons in (10, 20, 40)]
    askew = load(40, "40 N at left edge", off=40.0)
    steps = [load(0, "0"), *rising, load(0, "0"), load(40, "40 N"), askew, (None, "")]
    into = home / "bench.yaml"
    outcome, readings = taken(home, steps, "--into", into, "--degree", "1")
    assert outcome.exit_code == 0, (outcome.output, outcome.exception)
    scale = read_calibration(into).force
    assert scale.per_count == pytest.approx(1 / COUNTS_PER_N, rel=1e-4)
    assert scale.zero_counts == pytest.approx(ZERO, abs=3)
    assert "off-centre load" in [each.source for each in scale.uncertainty.shares]
    assert len(force_table(readings.read_text(), "taken.csv").readings) == 7
    assert "% of the largest reference off a straight line" in outcome.stderr


def test_loads_that_pull_are_taken_below_zero(home, pan):
    load = partial(put, pan)
    steps = [load(newtons, f"{newtons} N") for newtons in (0, 10, 20, 0, -10, -20, 0)]
    into = home / "bench.yaml"
    outcome, _ = taken(home, [*steps, (None, "")], "--into", into, "--degree", "1")
    assert outcome.exit_code == 0, (outcome.output, outcome.exception)
    assert read_calibration(into).force.value_range == pytest.approx((-20.0, 20.0), abs=0.05)


def test_a_point_can_be_taken_again_and_the_first_one_stays_in_the_table(home, pan):
    load = partial(put, pan)
    steps = [load(0, "0"), load(10, "1"), load(20, "2 kg"), load(10, "1 kg", off=3000.0), load(10, "again")]
    outcome, readings = taken(home, [*steps, (None, "")], "--gravity", "9.81 m/s^2")
    assert "'1' has no unit; type '1 g' or '1 N'" in outcome.stderr
    assert outcome.stderr.count("If it was not in place, type again") == 1
    assert outcome.exit_code == 0, (outcome.output, outcome.exception)
    rows = readings.read_text().splitlines()[2:]
    assert [row.rpartition(",")[2] for row in rows] == ["yes", "yes", "no", "yes"]
    assert [each.reference for each in force_table(readings.read_text(), "").readings] == [0, 2, 1]


def test_what_does_not_settle_or_makes_no_sense_is_said_and_asked_again(home, pan):
    load = partial(put, pan)
    steps = [load(0, "0"), load(10, "10 N", drift=2_000.0), load(10, "10 N", saturated=True), load(10, "ten"),
             load(10, "10"), load(10, "500 g at"), load(10, "-10 N"), load(10, "10 N"), load(20, "20 N"),
             load(20, "2 kg"), (None, "")]  # fmt: skip
    outcome, readings = taken(home, steps)
    assert outcome.exit_code == 0, (outcome.output, outcome.exception)
    not_taken = [line for line in outcome.stderr.splitlines() if "not taken" in line]
    assert len(not_taken) == 7
    for line, complaint in zip(
        not_taken,
        (
            "plateau drifts by",
            "saturated",
            "'ten'",
            "has no unit",
            "unit 'g at' does not convert",
            "pulls",
            "but a load was read",
        ),
        strict=True,
    ):
        assert complaint in line
    assert len(force_table(readings.read_text(), "").readings) == 3


def test_readings_outlive_a_person_who_walks_away(home, pan):
    load = partial(put, pan)
    outcome, readings = taken(home, [load(0, "0"), load(10, "10 N")])
    assert outcome.exit_code == 1  # the input ended without an empty line
    assert len(force_table(readings.read_text(), "").readings) == 2


def test_a_rig_that_sends_newtons_is_refused_before_anything_is_asked(home):
    lines = LineFormat(force_unit="N")
    rig = VirtualRig(LinearSpring(3.0), scripted=False, rate_hz=100.0, line_format=lines)
    scaled = LINES.replace("format: lines", "format: lines, force_unit: N").replace(
        'force: {per_count: "1 mN"}', ""
    )
    with VirtualPort(rig, home / "port"):
        outcome = calibrate("--rig", rig_file(home, scaled), "--port", home / "port", stdin=Hand([]))
    assert "sends its force in N, already scaled" in str(outcome.exception)
    assert "Load the cell" not in outcome.stderr


def test_a_table_that_is_there_is_not_written_over(home, pan):
    (home / "taken.csv").write_text("mine\n")
    outcome, readings = taken(home, [])
    assert isinstance(outcome.exception, InputError)
    assert readings.read_text() == "mine\n"
