"""Whatever ends a command that moves a platen, a halt goes out first and the capture gets its end."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the virtual rig needs pseudo-terminals", allow_module_level=True)

import pty

from command_line import PATIENCE_S, PRESSRIG, environment, wait_until

from rig.capture import open_capture
from rig.cli.ordering import NOT_DONE
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.wire import StateFlag

METHOD = """
name: slow press
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - touch: {force: "1 N", speed: "5 mm/s"}
  - press: {deflection: "9 mm", speed: "0.1 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""
PLAN = """
name: slow squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
touch: {force: "1 N", speed: "5 mm/s"}
squeeze: {deflection: "9 mm", speed: "1 mm/s", gap: "1 mm"}
block: 10
until: {cycles: 100}
"""
ENDINGS = ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP"]
STARTS = 5
"""Heartbeats that a busy machine keeps back end a command before there is anything to halt."""

PIECE = ("--specimen", "F-90-001", "--free-height", "90 mm", "--cautions-read")


TERMINAL = """
import fcntl, os, signal, sys, termios
for number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT):
    signal.signal(number, signal.SIG_DFL)
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""
"""Makes the terminal that of its session, as a shell does: its end sends a signal, under `nohup` too."""

RIG_FILE = """
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


class AtATerminal:
    """A command on a terminal of its own, as a person has it."""

    def __init__(self, home: Path, *words: object) -> None:
        self.home = home
        self.master, terminal = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", TERMINAL, PRESSRIG, *map(str, words)],
            stdin=terminal, stdout=terminal, stderr=terminal,
            env=environment(home), cwd=home, start_new_session=True,
        )  # fmt: skip
        os.close(terminal)
        self._drain = threading.Thread(target=self._read)
        self._drain.start()

    def _read(self) -> None:
        try:
            while os.read(self.master, 4096):
                pass
        except OSError:
            return

    def close_terminal(self) -> None:
        master, self.master = self.master, -1
        os.close(master)

    def end(self) -> int:
        code = self.process.wait(PATIENCE_S)
        if self.master >= 0:
            self.close_terminal()
        self._drain.join(PATIENCE_S)
        return code


@contextmanager
def bench(home: Path) -> Iterator[tuple[VirtualRig, Path]]:
    rig = VirtualRig(LinearSpring(20.0), scripted=False, rate_hz=500.0)
    link = home / "rig"
    with VirtualPort(rig, link, 1.0):
        yield rig, link


def run_words(home: Path, link: Path) -> tuple[object, ...]:
    method = home / "slow.yaml"
    method.write_text(METHOD, encoding="utf-8")
    (home / "rig.yaml").write_text(RIG_FILE, encoding="utf-8")
    out = ("--out", home / "captures")
    return "run", method, "--rig", home / "rig.yaml", "--port", link, *PIECE, *out


def endure_words(home: Path, link: Path) -> tuple[object, ...]:
    plan = home / "slow.yaml"
    plan.write_text(PLAN, encoding="utf-8")
    (home / "rig.yaml").write_text(RIG_FILE, encoding="utf-8")
    out = ("--out", home / "captures")
    return "endure", plan, "--rig", home / "rig.yaml", "--port", link, *PIECE, *out


def presses(rig: VirtualRig, home: Path) -> bool:
    """Whether the platen moves, and is being recorded."""
    moving = bool(int(rig.device.state().flags) & int(StateFlag.MOVING))
    return moving and any((home / "captures").glob("*/samples-0001.arrow"))


@contextmanager
def pressing(
    home: Path, words: Callable[[Path, Path], tuple[object, ...]]
) -> Iterator[tuple[VirtualRig, AtATerminal]]:
    """A command whose platen presses, and its rig; one that a busy machine ended before that begins anew."""
    for _ in range(STARTS):
        with bench(home) as (rig, link):
            command = AtATerminal(home, *words(home, link))
            wait_until(lambda: presses(rig, home) or command.process.poll() is not None)  # noqa: B023
            if command.process.poll() is None:
                yield rig, command
                return
            command.end()
        shutil.rmtree(home / "captures", ignore_errors=True)
    raise AssertionError(f"{STARTS} commands ended before their platen pressed")


