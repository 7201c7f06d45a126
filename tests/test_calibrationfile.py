"""A calibration's file reads back as the same calibration, says what is wrong, and keeps its elders."""

from dataclasses import replace
from datetime import date

import pytest
import yaml

from rig.calibration import (
    Backlash,
    Calibration,
    Delay,
    Frame,
    Provenance,
    ReadBy,
    Scale,
    ScaleUncertainty,
    Share,
)
from rig.calibrationfile import read_calibration, with_part, write_calibration
from rig.errors import InputError
from rig.rigfile import read_rig_file

RECORD = Provenance(
    date(2026, 11, 2), date(2027, 11, 2), "quay workshop", ("five brass masses",), {"loads_n": [0.0, 9.8]}
)
WHOLE = Calibration(
    Scale(
        1e-3,
        12.5,
        (2e-11, -3e-17),
        ScaleUncertainty(
            1e5, ((4e-4, 1e-5, 0.0), (1e-5, 2e-4, 0.0), (0.0, 0.0, 1e-4)), 17.0, (Share("references", 5e-4),)
        ),
        (0.0, 1e5),
        RECORD,
    ),
    Scale(5e-3, -7.0, (), ScaleUncertainty(2e4, ((1e-6,),)), (0.0, 2e4), RECORD),
    Delay(0.025, 0.0004, 6.0, RECORD),
    Frame(
        (10.0, 50.0, 200.0),
        (0.03, 0.11, 0.35),
        ((1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0), (0.0, 0.0, 2e-6)),
        8.0,
        (),
        RECORD,
        ReadBy("0123456789abcdef", "fedcba9876543210", 21.5),
    ),
    Backlash(0.03, 0.002, 9.0, RECORD),
    "bench",
)


def test_every_part_of_a_calibration_comes_back_from_its_file(tmp_path):
    assert write_calibration(tmp_path / "bench.yaml", WHOLE) is None
    assert read_calibration(tmp_path / "bench.yaml") == WHOLE


def test_an_older_calibration_is_kept_under_its_identity(tmp_path):
    path = tmp_path / "bench.yaml"
    write_calibration(path, WHOLE)
    better = replace(WHOLE, delay=Delay(0.024, 0.0003))
    kept = write_calibration(path, better)
    assert kept == tmp_path / f"bench-{WHOLE.identity}.yaml"
    assert (read_calibration(kept), read_calibration(path)) == (WHOLE, better)


def test_writing_the_same_calibration_again_keeps_no_copy(tmp_path):
    path = tmp_path / "bench.yaml"
    write_calibration(path, WHOLE)
    assert write_calibration(path, WHOLE) is None
    assert [each.name for each in tmp_path.iterdir()] == ["bench.yaml"]


def test_a_number_changed_by_hand_is_found_out(tmp_path):
    path = tmp_path / "bench.yaml"
    write_calibration(path, WHOLE)
    path.write_text(path.read_text().replace("delay_s: 0.025", "delay_s: 0.026"))
    with pytest.raises(InputError, match=r"bench\.yaml: identity: found .* changed after it was written"):
        read_calibration(path)


def test_a_file_without_identity_is_owned_as_it_is(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text("force: {per_count_n: 0.002}\n")
    assert read_calibration(path) == Calibration(Scale(0.002))


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("force: {per_count_n: much}", r"force: not a calibration \(could not convert"),
        ("force: {zero_counts: 3}", r"force: not a calibration \('per_count_n' is missing\)"),
        ("forse: {}", r"forse is not part of a calibration"),
        ("format: 2", r"format: found 2, expected 1"),
        ("- 1", r"line 1: found a list, expected force"),
        ("force: [", r"line 1: not YAML"),
        (
            "frame: {force_n: [5, 2], deflection_mm: [0.1, 0.2]}",
            r"frame: .*forces that do not rise from zero",
        ),
        ("frame: {force_n: [5], deflection_mm: []}", r"frame: .*1 forces and 0 deflections"),
        ("delay: {delay_s: .nan}", r"line 1: 'delay_s': found '.nan', expected a number that is finite"),
        ("backlash: {backlash_mm: -1}", r"backlash: .*below zero"),
        (
            "force: {per_count_n: 1, unit_counts: 5, covariance_n2: [[1, 2]]}",
            r"force: .*covariance of 1 rows; expected 1 rows of 1",
        ),
    ],
)
def test_a_file_that_is_no_calibration_is_refused_with_its_place(tmp_path, text, complaint):
    path = tmp_path / "bench.yaml"
    path.write_text(text)
    with pytest.raises(InputError, match=complaint) as refusal:
        read_calibration(path)
    assert str(refusal.value).startswith(str(path))


def test_a_calibration_is_never_written_over_some_other_file(tmp_path):
    path = tmp_path / "notes.yaml"
    path.write_text("- buy twine\n")
    with pytest.raises(InputError, match="expected force"):
        write_calibration(path, WHOLE)
    assert path.read_text() == "- buy twine\n"


def test_a_part_is_replaced_and_the_others_stay(tmp_path):
    path = tmp_path / "bench.yaml"
    write_calibration(path, WHOLE)
    assert with_part(path, delay=Delay(0.01)) == replace(WHOLE, delay=Delay(0.01))
    assert with_part(tmp_path / "none.yaml", name="quay") == Calibration(name="quay")


RIG = """name: bench
wire: {format: framed, rate_hz: 500}
calibration: calibrations/bench.yaml
force: {per_count: "2 mN", delay: "4 ms"}
position: {per_count: "5 um"}
frame: {compliance: "2 um/N"}
"""


def test_a_rig_takes_its_calibrations_parts_before_those_stated_in_its_own_file(tmp_path):
    write_calibration(
        tmp_path / "calibrations" / "bench.yaml", Calibration(WHOLE.force, backlash=WHOLE.backlash)
    )
    (tmp_path / "bench.yaml").write_text(RIG)
    calibration = read_rig_file(tmp_path / "bench.yaml").calibration
    assert calibration == Calibration(
        WHOLE.force, Scale(0.005), Delay(0.004), Frame.straight(0.002), WHOLE.backlash
    )


def test_a_rig_whose_calibration_is_missing_says_which_file_it_looked_for(tmp_path):
    (tmp_path / "bench.yaml").write_text(RIG)
    with pytest.raises(InputError, match=r"bench\.yaml: calibration: .*no such calibration"):
        read_rig_file(tmp_path / "bench.yaml")


def test_a_calibrations_file_is_plain_yaml(tmp_path):
    path = tmp_path / "bench.yaml"
    write_calibration(path, WHOLE)
    content = yaml.safe_load(path.read_text())
    assert content["force"]["references"] == ["five brass masses"]
    assert content["force"]["expires"] == "2027-11-02"
    assert content["identity"] == WHOLE.identity
