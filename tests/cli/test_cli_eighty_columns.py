"""On a terminal of 80 columns no line is wider, and what has to be typed again is whole.

In a pipe the same commands write no line per step of their progress.
"""

from __future__ import annotations

import fcntl
import os
import re
import struct
import subprocess
import termios
from pathlib import Path

import pytest
from command_line import (
    PATIENCE_S,
    PRESSRIG,
    RIGS,
    ROOT,
    environment,
    patient,
    pressrig,
    running,
    simulated,
)
from pulled_captures import pulled_capture

from rig.virtual import PressedCap

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")

COLUMNS = 80
EXAMPLE = "captures/example-F-90-001"
READINGS = "configs/calibrations/example_force_readings.csv"
STUDY = "configs/studies/hand_and_rig.csv"

VERIFIED = "configs/calibrations/verification_readings.csv"
SPRING = ("captures/example-F-90-001", "captures/example-F-90-002", "captures/example-F-90-003")
RIG = ("--rig", "configs/rigs/virtual.yaml")
FLOAT = ("--specimen", "F-90-001", "--free-height", "90 mm")

METHOD = """
name: two presses
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "2 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
  - rest: "1 s"
  - repeat:
      count: 2
      steps:
        - press: {deflection: "9 mm", speed: "5 mm/s"}
        - return: {gap: "2 mm", speed: "10 mm/s"}
        - rest: "2 s"
report: [secant_n_per_mm]
"""
PLAN = """
name: forty squeezes
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
contact_check: {force: "1 N", speed: "2 mm/s"}
squeeze: {deflection: "9 mm", speed: "25 mm/s", gap: "1 mm"}
block: 20
reference_after: 5
until: {cycles: 40}
recovery: {contact_checks: 2, from: "5 s", to: "20 s"}
"""
SILENCE_S = 20.0
"""A busy host may be silent for this long; what is looked at here is the text."""

ENDINGS = (0, 3)
"""On a busy host the device may miss a heartbeat, and the job ends with 3; its text is tested anyway."""

FEW_LINES = 30
"""A job of 40 cycles writes fewer lines than cycles into a pipe: what is found, not how far it is."""

_CONTROL = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]|\r")


def on_a_terminal(
    home, *words: object, cwd: Path = ROOT, command: tuple[str | Path, ...] = (PRESSRIG,), codes=(0,)
) -> str:
    """Run a command on a pseudo-terminal of 80 columns; return what it showed, without colours."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
    with subprocess.Popen(
        [*command, *map(str, words)],
        stdout=theirs, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL, cwd=cwd,
        env=environment(home) | {"TERM": "xterm", "COLUMNS": str(COLUMNS)},
    ) as process:  # fmt: skip
        os.close(theirs)
        shown = bytearray()
        while True:
            try:
                read = os.read(ours, 1 << 16)
            except OSError:  # the other side is closed
                break
            if not read:
                break
            shown += read
    os.close(ours)
    assert process.returncode in codes, shown.decode()
    return _CONTROL.sub("", shown.decode())


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("analyse", EXAMPLE, "--conditioning", "1", "--all", "--budget"), "secant stiffness"),
        (("captures", "captures"), "example-F-90-001"),
        (("show", EXAMPLE), "spring mould"),
        (("compare", "captures", "--by", "batch"), "spring mould"),
        (("calibrate", "force", READINGS, "--reference-u", "0.003 %"), "--into FILE.yaml"),
        (("study", STUDY, "--value", "stiffness_n_per_mm"), "pooled value"),
        (("study", "configs/studies/laboratories.csv"), "reproducibility"),
        (("verify", "force", VERIFIED, "--certificate", "masses", "--reference-u", "0.02 %", *RIG), "class"),
        (("nip", *SPRING, "--wheel", "radius 60 mm", "--force", "40 N", "--friction", "0.4"), "grip"),
        (("lift", "--near", "620 g", "--far", "410 g", "--span", "1.2 m", "--grip-at", "0.3 m"), "torque"),
        (("run", "configs/methods/plain_squeeze.yaml", *RIG, *FLOAT, "--check-only"), "press"),
        (("endure", "configs/endurance/float_abuse.yaml", *RIG, *FLOAT, "--check-only"), "80000"),
        (("session", "--help"), "--free-height"),
        (("guide", "hand-lever"), "my-rig.yaml"),
    ],
    ids=lambda each: each[0] if isinstance(each, tuple) else "",
)
def test_no_line_is_wider_than_the_terminal(tmp_path, words, named):
    shown = on_a_terminal(tmp_path, *words)
    assert wide(shown) == []
    assert named.lower() in " ".join(shown.lower().split())


def wide(shown: str) -> list[str]:
    """Lines that the terminal would break."""
    return [line for line in shown.split("\n") if len(line.rstrip()) > COLUMNS]


@pytest.fixture(scope="module")
def jobs(tmp_path_factory):
    """What `run` and `endure` show on a terminal, and write into pipes; and where their captures are."""
    home = tmp_path_factory.mktemp("eighty")
    (home / "two.yaml").write_text(METHOD, encoding="utf-8")
    (home / "forty.yaml").write_text(PLAN, encoding="utf-8")
    shown, piped = {}, {}
    with simulated(home, "--motion", "commanded", "--speed-up", "15") as link:
        for name, plan in (("run", "two.yaml"), ("endure", "forty.yaml")):
            words = (
                name, plan, "--rig", RIGS / "virtual.yaml", "--port", link, *FLOAT, "--cautions-read",
                "--out", "captures",
            )  # fmt: skip
            shown[name] = on_a_terminal(home, *words, cwd=home, command=patient(SILENCE_S), codes=ENDINGS)
            with running(home, *words, command=patient(SILENCE_S)) as process:
                piped[name] = process.communicate(timeout=PATIENCE_S)
                assert process.returncode in ENDINGS, piped[name]
    return home, shown, piped


@pytest.mark.parametrize("name", ["run", "endure"])
def test_a_job_shows_no_wide_line_and_its_captures_whole_path(jobs, name):
    home, shown, _ = jobs
    assert wide(shown[name]) == []
    assert (home / shown[name].rstrip().split("\n")[-1]).is_dir()


@pytest.mark.parametrize("name", ["run", "endure"])
def test_a_job_in_a_pipe_writes_few_lines(jobs, name):
    _, _, piped = jobs
    assert sum(len(text.splitlines()) for text in piped[name]) < FEW_LINES


@pytest.mark.parametrize("name", ["run", "endure"])
def test_a_report_has_no_wide_line(jobs, name):
    home, shown, _ = jobs
    capture = shown[name].rstrip().split("\n")[-1]
    # 1: a quantity that a job cut short cannot give
    assert wide(on_a_terminal(home, "report", capture, cwd=home, codes=(0, 1))) == []


def test_a_sheet_and_its_progress_are_narrow_and_quiet(tmp_path):
    words = ("sheet", ROOT / "captures", "--conditioning", "1", "--fresh", "--out", tmp_path / "sheet")
    piped = pressrig(tmp_path, *words)
    assert piped.returncode == 0, piped.stderr
    assert piped.stderr == ""
    shown = on_a_terminal(tmp_path, *words[:-1], "sheet", cwd=tmp_path)
    assert wide(shown) == []
    assert "sheet/sheet.html" in shown


def test_pulls_are_narrow(tmp_path):
    captures = [pulled_capture(tmp_path, f"cap-{n}", PressedCap(peak_n=23.0 + n), number=n) for n in range(3)]
    assert (
        wide(on_a_terminal(tmp_path, "pull", *[each.name for each in captures], cwd=captures[0].parent)) == []
    )
