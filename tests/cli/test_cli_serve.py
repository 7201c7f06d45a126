"""`pressrig serve` in a process of its own, on a virtual rig, with those who ask it and order from it."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

if os.name != "posix":
    pytest.skip("the daemon needs a Unix system", allow_module_level=True)

from command_line import (
    RIGS,
    done,
    ended,
    environment,
    free_port,
    only_capture,
    pressrig,
    running,
    simulated,
    wait_until,
)

from rig.capture import open_capture
from rig.daemon.bulletin import EndCard
from rig.daemon.control import ControlClient, NoDaemonError
from rig.jobs.orders import MethodOrder

DRIVEN = RIGS / "virtual.yaml"
SLOW_PRESS = """
name: slow press
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - press: {deflection: "9 mm", speed: "0.05 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""
QUICK_PRESS = SLOW_PRESS.replace('"0.05 mm/s"', '"10 mm/s"')
CARD = {"specimen": "F-90-001", "free_height_mm": 90.0}


class Served:
    """A daemon in a process of its own."""

    def __init__(self, home: Path, process: subprocess.Popen[str]) -> None:
        self.home, self.process = home, process
        self.captures = home / "captures"

    def client(self) -> ControlClient:
        sockets = list((self.home / "pressrig").glob("*.sock"))
        if not sockets:
            raise NoDaemonError("no socket is there yet")
        return ControlClient(sockets[0])

    def up(self) -> bool:
        try:
            with self.client() as daemon:
                return daemon.status().state != "away"
        except NoDaemonError:
            return False

    def state(self) -> str:
        with self.client() as daemon:
            return daemon.status().state

    def end_of(self, number: int) -> EndCard:
        with self.client() as daemon:
            wait_until(lambda: (last := daemon.status().last) is not None and last.number == number)
            end = daemon.status().last
        assert end is not None
        return end

    def records(self) -> bool:
        """Whether a job has its capture, and the platen moves."""
        with self.client() as daemon:
            status = daemon.status()
        return status.job is not None and status.job.capture is not None


@contextmanager
def serving(home: Path, *arguments: object, speed_up: float = 4.0, rig: Path = DRIVEN) -> Iterator[Served]:
    with (
        simulated(home, "--motion", "commanded", "--specimen", "spring", "--speed-up", speed_up) as link,
        running(
            home, "serve", "--rig", rig, "--port", link, "--out", home / "captures", *arguments
        ) as process,
    ):
        served = Served(home, process)
        wait_until(lambda: process.poll() is not None or served.up())
        assert process.poll() is None, process.communicate()[1]
        yield served


def order(text: str = SLOW_PRESS) -> MethodOrder:
    return MethodOrder(text=text, source="slow.yaml", card=CARD, cautions_read=True)


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """A short folder: the path of a socket holds about a hundred characters."""
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        yield Path(folder).resolve()


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One daemon that several tests ask and order from; each leaves it idle."""
    with serving(tmp_path_factory.mktemp("daemon"), "--no-page", speed_up=8.0) as served:
        yield served


def test_status_says_how_the_rig_stands(daemon):
    assert "virtual at" in done(daemon.home, "status")
    document = json.loads(done(daemon.home, "status", "--rig", DRIVEN, "--json", afresh=True))
    assert (document["rig"], document["state"]) == ("virtual", "idle")


def test_without_a_daemon_the_status_is_1(tmp_path):
    nobody = pressrig(tmp_path, "status")
    assert nobody.returncode == 1
    assert "no daemon is running" in nobody.stdout


def test_without_a_daemon_halt_says_what_to_do(refused):
    assert "emergency stop" in refused(3, "halt")


def test_halt_halts_through_the_daemon(daemon):
    with daemon.client() as asked:
        number = asked.start(order()).job
    wait_until(daemon.records)
    assert f"; job {number} ends its capture" in done(daemon.home, "halt", "--rig", DRIVEN, afresh=True)
    assert open_capture(daemon.end_of(number).capture).how_it_ended == "stopped"
    # no stop is latched: the next job may begin at once
    assert daemon.state() == "idle"


def test_a_height_is_refused_while_the_daemon_is_at_another_job(daemon):
    with daemon.client() as asked:
        number = asked.start(order()).job
    wait_until(daemon.records)
    beside = pressrig(
        daemon.home, "height", "--rig", DRIVEN, "--port", daemon.home / "rig",
        "--specimen", "F-90-001", "--contact-checks", 2, "--cautions-read",
    )  # fmt: skip
    assert beside.returncode == 2
    assert "a job is under way: slow press on F-90-001" in beside.stderr
    done(daemon.home, "halt", "--rig", DRIVEN)
    assert daemon.end_of(number).reason == "stopped"


def test_a_second_daemon_is_refused_and_the_first_goes_on(daemon):
    second = pressrig(daemon.home, "serve", "--rig", DRIVEN, "--port", daemon.home / "rig", "--no-page")
    assert second.returncode == 3
    assert "a daemon already holds it" in second.stderr
    assert daemon.state() == "idle"


ORDERED = """
import sys
from rig.cli.ordering import order_through_daemon
from rig.jobs.orders import Order, RigRef
from rig.errors import RigError
from pydantic import TypeAdapter
try:
    code = order_through_daemon(RigRef(name="virtual"), TypeAdapter(Order).validate_json(sys.argv[1]))
except RigError as refusal:
    sys.exit(f"{refusal.exit_code}: {refusal}")
sys.exit(100 if code is None else code)
"""


def ordering(home: Path, wanted: MethodOrder) -> subprocess.Popen[str]:
    """A process that orders through the daemon and follows it, as `run` does."""
    return subprocess.Popen(
        [sys.executable, "-c", ORDERED, wanted.model_dump_json()],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=environment(home), cwd=home,
    )  # fmt: skip


def test_an_order_is_followed_to_its_end_and_its_captures_path_is_the_last_line(daemon):
    with ordering(daemon.home, order(QUICK_PRESS)) as process:
        output, errors = process.communicate(timeout=60)
    assert process.returncode == 0, errors
    assert open_capture(output.splitlines()[-1]).how_it_ended == "method finished"


def test_ctrl_c_of_the_one_who_follows_halts_the_job(daemon):
    with ordering(daemon.home, order()) as process:
        wait_until(daemon.records)
        process.send_signal(signal.SIGINT)
        output, _ = process.communicate(timeout=60)
    assert open_capture(output.splitlines()[-1]).how_it_ended == "stopped"
    # what was ordered was not done to its end
    assert process.returncode == 1


def test_enter_says_that_a_step_off_the_rig_is_done(daemon):
    by_hand = QUICK_PRESS.replace("steps:\n", 'steps:\n  - off_rig: {do: "Turn the float."}\n')
    with ordering(daemon.home, order(by_hand)) as process:
        wait_until(lambda: daemon.state() == "by hand")
        _, errors = process.communicate("\n", timeout=60)
    assert process.returncode == 0, errors
    assert "by hand: Turn the float." in errors


def test_an_order_that_the_daemon_refuses_is_refused_in_its_words(daemon):
    with ordering(daemon.home, order("steps: [")) as process:
        _, errors = process.communicate(timeout=60)
    assert errors.startswith("2: slow.yaml")


def test_without_a_daemon_an_order_is_left_to_be_done_alone(tmp_path):
    with ordering(tmp_path, order()) as process:
        process.communicate(timeout=60)
    assert process.returncode == 100


def test_sigterm_in_motion_halts_the_platen_ends_the_capture_and_exits_with_0(tmp_path):
    with serving(tmp_path, "--no-page") as served:
        with served.client() as asked:
            assert asked.start(order()).job == 1
        wait_until(served.records)
        ended(served.process, signal.SIGTERM)
        assert not list((tmp_path / "pressrig").glob("*.sock"))
    capture = open_capture(only_capture(served.captures))
    assert capture.how_it_ended == "stopped"
    # the last samples stand still: the record goes on until the platen does
    assert np.ptp(capture.samples().position[-20:]) < 4


def test_ctrl_c_ends_a_daemon_that_follows_one_that_was_killed(tmp_path):
    with serving(tmp_path, "--no-page") as served:
        served.process.kill()
        served.process.wait()
        again = ("serve", "--rig", DRIVEN, "--port", tmp_path / "rig", "--no-page")
        with running(tmp_path, *again) as process:
            wait_until(lambda: process.poll() is not None or served.up())
            ended(process, signal.SIGINT)


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
    except OSError:
        return False
    return True


def page_of(served: Served) -> int:
    """Number of the page's process; 0 while there is none."""
    children = Path(f"/proc/{served.process.pid}/task")
    found = [line for each in children.glob("*/children") for line in each.read_text().split()]
    return int(found[0]) if found else 0


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="finds the page's process in /proc")
def test_a_page_that_is_killed_comes_back_and_the_job_never_notices(tmp_path):
    port = free_port()
    with serving(tmp_path, "--http", port) as served:
        wait_until(lambda: answers(port))
        with served.client() as asked:
            asked.start(order())
        wait_until(served.records)
        first = page_of(served)
        os.kill(first, signal.SIGKILL)
        wait_until(lambda: page_of(served) not in (0, first) and answers(port))
        assert served.state() == "running"
        ended(served.process, signal.SIGTERM)
        wait_until(lambda: not answers(port))
        events = [event["kind"] for event in open_capture(only_capture(served.captures)).events()]
    assert "link_lost" not in events


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--listen", "0.0.0.0"), "--allow-remote"),
        (("--listen", "the window"), "expected an address"),
        (("--rig", RIGS / "bench.yaml.no"), "no such rig file"),
    ],
    ids=["others could reach it", "no address", "no rig"],
)
def test_what_is_wrong_is_refused_before_anything_is_opened(refused, arguments, words):
    assert words in refused(2, "serve", "--rig", DRIVEN, *arguments)
