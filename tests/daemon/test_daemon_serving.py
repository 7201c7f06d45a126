"""What stands around the desk: the page's process, the supervisor's datagrams, the token, the live cycles."""

import os
import signal
import socket
import stat
import sys
import tempfile
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the daemon needs a Unix system", allow_module_level=True)

import numpy as np
from attended import wait_until
from delivering import CALIBRATION, delivery

from rig.analyser import AnalysisSettings, Loop
from rig.daemon import live as live_module
from rig.daemon.board import Board
from rig.daemon.bulletin import Seen
from rig.daemon.live import LOOP_POINTS, LiveAnalysis, curve_of, rows_of
from rig.daemon.notify import Notifier
from rig.daemon.page_keeper import PageKeeper
from rig.daemon.page_token import token_file
from rig.daemon.serving import PageWish, limits_card
from rig.errors import InputError
from rig.methods import RigLimits

# Notes its number in a file, then waits for the end of its standard input.
PAGE = """
import os, sys
with open(sys.argv[1], "a") as started:
    print(os.getpid(), file=started)
sys.stdin.read()
with open(sys.argv[1], "a") as ended:
    print("ended", file=ended)
"""
DEAF = "import time\n" + PAGE.replace("sys.stdin.read()", "time.sleep(600)")


@contextmanager
def kept(folder, script=PAGE):
    """A page that is kept, and a function that reads what it noted."""
    notes = folder / "notes"
    notes.touch()
    keeper = PageKeeper([sys.executable, "-S", "-c", script, str(notes)], first_pause_s=0.01)
    with keeper:
        yield lambda: notes.read_text().split()


def alive(process):
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_page_ends_when_its_keeper_does(tmp_path):
    with kept(tmp_path) as noted:
        wait_until(lambda: len(noted()) == 1)
    process, ended = noted()
    assert ended == "ended"
    assert not alive(int(process))


def test_a_page_that_is_killed_is_started_again(tmp_path):
    with kept(tmp_path) as noted:
        wait_until(lambda: len(noted()) == 1)
        os.kill(int(noted()[0]), signal.SIGKILL)
        wait_until(lambda: len(noted()) == 2)
        assert noted()[0] != noted()[1]


def test_a_page_that_does_not_end_by_itself_is_ended(tmp_path, monkeypatch):
    from rig.daemon import page_keeper

    monkeypatch.setattr(page_keeper, "PARTING_S", 0.1)
    with kept(tmp_path, DEAF) as noted:
        wait_until(lambda: len(noted()) == 1)
    assert not alive(int(noted()[0]))


def test_a_page_that_cannot_be_started_harms_nobody(tmp_path):
    with PageKeeper([str(tmp_path / "absent")], first_pause_s=0.01):
        wait_until(lambda: "rig-page" in {each.name for each in threading.enumerate()})
    assert "rig-page" not in {each.name for each in threading.enumerate()}


def test_pauses_grow_while_a_page_keeps_dying(tmp_path):
    with kept(tmp_path, PAGE.replace("sys.stdin.read()", "sys.exit(1)")) as noted:
        wait_until(lambda: len(noted()) >= 3)
        count = len(noted())
    # 0.01, 0.02, 0.04 s ... after each of them
    assert count < 12


def test_the_page_is_told_where_the_socket_is_and_which_token_to_ask_for():
    command = PageWish("0.0.0.0", 8471, Path("token")).command(Path("rig.sock"))
    assert command[1:3] == ["-m", "rig.daemon.page"]
    assert command[3:] == [
        "--socket", "rig.sock", "--listen", "0.0.0.0", "--http", "8471", "--token-file", "token",
    ]  # fmt: skip


@pytest.fixture
def supervisor():
    """A socket as the system's supervisor has it."""
    with (
        tempfile.TemporaryDirectory() as folder,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening,
    ):
        listening.bind(f"{folder}/notify")
        listening.settimeout(5.0)
        yield listening


def told(supervisor):
    return supervisor.recv(4096).decode()


def test_the_supervisor_is_told_that_the_daemon_is_ready_and_that_it_stops(supervisor):
    notifier = Notifier({"NOTIFY_SOCKET": supervisor.getsockname()})
    notifier.ready("rig bench at ttyUSB0")
    assert told(supervisor) == "READY=1\nSTATUS=rig bench at ttyUSB0"
    notifier.stopping()
    assert told(supervisor) == "STOPPING=1"
    notifier.close()


def test_the_watchdog_hears_each_third_of_its_time_that_the_loop_turns(supervisor):
    now_s = [50.0]
    environment = {"NOTIFY_SOCKET": supervisor.getsockname(), "WATCHDOG_USEC": "30000000"}
    notifier = Notifier(environment, lambda: now_s[0])
    for _ in range(121):
        notifier.alive()
        now_s[0] += 0.25
    notifier.stopping()
    # at once, and after 10, 20 and 30 s
    assert [told(supervisor) for _ in range(5)] == ["WATCHDOG=1"] * 4 + ["STOPPING=1"]
    notifier.close()


def test_without_a_supervisor_nothing_is_sent_and_nothing_fails(tmp_path):
    for environment in ({}, {"NOTIFY_SOCKET": str(tmp_path / "absent"), "WATCHDOG_USEC": "1"}):
        notifier = Notifier(environment)
        notifier.ready("up")
        notifier.alive()
        notifier.close()


