"""Commands that the page starts, each in a separate process.

Problem: an answer may take a minute and much of a machine, and the page has to go on meanwhile, most of
all where it is the live page of a rig. Plan: the command line runs beside it, a few at a time; its words
are kept to a limit, and a person can stop it. Cost: half a second for a command to start.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import shlex
import shutil
import sys
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, TypeAdapter, ValidationError

from rig.core import visible
from rig.errors import InputError, RecorderError

MOST_AT_ONCE = 2
"""Commands that run at the same time; the others wait."""

MOST_WAITING = 16
"""Waiting commands; one more is refused."""

MOST_KEPT = 64
"""Tasks that are remembered; the oldest is forgotten first."""

LONGEST_WORDS = 64 * 1024
"""Bytes of a command's text output that are kept."""

LONGEST_JSON = 32 * 1024 * 1024
"""Bytes of a JSON answer: 10 000 cycles. A capture with more is for the command line."""

MOST_BYTES = 4 * LONGEST_JSON
"""Bytes of all answers that are remembered: a rig that records has little memory to spare."""

STOPPED_S = 5.0
"""Time for a stopped command to end before it is killed."""

NICENESS = 10
"""A recording on the same machine comes first."""

State = Literal["waiting", "running", "done", "stopped"]

_DOCUMENT = TypeAdapter(dict[str, Any])

_PROGRAM = (sys.executable, "-c", f"import os; os.nice({NICENESS}); from rig.cli import main; main()")


class CommandProgress(BaseModel):
    """The progress of a command. Exit code: 0 done, 1 a check did not pass, 2 wrong input."""

    id: str
    command: str
    state: State
    seconds: float
    exit_code: int | None = None
    words: str = ""
    pages: list[str] = []


@dataclass(slots=True)
class Task:
    """One command, from its start to its answer.

    `words`: the command as it is shown, without the program name.
    `folder`: where it writes; None for a command that only prints.
    """

    words: tuple[str, ...]
    folder: Path | None
    wants_json: bool = False
    id: str = field(default_factory=lambda: secrets.token_hex(8))
    state: State = "waiting"
    began_s: float = field(default_factory=time.monotonic)
    took_s: float | None = None
    exit_code: int | None = None
    said: bytearray = field(default_factory=bytearray)
    answer: bytearray = field(default_factory=bytearray)
    work: asyncio.Task[None] | None = None

    def progress(self) -> CommandProgress:
        """Return the progress and the output so far."""
        seconds = time.monotonic() - self.began_s if self.took_s is None else self.took_s
        said = self.said if self.wants_json else self.answer + self.said
        return CommandProgress(
            id=self.id,
            command=shlex.join(["pressrig", *self.words]),
            state=self.state,
            seconds=round(seconds, 1),
            exit_code=self.exit_code,
            words="\n".join(visible(line) for line in said.decode("utf-8", errors="replace").splitlines()),
            pages=self.pages(),
        )

    def pages(self) -> list[str]:
        """Return the names of the files that it has written, pages first."""
        if self.folder is None or not self.folder.is_dir():
            return []
        names = [path.name for path in self.folder.iterdir() if path.is_file()]
        return sorted(names, key=lambda name: (not name.endswith(".html"), name))

    def document(self) -> dict[str, Any]:
        """Return the output of a command that prints JSON.

        Raises InputError with the message of the command, if it printed none.
        """
        try:
            return _DOCUMENT.validate_json(self.answer)
        except ValidationError:
            said = self.progress().words.strip() or f"found exit code {self.exit_code} and no answer"
            raise InputError(said.removeprefix("pressrig: ")) from None


