"""The check of a device as a command, against virtual rigs on real pseudo-terminals."""

from __future__ import annotations

import json
import os
import signal
import threading
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from command_line import RIGS, pressrig, running, simulated, wait_until

from rig.cli.check_device_person import PersonAtTheRig
from rig.conformance.provoking import EMERGENCY_STOP
from rig.virtual import DriveSettings, LinearSpring, VirtualPort, VirtualRig

DRIVEN = RIGS / "virtual.yaml"
HERE = "reset,garbage,trips"
"""The others take as long again, and are tried without waiting in tests/conformance."""


def test_the_virtual_rig_passes_with_a_bench_that_trips_it(tmp_path) -> None:
    page = tmp_path / "report.html"
    with TemporaryDirectory() as folder:
        control = Path(folder) / "orders"
        with simulated(tmp_path, "--motion", "commanded", "--gap", 18, "--control", control) as link:
            finished = pressrig(
                tmp_path, "check-device", "--rig", DRIVEN, "--port", link, "--bench", control, "--yes",
                "--json", "--speed", "10 mm/s", "--only", HERE, "--report", page, afresh=True,
            )  # fmt: skip
    document = json.loads(finished.stdout)
    outcomes = {each["check"]: each["outcome"] for each in document["checks"]}
    assert finished.returncode == 0, finished.stdout
    assert set(outcomes.values()) == {"passed"}
    assert {"boot-id", "random-bytes", "trip-emergency-stop"} <= set(outcomes)
    assert document["left_disarmed"] is True
    assert "caution" in finished.stderr
    assert "0 failed" in page.read_text()


def test_a_line_that_damages_frames_fails_and_the_words_say_what_it_costs(tmp_path) -> None:
    with simulated(tmp_path, "--fault", "flips", "--fault", "cut", "--cycles", 1000) as link:
        finished = pressrig(tmp_path, "check-device", "--port", link, "--only", "sequence", "--no-motion")
    assert finished.returncode == 1
    assert "frames-whole" in finished.stdout
    assert "what it costs" in finished.stdout
    assert "\x1b" not in finished.stdout


def test_ctrl_c_in_a_motion_leaves_it_disarmed(tmp_path) -> None:
    settings = DriveSettings(travel_mm=112.0)
    rig = VirtualRig(LinearSpring(2.0, 60.0), scripted=False, gap_mm=18.0, drive=settings)
    drive = rig.device.drive
    with VirtualPort(rig, tmp_path / "rig") as port:
        words = ("check-device", "--rig", DRIVEN, "--port", port.path, "--yes", "--only", "motion")
        with running(tmp_path, *words) as process:
            wait_until(lambda: (drive.homed and drive.moving) or process.poll() is not None)
            process.send_signal(signal.SIGINT)
            output, errors = process.communicate(timeout=60)
        assert process.returncode == 130, errors
        assert not drive.armed
        assert not drive.moving
    assert "the run was stopped" in output


def test_cautions_that_nobody_confirms_move_nothing(tmp_path) -> None:
    rig = VirtualRig(LinearSpring(2.0, 60.0), scripted=False)
    with VirtualPort(rig, tmp_path / "rig") as port:
        finished = pressrig(tmp_path, "check-device", "--rig", DRIVEN, "--port", port.path)
        assert rig.device.drive.limits is None
    assert finished.returncode == 2
    assert "not confirmed" in finished.stderr


@pytest.mark.parametrize(
    ("code", "arguments", "words"),
    [
        (2, (), ("--port",)),
        (2, ("--port", "nowhere", "--only", "brakes"), ("--only", "brakes", "heartbeat")),
        (2, ("--port", "nowhere", "--report", "report.txt"), (".html", ".json")),
        (2, ("--port", "nowhere", "--report", "no/such/report.md"), ("no folder",)),
        (2, ("--port", "nowhere", "--bench", "nothing"), ("nothing answers",)),
        (2, ("--port", "nowhere", "--speed", "10"), ("--speed", "mm/s")),
        (2, ("--port", "nowhere", "--rig", DRIVEN, "--speed", "90 mm/s"), ("--speed", "limit")),
        (3, ("--port", "nowhere"), ("nowhere", "no such port")),
    ],
)
def test_a_wrong_call_is_refused_in_words(refused, code, arguments, words) -> None:
    said = refused(code, "check-device", *arguments)
    assert all(word in said for word in words)


def test_the_groups_are_listed_without_a_port(tmp_path) -> None:
    finished = pressrig(tmp_path, "check-device", "--groups", "--only", "heartbeat,garbage")
    assert finished.returncode == 0
    assert {line.split()[0] for line in finished.stdout.splitlines()} == {"heartbeat", "garbage"}
    assert "random-bytes" in finished.stdout


@pytest.fixture
def typed(monkeypatch):
    """A person who types these lines."""
    reading, writing = os.pipe()
    with os.fdopen(reading) as keys:
        monkeypatch.setattr("sys.stdin", keys)

        def type_lines(text: str) -> None:
            os.write(writing, text.encode())

        yield type_lines
        os.close(writing)


def test_a_person_may_go_on_or_skip(typed, capsys) -> None:
    person = PersonAtTheRig(threading.Event())
    typed("\n")
    assert person.willing(EMERGENCY_STOP) == ""
    typed("s\n")
    assert person.willing(EMERGENCY_STOP) == "skipped by the operator"
    person.provoke(EMERGENCY_STOP)
    assert "NOW: Press the emergency stop." in capsys.readouterr().err


def test_a_person_who_stops_is_not_waited_for(typed) -> None:
    stopped = threading.Event()
    stopped.set()
    assert PersonAtTheRig(stopped).willing(EMERGENCY_STOP) != ""
