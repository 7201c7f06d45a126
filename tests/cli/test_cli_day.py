"""A day at a hand lever: the commands of its guide, one after the other, end in the sheet of twenty floats.

The commands are read from the guide. A person is played by the test, the rig by a lever that prints ten
lines a second. Truth: the law of the floats that were laid in, and the size of a count of the lever.
"""

from __future__ import annotations

import json
import re
import shlex
import subprocess
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from command_line import PRESSRIG, WHOLE_JOB_PATIENCE_S, environment
from text_lever import LINES_PER_S, MM_PER_COUNT, N_PER_COUNT, HandLever

from rig.calibration import Calibration, Scale
from rig.calibrationfile import read_calibration, write_calibration
from rig.capture import list_captures, open_capture
from rig.guides import guide

MOST_COMMANDS = 12
PIECES = 20
STIFFER = [1 + 0.03 * np.sin(2 * number) for number in range(PIECES)]
MASSES_G = [60 + 0.2 * number for number in range(PIECES)]
MASSES_KG = (0, 1, 2, 5, 10)
BLOCKS_MM = (60, 50, 40, 30, 20, 10)
GRAVITY = 9.81 * (1 - 1.2 / 8000)
"""As the guide's command states it, less what air of 1.2 kg/m^3 carries of a mass of 8000 kg/m^3."""


def commands() -> list[list[str]]:
    """The numbered steps of the guide, whose commands are indented; mistakes are corrected after them."""
    steps = re.findall(r"^ +(pressrig .*)$", guide("hand-lever"), re.MULTILINE)
    return [shlex.split(line)[1:] for line in steps]


