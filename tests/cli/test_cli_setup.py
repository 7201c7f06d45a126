"""`pressrig setup`: answers at a terminal become a rig file, for a board that prints and one with frames."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from command_line import PRESSRIG, environment

sys.path.append(str(Path(__file__).parents[1] / "reader"))

from scripted_device import ScriptedDevice

from rig.rigfile import read_rig_file
from rig.virtual import LinearSpring, VirtualPort, VirtualRig
from rig.virtual.trajectory import driven, standing
from rig.wire import LineFormat, StateFlag

MN_PER_COUNT, UM_PER_COUNT = -2.5, 4.0
"""The board's own: its force counts fall when the platen is loaded."""


LONGEST_S = 600.0
"""A whole conversation takes 25 s on a machine with nothing else to do."""


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
        # a question that never comes must not be waited for for ever
        self._limit = threading.Timer(LONGEST_S, self._process.kill)
        self._limit.start()

    def answer(self, question: str, text: str, before: Callable[[], None] | None = None) -> None:
        """Wait for the question, do what a person does before answering, then answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        begun = len(self.said)
        while question not in self.said[begun:]:
            sign = self._process.stdout.read(1)
            if not sign:
                self._limit.cancel()
            assert sign, self.said
            self.said += sign
        if before is not None:
            before()
        self._process.stdin.write(f"{text}\n")
        self._process.stdin.flush()

    def end(self) -> int:
        said, _ = self._process.communicate()
        self._limit.cancel()
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
            terminal.answer("Unit of time", "us")
            terminal.answer("Unit of the force", "counts")
            terminal.answer("Unit of the position", "parsecs of cheese")
            terminal.answer("Unit of the position", "")
        terminal.answer("A known load", "500")
        terminal.answer("A known load", "500 g")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 500 g on it", "", before=lambda: setattr(board, "load_n", 0.5 * 9.80665))
        terminal.answer("A known distance", "25 mm")
        terminal.answer("far end", "")
        terminal.answer("Move it 25 mm", "", before=lambda: setattr(board, "way_mm", 25.0))
        assert terminal.end() == 0, terminal.said
    rig = read_rig_file(out)
    assert rig.name == "my lever"
    assert "Loads can fall" in terminal.said
    # 500 g weigh 4.903325 N; two means of 300 readings with a noise of 2 counts leave 0.2 counts of 1961
    assert rig.calibration.force.per_count == pytest.approx(MN_PER_COUNT / 1000, rel=1e-3)
    assert rig.calibration.position.per_count == pytest.approx(UM_PER_COUNT / 1000, rel=1e-3)


@contextmanager
def fresh_press(link: Path) -> Iterator[VirtualRig]:
    """A virtual rig as it comes out of the box: a count is 1 mN or 5 um, and it drives its platen."""
    rig = VirtualRig(LinearSpring(2.0, 60.0), scripted=False, gap_mm=18.0, rate_hz=500.0)
    with VirtualPort(rig, link):
        yield rig


def shifted(rig: VirtualRig, way_mm: float) -> Callable[[], None]:
    """The hand wheel is turned."""

    def turn() -> None:
        machine = rig.device.machine
        machine.trajectory = standing(machine.position_mm + way_mm, machine.now_s)

    return turn


def tried(terminal: Terminal, rig: VirtualRig) -> None:
    """Each step of the contacts, done as it is asked for."""
    terminal.answer("type off", "off")
    for question, order in (
        ("Release the emergency stop and all", None),
        ("Press the emergency stop", "stop open"),
        ("Release the emergency stop", "stop close"),
        ("Unplug the emergency", "stop open"),
        ("Plug it back in", "stop close"),
        ("Press the home switch", "home press"),
        ("Release the home switch", "home free"),
        ("Press the travel switch", "upper press"),
        ("Release the travel switch", "upper free"),
    ):
        terminal.answer(question, "", before=partial(rig.order, order) if order else None)


def scaled(terminal: Terminal, rig: VirtualRig, *, towards: float = 1.0) -> None:
    terminal.answer("A known load", "3 N")
    terminal.answer("empty and untouched", "")
    terminal.answer("Put 3 N on it", "", before=partial(rig.order, "push 3"))
    terminal.answer("A known distance", "2 mm")
    terminal.answer("far end", "", before=partial(rig.order, "push 0"))
    terminal.answer("Move it 2 mm", "", before=shifted(rig, 2.0 * towards))


def test_a_fresh_press_is_recognised_and_led_through_stop_switches_signs_and_limits(tmp_path):
    link, out = tmp_path / "press", tmp_path / "press.yaml"
    with fresh_press(link) as rig:
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        tried(terminal, rig)
        scaled(terminal, rig)
        terminal.answer("End of the travel", "60 mm")
        terminal.answer("Largest force", "400 N")
        terminal.answer("Largest pull", "10 N")
        terminal.answer("Largest speed", "15 mm/s")
        terminal.answer("Deceleration", "200 mm/s^2")
        assert terminal.end() == 0, terminal.said
        assert not rig.device.state().flags & StateFlag.ARMED
    assert "status: home switch pressed; motor current off" in terminal.said
    assert "status: far end switch pressed; motor current off" in terminal.said
    assert "Correct: home switch pressed." in terminal.said
    assert "check-device" in terminal.said
    described = read_rig_file(out)
    assert described.calibration.force.per_count == pytest.approx(0.001, rel=1e-3)
    assert described.calibration.position.per_count == pytest.approx(0.005, rel=1e-2)
    limits = described.limits
    assert (limits.travel_mm, limits.force_n) == ((0.0, 60.0), (-10.0, 400.0))
    assert (limits.speed_mm_per_s, limits.deceleration_mm_per_s2) == (15.0, 200.0)
    assert limits.conversions_per_s == pytest.approx(500.0, rel=0.02)


def test_a_switch_that_does_nothing_is_asked_for_again_and_one_that_is_skipped_is_named(tmp_path):
    link, out = tmp_path / "press", tmp_path / "press.yaml"
    with fresh_press(link) as rig:
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        terminal.answer("type off", "off")
        terminal.answer("Release the emergency stop and all", "")
        terminal.answer("Press the emergency stop", "")
        terminal.answer("Press the emergency stop", "", before=partial(rig.order, "stop open"))
        # still pressed
        terminal.answer("Release the emergency stop", "")
        terminal.answer("Release the emergency stop", "", before=partial(rig.order, "stop close"))
        for _ in range(6):
            terminal.answer("(or type skip)", "skip")
        terminal.answer("A known load", "")
        terminal.answer("A known distance", "")
        assert terminal.end() == 0, terminal.said
    assert terminal.said.count("Found no switch pressed, expected emergency stop") == 1
    assert terminal.said.count("Found emergency stop pressed or latched, expected no switch pressed") == 1
    assert terminal.said.count("Skipped; try before anything moves") == 6
    assert "nothing may move" in terminal.said
    assert read_rig_file(out).limits is None


def test_travel_switches_with_swapped_plugs_are_found(tmp_path):
    link, out = tmp_path / "press", tmp_path / "press.yaml"
    with fresh_press(link) as rig:
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        terminal.answer("type off", "off")
        for _ in range(5):
            terminal.answer("(or type skip)", "skip")
        terminal.answer("Press the home switch", "", before=partial(rig.order, "upper press"))
        terminal.answer("Press the home switch", "skip")
        terminal.answer("Release the home switch", "", before=partial(rig.order, "upper free"))
        for _ in range(2):
            terminal.answer("(or type skip)", "skip")
        terminal.answer("A known load", "")
        terminal.answer("A known distance", "")
        assert terminal.end() == 0, terminal.said
    assert "Found far end switch pressed, expected home switch pressed" in terminal.said


def test_a_scale_that_falls_towards_the_part_is_refused_with_what_to_swap(tmp_path):
    link, out = tmp_path / "press", tmp_path / "press.yaml"
    with fresh_press(link) as rig:
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        tried(terminal, rig)
        scaled(terminal, rig, towards=-1.0)
        assert terminal.end() == 2
    assert "swap lines A and B" in terminal.said
    assert not out.exists()


def test_a_platen_that_still_moves_at_enter_is_waited_for_and_then_asked_for_again(tmp_path):
    link, out = tmp_path / "press", tmp_path / "press.yaml"
    with fresh_press(link) as rig:
        machine = rig.device.machine

        def turn_slowly() -> None:
            # 2 mm in 20 s: still on its way when the first wait of 12 s ends
            machine.trajectory = driven(
                machine.position_mm,
                [(machine.position_mm + 2.0, 0.0)],
                speed_mm_per_s=0.1,
                acceleration_mm_per_s2=10.0,
                at_s=machine.now_s,
            )

        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        terminal.answer("type off", "off")
        for _ in range(9):
            terminal.answer("(or type skip)", "skip")
        terminal.answer("A known load", "3 N")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 3 N on it", "", before=partial(rig.order, "push 3"))
        terminal.answer("A known distance", "2 mm")
        terminal.answer("far end", "")
        terminal.answer("Move it 2 mm", "", before=turn_slowly)
        terminal.answer("Move it 2 mm", "")
        terminal.answer("End of the travel", "")
        assert terminal.end() == 0, terminal.said
    assert "Not taken: not settled within 12 s: plateau drifts by" in terminal.said
    assert "Not at rest yet; waiting" in terminal.said
    assert read_rig_file(out).calibration.position.per_count == pytest.approx(0.005, rel=1e-2)


def test_a_motor_supply_that_is_not_said_to_be_off_ends_it(tmp_path):
    link, out = tmp_path / "press", tmp_path / "press.yaml"
    with fresh_press(link):
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        terminal.answer("type off", "yes")
        assert terminal.end() == 2
    assert not out.exists()


def test_a_load_that_changes_nothing_is_asked_for_again(tmp_path):
    link, out = tmp_path / "board", tmp_path / "lever.yaml"
    with Lever(link, None) as board:
        terminal = Terminal(tmp_path, "--port", link, "--out", out)
        terminal.answer("A known load", "500 g")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 500 g on it", "")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 500 g on it", "", before=lambda: setattr(board, "load_n", 0.5 * 9.80665))
        terminal.answer("A known distance", "")
        assert terminal.end() == 0, terminal.said
    assert "no more than its noise" in terminal.said
    assert read_rig_file(out).calibration.force.per_count == pytest.approx(MN_PER_COUNT / 1000, rel=1e-3)


def test_a_file_that_is_there_is_not_overwritten(tmp_path):
    out = tmp_path / "lever.yaml"
    out.write_text("name: mine\n", encoding="utf-8")
    terminal = Terminal(tmp_path, "--port", tmp_path / "nowhere", "--out", out)
    assert terminal.end() == 2
    assert out.read_text(encoding="utf-8") == "name: mine\n"


def test_a_rig_file_that_cannot_be_written_is_shown_and_leaves_no_calibration_behind(tmp_path):
    link, out = tmp_path / "board", tmp_path / "lever.yaml"
    with Lever(link, None) as board:
        terminal = Terminal(tmp_path, "--port", link, "--name", "my lever", "--out", out)
        terminal.answer("A known load", "500 g")
        terminal.answer("empty and untouched", "")
        terminal.answer("Put 500 g on it", "", before=lambda: setattr(board, "load_n", 0.5 * 9.80665))
        # meanwhile somebody else makes a file of that name
        terminal.answer("A known distance", "", before=lambda: out.write_text("theirs", encoding="utf-8"))
        assert terminal.end() == 2
    assert "lever.yaml: cannot be written (File exists)" in terminal.said
    assert "name: my lever" in terminal.said
    assert "per_count_n:" in terminal.said  # what was measured is not lost either
    assert out.read_text(encoding="utf-8") == "theirs"
    assert [path.name for path in tmp_path.glob("lever*")] == ["lever.yaml"]


def test_a_folder_that_cannot_be_written_is_refused_before_any_question(tmp_path):
    (tmp_path / "file").touch()
    terminal = Terminal(tmp_path, "--port", tmp_path / "nowhere", "--out", tmp_path / "file" / "lever.yaml")
    assert terminal.end() == 2
    assert "cannot be written" in terminal.said
    assert "--out" in terminal.said


def test_a_board_that_prints_nothing_is_said_with_its_baud_rate(tmp_path):
    link = tmp_path / "board"
    with ScriptedDevice(link, answers=False):
        terminal = Terminal(tmp_path, "--port", link, "--out", tmp_path / "lever.yaml")
        assert terminal.end() == 3
    assert "--baud" in terminal.said
