"""Orders typed into the terminal of a virtual rig, which is a real one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from select import select

import pytest

if os.name != "posix":
    pytest.skip("needs a terminal", allow_module_level=True)

from command_line import PRESSRIG, environment, wait_until

FOREGROUND = "import os, sys; os.login_tty(int(sys.argv[1])); os.execv(sys.argv[2], sys.argv[2:])"
"""Becomes a command whose terminal this is."""


@dataclass
class Terminal:
    """What a person has before them."""

    master: int
    process: subprocess.Popen[bytes]
    seen: str = field(default="")

    def type(self, line: str) -> None:
        os.write(self.master, line.encode() + b"\n")

    def shows(self, words: str) -> bool:
        while select([self.master], [], [], 0)[0]:
            self.seen += os.read(self.master, 4096).decode(errors="replace")
        return words in " ".join(self.seen.split())  # a terminal wraps between words


@contextmanager
def terminal(home: Path, *arguments: object) -> Iterator[Terminal]:
    """The command in the foreground of a terminal of its own, which Ctrl-C ends well."""
    master, slave = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", FOREGROUND, str(slave), PRESSRIG, *map(str, arguments)],
        pass_fds=[slave],
        env=environment(home),
        cwd=home,
    )
    os.close(slave)
    try:
        yield Terminal(master, process)
        os.write(master, b"\x03")
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
        os.close(master)


def test_orders_are_done_as_they_are_typed_and_a_wrong_one_lists_those_that_there_are(tmp_path) -> None:
    with terminal(tmp_path, "simulate", "--link", tmp_path / "rig", "--motion", "commanded") as at:
        wait_until(lambda: at.shows("Virtual rig at"))
        at.type("specimen none")
        wait_until(lambda: at.shows("done: specimen none"))
        # two at once, and blanks too many
        at.type("  stop   open\nstop close")
        wait_until(lambda: at.shows("done: stop open") and at.shows("done: stop close"))
        at.type("coffee")
        wait_until(lambda: at.shows("order 'coffee' is not known; choose from stop open, "))


def test_a_specimen_of_a_run_whose_truth_is_known_stays_in(tmp_path) -> None:
    with terminal(tmp_path, "simulate", "--link", tmp_path / "rig") as at:
        wait_until(lambda: at.shows("Virtual rig at"))
        at.type("specimen none")
        wait_until(lambda: at.shows("found a scripted run, expected a rig that is commanded"))


def test_what_stands_in_a_pipe_is_left_for_the_program_that_comes_next(tmp_path) -> None:
    reading, writing = os.pipe()
    os.write(writing, b"stop open\n")
    process = subprocess.Popen(
        [PRESSRIG, "simulate", "--link", str(tmp_path / "rig")],
        stdin=reading,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(tmp_path),
    )
    try:
        wait_until((tmp_path / "rig").is_symlink)
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=60)
        assert errors == b""
        assert os.read(reading, 100) == b"stop open\n"
    finally:
        process.kill()
        process.wait()
        os.close(reading)
        os.close(writing)
