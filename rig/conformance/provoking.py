"""What has to be done to a rig so that it trips, and who does it.

Problem: no command opens an emergency stop; a person has to, or the bench around a simulated device. Plan:
a provocation is a value with the bench's orders and the person's words for doing and undoing it; a provoker
does it. A bench takes lines of text on a socket and answers each with a line of JSON. Cost: one socket.
"""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from rig.conformance.exceptions import NotApplicableError
from rig.core import load_json
from rig.errors import DeviceError, InputError

ANSWER_S = 20.0
LONGEST_ANSWER = 65_536


@dataclass(frozen=True, slots=True)
class Provocation:
    """Something to do to a rig, and to undo.

    Parameters
    ----------
    name
        In a word or two.
    order, undo_order
        Lines for a bench; an empty one needs nothing.
    words, undo_words
        For a person, as a request; empty if only a bench can do it.
    """

    name: str
    order: str
    undo_order: str
    words: str
    undo_words: str


EMERGENCY_STOP = Provocation(
    "emergency stop",
    "stop open",
    "stop close",
    "Press the emergency stop.",
    "Release the emergency stop.",
)
TRAVEL_SWITCH = Provocation(
    "travel switch",
    "upper press",
    "upper free",
    "Pull the plug of the travel switch at the pressing end, at the board (bridge a contact that "
    "closes when pressed). No hand inside the guard.",
    "Put it back.",
)
HOME_SWITCH = Provocation(
    "home switch",
    "home press",
    "home free",
    "Pull the plug of the home switch, at the board (bridge a contact that closes when pressed). "
    "No hand inside the guard.",
    "Put it back.",
)
PUSH = Provocation(
    "force that presses",
    "push 3",
    "push 0",
    "Press on the load cell with a long stick through an opening of the guard, as a specimen would, with "
    "about 3 N (300 g), and hold it. No hand inside the guard: without an opening, skip this.",
    "Let go of the load cell.",
)
PULL = Provocation(
    "force that pulls",
    "push -3",
    "push 0",
    "Pull at the load cell with a long hook through an opening of the guard, away from a specimen, with "
    "about 3 N (300 g), and hold it. No hand inside the guard: without an opening, skip this.",
    "Let go of the load cell.",
)
SLIGHT_PUSH = Provocation("slight force that presses", "push 0.2", "push 0", "", "")
GROWING = Provocation("force that grows", "push 8", "push 0", "", "")
SHOVE = Provocation("platen pushed away at rest", "shove 0.5", "", "", "")
SHOVE_BACK = Provocation("platen pushed back at rest", "shove -0.5", "", "", "")
STALL = Provocation(
    "stall",
    "motor stall",
    "motor free",
    "Pull the plug of the step line, at the board: the motor stands still, and the firmware goes on with its "
    "steps. Not the plug of the motor: that kills the driver.",
    "Put it back.",
)
SILENT_CONVERTER = Provocation(
    "silent force converter",
    "amplifier silent",
    "amplifier run",
    "Pull the plug of the force converter's data line, at the board.",
    "Put it back.",
)
SATURATED_CONVERTER = Provocation(
    "saturated force converter",
    "amplifier saturated",
    "amplifier run",
    "Pull the plug of one signal line of the load cell, at the amplifier, so that the converter reads the "
    "end of its range. No hand inside the guard: if the amplifier is in there, skip this.",
    "Put it back.",
)
FROZEN_CONVERTER = Provocation("frozen force converter", "amplifier frozen", "amplifier run", "", "")
POSITION_SENSOR = Provocation(
    "position sensor at fault",
    "scale torn",
    "scale run",
    "Pull the plug of the position sensor, at the board.",
    "Put it back.",
)
RESET = Provocation(
    "reset",
    "reset external",
    "",
    "Press the reset button of the board.",
    "",
)


class Provoker(Protocol):
    """Whoever provokes trips.

    Attributes
    ----------
    slow
        Takes a person's time, so that a motion has to go on for long.
    """

    slow: bool

    def willing(self, what: Provocation) -> str:
        """Empty if it can be done now, else why not. The platen stands still, the device is disarmed."""

    def provoke(self, what: Provocation) -> None:
        """Do it, or ask for it; it must not wait."""

    def undo(self, what: Provocation) -> None:
        """Undo it; the platen stands still. It may wait."""


class Nobody:
    """There is neither a bench nor a person."""

    slow = False

    def __init__(self, why: str = "no person is there to provoke it") -> None:
        self._why = why

    def willing(self, what: Provocation) -> str:
        """Return why not."""
        del what
        return self._why

    def provoke(self, what: Provocation) -> None:
        """Nothing."""

    def undo(self, what: Provocation) -> None:
        """Nothing."""


class BenchOrders:
    """The control socket of a bench.

    Parameters
    ----------
    path
        Of the socket.

    Raises
    ------
    InputError
        If nothing listens there.
    """

    slow = False

    def __init__(self, path: Path) -> None:
        self._path = path
        self._rest = b""
        if not hasattr(socket, "AF_UNIX"):
            raise InputError(f"bench {path}: this system has no such sockets; use Linux, macOS or WSL")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(ANSWER_S)
        try:
            self._socket.connect(str(path))
        except OSError as problem:
            self._socket.close()
            raise InputError(
                f"bench {path}: nothing answers there ({problem.strerror or problem}); expected the control "
                "socket of a bench or of `pressrig simulate --control`"
            ) from None

    def close(self) -> None:
        """Leave the bench alone; may be called again."""
        self._socket.close()

    def order(self, line: str) -> dict[str, Any]:
        """Give an order; the bench's answer.

        Raises
        ------
        DeviceError
            If the bench is gone or answers no JSON.
        """
        try:
            self._socket.sendall(line.encode() + b"\n")
            while b"\n" not in self._rest and len(self._rest) < LONGEST_ANSWER:
                more = self._socket.recv(4096)
                if not more:
                    raise DeviceError(f"bench {self._path}: it has ended")
                self._rest += more
            answer, _, self._rest = self._rest.partition(b"\n")
            return load_json(answer, "answer")
        except (OSError, InputError) as problem:
            raise DeviceError(f"bench {self._path}: no answer to {line!r} ({problem})") from None

    def willing(self, what: Provocation) -> str:
        """Empty: a bench does what it is ordered, and says so if it cannot."""
        del what
        return ""

    def provoke(self, what: Provocation) -> None:
        """Give the order.

        Raises
        ------
        NotApplicableError
            If the bench does not know it.
        """
        refused = self._refusal(what.order)
        if refused:
            raise NotApplicableError(refused)

    def undo(self, what: Provocation) -> None:
        """Give the order that undoes it."""
        refused = self._refusal(what.undo_order) if what.undo_order else ""
        if refused:
            raise DeviceError(refused)

    def _refusal(self, line: str) -> str:
        """Give an order; empty if it was carried out, else what the bench says."""
        said = self.order(line)
        return f"bench {self._path}: it refused {line!r} ({said['refused']})" if "refused" in said else ""