def must_have_been_halted(rig: VirtualRig, home: Path) -> None:
    state = rig.device.state()
    assert not int(state.flags) & int(StateFlag.MOVING | StateFlag.ARMED)
    assert state.stop_cause == 0  # heartbeats that stay away would have latched a stop
    (capture,) = (home / "captures").iterdir()
    assert str(open_capture(capture).how_it_ended).startswith("stopped")


@pytest.mark.parametrize("words", [run_words, endure_words], ids=["run", "endure"])
@pytest.mark.parametrize("name", ENDINGS)
def test_a_signal_halts_the_platen_and_the_capture_gets_its_end(
    tmp_path: Path, name: str, words: Callable[[Path, Path], tuple[object, ...]]
) -> None:
    with pressing(tmp_path, words) as (rig, command):
        command.process.send_signal(getattr(signal, name))
        assert command.end() == NOT_DONE
        must_have_been_halted(rig, tmp_path)


def test_a_terminal_that_is_closed_halts_the_platen(tmp_path: Path) -> None:
    with pressing(tmp_path, run_words) as (rig, command):
        command.close_terminal()
        assert command.end() == NOT_DONE
        must_have_been_halted(rig, tmp_path)


def test_output_that_nobody_reads_any_more_halts_the_platen(tmp_path: Path) -> None:
    """Standard error is a terminal of which only the other end is gone: no signal comes."""
    with bench(tmp_path) as (rig, link):
        master, terminal = pty.openpty()
        with subprocess.Popen(
            [PRESSRIG, *map(str, run_words(tmp_path, link))], stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=terminal, cwd=tmp_path,
            env=environment(tmp_path) | {"TERM": "xterm"},
            start_new_session=True,
        ) as process:  # fmt: skip
            os.close(terminal)
            wait_until(lambda: presses(rig, tmp_path) or process.poll() is not None)
            os.close(master)
            process.wait(PATIENCE_S)
        must_have_been_halted(rig, tmp_path)


def test_a_step_by_hand_is_not_done_because_standard_input_has_ended(tmp_path: Path) -> None:
    with bench(tmp_path) as (rig, link):
        words = run_words(tmp_path, link)
        by_hand = METHOD.replace("steps:\n", 'steps:\n  - off_rig: {do: "Turn the float."}\n')
        (tmp_path / "slow.yaml").write_text(by_hand, encoding="utf-8")
        command = subprocess.run(
            [PRESSRIG, *map(str, words)], stdin=subprocess.DEVNULL, capture_output=True, text=True,
            env=environment(tmp_path), cwd=tmp_path, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        assert "nobody can say that the step is done" in command.stderr
        must_have_been_halted(rig, tmp_path)


@pytest.mark.slow
def test_signals_at_random_moments_leave_no_platen_moving(tmp_path: Path) -> None:
    chance = random.Random(20261129)
    never = threading.Event()
    for number in range(20):
        home = tmp_path / str(number)
        home.mkdir()
        name, moment_s = chance.choice(ENDINGS), chance.uniform(0.0, 3.0)
        with bench(home) as (rig, link):
            command = AtATerminal(home, *run_words(home, link))
            wait_until(lambda rig=rig, command=command: _armed(rig) or command.process.poll() is not None)
            never.wait(moment_s)
            command.process.send_signal(getattr(signal, name))
            command.end()
            state = rig.device.state()
            assert not int(state.flags) & int(StateFlag.MOVING | StateFlag.ARMED), (number, name, moment_s)
            assert state.stop_cause == 0, (number, name, moment_s)
            for capture in (home / "captures").glob("*"):
                assert open_capture(capture).how_it_ended == "stopped", (number, name, moment_s)


def _armed(rig: VirtualRig) -> bool:
    return bool(int(rig.device.state().flags) & int(StateFlag.ARMED))
