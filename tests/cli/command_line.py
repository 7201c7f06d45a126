"""Runs the real command in processes of its own, against virtual rigs on real pseudo-terminals."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from warm_commands import WarmCommand

PRESSRIG = Path(sys.executable).with_name("pressrig")
ROOT = Path(__file__).parents[2]
DRIVEN_BENCH = """
name: bench
wire: {format: framed, rate_hz: 500}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
drive:
  travel: ["1 mm", "60 mm"]
  force: ["-5 N", "500 N"]
  speed: "20 mm/s"
  deceleration: "200 mm/s^2"
  conversions_per_s: 500
"""
"""The file of a driven rig without a calibration file."""

RIGS = ROOT / "configs" / "rigs"

PATIENCE_S = 60.0
"""Far longer than anything here takes; a test that waits this long has failed."""

WHOLE_JOB_PATIENCE_S = 240.0
"""For a command that squeezes some twenty pieces, measures them and draws a dozen pictures."""

LOOK_S = 0.02

CALIBRATED = """
name: bench
wire: {format: framed}
force: {per_count: "1 mN"}
position: {per_count: "5 um"}
"""
LINES = CALIBRATED.replace("framed", "lines")
UNCALIBRATED = "name: bench\nwire: {format: framed}\n"

FAST = ("--speed-up", "20")


def environment(home: Path) -> dict[str, str]:
    """Keeps the program's logs and locks of unusual systems out of the person's own folders."""
    folders = {name: str(home) for name in ("HOME", "XDG_STATE_HOME", "XDG_RUNTIME_DIR")}
    return os.environ | folders


MOVING = {"run", "endure", "serve", "demo"}
"""Commands that arm a platen: they start from nothing, or an import that comes too late would not show."""


def pressrig(
    home: Path, *arguments: object, cwd: Path | None = None, afresh: bool = False
) -> subprocess.CompletedProcess[str]:
    """Run the command to its end: the installed program if `afresh`, else a fork that enters as it does."""
    words = [str(each) for each in arguments]
    folder = cwd or home
    if os.name == "posix" and not afresh and (words[0] not in MOVING or "--check-only" in words):
        command = WarmCommand(words, environment(home), folder)
        try:
            output, errors = command.communicate(PATIENCE_S)
            code = command.returncode
        finally:
            command.close()
        assert code is not None
        return subprocess.CompletedProcess(words, code, output, errors)
    return subprocess.run(
        [PRESSRIG, *words],
        capture_output=True,
        text=True,
        timeout=WHOLE_JOB_PATIENCE_S if words[0] == "demo" else PATIENCE_S,
        env=environment(home),
        cwd=folder,
        check=False,
    )


def done(home: Path, *arguments: object, afresh: bool = False) -> str:
    """Standard output of a command that must succeed."""
    finished = pressrig(home, *arguments, afresh=afresh)
    assert finished.returncode == 0, finished.stderr
    return finished.stdout


def analysed(home: Path, *arguments: object, afresh: bool = False) -> dict[str, Any]:
    """The one capture in the document of `analyse --json`."""
    (capture,) = json.loads(done(home, "analyse", "--json", *arguments, afresh=afresh))["captures"]
    return capture


def patient(silence_s: float) -> tuple[str | Path, ...]:
    """The installed command, which bears with a host that is busy for so long: silence is not looked at.

    It hears the end of its terminal, also where the tests run under `nohup`: the command would go on then.
    """
    heard = "import signal; signal.signal(signal.SIGHUP, signal.SIG_DFL)"
    quiet = f"import rig.jobs.driving as it; it.QUIET_S = {silence_s}"
    return sys.executable, "-c", f"{heard}; {quiet}; from rig.cli.main import main; main()"


@contextmanager
def running(
    home: Path, *arguments: object, command: tuple[str | Path, ...] = (PRESSRIG,)
) -> Iterator[subprocess.Popen[str]]:
    """A command that goes on until it is told to stop, and is gone afterwards in any case."""
    process = subprocess.Popen(
        [*command, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(home),
        cwd=home,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


@contextmanager
def simulated(home: Path, *arguments: object) -> Iterator[Path]:
    """A virtual rig to record from: the link to its port. It must end well."""
    link = home / "rig"
    words = ["simulate", "--link", str(link), *map(str, arguments)]
    command = WarmCommand(words, environment(home), home)
    try:
        wait_until(lambda: link.is_symlink() or command.poll() is not None)
        yield link
        ended(command, signal.SIGTERM)
        assert not link.is_symlink()
    finally:
        command.close()


def ended(process: subprocess.Popen[str] | WarmCommand, number: int) -> tuple[str, str]:
    """What a command printed that ends well on a signal."""
    process.send_signal(number)
    output, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, errors
    return output, errors


def free_port() -> int:
    """A TCP port that no other test uses, not even one whose page is still ending."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port: int = listening.getsockname()[1]
    return port


def wait_until(holds: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + PATIENCE_S
    never = threading.Event()
    while not holds():
        assert time.monotonic() < deadline_s, "what was waited for did not come"
        never.wait(LOOK_S)


def recorded_bytes(folder: Path) -> int:
    """Size of the samples of the only capture in a folder; 0 if there is none yet."""
    return sum(path.stat().st_size for path in folder.glob("*/samples-0001.arrow"))


def only_capture(folder: Path) -> Path:
    (capture,) = (each for each in folder.iterdir() if each.is_dir())
    return capture


def event_kinds(capture: Path) -> list[str]:
    return [json.loads(line)["kind"] for line in (capture / "events.jsonl").read_text().splitlines()]


def rig_file(home: Path, text: str = CALIBRATED) -> Path:
    path = home / "rig.yaml"
    path.write_text(text)
    return path
