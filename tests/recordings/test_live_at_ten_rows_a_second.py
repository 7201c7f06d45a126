"""A board that prints ten lines a second, on a real pseudo-terminal: `record --cycles 3` ends by itself.

The board is a few lines of code here: it prints what a hand lever did, from a recording with dense truth, and
then stands still for a minute of its own time. Its clock runs faster than the wall's; only its own times are
looked at.
"""

import os
import subprocess
import sys
import threading

import numpy as np
import pytest
import yaml

pytest.importorskip("pty", reason="needs a pseudo-terminal")

import select
import tty

from known_failures import KNOWN
from recording_kinds import KINDS

from rig import open_capture

FASTER = 10
LEADS_S, STANDS_S = 10.0, 60.0
ENDS_WITHIN_S = 2.0
PATIENCE_S = 120.0

RIG = """
name: hand lever
port: {path: /dev/none, baud: 115200}
wire: {format: lines, columns: [time_ms, force, position], force_unit: N, position_unit: mm}
force: {}
position: {}
"""


class Board(threading.Thread):
    """Prints lines at the pace of its own clock until somebody unplugs it."""

    def __init__(self, lines):
        super().__init__(name="board")
        self.unplugged = threading.Event()
        self._lines = lines
        self._board, host = os.openpty()
        tty.setraw(host)
        self.path = os.ttyname(host)
        os.close(host)

    def run(self):
        # opening the port starts the board, as it does with many
        hung_up = select.poll()
        hung_up.register(self._board, select.POLLHUP)
        while hung_up.poll(0) and not self.unplugged.wait(0.01):
            pass
        for line in self._lines:
            os.write(self._board, line)
            if self.unplugged.wait(0.1 / FASTER):
                break
        # a board that has said all goes on being there
        self.unplugged.wait()

    def unplug(self):
        self.unplugged.set()
        self.join()
        os.close(self._board)


def lines_of(recording):
    """What the board prints: the recording between two times of standing still with its noise."""
    random = np.random.default_rng([recording.seed, 10])
    before, after = round(10 * LEADS_S), round(10 * STANDS_S)
    force_n = np.concatenate(
        [0.04 * random.normal(size=before), recording.row_n, 0.04 * random.normal(size=after)]
    )
    position_mm = np.pad(recording.row_mm, (before, after), mode="edge")
    time_s = 0.1 * np.arange(len(force_n))
    rows = zip(time_s, force_n, position_mm, strict=True)
    return [f"{1000 * at:.0f},{force:.2f},{place:.2f}\n".encode() for at, force, place in rows]


@pytest.mark.xfail(("hand_lever_at_10_rows_a_second", "live") in KNOWN, reason="known", strict=False)
@pytest.mark.parametrize("seed", [0, 1])
def test_recording_three_presses_ends_within_two_seconds_of_the_third_release(tmp_path, seed):
    recording = KINDS["hand_lever_at_10_rows_a_second"].recording(seed)
    (tmp_path / "lever.yaml").write_text(RIG)
    board = Board(lines_of(recording))
    board.start()
    try:
        command = ["record", "--rig", tmp_path / "lever.yaml", "--port", board.path, "--specimen", "F-90-001"]
        ended = pressrig(tmp_path, *command, "--cycles", "3", "--out", tmp_path / "captures")
    finally:
        board.unplug()
    assert ended.returncode == 0, ended.stderr
    (capture,) = [path for path in (tmp_path / "captures").iterdir() if path.is_dir()]
    assert yaml.safe_load((capture / "end.yaml").read_text())["reason"] == "3 cycles"
    released_s = LEADS_S + recording.presses[2].end_s
    last_s = open_capture(capture).samples().time_us[-1] / 1e6
    assert released_s - 0.2 <= last_s <= released_s + ENDS_WITHIN_S


def pressrig(home, *arguments):
    command = [sys.executable, "-c", "from rig.cli import main; main()", *map(str, arguments)]
    folders = {name: str(home) for name in ("HOME", "XDG_STATE_HOME", "XDG_RUNTIME_DIR")}
    return subprocess.run(
        command, capture_output=True, text=True, timeout=PATIENCE_S, check=False, env=os.environ | folders
    )
