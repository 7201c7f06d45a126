"""Two rigs whose names are alike, each held by a daemon of its own: an order never moves the other one."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

if os.name != "posix":
    pytest.skip("the daemon needs a Unix system", allow_module_level=True)

from command_line import RIGS, done, pressrig, running, simulated, wait_until

from rig.daemon.bulletin import RigStatus
from rig.daemon.control import ControlClient, NoDaemonError, daemons_of
from rig.daemon.socket_place import held_by
from rig.jobs.orders import MethodOrder, RigRef

SLOW_PRESS = """
name: slow press
purpose: A test.
follows: Nothing published.
specimen: {stiffness: "20 N/mm"}
steps:
  - contact_check: {force: "1 N", speed: "5 mm/s"}
  - press: {deflection: "9 mm", speed: "0.2 mm/s"}
  - return: {gap: "2 mm", speed: "10 mm/s"}
report: [secant_n_per_mm]
"""
NAMES = ("Bench 1", "bench_1")


class TwoRigs:
    def __init__(self, home: Path) -> None:
        self.home = home
        self.files = [home / f"{number}.yaml" for number in (1, 2)]
        self.daemons: list[subprocess.Popen[str]] = []

    def client(self, number: int) -> ControlClient:
        meant = RigRef(name=NAMES[number])
        for path in (self.home / "pressrig").glob("*.sock"):
            held = held_by(path)
            if held is not None and meant.means(held):
                return ControlClient(path, held)
        raise NoDaemonError("not up yet")

    def status(self, number: int) -> RigStatus:
        with self.client(number) as daemon:
            return daemon.status()

    def up(self, number: int) -> bool:
        try:
            return self.status(number).state == "idle" and self.status(number).device is not None
        except NoDaemonError:
            return False

    def start(self, number: int) -> None:
        card = {"specimen": f"F-90-00{number}", "free_height_mm": 90.0}
        with self.client(number) as daemon:
            daemon.start(MethodOrder(text=SLOW_PRESS, source="slow.yaml", card=card, cautions_read=True))
        wait_until(lambda: (job := self.status(number).job) is not None and job.capture is not None)

    def ended(self, number: int) -> bool:
        status = self.status(number)
        return status.job is None and status.last is not None and status.last.reason == "stopped"


@pytest.fixture(scope="module")
def rigs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwoRigs]:
    home = tmp_path_factory.mktemp("two")
    two = TwoRigs(home)
    text = (RIGS / "virtual.yaml").read_text(encoding="utf-8")
    with ExitStack() as opened:
        for number, name in enumerate(NAMES):
            place = home / str(number)
            place.mkdir()
            link = opened.enter_context(
                simulated(place, "--motion", "commanded", "--specimen", "spring", "--speed-up", 4)
            )
            file = two.files[number]
            file.write_text(
                text.replace("name: virtual", f"name: {name}").replace("/tmp/pressrig-virtual", str(link))
            )
            daemon = opened.enter_context(
                running(home, "serve", "--rig", file, "--no-page", "--out", home / "captures")
            )
            two.daemons.append(daemon)
        wait_until(lambda: all(two.up(number) for number in (0, 1)))
        yield two


def test_halt_without_a_name_halts_all_of_them(rigs: TwoRigs) -> None:
    rigs.start(0)
    rigs.start(1)
    said = done(rigs.home, "halt", afresh=True)
    assert "halted rig 'Bench 1' at port" in said
    assert "halted rig 'bench_1' at port" in said
    wait_until(lambda: rigs.ended(0) and rigs.ended(1))


def test_halt_with_a_name_halts_that_one_and_the_other_goes_on(rigs: TwoRigs) -> None:
    rigs.start(0)
    rigs.start(1)
    assert "bench_1" in done(rigs.home, "halt", "--rig", rigs.files[1], afresh=True)
    wait_until(lambda: rigs.ended(1))
    assert rigs.status(0).state == "running"
    done(rigs.home, "halt", "--rig", rigs.files[0], afresh=True)
    wait_until(lambda: rigs.ended(0))


def test_a_run_moves_the_rig_that_is_named_and_records_under_its_name(rigs: TwoRigs) -> None:
    method = rigs.home / "slow.yaml"
    method.write_text(SLOW_PRESS, encoding="utf-8")
    piece = ("--specimen", "F-90-003", "--free-height", "90 mm")
    words = ("run", method, "--rig", rigs.files[1], *piece, "--cautions-read")
    with running(rigs.home, *words) as run:
        wait_until(lambda: rigs.status(1).state == "running" or run.poll() is not None)
        assert run.poll() is None, run.communicate()
        assert (rigs.status(0).state, rigs.status(1).state) == ("idle", "running")
        assert not rigs.status(0).armed
        run.send_signal(signal.SIGINT)
        run.communicate(timeout=60)
    wait_until(lambda: rigs.ended(1))


def test_a_halt_reaches_the_others_while_one_daemon_hangs(rigs: TwoRigs) -> None:
    rigs.start(1)
    hanging = rigs.daemons[0].pid
    os.kill(hanging, signal.SIGSTOP)
    try:
        with running(rigs.home, "halt") as halt:
            wait_until(lambda: rigs.ended(1))
            halt.kill()
    finally:
        os.kill(hanging, signal.SIGCONT)


def test_status_tells_of_both_and_an_order_for_a_rig_that_nobody_holds_is_not_given_to_another(
    rigs: TwoRigs,
) -> None:
    said = done(rigs.home, "status")
    assert all(f"{name} at " in said for name in NAMES)
    third = rigs.home / "3.yaml"
    third.write_text(rigs.files[0].read_text().replace("name: Bench 1", "name: BENCH 1"))
    refused = pressrig(rigs.home, "halt", "--rig", third)
    assert refused.returncode == 3
    assert "no daemon is running for rig 'BENCH 1', so nothing was halted" in refused.stderr
    assert daemons_of(RigRef(name="BENCH 1"), [rigs.home / "pressrig"]) == []
