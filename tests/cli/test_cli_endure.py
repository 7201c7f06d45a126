"""`pressrig endure` on a virtual rig: run, report, and what is refused before anything moves."""

from __future__ import annotations

import json
import shlex
import signal
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from command_line import (
    PATIENCE_S,
    RIGS,
    ROOT,
    done,
    event_kinds,
    pressrig,
    running,
    simulated,
    wait_until,
)

from rig.capture import open_capture
from rig.conformance import BenchOrders

PLAN = """
name: thirty squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
contact_check: {force: "1 N", speed: "2 mm/s"}
squeeze: {deflection: "9 mm", speed: "25 mm/s", gap: "1 mm"}
block: 15
reference_after: 5
until: {cycles: 30}
recovery: {contact_checks: 4, from: "5 s", to: "60 s"}
"""
DRIVEN = RIGS / "virtual.yaml"
FLOAT = ("--specimen", "F-90-001", "--free-height", "90 mm")


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_a_plan_is_run_reported_and_cannot_be_taken_up_once_it_has_ended(tmp_path, plan):
    with simulated(tmp_path, "--motion", "commanded", "--speed-up", "15") as link:
        output = done(
            tmp_path, "endure", plan, "--rig", DRIVEN, "--port", link, *FLOAT, "--cautions-read",
            "--out", tmp_path / "captures",
        )  # fmt: skip
        capture = output.splitlines()[-1]
        again = pressrig(
            tmp_path, "endure", capture, "--resume", "--rig", DRIVEN, "--port", link, "--cautions-read"
        )
    assert "30 cycles; ended: 30 cycles" in output
    assert open_capture(capture).ending.tallies["endurance"]["cycles"] == 30
    assert again.returncode == 2
    assert "it is complete (30 cycles)" in again.stderr
    report = json.loads(done(tmp_path, "report", capture, "--json", afresh=True))
    assert (report["cycles"], report["doubtful"], report["squeezing_ended"]) == (30, 0, "30 cycles")
    sets = [check["set_mm"] for check in report["recovery"]]
    assert len(sets) == 4
    assert sets[0] > sets[-1] > 0
    assert report["recovery_fit"]["forecast"]["after_s"] <= 10 * report["recovery"][-1]["after_s"] * 1.0001


def test_the_printed_command_resumes_a_run_that_was_stopped(tmp_path, plan):
    captures = tmp_path / "captures"
    with simulated(tmp_path, "--motion", "commanded", "--speed-up", "15") as link:
        with running(
            tmp_path, "endure", plan, "--rig", DRIVEN, "--port", link, *FLOAT, "--cautions-read",
            "--out", captures,
        ) as process:  # fmt: skip
            wait_until(
                lambda: any(
                    "block intent" in event_kinds(events.parent) for events in captures.glob("*/events.jsonl")
                )
            )
            process.send_signal(signal.SIGINT)
            _, errors = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 1
        (printed,) = (line for line in errors.splitlines() if line.startswith("To resume it: "))
        output = done(tmp_path, *shlex.split(printed.partition("pressrig ")[2]), "--cautions-read")
    assert "30 cycles" in output
    assert "; ended: 30 cycles" in output


def test_a_run_whose_host_was_killed_is_resumed_once_a_person_sees_the_platen(tmp_path, plan):
    captures = tmp_path / "captures"
    with simulated(tmp_path, "--motion", "commanded", "--speed-up", "15") as link:
        rig = ("--rig", DRIVEN, "--port", link, "--cautions-read")
        with running(tmp_path, "endure", plan, *rig, *FLOAT, "--out", captures) as process:
            wait_until(
                lambda: any(
                    "block intent" in event_kinds(events.parent) for events in captures.glob("*/events.jsonl")
                )
            )
            process.kill()
            process.wait(PATIENCE_S)
        (capture,) = captures.iterdir()
        # without heartbeats the virtual rig has stopped before the command has started
        unseen = pressrig(tmp_path, "endure", capture, "--resume", *rig)
        output = done(tmp_path, "endure", capture, "--resume", *rig, "--i-see-the-platen")
    assert unseen.returncode == 2
    assert "heartbeat lost" in unseen.stderr
    assert "Can you see the platen" in unseen.stderr
    assert "not confirmed, so nothing moved" in unseen.stderr
    assert "30 cycles" in output


def test_a_person_is_asked_although_a_reset_hid_the_stop_but_not_where_another_forbids_it(tmp_path, plan):
    captures = tmp_path / "captures"
    with TemporaryDirectory() as folder:
        control = Path(folder) / "orders"
        with simulated(tmp_path, "--motion", "commanded", "--speed-up", "15", "--control", control) as link:
            rig = ("--rig", DRIVEN, "--port", link, "--cautions-read")
            with running(tmp_path, "endure", plan, *rig, *FLOAT, "--out", captures) as process:
                wait_until(
                    lambda: any(
                        "block intent" in event_kinds(events.parent)
                        for events in captures.glob("*/events.jsonl")
                    )
                )
                process.kill()
                process.wait(PATIENCE_S)
            (capture,) = captures.iterdir()
            bench = BenchOrders(control)
            bench.order("reset external")
            unseen = pressrig(tmp_path, "endure", capture, "--resume", *rig)
            for order in ("stop open", "stop close"):
                bench.order(order)
            stopped = pressrig(tmp_path, "endure", capture, "--resume", *rig)
            bench.close()
    assert unseen.returncode == 2
    assert "Can you see the platen" in unseen.stderr
    assert stopped.returncode == 3
    assert "not resumed: the device has stopped (stop opened)" in stopped.stderr
    assert "Can you see the platen" not in stopped.stderr
    assert open_capture(capture).ending is None


def test_checking_only_says_what_would_happen(tmp_path):
    example = ROOT / "configs" / "endurance" / "float_abuse.yaml"
    said = done(tmp_path, "endure", example, "--rig", DRIVEN, *FLOAT, "--check-only")
    assert "80000 presses" in said
    assert "\nContact check: approach" in said


def test_without_cautions_confirmed_nothing_moves(tmp_path, plan):
    refused = pressrig(tmp_path, "endure", plan, "--rig", DRIVEN, "--port", tmp_path / "none", *FLOAT)
    assert refused.returncode == 2
    assert "not confirmed" in refused.stderr


def test_a_wrong_plan_is_refused_with_its_line(tmp_path, plan):
    plan.write_text(PLAN.replace("cycles: 30", "cycles: many"), encoding="utf-8")
    refused = pressrig(tmp_path, "endure", plan, "--rig", DRIVEN, *FLOAT)
    assert refused.returncode == 2
    assert f"{plan} line 10" in refused.stderr


def test_a_rig_without_a_drive_is_not_given_a_plan(tmp_path, plan):
    refused = pressrig(tmp_path, "endure", plan, "--rig", RIGS / "bench.yaml", *FLOAT)
    assert refused.returncode == 2
    assert "drive:" in refused.stderr


def test_a_capture_that_is_no_endurance_run_is_not_taken_up(tmp_path):
    capture = ROOT / "captures" / "example-F-90-001"
    refused = pressrig(tmp_path, "endure", capture, "--resume", "--rig", DRIVEN)
    assert refused.returncode == 2
    assert "not an endurance run" in refused.stderr


def test_the_old_name_of_resuming_is_refused_with_the_new_one(tmp_path, plan):
    refused = pressrig(tmp_path, "endure", plan, "--take-up", "--rig", DRIVEN)
    assert refused.returncode == 2
    assert "--take-up: is now called --resume" in refused.stderr