class Tasks:
    """Runs commands and keeps their answers.

    `folder`: for reports, one folder per command.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._kept: OrderedDict[str, Task] = OrderedDict()
        self._places = asyncio.Semaphore(MOST_AT_ONCE)

    def start(self, words: Sequence[str], *, writes: bool = False, wants_json: bool = False) -> Task:
        """Start a command, now or as soon as fewer are running.

        Parameters
        ----------
        words
            Without the program name.
        writes
            Whether it writes a page into its own folder.

        Raises
        ------
        InputError
            If too many are waiting already.
        """
        if sum(task.state == "waiting" for task in self._kept.values()) >= MOST_WAITING:
            raise InputError(
                f"found {MOST_WAITING} waiting commands, expected fewer: try again when one is done"
            )
        task = Task(tuple(words), None, wants_json)
        if writes:
            task.folder = self.folder / f"{time.strftime('%Y-%m-%d-%H%M%S')}-{words[0]}-{task.id[:4]}"
            option = f"--out={task.folder}"
        elif wants_json:
            option = "--json"
        else:
            option = ""
        if option:
            # Behind the command's words, before its own options and what follows a double dash.
            names = 1 + (len(words) > 1 and not words[1].startswith("-"))
            task.words = (*words[:names], option, *words[names:])
        self._kept[task.id] = task
        # The oldest that is over goes first; one that waits or runs stays, or it could not be stopped.
        held = sum(len(kept.answer) for kept in self._kept.values())
        for over in [kept for kept in self._kept.values() if kept.state in {"done", "stopped"}]:
            if len(self._kept) <= MOST_KEPT and held <= MOST_BYTES:
                break
            held -= len(self._kept.pop(over.id).answer)
        task.work = asyncio.create_task(self._run(task))
        return task

    def of(self, name: str) -> Task:
        """Return a task by its name.

        Raises InputError if there is none, or it is too old.
        """
        if name not in self._kept:
            raise InputError(f"task: found {visible(name)[:40]!r}, expected a recent one: ask again")
        return self._kept[name]

    def known(self, name: str) -> Task | None:
        """Return a task by its name; None if it was forgotten or stopped."""
        task = self._kept.get(name)
        return None if task is None or task.state == "stopped" else task

    def all(self) -> list[Task]:
        """Return all tasks, newest first."""
        return list(reversed(self._kept.values()))

    async def stop(self, task: Task) -> None:
        """Stop a command and wait for its end."""
        if task.work is not None and not task.work.done():
            task.work.cancel()
            await asyncio.wait([task.work])

    async def close(self) -> None:
        """Stop all commands."""
        for task in self._kept.values():
            await self.stop(task)

    async def _run(self, task: Task) -> None:
        try:
            async with self._places:
                task.state, task.began_s = "running", time.monotonic()
                await self._run_process(task)
            task.state = "done"
        except asyncio.CancelledError:
            task.state = "stopped"
            if task.folder is not None:
                shutil.rmtree(task.folder, ignore_errors=True)
        except OSError as problem:  # no process can be had; the page must not wait for one
            task.state, task.exit_code = "done", RecorderError.exit_code
            task.said += f"pressrig: the command cannot be started ({problem.strerror})".encode()
        finally:
            task.took_s = time.monotonic() - task.began_s

    async def _run_process(self, task: Task) -> None:
        process = await asyncio.create_subprocess_exec(
            *_PROGRAM,
            *task.words,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env=os.environ | {"COLUMNS": "80", "NO_COLOR": "1"},
            start_new_session=True,
        )
        assert process.stdout is not None and process.stderr is not None
        try:
            # Both at once: a command that fills the pipe which is not read would wait for ever.
            longest = LONGEST_JSON if task.wants_json else LONGEST_WORDS
            await asyncio.gather(
                _keep(process.stdout, task.answer, longest), _keep(process.stderr, task.said, LONGEST_WORDS)
            )
            task.exit_code = await process.wait()
        finally:
            if process.returncode is None:  # the task was cancelled: the command goes with it
                process.terminate()
                try:
                    async with asyncio.timeout(STOPPED_S):
                        await process.wait()
                except TimeoutError:
                    process.kill()
                    await process.wait()


async def _keep(stream: asyncio.StreamReader, kept: bytearray, longest: int) -> None:
    """Keep the start of a stream, and read all of it so that its writer never blocks."""
    while part := await stream.read(64 * 1024):
        kept += part[: longest - len(kept)]
