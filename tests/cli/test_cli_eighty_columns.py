"""On a terminal of 80 columns no line is wider, and what has to be typed again is whole."""

from __future__ import annotations

import fcntl
import os
import re
import struct
import subprocess
import termios

import pytest
from command_line import PRESSRIG, ROOT, environment

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")

COLUMNS = 80
EXAMPLE = "captures/example-F-90-001"
READINGS = "configs/calibrations/example_force_readings.csv"
STUDY = "configs/studies/hand_and_rig.csv"

_CONTROL = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]|\r")


def on_a_terminal(home, *words: str) -> str:
    """Run a command on a pseudo-terminal of 80 columns; return what it showed, without colours."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
    with subprocess.Popen(
        [PRESSRIG, *words],
        stdout=theirs, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL, cwd=ROOT,
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
    assert process.returncode == 0, shown.decode()
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
        (("session", "--help"), "--free-height"),
        (("guide", "hand-lever"), "my-rig.yaml"),
    ],
    ids=lambda each: each[0] if isinstance(each, tuple) else "",
)
def test_no_line_is_wider_than_the_terminal(tmp_path, words, named):
    shown = on_a_terminal(tmp_path, *words)
    assert [line for line in shown.split("\n") if len(line.rstrip()) > COLUMNS] == []
    assert named.lower() in " ".join(shown.lower().split())
