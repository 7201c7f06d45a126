"""A person beside the rig who provokes trips: asked before, told when, waited for afterwards."""

from __future__ import annotations

import os
import select
import sys
import threading
from typing import TYPE_CHECKING

from rig.cli.output import say

if TYPE_CHECKING:
    from rig.conformance import Provocation

LOOK_S = 0.2


class PersonAtTheRig:
    """Asks at the terminal. Each trip can be skipped; nothing is waited for while something moves.

    `stopped`: set as soon as somebody wants to stop.
    """

    slow = True

    def __init__(self, stopped: threading.Event) -> None:
        self._stopped = stopped

    def willing(self, what: Provocation) -> str:
        """Say what will be asked for, and wait for Enter or s."""
        say(f"\nNext: {what.name}. Wait for the signal, then:\n  {what.words}", err=True)
        say("Enter: continue. s and Enter: skip.", err=True)
        line = self._line()
        if line is None or line.strip():
            return "skipped by the operator"
        return ""

    def provoke(self, what: Provocation) -> None:
        """Say that it is to be done now."""
        say(f"NOW: {what.words}", err=True)

    def undo(self, what: Provocation) -> None:
        """Ask for it to be undone, and wait for Enter."""
        if what.undo_words:
            say(f"The platen has stopped. {what.undo_words} Press Enter when done.", err=True)
            self._line()

    def _line(self) -> str | None:
        """Return a line of standard input; None at its end, or on the wish to stop."""
        if os.name != "posix":
            return sys.stdin.readline() or None
        while not self._stopped.is_set():
            if select.select([sys.stdin], [], [], LOOK_S)[0]:
                return sys.stdin.readline() or None
        return None
