"""`pressrig run`: a method on a driven virtual rig, and what it is refused for before anything moves."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from command_line import (
    PATIENCE_S,
    RIGS,
    ROOT,
    analysed,
    done,
    pressrig,
    recorded_bytes,
    running,
    simulated,
    wait_until,
)

from rig.capture import open_capture
from rig.cli.ordering import NOT_DONE

METHOD = """
name: two presses
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "2 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
  - rest: "1 s"
  - repeat:
      count: 2
      steps:
        - press: {deflection: "9 mm", speed: "5 mm/s"}
        - return: {gap: "2 mm", speed: "10 mm/s"}
        - rest: "2 s"
report: [secant_n_per_mm]
"""
DRIVEN = RIGS / "virtual.yaml"
FLOAT = ("--specimen", "F-90-001", "--free-height", "90 mm")


@pytest.fixture
def method(tmp_path) -> Path:
    path = tmp_path / "two_presses.yaml"
    path.write_text(METHOD, encoding="utf-8")
    return path


def test_a_method_is_run_and_its_presses_are_in_the_capture(tmp_path, method):
    with simulated(tmp_path, "--motion", "commanded", "--speed-up", "10") as link:
        output = done(
            tmp_path, "run", method, "--rig", DRIVEN, "--port", link, *FLOAT, "--cautions-read",
            "--out", tmp_path / "captures",
        )  # fmt: skip
    capture = output.splitlines()[-1]
    assert open_capture(capture).how_it_ended == "method finished"
    assert "two presses" in open_capture(capture).header.method["text"]
    depths = [cycle["peak_deflection_mm"] for cycle in analysed(tmp_path, capture)["cycles"]]
    assert [depth for depth in depths if depth > 5] == pytest.approx([9.0, 8.7], abs=0.4)


def test_ctrl_c_halts_the_platen_and_ends_the_capture_well(tmp_path, method):
    captures = tmp_path / "captures"
    with (
        simulated(tmp_path, "--motion", "commanded") as link,
        running(
            tmp_path,
            "run",
            method,
            "--rig",
            DRIVEN,
            "--port",
            link,
            *FLOAT,
            "--cautions-read",
            "--out",
            captures,
        ) as process,
    ):
        wait_until(lambda: recorded_bytes(captures) > 10_000 or process.poll() is not None)
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == NOT_DONE, errors
    assert open_capture(output.splitlines()[-1]).how_it_ended == "stopped"


def test_a_check_says_what_would_happen_and_opens_no_port(tmp_path, method):
    output = done(tmp_path, "run", method, "--rig", DRIVEN, "--port", "/dev/absent", *FLOAT, "--check-only")
    assert "9.00 mm" in output
    assert not (tmp_path / "captures").exists()


def test_cautions_that_nobody_confirms_stop_it_before_the_port_is_opened(tmp_path, method):
    refused = pressrig(tmp_path, "run", method, "--rig", DRIVEN, "--port", "/dev/absent", *FLOAT)
    assert refused.returncode == 2
    assert "crush fingers" in refused.stderr
    assert "nothing moved" in refused.stderr


def test_a_rig_file_without_limits_is_for_a_hand_that_nothing_stops(tmp_path, method):
    output = done(tmp_path, "run", method, "--rig", RIGS / "bench.yaml", *FLOAT, "--check-only")
    assert "Moved by hand" in output


def test_cautions_are_confirmed_once_a_day_and_shown_in_short_afterwards(tmp_path, method):
    asked = ("run", method, "--rig", DRIVEN, "--port", "/dev/absent", *FLOAT)
    first = pressrig(tmp_path, *asked, "--cautions-read")
    second = pressrig(tmp_path, *asked)
    # both go on to the port, which is not there
    assert (first.returncode, second.returncode) == (3, 3)
    assert "crush fingers" in first.stderr
    assert "crush fingers" not in second.stderr
    assert "caution: " in second.stderr


def test_a_press_deeper_than_the_specimen_is_refused_with_its_line(tmp_path, method):
    method.write_text(METHOD.replace("9 mm", "95 mm"), encoding="utf-8")
    refused = pressrig(tmp_path, "run", method, "--rig", DRIVEN, *FLOAT, "--cautions-read")
    assert refused.returncode == 2
    assert "line 13" in refused.stderr


FACTS = ("--specimen", "F", "--free-height", "60 mm", "--area", "25 cm^2", "--check-only")
TOO_FAST = {"pounding_endurance"}
PULLS = {"cap_pull"}
"""Only a rig whose limits reach below zero may pull."""
READY = sorted(path.stem for path in (ROOT / "configs" / "methods").glob("*.yaml"))


@pytest.mark.parametrize("name", sorted(set(READY) - TOO_FAST))
def test_a_ready_method_fits_the_virtual_rig(tmp_path, name):
    rig = RIGS / "virtual_pull.yaml" if name in PULLS else DRIVEN
    assert done(tmp_path, "run", ROOT / "configs" / "methods" / f"{name}.yaml", "--rig", rig, *FACTS)


@pytest.mark.parametrize("name", sorted(TOO_FAST))
def test_a_method_that_is_too_fast_for_the_virtual_rig_is_refused_with_its_line(tmp_path, name):
    refused = pressrig(
        tmp_path, "run", ROOT / "configs" / "methods" / f"{name}.yaml", "--rig", DRIVEN, *FACTS
    )
    assert refused.returncode == 2
    assert "the rig moves at up to" in refused.stderr
