"""`pressrig report`: from a method on the virtual rig to the quantity it promises."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from command_line import RIGS, done, pressrig, simulated

from rig.capture import HEIGHT, CaptureHeader, CaptureWriter
from rig.cli.reporting import command
from rig.errors import InputError

METHOD = """
name: four squeezes
purpose: A test.
follows: The arithmetic of ISO 3386-1, in a hurry. No conformity is claimed.
specimen: {stiffness: "40 N/mm"}
conditioning: {cycles: 2}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - repeat:
      count: 4
      steps:
        - press: {compression: "45 %", speed: "10 mm/s"}
        - return: {to: contact, speed: "10 mm/s"}
  - return: {gap: "10 mm", speed: "20 mm/s"}
report: [cv40_kpa]
"""


@pytest.fixture(scope="module")
def captures(tmp_path_factory):
    """One run without the area, and one with it."""
    home = tmp_path_factory.mktemp("report")
    (home / "four.yaml").write_text(METHOD, encoding="utf-8")
    made = []
    rig = ("--specimen", "block", "--motion", "commanded", "--speed-up", "10", "--contact", "25 mm")
    with simulated(home, *rig, "--drive-speed", "50 mm/s", "--drive-acceleration", "300 mm/s^2") as link:
        for more in ((), ("--area", "100 cm^2")):
            output = done(
                home, "run", "four.yaml", "--rig", RIGS / "virtual.yaml", "--port", link, "--cautions-read",
                "--specimen", "block-1", "--free-height", "50 mm", *more, "--out", home / "captures",
            )  # fmt: skip
            made.append(output.splitlines()[-1])
    return home, *made


def test_a_promised_quantity_is_given_with_its_uncertainty_and_whose_arithmetic_it_is(captures) -> None:
    home, _, whole = captures
    report = json.loads(done(home, "report", "--json", whole, afresh=True))
    (cv40,) = report["quantities"]
    # the virtual block carries some 40 N at 20 mm
    assert 3.0 < cv40["value"] < 6.0
    assert 0 < cv40["u"] < 0.05
    assert "ISO 3386-1" in cv40["how"]
    page = done(home, "report", whole)
    assert "kPa" in page
    assert "No conformity" in page


def test_a_quantity_that_cannot_be_had_makes_the_answer_no_with_its_reason(captures) -> None:
    home, without_area, _ = captures
    refused = pressrig(home, "report", without_area)
    assert refused.returncode == 1
    assert "area" in refused.stdout
    assert "not available: cv40_kpa" in refused.stderr


def test_conditioning_cycles_of_the_method_stay_out_of_means_unless_another_number_is_given(captures) -> None:
    home, _, whole = captures

    def counted(*options: object) -> int:
        document = json.loads(done(home, "analyse", "--json", *options, whole))
        return document["captures"][0]["summary"]["peak_force_n"]["n"]

    assert (counted(), counted("--conditioning", 0), counted("--conditioning", 1)) == (2, 4, 3)


def test_a_capture_without_a_method_is_wrong_input(tmp_path) -> None:
    with simulated(tmp_path, "--cycles", "1", "--speed-up", "20") as link:
        output = done(
            tmp_path, "record", "--rig", RIGS / "virtual.yaml", "--port", link, "--specimen", "x",
            "--cycles", 1,
        )  # fmt: skip
    refused = pressrig(tmp_path, "report", output.splitlines()[-1])
    assert refused.returncode == 2
    assert "recorded without one" in refused.stderr


@pytest.mark.parametrize(
    ("surfaces", "way"),
    [
        (["bare", "piece"], "pressrig height --piece {}"),
        (["bare"], "pressrig height --bare {} --piece CAPTURE"),
        (["piece"], "pressrig height --piece {} --bare CAPTURE"),
    ],
)
def test_contact_checks_of_a_height_are_called_so_and_the_command_that_reads_them_is_named(
    tmp_path, surfaces, way
) -> None:
    about = {"kind": HEIGHT, "surfaces": surfaces, "contact_n": 0.05, "top_n": 5.0}
    with CaptureWriter.create(tmp_path, CaptureHeader(specimen="F-90-001", method=about)) as writer:
        writer.end("height measured", {})
    with pytest.raises(InputError, match="free height") as refused:
        CliRunner().invoke(command, [str(writer.path)], catch_exceptions=False)
    assert way.format(writer.path) in str(refused.value)
