"""`pressrig run` on a press that lies, or whose line breaks: exit code 3, and the reason in words.

The press is that of `tests/daemon/lying_press.py`. Reads and writes fail with EIO because of the system: the
command runs in the background of the terminal that its port is, in a group that nobody waits for.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the press needs pseudo-terminals", allow_module_level=True)

sys.path.append(str(Path(__file__).parents[1] / "daemon"))

from attended import RIG_FILE
from command_line import PATIENCE_S, environment, patient, running, wait_until
from lies import METHOD, PRESS, SPEED_MM_PER_S, TRAVEL_MM, lies_on
from lying_press import CONTACT_MM, STIFFNESS_N_PER_MM, LyingPress

from rig.daemon.control import ControlClient, NoDaemonError
from rig.wire import EventCode, MoveTo, Reply

BEATS_S = 0.5
BEATS_MM = SPEED_MM_PER_S * BEATS_S + TRAVEL_MM
"""No halt comes through: the press itself waits so long for heartbeats before it stops."""

SILENCE_S = 60.0
"""A busy machine is no silent press."""

BACKGROUND = """
import fcntl, os, signal, subprocess, sys, termios, time
port = os.open(sys.argv[1], os.O_RDWR)
fcntl.ioctl(port, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGTTOU, signal.SIG_IGN)
told, tell = os.pipe()
middle = os.fork()
if not middle:
    if not os.fork():
        os.setpgid(0, 0)
        os.write(tell, str(os.getpid()).encode())
        while os.tcgetpgrp(port) != os.getpgrp():
            time.sleep(0.01)
        signal.signal(signal.SIGTTOU, signal.SIG_DFL)
        print(subprocess.run(sys.argv[2:], stdin=subprocess.DEVNULL).returncode, flush=True)
    os._exit(0)
os.waitpid(middle, 0)
os.tcsetpgrp(port, int(os.read(told, 20)))
for line in sys.stdin:
    if line == "writes too\\n":
        attributes = termios.tcgetattr(port)
        attributes[3] |= termios.TOSTOP
        termios.tcsetattr(port, termios.TCSANOW, attributes)
    os.tcsetpgrp(port, os.getpgrp())
"""
"""Runs a command in front of the terminal that is its port, and puts it in the background on demand."""


@pytest.fixture
def home() -> Iterator[Path]:
    """A short folder, with a rig file and a method: the path of a socket holds about a hundred characters."""
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        place = Path(folder).resolve()
        (place / "rig.yaml").write_text(RIG_FILE.replace('"60 mm"', '"40 mm"'), encoding="utf-8")
        (place / "presses.yaml").write_text(METHOD, encoding="utf-8")
        yield place


def run_words(home: Path, silence_s: float = SILENCE_S) -> list[str]:
    words = (
        *(*patient(silence_s), "run", home / "presses.yaml", "--rig", home / "rig.yaml"),
        *("--port", home / "rig", "--specimen", "F-90-001", "--free-height", "60 mm", "--cautions-read"),
    )
    return [str(word) for word in words]


def ran(home: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        run_words(home), env=environment(home), cwd=home, capture_output=True, text=True, timeout=PATIENCE_S,
        check=False,
    )  # fmt: skip


def kept_within(device: LyingPress, travel_mm: float) -> None:
    assert device.travel_after_mm() <= travel_mm
    deepest_mm = device.lied_mm + travel_mm - CONTACT_MM
    assert device.most_force_after_n() <= STIFFNESS_N_PER_MM * max(deepest_mm, 0.0)


LIES = [
    (lies_on(PRESS, MoveTo, 0.0, sign=-1.0), "wrong way", TRAVEL_MM),
    (lies_on(PRESS, MoveTo, 9.0, ignores_target=True), "past its target", 1.0 + TRAVEL_MM),
    (lies_on(PRESS, MoveTo, 1.0, bits=1 << 4), "emergency stop is pressed", TRAVEL_MM),
]


@pytest.mark.parametrize(("lie", "word", "travel_mm"), LIES)
@pytest.mark.parametrize("through_daemon", [True, False], ids=["daemon", "alone"])
def test_run_on_a_press_that_lies_ends_with_3_and_the_reason(home, lie, word, travel_mm, through_daemon):
    def served() -> bool:
        sockets = list((home / "pressrig").glob("*.sock"))
        try:
            with ControlClient(sockets[0]) as daemon:
                return daemon.status().state == "idle"
        except (IndexError, NoDaemonError):
            return False

    with LyingPress(home / "rig", lie) as device:
        if through_daemon:
            serve = ("serve", "--rig", home / "rig.yaml", "--port", home / "rig", "--no-page")
            with running(home, *serve) as process:
                wait_until(lambda: process.poll() is not None or served())
                done = ran(home)
        else:
            done = ran(home)
    assert done.returncode == 3
    assert re.search(word, done.stdout + done.stderr)
    assert not device.armed
    kept_within(device, travel_mm)


@pytest.mark.parametrize("what", ["reads", "writes too"])
def test_a_port_that_fails_with_eio_ends_the_run_with_3_and_the_press_stops_by_itself(home, what):
    lie = lies_on(PRESS, MoveTo, 1.0, beats_s=BEATS_S, waits=False)
    with LyingPress(home / "rig", lie) as device, (home / "said").open("w+") as said:
        process = subprocess.Popen(
            [sys.executable, "-c", BACKGROUND, (home / "rig").readlink(), *run_words(home)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said, text=True,
            env=environment(home), cwd=home, start_new_session=True,
        )  # fmt: skip
        try:
            wait_until(lambda: process.poll() is not None or device.lied_mm is not None)
            process.stdin.write(f"{what}\n")
            process.stdin.flush()
            lines = []
            for line in process.stdout:
                lines.append(line)
                if line.strip().isdecimal():
                    break
            wait_until(lambda: not device.armed)
        finally:
            process.stdin.close()
            process.stdout.close()
            process.wait(PATIENCE_S)
        said.seek(0)
        errors = said.read()
    assert lines[-1] == "3\n"
    assert "Input/output error" in errors
    assert "make sure that the platen has stopped before you reach in" in errors
    kept_within(device, BEATS_MM)


def test_a_run_that_is_killed_between_arming_and_its_first_motion_leaves_a_platen_that_stands(home):
    with LyingPress(home / "rig", beats_s=BEATS_S) as device:
        process = subprocess.Popen(
            run_words(home), env=environment(home), cwd=home,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

        def said(message):
            if device.armed and device.lied_mm is None and isinstance(message, Reply):
                device.lies_now()
                device.waits = False
                process.send_signal(signal.SIGKILL)
            return [message]

        device.said = said
        assert process.wait(PATIENCE_S) == -signal.SIGKILL
        wait_until(lambda: not device.armed)
        assert device.stop_cause == EventCode.HEARTBEAT_LOST
        assert (device.order_number, device.travel_after_mm()) == (0, 0.0)
        done = ran(home)
    assert done.returncode == 3
    assert "refused to arm (stop latched)" in done.stderr
