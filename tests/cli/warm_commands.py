"""Runs a command in a process of its own without paying for its imports again.

Problem: a command imports numpy, scipy, pandas and pint before it does anything, which is two seconds of
processor time, and the tests start a hundred of them. Plan: one process imports the libraries once and forks
for each command. A fork has its own folder, environment, output, signals and end, and enters where the
installed program does. Cost: what is missing only in a process that starts from nothing does not show. So
each command is also started from nothing by some test (`afresh`), and those that move a platen always are: a
first import while it is armed would miss heartbeats.
"""

from __future__ import annotations

import multiprocessing
import os
import pkgutil
import subprocess
import sys
import tempfile
from contextlib import suppress
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path

import rig

LOADED = [
    "__main__",
    # by name, one and all: a package's public face imports nothing until it is used
    *(each.name for each in pkgutil.walk_packages(rig.__path__, "rig.") if "__main__" not in each.name),
    "matplotlib.backends.backend_agg",
    "pandas",
    "pint",
    "rich.table",
    "scipy.special",
    __name__,
]
"""Modules that are there when a command begins; the first keeps each fork from importing pytest again."""


def _entered(
    arguments: list[str], environment: dict[str, str], folder: str, outputs: tuple[str, str]
) -> None:
    """In the fork: become the command."""
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    for number, path in enumerate(outputs, start=1):
        written = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        os.dup2(written, number)
        os.close(written)
    sys.argv = ["pressrig", *arguments]
    from rig.cli.main import main

    main()


def _forks() -> ForkServerContext:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(LOADED)
    return context


class WarmCommand:
    """A command under way, with as much of `subprocess.Popen` as a test of a running command needs."""

    def __init__(self, arguments: list[str], environment: dict[str, str], folder: Path) -> None:
        self._said = tempfile.TemporaryDirectory(prefix="warm")
        self._outputs = (str(Path(self._said.name, "out")), str(Path(self._said.name, "err")))
        self._process: ForkServerProcess = _forks().Process(
            target=_entered, args=(arguments, environment, str(folder), self._outputs)
        )
        self._process.start()

    def poll(self) -> int | None:
        return self._process.exitcode

    @property
    def returncode(self) -> int | None:
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        assert self._process.pid is not None
        with suppress(ProcessLookupError):
            os.kill(self._process.pid, number)

    def communicate(self, timeout: float) -> tuple[str, str]:
        """Wait for the end; what was printed, and what was said on standard error."""
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("pressrig", timeout)
        texts = [Path(path).read_text() if Path(path).exists() else "" for path in self._outputs]
        return texts[0], texts[1]

    def close(self) -> None:
        """Afterwards nothing of it is left, whether it had ended or not."""
        self._process.kill()
        self._process.join()
        self._process.close()
        self._said.cleanup()