class Terminal:
    """A command with a person at it, who waits for each question before answering."""

    def __init__(self, home: Path, words: Sequence[str]) -> None:
        self._process = subprocess.Popen(
            [PRESSRIG, *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=environment(home) | {"PYTHONUNBUFFERED": "1"}, cwd=home,
        )  # fmt: skip
        self.said = ""

    def wait_for(self, text: str) -> None:
        begun = len(self.said)
        assert self._process.stdout is not None
        while text not in self.said[begun:]:
            sign = self._process.stdout.read(1)
            assert sign, f"{text!r} never came: {self.said}"
            self.said += sign

    def answer(self, question: str, text: str, before: Callable[[], object] | None = None) -> None:
        self.wait_for(question)
        if before is not None:
            before()
        assert self._process.stdin is not None
        self._process.stdin.write(f"{text}\n")
        self._process.stdin.flush()

    def end(self) -> str:
        said, _ = self._process.communicate(timeout=WHOLE_JOB_PATIENCE_S)
        self.said += said
        assert self._process.returncode == 0, self.said
        return self.said


def set_up(terminal: Terminal, lever: HandLever) -> None:
    for question, text in (
        ("column is the force", "2"),
        ("column is the position", "3"),
        ("column is the time", "1"),
        ("Unit of time", "us"),
        ("Unit of the force", "counts"),
        ("Unit of the position", "counts"),
        ("A known load", "500 g"),
        ("empty and untouched", ""),
    ):
        terminal.answer(question, text)
    terminal.answer("Put 500 g on it", "", partial(lever.carry, 0.5 * 9.80665))
    terminal.answer("A known distance", "25 mm", partial(lever.carry, 0.0))
    terminal.answer("far end", "")
    terminal.answer("Move it 25 mm", "", partial(lever.stand, 25.0))


def calibrate_force(terminal: Terminal, lever: HandLever) -> None:
    for mass_kg in (*MASSES_KG, *MASSES_KG[-2::-1]):
        terminal.answer("reference: ", f"{mass_kg} kg", partial(lever.carry, GRAVITY * mass_kg))
    terminal.answer("reference: ", "", partial(lever.carry, 0.0))


def calibrate_position(terminal: Terminal, lever: HandLever) -> None:
    down = [f"{block_mm} mm" for block_mm in BLOCKS_MM]
    back = [f"{block_mm} mm back" for block_mm in BLOCKS_MM[-2::-1]]
    for typed in (*down, *back):
        terminal.answer("reference: ", typed, partial(lever.stand, BLOCKS_MM[0] - int(typed.split()[0])))
    terminal.answer("reference: ", "", partial(lever.stand, 0.0))


def squeeze_pieces(terminal: Terminal, lever: HandLever) -> None:
    for number, (stiffer, mass_g) in enumerate(zip(STIFFER, MASSES_G, strict=True), start=1):
        terminal.answer("Enter starts", "", partial(lever.lay_in, stiffer))
        terminal.wait_for("Now squeeze it 5 times")
        lever.squeeze()
        terminal.answer("Enter accepts", "")
        # the last float is weighed later
        terminal.answer("Mass of", "" if number == PIECES else f"{mass_g:.1f} g")


@pytest.fixture(scope="module")
def day(tmp_path_factory) -> tuple[Path, dict[str, str]]:
    """What each command said, in a folder where it all happened."""
    home = tmp_path_factory.mktemp("day")
    played = {
        "setup": set_up,
        "calibrate force": calibrate_force,
        "calibrate position": calibrate_position,
        "session": squeeze_pieces,
    }
    said = {}
    with HandLever(home / "board") as lever:
        for words in commands():
            name = " ".join(words[:2]) if words[0] == "calibrate" else words[0]
            # a pseudo-terminal is on no list of ports
            more = ["--port", str(home / "board")] if name == "setup" else []
            terminal = Terminal(home, [*words, *more])
            if name in played:
                played[name](terminal, lever)
            said[name] = terminal.end()
    return home, said


def test_the_guide_needs_few_commands(day):
    assert list(day[1]) == ["setup", "calibrate force", "calibrate position", "session", "weigh", "sheet"]
    assert len(commands()) <= MOST_COMMANDS


def test_the_calibration_is_that_of_the_lever(day):
    home, _ = day
    found = read_calibration(home / "my-rig-calibration.yaml")
    for scale, size in ((found.force, N_PER_COUNT), (found.position, MM_PER_COUNT)):
        assert scale.uncertainty is not None
        assert scale.per_count == pytest.approx(size, rel=2e-3)


def test_each_float_is_one_capture_of_five_squeezes_at_the_boards_rate(day):
    home, _ = day
    captures = [open_capture(each.path) for each in list_captures(home / "captures")]
    assert [each.header.specimen for each in captures] == [f"F-90-{n:03d}" for n in range(1, PIECES + 1)]
    rates = [1e6 / np.median(np.diff(each.samples().time_us)) for each in captures]
    assert rates == pytest.approx([LINES_PER_S] * PIECES)


def test_the_sheet_gives_stiffness_and_mass_of_the_floats(day):
    home, _ = day
    document = json.loads((home / "captures" / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    (together,) = document["sets"]
    assert {batch: len(each) for batch, each in together["captures"].items()} == {"spring mould": PIECES}
    masses = document["sizes"]["spring mould"]["mass_g"]
    assert masses["n"] == PIECES
    # 2 1/8 oz of 28.349523125 g (international avoirdupois ounce, exact)
    assert masses["mean"] == pytest.approx((sum(MASSES_G[:-1]) + 2.125 * 28.349523125) / PIECES)
    force = together["figures"]["spring mould"]["at 25%.loading_n"]
    assert force["n"] == PIECES
    # what differs between the floats is their stiffness alone, so their forces differ as it does
    assert np.array(force["values"]) / np.mean(force["values"]) == pytest.approx(
        np.array(STIFFER) / np.mean(STIFFER), abs=0.02
    )
    assert "harbour workshop" in (home / "captures" / "sheet" / "sheet.html").read_text(encoding="utf-8")


def test_a_session_offers_the_calibration_that_is_missing(tmp_path):
    (tmp_path / "my-rig.yaml").write_text(
        "name: lever\nport: {path: %s}\nwire: {format: lines, columns: [time_us, force, position]}\n"
        "calibration: my-rig-calibration.yaml\n" % (tmp_path / "board"),
        encoding="utf-8",
    )
    first = Calibration(Scale(N_PER_COUNT), Scale(MM_PER_COUNT))
    write_calibration(tmp_path / "my-rig-calibration.yaml", first)
    with HandLever(tmp_path / "board") as lever:
        words = ["session", "--rig", "my-rig.yaml", "--model", "F-90", "--count", "1"]
        terminal = Terminal(tmp_path, words)
        terminal.answer("Do it now?", "y")
        calibrate_force(terminal, lever)
        terminal.answer("Enter starts", "q")
        assert "no sheet" in terminal.end()
    found = read_calibration(tmp_path / "my-rig-calibration.yaml").force
    assert found.uncertainty is not None
    # nothing was said of gravity: standard gravity, whose spread over the world of 0.26 % is in u
    assert found.per_count == pytest.approx(N_PER_COUNT, rel=3e-3)