def test_another_process_watchdog_is_not_answered(supervisor):
    notifier = Notifier(
        {"NOTIFY_SOCKET": supervisor.getsockname(), "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}
    )
    notifier.alive()
    notifier.stopping()
    assert told(supervisor) == "STOPPING=1"
    notifier.close()


def test_a_token_is_made_once_and_only_its_owner_can_read_it(tmp_path):
    path = token_file(tmp_path / "state")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    token = path.read_text()
    assert len(token.strip()) == 32
    assert token_file(tmp_path / "state").read_text() == token
    assert token_file(tmp_path / "other").read_text() != token


def test_a_token_that_others_could_read_is_refused(tmp_path):
    token_file(tmp_path).chmod(0o644)
    with pytest.raises(InputError, match="0644"):
        token_file(tmp_path)


def test_the_limits_that_are_shown_are_those_of_the_rigs_file():
    limits = RigLimits((1.0, 60.0), 20.0, (-5.0, 100.0), 200.0, 500.0, 0.0, 500.0)
    card = limits_card(limits)
    assert (card.min_force_n, card.max_force_n) == (-5.0, 100.0)
    assert (card.min_travel_mm, card.max_travel_mm, card.speed_mm_per_s) == (1.0, 60.0, 20.0)
    assert limits_card(None) is None


# The live analysis.


@contextmanager
def analysing(**how):
    board = Board("bench", "ttyUSB0", CALIBRATION)
    board.begin_job(1, "recording", "recording", "F-90-007")
    with LiveAnalysis(board, CALIBRATION, **how) as live:
        live.begin(1, AnalysisSettings())
        yield board, live


def presses(count):
    """So many triangular presses of a spring of 2 N/mm, 10 mm deep, a second each way and one of rest."""
    from rig.samples import Samples

    depth_mm = np.tile(
        np.concatenate([np.zeros(500), np.linspace(0, 10, 500), np.linspace(10, 0, 500)]), count
    )
    depth_mm = np.concatenate([np.zeros(500), depth_mm, np.zeros(1000)])
    rng = np.random.default_rng(11)
    force = np.round(2000 * depth_mm + rng.normal(0, 20, len(depth_mm))).astype(np.int32)
    number = np.arange(len(depth_mm), dtype=np.int64)
    # the platen meets the part at 5 mm, and is away by 2 mm in a rest
    position_mm = np.where(depth_mm > 0, 5 + depth_mm, 3.0)
    position = np.round(position_mm / 0.005).astype(np.int32)
    return Samples(number, 2000 * number, force, position, np.zeros(len(number), np.uint8))


def test_cycles_come_on_the_board_while_they_are_made_and_the_last_one_at_the_end():
    with analysing() as (board, live):
        live.put(presses(4))
        wait_until(lambda: len(board.news(Seen()).cycles) >= 3)
        live.end()
        wait_until(lambda: len(board.news(Seen()).cycles) == 4)
    found = board.news(Seen()).cycles
    assert [row.cycle for row in found] == [1, 2, 3, 4]
    assert [row.peak_force_n for row in found] == pytest.approx([20.0] * 4, abs=0.2)


def test_what_it_has_no_time_for_is_counted_and_nobody_waits():
    with analysing(limit=500) as (board, live):
        samples = presses(4)
        live.put(samples)
        live.put(samples[:400])
        assert any(f"lack {len(samples)} samples" in text for text in board.status().warnings)


def test_samples_between_jobs_are_not_measured():
    with analysing() as (board, live):
        live.end()
        live.put(presses(3))
        live.begin(1, AnalysisSettings())
        live.put(presses(1))
        live.end()
        wait_until(lambda: len(board.news(Seen()).cycles) == 1)


def test_an_analysis_that_fails_is_told_and_the_next_job_has_its_own(monkeypatch):
    def broken(*args, **how):
        raise RuntimeError("a mistake")

    with analysing() as (board, live):
        monkeypatch.setattr(live_module.CaptureAnalysis, "push", broken)
        live.put(presses(1))
        wait_until(lambda: any("a mistake" in text for text in board.status().warnings))
        live.end()
        monkeypatch.undo()
        live.begin(1, AnalysisSettings())
        live.put(presses(2))
        live.end()
        wait_until(lambda: len(board.news(Seen()).cycles) == 2)
        assert board.status().warnings == ("the port has not been opened yet",)


def test_a_quantity_that_cannot_be_had_is_left_empty():
    columns = {"cycle": np.array([1.0]), "flags": np.array([0.0]), "hysteresis_pct": np.array([np.nan])}
    (row,) = rows_of(columns, np.array([0]))
    assert row.hysteresis_pct is None


def test_a_loop_is_thinned_for_the_page_and_keeps_its_shape():
    x_mm = np.linspace(0.0, 8.0, 399)
    curve = curve_of(Loop(3, np.append(x_mm, np.nan), np.append(3.0 * x_mm, 0.0)))
    assert curve.cycle == 3
    assert 80 < len(curve.force_n) <= LOOP_POINTS
    assert curve.force_n == pytest.approx([3.0 * each for each in curve.deflection_mm], abs=1e-4)


def test_the_newest_loops_come_on_the_board_once_and_in_order():
    with analysing() as (board, live):
        live.put(presses(5))
        wait_until(lambda: len(board.news(Seen()).cycles) >= 4)
        live.end()
        wait_until(lambda: len(board.news(Seen()).cycles) == 5)
        wait_until(lambda: len(board.news(Seen()).loops) == 5)
    loops = board.news(Seen()).loops
    assert [loop.cycle for loop in loops] == [1, 2, 3, 4, 5]
    # 10 mm deep into a spring of 2 N/mm
    assert [max(loop.force_n) for loop in loops] == pytest.approx([20.0] * 5, abs=0.8)
    assert all(len(loop.force_n) <= LOOP_POINTS for loop in loops)


def test_the_thread_ends_with_its_block_even_if_much_is_waiting():
    with analysing() as (_, live):
        for first in range(0, 200_000, 1000):
            live.put(delivery(first, 1000).samples)
    assert "rig-live" not in {each.name for each in threading.enumerate()}
