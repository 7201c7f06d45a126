"""Recording from a virtual rig on a real pseudo-terminal, with the real command."""

from __future__ import annotations

import json
import re
import signal
import threading
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from command_line import (
    FAST,
    PATIENCE_S,
    UNCALIBRATED,
    done,
    ended,
    event_kinds,
    only_capture,
    pressrig,
    recorded_bytes,
    rig_file,
    running,
    simulated,
    wait_until,
)

from rig.capture import CaptureHeader, open_capture
from rig.jobs import Bench, StopRule, Watch, record
from rig.reader import PortAddress, Reader
from rig.rigfile import RigFile
from rig.virtual import FAULT_NAMES, Chain, VirtualPort, VirtualRig, specimen_named

SOME_BYTES = 20_000
"""Of samples on disk, so that a recording is well under way."""


def _record_arguments(tmp_path: Path, link: Path) -> tuple[object, ...]:
    arguments = ("record", "--rig", rig_file(tmp_path), "--port", link, "--specimen", "F1")
    return (*arguments, "--out", tmp_path / "captures")


def _ending(capture: Path) -> dict[str, object]:
    return yaml.safe_load((capture / "end.yaml").read_text())


def test_recording_stops_after_the_cycles_asked_for(framed) -> None:
    capture, _ = framed
    assert _ending(capture)["reason"] == "3 cycles"


def test_recording_stops_after_the_seconds_asked_for_in_device_time(tmp_path) -> None:
    with simulated(tmp_path, *FAST) as link:
        done(tmp_path, *_record_arguments(tmp_path, link), "--seconds", 5)
    time_us = open_capture(only_capture(tmp_path / "captures")).samples().time_us
    # at 20 times real time, five seconds of wall time would be a hundred of these
    assert 5.0 <= (time_us[-1] - time_us[0]) / 1e6 < 20.0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["SIGINT", "SIGTERM"])
def test_a_signal_ends_the_capture_properly(tmp_path, number) -> None:
    captures = tmp_path / "captures"
    with (
        simulated(tmp_path, *FAST) as link,
        running(tmp_path, *_record_arguments(tmp_path, link)) as recorder,
    ):
        wait_until(lambda: recorded_bytes(captures) > SOME_BYTES)
        output, _ = ended(recorder, number)
    capture = only_capture(captures)
    assert output.splitlines()[-1] == str(capture)
    assert _ending(capture)["reason"] == "stopped"
    assert len(open_capture(capture).samples()) == _ending(capture)["samples"]


def test_a_killed_recorder_leaves_an_open_capture_and_a_free_port(tmp_path) -> None:
    captures = tmp_path / "captures"
    with simulated(tmp_path, *FAST) as link:
        with running(tmp_path, *_record_arguments(tmp_path, link)) as recorder:
            wait_until(lambda: recorded_bytes(captures) > SOME_BYTES)
            recorder.kill()
        capture = only_capture(captures)
        shown = json.loads(done(tmp_path, "show", "--json", capture, afresh=True))
        done(tmp_path, *_record_arguments(tmp_path, link), "--seconds", 1)
    assert "killed" in shown["ended"]
    seq = open_capture(capture).samples().seq
    assert shown["samples"] == len(seq) > SOME_BYTES // 100
    np.testing.assert_array_equal(np.diff(seq), 1)


def test_an_unplugged_rig_goes_on_in_the_same_capture(tmp_path) -> None:
    with simulated(tmp_path, "--fault", "unplug", *FAST) as link:
        done(tmp_path, *_record_arguments(tmp_path, link), "--seconds", 20)
    capture = only_capture(tmp_path / "captures")
    kinds = event_kinds(capture)
    assert kinds.index("link_lost") < kinds.index("link_restored")
    samples = open_capture(capture).samples()
    away_s = np.diff(samples.time_us).max() / 1e6
    # the port is away for two seconds of device time
    assert 2.0 <= away_s < 4.0


def test_a_rig_that_only_talks_is_recorded(tmp_path) -> None:
    with simulated(tmp_path, "--talk-only", *FAST) as link:
        done(tmp_path, *_record_arguments(tmp_path, link), "--seconds", 2)
    assert len(open_capture(only_capture(tmp_path / "captures")).samples()) > 900


@pytest.mark.slow
def test_a_rig_that_has_gone_ends_the_capture_after_15_s(tmp_path) -> None:
    captures = tmp_path / "captures"
    with ExitStack() as recording:
        with simulated(tmp_path, *FAST) as link:
            recorder = recording.enter_context(running(tmp_path, *_record_arguments(tmp_path, link)))
            wait_until(lambda: recorded_bytes(captures) > SOME_BYTES)
        _, errors = recorder.communicate(timeout=PATIENCE_S)
    assert recorder.returncode == 3
    assert "no sample for 15 s" in errors
    assert _ending(only_capture(captures))["reason"] == "no sample for 15 s"


