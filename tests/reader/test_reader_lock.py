from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.errors import DeviceError
from rig.reader.lock import PortLock, lock_name

pytestmark = pytest.mark.skipif(os.name == "nt", reason="ports are exclusive there without lock files")

PORT = "/dev/ttyUSB7"
LOCK = "LCK..ttyUSB7"


@pytest.fixture
def places(tmp_path: Path) -> list[Path]:
    return [tmp_path / "lock"]


@pytest.fixture
def gone_process() -> int:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    return ended.pid


@pytest.fixture
def other_process() -> Iterator[int]:
    waits = [sys.executable, "-c", "print(flush=True); input()"]
    with subprocess.Popen(waits, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()  # it runs
        yield other.pid
        other.kill()


def leave(place: Path, text: str) -> Path:
    place.mkdir(exist_ok=True)
    lock = place / LOCK
    lock.write_text(text)
    return lock


def test_the_lock_holds_the_process_number_in_ten_places(places: list[Path]) -> None:
    held = PortLock(PORT, places)
    assert (places[0] / LOCK).read_text() == f"{os.getpid():>10}\n"
    held.release()
    assert list(places[0].iterdir()) == []


@pytest.mark.parametrize(
    ("device", "name"),
    [("/dev/ttyACM0", "LCK..ttyACM0"), ("/dev/pts/5", "LCK..pts_5"), ("/srv/x", "LCK..srv_x")],
)
def test_the_name_of_the_lock_is_that_of_the_device(device: str, name: str) -> None:
    assert lock_name(device) == name


def test_two_names_of_one_device_meet_in_one_lock(places: list[Path], tmp_path: Path) -> None:
    alias = tmp_path / "bench"
    alias.symlink_to(PORT)
    held = PortLock(PORT, places)
    with pytest.raises(DeviceError, match="in use"):
        PortLock(str(alias), places)
    held.release()
    PortLock(str(alias), places).release()


def test_a_port_held_by_another_process_is_refused_with_its_number_and_program(
    places: list[Path], other_process: int
) -> None:
    lock = leave(places[0], f"{other_process:10d}\n")
    program = ": python.* -c " if Path("/proc/self/cmdline").exists() else ""
    with pytest.raises(DeviceError, match=f"in use by process {other_process}{program}.*{LOCK}"):
        PortLock(PORT, places)
    assert lock.read_text() == f"{other_process:10d}\n"
    assert [path.name for path in places[0].iterdir()] == [LOCK]


def test_the_lock_of_a_process_that_is_gone_is_taken_over(places: list[Path], gone_process: int) -> None:
    lock = leave(places[0], f"{gone_process:10d}\n")
    held = PortLock(PORT, places)
    assert int(lock.read_text()) == os.getpid()
    held.release()
    assert not lock.exists()


def test_a_lock_left_by_an_earlier_process_of_the_same_number_is_taken_over(places: list[Path]) -> None:
    leave(places[0], f"{os.getpid():10d}\n")
    PortLock(PORT, places).release()


def test_of_many_that_find_a_lock_stale_one_gets_the_port(places: list[Path], gone_process: int) -> None:
    for _ in range(40):
        leave(places[0], f"{gone_process:10d}\n")
        held: list[PortLock] = []
        refused: list[DeviceError] = []
        start = threading.Barrier(6)

        def take(
            start: threading.Barrier = start,
            held: list[PortLock] = held,
            refused: list[DeviceError] = refused,
        ) -> None:
            start.wait()
            try:
                held.append(PortLock(PORT, places))
            except DeviceError as problem:
                refused.append(problem)

        takers = [threading.Thread(target=take) for _ in range(6)]
        for taker in takers:
            taker.start()
        for taker in takers:
            taker.join()
        assert (len(held), len(refused)) == (1, 5)
        held[0].release()
        assert list(places[0].iterdir()) == []


@pytest.mark.parametrize("text", ["", "no number", "\0\0\0\0", "-5"])
def test_a_lock_without_a_process_number_is_left_and_named(places: list[Path], text: str) -> None:
    lock = leave(places[0], text)
    with pytest.raises(DeviceError, match="holds no process number; remove it if no program uses the port"):
        PortLock(PORT, places)
    assert lock.read_text() == text


def test_a_lock_that_is_no_longer_ours_is_not_removed(places: list[Path], other_process: int) -> None:
    held = PortLock(PORT, places)
    (places[0] / LOCK).unlink()
    lock = leave(places[0], f"{other_process:10d}\n")
    held.release()
    assert lock.exists()


def test_a_lock_in_a_directory_that_cannot_be_written_counts_too(
    tmp_path: Path, other_process: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    system, own = tmp_path / "system", tmp_path / "own"
    leave(system, f"{other_process:10d}\n")
    writable = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != system and writable(path, mode))
    with pytest.raises(DeviceError, match="in use by process"):
        PortLock(PORT, [system, own])
    (system / LOCK).unlink()
    held = PortLock(PORT, [system, own])
    assert (own / LOCK).exists()
    held.release()
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(DeviceError, match=r"none of .* is writable"):
        PortLock(PORT, [system, own])


def test_a_link_in_place_of_a_lock_is_not_followed(places: list[Path], tmp_path: Path) -> None:
    places[0].mkdir()
    (places[0] / LOCK).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(DeviceError, match="cannot be read"):
        PortLock(PORT, places)
