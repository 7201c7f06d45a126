"""Many captures at once give what one process gives, also where a worker dies."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from rig.errors import InputError, RecorderError
from rig.results import Asked, Workers, kept, many

EXAMPLES = Path(__file__).parents[2] / "captures"
PATIENCE_S = 120.0


@pytest.fixture
def captures(tmp_path: Path) -> list[Path]:
    """Nine captures that differ in their identity alone, as if pieces were measured again."""
    made = []
    for number in range(9):
        source = EXAMPLES / ("example-F-90-001", "example-F-90-002", "example-F-90-101")[number % 3]
        copied = tmp_path / f"float-{number}"
        shutil.copytree(source, copied, ignore=shutil.ignore_patterns(kept.FOLDER))
        made.append(copied)
    return made


@pytest.fixture(autouse=True)
def always_worth_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(many, "WORTH_BYTES", 0)


def tasks_of(captures: list[Path], **asked: Any) -> list[many.Task]:
    return [(path, Asked(**asked)) for path in captures]


def kept_bytes(captures: list[Path]) -> list[bytes]:
    found = [sorted((path / kept.FOLDER).glob("*.arrow")) for path in captures]
    assert [len(paths) for paths in found] == [1] * len(captures)
    return [paths[0].read_bytes() for paths in found]


def measured_here(captures: list[Path]) -> list[bytes]:
    """What one process keeps, measured in copies."""
    for path in captures:
        many.keep_measured(path, Asked())
    found = kept_bytes(captures)
    for path in captures:
        shutil.rmtree(path / kept.FOLDER)
    return found


def test_a_pool_keeps_to_the_bit_what_one_process_keeps(captures: list[Path]) -> None:
    alone = measured_here(captures)
    done: list[float] = []

    @contextmanager
    def progress(_: str, total: float) -> Iterator[Any]:
        assert total == len(captures)
        yield lambda count, _note: done.append(count)

    new, notes = many.measure_ahead(tasks_of(captures), Workers(processes=2), progress=progress)
    assert new
    assert notes == []
    assert done == list(range(1, len(captures) + 1))
    assert kept_bytes(captures) == alone


def test_what_is_kept_is_not_measured_ahead_again_unless_asked_for(captures: list[Path]) -> None:
    measured_here(captures)
    for path in captures:
        many.keep_measured(path, Asked())
    before = [next((path / kept.FOLDER).glob("*.arrow")).stat().st_ino for path in captures]
    many.measure_ahead(tasks_of(captures), Workers(processes=2))
    assert [next((path / kept.FOLDER).glob("*.arrow")).stat().st_ino for path in captures] == before
    many.measure_ahead(tasks_of(captures, fresh=True), Workers(processes=2))
    after = [next((path / kept.FOLDER).glob("*.arrow")).stat().st_ino for path in captures]
    assert all(one != other for one, other in zip(before, after, strict=True))


def die_once(path: Path, asked: Asked) -> None:
    """Measure, but end the process at the first time that one of the captures is met."""
    mark = path.parent / "died"
    if path.name == "float-4" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    many.keep_measured(path, asked)


def die_always(path: Path, asked: Asked) -> None:
    if path.name == "float-4":
        os.kill(os.getpid(), signal.SIGKILL)
    many.keep_measured(path, asked)


def test_a_worker_that_dies_is_reported_and_its_captures_are_measured(
    captures: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = measured_here(captures)
    whole = many._in_pool
    monkeypatch.setattr(many, "_in_pool", lambda *rest: whole(*rest[:3], die_once))
    new, notes = many.measure_ahead(tasks_of(captures), Workers(processes=2))
    assert new
    assert len(notes) == 1
    assert "restarted" in notes[0]
    assert kept_bytes(captures) == alone


def test_a_worker_that_dies_twice_is_refused_by_name(
    captures: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = many._in_pool
    monkeypatch.setattr(many, "_in_pool", lambda *rest: whole(*rest[:3], die_always))
    with pytest.raises(RecorderError, match="float-4"):
        many.measure_ahead(tasks_of(captures), Workers(processes=2))


def test_a_scheduler_that_does_not_answer_is_refused(captures: list[Path]) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="--scheduler"):
        many.measure_ahead(tasks_of(captures), Workers(scheduler="nonsense://nowhere"))


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler with two workers, each a process of its own; its address, and the workers."""
    pytest.importorskip("distributed")
    about = tmp_path / "scheduler.json"
    options = ["--scheduler-file", str(about), "--no-dashboard"]
    with ExitStack() as stack, (tmp_path / "cluster.log").open("wb") as log:

        def started(*words: str) -> subprocess.Popen[bytes]:
            process = subprocess.Popen(words, stdout=log, stderr=log, cwd=tmp_path)
            stack.callback(process.wait)
            stack.callback(process.kill)
            return process

        scheduler = [
            sys.executable,
            "-m",
            "distributed.cli.dask_scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
        ]
        started(*scheduler, *options)
        worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny"]
        workers = [started(*worker, *options) for _ in range(2)]
        yield str(_once(lambda: _address(about))), workers


def _address(about: Path) -> str | None:
    try:
        found: str = json.loads(about.read_text(encoding="utf-8"))["address"]
    except (OSError, ValueError):
        return None
    return found


def _once(condition: Callable[[], Any]) -> Any:
    """Return what a condition gives as soon as it holds."""
    limit = time.monotonic() + PATIENCE_S
    while not (found := condition()):
        assert time.monotonic() < limit
        threading.Event().wait(0.05)
    return found


def test_a_cluster_keeps_to_the_bit_what_one_process_keeps_though_a_worker_is_killed(
    captures: list[Path], cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    import distributed

    address, workers = cluster
    alone = measured_here(captures)
    with distributed.Client(address, timeout=f"{PATIENCE_S:.0f}s") as client:
        client.wait_for_workers(2, timeout=PATIENCE_S)
    done: list[float] = []

    @contextmanager
    def progress(_: str, total: float) -> Iterator[Any]:
        def show(count: float, _note: str) -> None:
            done.append(count)
            if len(done) == 1:
                workers[0].kill()

        yield show

    new, _ = many.measure_ahead(tasks_of(captures), Workers(scheduler=address), progress=progress)
    assert new
    assert done == list(range(1, len(captures) + 1))
    assert workers[0].wait() == -signal.SIGKILL
    assert workers[1].poll() is None
    assert kept_bytes(captures) == alone
