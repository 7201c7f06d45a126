"""Orders to the virtual rig's hardware, typed into the terminal that it was started from.

Problem: trying out a height or an emergency stop needs a hand at the rig, and a virtual rig has none. Plan:
between two looks whether it is to stop, the terminal is asked for typed lines. A rig that was started in the
background never reads, which would stop it, and nothing is read that is no terminal: it may be meant for the
program that comes next. Cost: none.
"""

from __future__ import annotations

import os
import select
import sys
import time
from typing import TYPE_CHECKING

from rig.cli.output import say
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.virtual import VirtualRig

LONGEST_LINE = 200


class TypedOrders:
    """Reads orders and passes them on."""

    def __init__(self, rig: VirtualRig) -> None:
        self._rig = rig
        self._begun = b""
        self._terminal = sys.stdin.fileno() if sys.stdin is not None and sys.stdin.isatty() else None

    def obey_within(self, duration_s: float) -> None:
        """Wait so long at the most, and do what was typed meanwhile."""
        if self._terminal is None or not _in_foreground(self._terminal):
            time.sleep(duration_s)
            return
        ready, _, _ = select.select([self._terminal], [], [], duration_s)
        if not ready:
            return
        try:
            read = os.read(self._terminal, LONGEST_LINE)
        except OSError:
            read = b""
        if not read:  # the terminal is closed
            self._terminal = None
            return
        *lines, self._begun = (self._begun + read).split(b"\n")
        self._begun = self._begun[-LONGEST_LINE:]
        for line in lines:
            self._obey(" ".join(line.decode(errors="replace").split()))

    def _obey(self, words: str) -> None:
        if not words:
            return
        try:
            self._rig.order(words)
        except InputError as problem:
            say(f"pressrig: {problem}", err=True)
        else:
            say(f"done: {words}", err=True)


def _in_foreground(terminal: int) -> bool:
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:
        return False
