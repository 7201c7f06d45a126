"""Many captures at once give what one process gives, also where a worker dies."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
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

    from contextlib import contextmanager

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
    monkeypatch.setattr(many, "_in_pool", lambda *rest: whole(*rest, task=die_once))
    new, notes = many.measure_ahead(tasks_of(captures), Workers(processes=2))
    assert new
    assert len(notes) == 1
    assert "started again" in notes[0]
    assert kept_bytes(captures) == alone


def test_a_worker_that_dies_twice_is_refused_by_name(
    captures: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = many._in_pool
    monkeypatch.setattr(many, "_in_pool", lambda *rest: whole(*rest, task=die_always))
    with pytest.raises(RecorderError, match="float-4"):
        many.measure_ahead(tasks_of(captures), Workers(processes=2))


def test_a_scheduler_that_does_not_answer_is_refused(captures: list[Path]) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="--scheduler"):
        many.measure_ahead(tasks_of(captures), Workers(scheduler="nonsense://nowhere"))
