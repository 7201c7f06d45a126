"""Keeps the page's process alive, and never lets it use the rig's port.

Problem: a page can hang, leak or be killed, and its death must cost no capture. Plan: it runs in a
process of its own, which ends by itself when the pipe to its standard input is closed, however this one
ended; when it dies it is started again, after pauses that grow while it keeps dying. Cost: one thread that
looks a few times a second.
"""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Sequence

from rig.core import ENVIRONMENT, chosen_units, logger

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0

LIVED_WELL_S = 60.0
"""A page that lived for so long is started again at once."""

LOOK_S = 0.1
PARTING_S = 3.0
"""A page gets so long to end by itself, and once more after it was asked to."""

_NOT_FOR_THE_PAGE = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
"""Only this process tells the supervisor how it is."""


class PageKeeper:
    """Runs a command again and again. A context manager that ends it.

    `command`: of the page's process; it has to end when its standard input does.
    """

    def __init__(self, command: Sequence[str], *, first_pause_s: float = FIRST_PAUSE_S) -> None:
        self._command, self._first_pause_s = list(command), first_pause_s
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rig-page")

    def __enter__(self) -> PageKeeper:
        self._thread.start()
        return self

    def __exit__(self, *ending: object) -> None:
        self._closing.set()
        self._thread.join()

    def _run(self) -> None:
        pause_s = self._first_pause_s
        while not self._closing.is_set():
            began_s = time.monotonic()
            self._run_once()
            if time.monotonic() - began_s > LIVED_WELL_S:
                pause_s = self._first_pause_s
            self._closing.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _run_once(self) -> None:
        """From its start to its end, by itself or because this one closes."""
        environment = {name: value for name, value in os.environ.items() if name not in _NOT_FOR_THE_PAGE}
        environment[ENVIRONMENT] = chosen_units() or ""
        try:
            # A session of its own: a Ctrl-C in the terminal is for this process, which ends the page.
            process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                env=environment,
                start_new_session=True,
            )
        except OSError as problem:
            logger.error("the page cannot be started: {}", problem)
            return
        logger.debug("the page runs as process {}", process.pid)
        while process.poll() is None and not self._closing.wait(LOOK_S):
            pass
        if process.poll() is not None:
            code = process.returncode
            ended = f"signal {-code}" if code < 0 else f"exit code {code}"
            logger.warning("the page ended ({}) and is being restarted", ended)
        _part_with(process)


def _part_with(process: subprocess.Popen[bytes]) -> None:
    """End a process, the gentle way first."""
    assert process.stdin is not None
    process.stdin.close()
    for sterner in (process.terminate, process.kill):
        try:
            process.wait(PARTING_S)
        except subprocess.TimeoutExpired:
            sterner()
    process.wait()
