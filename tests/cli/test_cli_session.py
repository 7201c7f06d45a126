"""`pressrig session`: pieces one after another on a virtual hand lever, broken off, resumed, and a sheet."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from command_line import CALIBRATED, FAST, PRESSRIG, WHOLE_JOB_PATIENCE_S, environment, simulated

from rig.capture import list_captures, open_capture
from rig.errors import InputError

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the virtual rig needs a pseudo-terminal")

CYCLES = 2


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    home = tmp_path_factory.mktemp("session")
    (home / "lever.yaml").write_text(CALIBRATED, encoding="utf-8")
    return home


def sat(home: Path, port: Path, typed: str, *more: object, code: int = 0) -> subprocess.CompletedProcess[str]:
    """The session with what a person types, line by line."""
    words = [
        "session",
        "--rig",
        home / "lever.yaml",
        "--port",
        port,
        "--cycles",
        CYCLES,
        "--out",
        home / "out",
        *more,
    ]
    finished = subprocess.run(
        [PRESSRIG, *map(str, words)],
        input=typed, capture_output=True, text=True, timeout=WHOLE_JOB_PATIENCE_S,
        env=environment(home), cwd=home,
        check=False,
    )  # fmt: skip
    assert finished.returncode == code, finished.stderr
    return finished


@pytest.fixture(scope="module")
def said(home) -> tuple[str, str]:
    """A session that ends after two pieces, the second one repeated; and one that resumes it."""
    plan = (
        "--model",
        "F-90",
        "--count",
        "3",
        "--batch",
        "spring",
        "--free-height",
        "90 mm",
        "--operator",
        "A",
    )
    hand = ("--motion", "hand", "--cycles", "400", "--depth", "25", "--rate", "50", *FAST)
    with simulated(home, *hand) as port:
        # start, accept, mass; start, repeat, start, accept, a mass that is none, a mass; end
        first = sat(home, port, "\n\n61.2 g\n\nr\n\n\nheavy\n2 1/8 oz\nq\n", *plan)
        # the third: start, accept and end, no mass
        second = sat(home, port, "\nq\n\n", *plan)
    return first.stdout + first.stderr, second.stdout + second.stderr


def test_each_piece_is_shown_and_weighed_in_its_turn(said, home):
    first, _ = said
    for name in ("F-90-001", "F-90-002"):
        # a squeeze that the hand cut short reaches no 25 %, and is still shown
        assert f"{name}: {CYCLES} squeezes. " in first
    assert "Keep fingers out from between the platens" in first
    assert "Local rules" in first
    assert "heavy" in first


def test_a_repeated_piece_has_its_first_capture_left_out(said, home):
    captures = [open_capture(each.path) for each in list_captures(home / "out")]
    second = [each for each in captures if each.header.specimen == "F-90-002"]
    assert [each.exclusions.capture is not None for each in second] == [True, False]
    assert "repeated at once" in said[0]


def test_the_same_command_goes_on_where_the_session_was_broken_off(said):
    _, second = said
    assert "2 of 3 pieces are already done" in second
    assert "Piece 3 of 3: F-90-003" in second
    assert "Piece 1 of 3" not in second


def test_the_session_ends_with_the_sheet_of_its_pieces(said, home):
    document = json.loads((home / "out" / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    (alike,) = document["sets"]
    assert set(alike["captures"]) == {"spring"}
    assert len(alike["captures"]["spring"]) == 3
    masses = document["sizes"]["spring"]["mass_g"]
    assert masses["n"] == 2
    assert sorted(masses["values"]) == pytest.approx([2.125 * 28.349523125, 61.2])


def test_a_plan_gives_each_piece_its_batch_and_height(tmp_path):
    from rig.cli.session import Planned, planned_pieces

    plan = tmp_path / "pieces.csv"
    plan.write_text("specimen;batch;free height (mm)\nS1;spring;90,5\nA1;;3 1/2 in\n", encoding="utf-8")
    first, second = planned_pieces(plan, None, None)
    assert first == Planned("S1", "spring", 90.5)
    assert (second.specimen, second.batch) == ("A1", None)
    assert second.free_height_mm == pytest.approx(88.9)


@pytest.mark.parametrize("height", ["0", "-90", "ninety", "90 g"])
def test_a_height_of_a_plan_that_none_can_be_is_refused_with_its_line(tmp_path, height):
    from rig.cli.session import planned_pieces

    plan = tmp_path / "pieces.csv"
    plan.write_text(f"specimen;free height (mm)\nS1;{height}\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 2: free height: "):
        planned_pieces(plan, None, None)


REACTION_S = 0.2


def at_a_terminal(home: Path, port: Path, answers: Sequence[tuple[str, str]], *more: object) -> str:
    """The session on a terminal, where a person answers each text in its turn; `^C` is the key."""
    import pty

    master, terminal = pty.openpty()
    words = ("session", "--rig", home / "lever.yaml", "--port", port, "--cycles", CYCLES, *more)
    with subprocess.Popen(
        [PRESSRIG, *map(str, words)], stdin=terminal, stdout=terminal, stderr=terminal,
        env=environment(home), cwd=home, start_new_session=True,
    ) as process:  # fmt: skip
        os.close(terminal)
        watchdog = threading.Timer(WHOLE_JOB_PATIENCE_S, process.kill)
        watchdog.start()
        said = ""
        for text, answer in answers:
            begun = len(said)
            while not re.search(text, said[begun:]):
                said += os.read(master, 4096).decode()
            if answer == "^C":
                # no person answers before the program, which prints its question first, waits for the answer
                time.sleep(REACTION_S)
                process.send_signal(signal.SIGINT)
            else:
                os.write(master, f"{answer}\n".encode())
        while True:
            try:
                said += os.read(master, 4096).decode()
            except OSError:  # the other end is closed
                break
        os.close(master)
        assert process.wait(WHOLE_JOB_PATIENCE_S) == 0, said
        watchdog.cancel()
    return " ".join(said.split())


@pytest.mark.parametrize("at", ["Now squeeze", "Enter accepts"])
def test_a_piece_that_ctrl_c_interrupts_is_taken_again_when_the_session_is_resumed(tmp_path, at):
    (tmp_path / "lever.yaml").write_text(CALIBRATED, encoding="utf-8")
    plan = (
        "--model",
        "F-90",
        "--count",
        "2",
        "--free-height",
        "90 mm",
        "--no-weigh",
        "--out",
        tmp_path / "out",
    )
    hand = ("--motion", "hand", "--cycles", "400", "--depth", "25", "--rate", "50", *FAST)
    with simulated(tmp_path, *hand) as port:
        first = at_a_terminal(
            tmp_path, port,
            [("Enter starts", ""), ("Enter accepts", ""), ("Enter starts", ""), (at, "^C")], *plan,
        )  # fmt: skip
        assert "Interrupted: this recording of F-90-002 is kept, but left out." in first
        assert "1 of 2 pieces done. To resume the session, repeat the command." in first
        second = at_a_terminal(tmp_path, port, [("Piece 2 of 2", ""), ("Enter accepts", "")], *plan)
    assert "To resume" not in second
    captures = [open_capture(each.path) for each in list_captures(tmp_path / "out")]
    left_out = [each.header.specimen for each in captures if each.exclusions.capture is not None]
    assert left_out == ["F-90-002"]
    assert sorted(each.header.specimen for each in captures) == ["F-90-001", "F-90-002", "F-90-002"]


def test_ctrl_c_at_a_question_ends_the_session_with_its_sheet(tmp_path):
    (tmp_path / "lever.yaml").write_text(CALIBRATED, encoding="utf-8")
    hand = ("--motion", "hand", "--cycles", "400", "--depth", "25", "--rate", "50", *FAST)
    with simulated(tmp_path, *hand) as port:
        said = at_a_terminal(
            tmp_path, port, [("Enter starts", ""), ("Enter accepts", ""), ("Mass of", "^C")],
            "--model", "F-90", "--count", "2", "--free-height", "90 mm", "--out", tmp_path / "out",
        )  # fmt: skip
    assert "1 of 2 pieces done" in said
    assert (tmp_path / "out" / "sheet" / "sheet.html").exists()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((), "--plan CSV, or with --model"),
        (("--model", "F-90"), "--plan CSV, or with --model"),
        (("--model", "F-90", "--count", "3", "--conditioning", "2"), "fewer than the 2"),
    ],
)
def test_a_session_without_pieces_is_refused(home, given, said):
    assert said in sat(home, home / "nowhere", "", *given, code=2).stderr