def test_counts_are_recorded_without_a_calibration_and_said_to_be_so(tmp_path) -> None:
    bare = tmp_path / "bare.yaml"
    bare.write_text(UNCALIBRATED)
    with simulated(tmp_path, "--specimen", "spring", "--cycles", 1, *FAST) as link:
        recorded = pressrig(
            tmp_path, "record", "--rig", bare, "--port", link, "--specimen", "K1", "--cycles", 1,
            "--out", tmp_path / "captures",
        )  # fmt: skip
    assert recorded.returncode == 0
    assert "force is not calibrated" in recorded.stderr
    assert "position is not calibrated" in recorded.stderr
    capture = recorded.stdout.splitlines()[-1]

    done(tmp_path, "export", capture, "--to", tmp_path / "counts.csv")
    header = (tmp_path / "counts.csv").read_text().splitlines()[0]
    assert header == "seq,time_us,force_counts,position_counts,status"

    refused = pressrig(tmp_path, "analyse", capture)
    assert refused.returncode == 2
    assert "without a calibration; name a rig file" in refused.stderr
    assert "Traceback" not in refused.stderr

    answer = json.loads(done(tmp_path, "analyse", "--json", "--rig", rig_file(tmp_path), capture))
    (cycle,) = answer["captures"][0]["cycles"]
    assert cycle["peak_deflection_mm"] == pytest.approx(10.0, abs=0.02)


def test_of_a_stream_with_every_fault_only_what_was_damaged_is_lost(tmp_path) -> None:
    rig = VirtualRig(specimen_named("foam"), cycles=8, faults=FAULT_NAMES, keep_sent=True, seed=5)
    stopped = threading.Event()
    with VirtualPort(rig, tmp_path / "rig", speed_up=50.0) as port:
        reader = Reader(PortAddress(path=port.path), "framed", lock_places=[tmp_path])
        watch = Watch(stopped, ask=str, tell=lambda step, done: stopped.set() if rig.script_over else None)
        bench = Bench(reader, RigFile("virtual"), tmp_path, watch)
        recorded = record(bench, lambda reader: CaptureHeader(specimen="F1"), StopRule())
    capture = open_capture(recorded.path)
    samples = capture.samples()
    force = np.concatenate([part.force for part in rig.sent])
    position = np.concatenate([part.position for part in rig.sent])
    # the last samples sent may not have been read when the recording was stopped
    assert len(samples) > 0.95 * len(force)
    np.testing.assert_array_equal(samples.force, force[: len(samples)])
    np.testing.assert_array_equal(samples.position, position[: len(samples)])
    kinds = set(event_kinds(recorded.path))
    assert {"reset", "gap", "repeated", "rejected", "link_lost", "link_restored"} <= kinds


DRIVEN = """
name: strapped
port: {path: "PORT"}
wire: {format: framed, rate_hz: 500}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
drive:
  travel: ["1 mm", "80 mm"]
  force: ["-5 N", "200 N"]
  speed: "15 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 80
"""


@pytest.mark.parametrize(("strapped_per_s", "said"), [(10.0, True), (86.0, False)])
def test_a_converter_at_another_rate_than_the_rig_file_says_is_named(tmp_path, strapped_per_s, said) -> None:
    # a tenth fast is what a converter may be; an eighth of the rate is another strap
    rig = VirtualRig(
        specimen_named("foam"), scripted=False, chain=Chain(conversions_per_s=strapped_per_s), seed=3
    )
    # the firmware knows nothing of the strap
    told = rig.device.abilities()
    rig.device.abilities = lambda: replace(told, conversions_mhz=80_000)
    with VirtualPort(rig, tmp_path / "port", speed_up=20.0) as port:
        path = tmp_path / "rig.yaml"
        path.write_text(DRIVEN.replace("PORT", port.path), encoding="utf-8")
        answer = pressrig(
            tmp_path, "record", "--rig", path, "--specimen", "nothing", "--seconds", 5, "--out", tmp_path
        )
    assert answer.returncode == 0, answer.stderr
    named = re.search(
        r"gives (\S+) new readings/s; drive.conversions_per_s in the rig file says 80", answer.stderr
    )
    assert (named is not None) == ("rate strap" in answer.stderr) == said
    assert named is None or float(named[1]) == pytest.approx(strapped_per_s, rel=0.1)
