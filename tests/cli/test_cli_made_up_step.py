"""A step of a method is one file: a made-up one is dropped into the folder of steps, and `run` does it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from command_line import PATIENCE_S, RIGS, pressrig, running, simulated

from rig.capture import open_capture

FOLDER = Path(__file__).with_name("made_up_steps")
METHOD = """
name: kneading
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "2 mm/s"}
  - knead: {deflection: "8 mm", speed: "5 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
"""
FLOAT = ("--specimen", "F-90-001", "--free-height", "90 mm")
WITH_THE_STEP = (
    sys.executable,
    "-c",
    f"import rig.methods.steps as it; it.__path__.append({str(FOLDER)!r}); from rig.cli import main; main()",
)


@pytest.fixture
def method(tmp_path) -> Path:
    path = tmp_path / "kneading.yaml"
    path.write_text(METHOD, encoding="utf-8")
    return path


def test_a_step_is_read_checked_described_and_performed_from_its_one_file(tmp_path, method):
    rig = ("--rig", RIGS / "virtual.yaml", "--out", tmp_path / "captures")
    with (
        simulated(tmp_path, "--motion", "commanded", "--speed-up", "10") as link,
        running(
            tmp_path, "run", method, *rig, "--port", link, *FLOAT, "--cautions-read", command=WITH_THE_STEP
        ) as process,
    ):
        output, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, errors
    assert "2. Knead twice, to 8 mm and half of the way back." in output + errors
    capture = open_capture(output.splitlines()[-1])
    assert capture.how_it_ended == "method finished"
    events = [json.loads(line) for line in (capture.path / "events.jsonl").read_text().splitlines()]
    steps = [(event["action"], event["phase"]) for event in events if event["kind"] == "step"]
    one = [(action, phase) for action in ("press to depth", "let up") for phase in ("begin", "end")]
    assert steps[2:-2] == one + one
    # 5 um a count, as the rig's file says; the platen turned at 8, 4, 8 and 4 mm past the contact
    (contact_mm,) = (event["position_mm"] for event in events if event["kind"] == "contact found")
    ends_us = [event["time_us"] for event in events if event["kind"] == "step" and event["phase"] == "end"]
    times_us = np.concatenate([samples.time_us for samples in capture.batches()])
    positions_mm = 0.005 * np.concatenate([samples.position for samples in capture.batches()])
    turned_mm = positions_mm[np.searchsorted(times_us, ends_us[1:5])] - contact_mm
    assert turned_mm == pytest.approx([8.0, 4.0, 8.0, 4.0], abs=0.05)


def test_a_made_up_step_that_cannot_stand_where_it_is_written_is_refused_with_its_line(tmp_path, method):
    method.write_text(METHOD.replace('  - contact_check: {force: "1 N", speed: "2 mm/s"}\n', ""))
    words = ("run", method, "--rig", RIGS / "virtual.yaml", *FLOAT, "--check-only")
    with running(tmp_path, *words, command=WITH_THE_STEP) as process:
        _, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert "line 7, step 1 knead: the contact is not known here" in errors


def test_without_its_file_a_step_is_not_a_key(tmp_path, method):
    refused = pressrig(tmp_path, "run", method, "--rig", RIGS / "virtual.yaml", *FLOAT, "--check-only")
    assert refused.returncode == 2
    assert "'knead' is not a key here" in refused.stderr
