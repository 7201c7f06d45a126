"""`pressrig setup`: answers at a terminal become a rig file, for a board that prints and one with frames."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import PATIENCE_S, PRESSRIG, environment

sys.path.append(str(Path(__file__).parents[1] / "reader"))

from scripted_device import ScriptedDevice

from rig.rigfile import read_rig_file
from rig.wire import LineFormat

MN_PER_COUNT, UM_PER_COUNT = -2.5, 4.0
"""The board's own: its force counts fall when the platen is loaded."""


class Lever(ScriptedDevice):
    """A board at a lever, on whose platen a test puts a mass, and whose platen it moves."""

    def __init__(self, link: Path, lines: LineFormat | None) -> None:
        super().__init__(link, answers=lines is None, talks=lines is not None, rate_hz=200, lines=lines)
        self.load_n = 0.0
        self.way_mm = 0.0
        self._random = np.random.default_rng(3)

    def block(self, count):
        plain = super().block(count)
        force = 18_000 + self.load_n * 1000 / MN_PER_COUNT + self._random.normal(0, 2, count)
        position = 300 + self.way_mm * 1000 / UM_PER_COUNT + self._random.normal(0, 0.5, count)
        return replace(
            plain, force=np.rint(force).astype(np.int32), position=np.rint(position).astype(np.int32)
        )


class Terminal:
    """The command with a person at it: waits for each question before the answer is typed."""

    def __init__(self, home: Path, *words: object) -> None:
        self._process = subprocess.Popen(
            [PRESSRIG, "setup", *map(str, words)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=environment(home) | {"PYTHONUNBUFFERED": "1"}, cwd=home,
        )  # fmt: skip
        self.said = ""

    def answer(self, question: str, text: str, before: Callable[[], None] | None = None) -> None:
        """Wait for the question, do what a person does before answering, then answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        begun = len(self.said)
        while question not in self.said[begun:]:
            sign = self._process.stdout.read(1)
            assert sign, self.said
            self.said += sign
        if before is not None:
            before()
        self._process.stdin.write(f"{text}\n")
        self._process.stdin.flush()

    def end(self) -> int:
        said, _ = self._process.communicate(timeout=PATIENCE_S)
        self.said += said
        return self._process.returncode


@pytest.mark.parametrize(
    "lines", [LineFormat(columns=("time_us", "force", "position")), None], ids=["lines", "framed"]
)
def test_a_mass_and_a_distance_become_the_sizes_of_a_count(tmp_path, lines):
    link, out = tmp_path / "board", tmp_path / "lever.yaml"
    with Lever(link, lines) as board:
        terminal = Terminal(tmp_path, "--port", link, "--name", "my lever", "--out", out)
        if lines is not None:
            terminal.answer("column is the force", "")
            terminal.answer("column is the position", "3")
            terminal.answer("column is the time", "1")
            terminal.answer("Unit of the time", "us")
            terminal.answer("Unit of the force", "counts")
            terminal.answer("Unit of the position", "parsecs of cheese")
            terminal.answer("Unit of the position", "")
        terminal.answer("A known load", "500 g")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 500 g on it", "", before=lambda: setattr(board, "load_n", 0.5 * 9.80665))
        terminal.answer("A known distance", "25 mm")
        terminal.answer("far end", "")
        terminal.answer("Move it 25 mm", "", before=lambda: setattr(board, "way_mm", 25.0))
        assert terminal.end() == 0, terminal.said
    rig = read_rig_file(out)
    assert rig.name == "my lever"
    # 500 g weigh 4.903325 N; two means of 300 readings with a noise of 2 counts leave 0.2 counts of 1961
    assert rig.calibration.force.per_count == pytest.approx(MN_PER_COUNT / 1000, rel=1e-3)
    assert rig.calibration.position.per_count == pytest.approx(UM_PER_COUNT / 1000, rel=1e-3)


def test_a_load_that_changes_nothing_is_refused(tmp_path):
    link, out = tmp_path / "board", tmp_path / "lever.yaml"
    with Lever(link, None):
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        terminal.answer("A known load", "500 g")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 500 g on it", "")
        assert terminal.end() == 2
    assert "no more than its noise" in terminal.said
    assert not out.exists()


def test_a_file_that_is_there_is_not_overwritten(tmp_path):
    out = tmp_path / "lever.yaml"
    out.write_text("name: mine\n", encoding="utf-8")
    terminal = Terminal(tmp_path, "--port", tmp_path / "nowhere", "--out", out)
    assert terminal.end() == 2
    assert out.read_text(encoding="utf-8") == "name: mine\n"


def test_a_board_that_prints_nothing_is_said_with_its_baud_rate(tmp_path):
    link = tmp_path / "board"
    with ScriptedDevice(link, answers=False):
        terminal = Terminal(tmp_path, "--port", link, "--out", tmp_path / "lever.yaml")
        assert terminal.end() == 3
    assert "--baud" in terminal.said
