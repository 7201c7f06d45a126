"""Commands beside the page: answers, exit codes, an end when a person wants it, and limits."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager

import pytest
from made_captures import write_capture

from rig.errors import InputError
from rig.workbench import tasks as module
from rig.workbench.tasks import Tasks


@asynccontextmanager
async def running(folder):
    tasks = Tasks(folder)
    try:
        yield tasks
    finally:
        await tasks.close()


async def ended(task):
    await asyncio.wait([task.work])
    return task.progress()


def test_an_answer_has_the_commands_words_and_exit_code(tmp_path) -> None:
    write_capture(tmp_path / "captures", "F-90-001", "spring mould")

    async def ask():
        async with running(tmp_path / "reports") as tasks:
            listed = await ended(tasks.start(["captures", str(tmp_path / "captures")]))
            refused = await ended(tasks.start(["show", str(tmp_path / "nothing")]))
            return listed, refused

    listed, refused = asyncio.run(ask())
    assert (listed.state, listed.exit_code) == ("done", 0)
    assert "F-90-001" in listed.words
    assert listed.command == f"pressrig captures {tmp_path / 'captures'}"
    assert refused.exit_code == 2
    assert "no such folder" in refused.words


def test_a_document_is_that_of_the_command_line(tmp_path) -> None:
    path = write_capture(tmp_path, "F-90-001", "spring mould")

    async def ask():
        async with running(tmp_path / "reports") as tasks:
            task = tasks.start(["analyse", "--", str(path)], wants_json=True)
            await ended(task)
            return task.document()

    cycles = asyncio.run(ask())["captures"][0]["cycles"]
    # A triangle of travel on a spring of 2 N/mm, squeezed by 20 mm: a closed form.
    assert [cycle["peak_force_n"] for cycle in cycles] == pytest.approx([40.0] * 4, abs=0.1)


def test_a_command_that_cannot_be_started_is_over_and_says_so(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(module, "_PROGRAM", (str(tmp_path / "no-such-python"),))

    async def ask():
        async with running(tmp_path) as tasks:
            return await ended(tasks.start(["captures", str(tmp_path)]))

    progress = asyncio.run(ask())
    assert (progress.state, progress.exit_code) == ("done", 3)
    assert "cannot be started (No such file or directory)" in progress.words


def test_a_command_that_is_stopped_ends_and_takes_its_folder_away(tmp_path) -> None:
    async def ask():
        async with running(tmp_path / "reports") as tasks:
            task = tasks.start(["simulate", "--link", str(tmp_path / "rig")], writes=False)
            while task.state == "waiting" or not (tmp_path / "rig").exists():
                assert task.state in {"waiting", "running"}, task.progress()
                await asyncio.sleep(0.02)
            await tasks.stop(task)
            return task.progress()

    progress = asyncio.run(ask())
    assert progress.state == "stopped"
    assert not (tmp_path / "rig").exists()  # it has ended by itself: it took its link away


def test_so_many_wait_and_no_more(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(module, "MOST_WAITING", 3)

    async def ask():
        async with running(tmp_path) as tasks:
            for _ in range(3):
                tasks.start(["guide"])
            with pytest.raises(InputError, match="expected fewer"):
                tasks.start(["guide"])
            return [await ended(task) for task in tasks.all()]

    assert {progress.state for progress in asyncio.run(ask())} == {"done"}


def test_what_is_kept_has_a_limit(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(module, "MOST_KEPT", 2)
    monkeypatch.setattr(module, "LONGEST_WORDS", 100)

    async def ask():
        async with running(tmp_path) as tasks:
            first = tasks.start(["--help"])
            progress = await ended(first)
            for _ in range(3):
                await ended(tasks.start(["--help"]))
            with pytest.raises(InputError, match="ask again"):
                tasks.of(first.id)
            return progress, len(tasks.all())

    progress, kept = asyncio.run(ask())
    assert len(progress.words) <= 200
    assert kept <= 3


def test_the_oldest_answers_are_forgotten_where_all_are_long(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(module, "MOST_BYTES", 1000)

    async def ask():
        async with running(tmp_path) as tasks:
            started = []
            for _ in range(3):
                started.append(tasks.start(["--help"]))
                await ended(started[-1])
            assert len(started[0].answer) > module.MOST_BYTES / 2
            return [tasks.known(task.id) for task in started] == [None, None, started[-1]]

    assert asyncio.run(ask())
