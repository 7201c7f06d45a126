"""One motion, from its acceptance to the one thing that ends it.

Problem: exactly one event ends a motion, but its frame can be damaged, the cable pulled, the device
reset, and whoever waits must learn of an end all the same, once. Plan: the thread that reads hands each
event to the motion under way, past every queue that may overflow; a reset or a lost link ends it with
that as its kind; and an end that stays away too long is asked for in the device's state.
Cost: one comparison for each event.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from rig.errors import DeviceError
from rig.wire import LATCHED_STOPS, MOTION_ENDS, Event, EventCode, State, StateFlag

EndKind = Literal[
    "finished",  # target or force reached; value: position
    "position limit",  # the limit came before the force; value: force
    "halted",  # on command; value: position
    "trip",  # the device stopped by itself and latched; `code` says why
    "reset",  # the device was reset: disarmed, not homed, its limits forgotten
    "link lost",  # what became of the motion is not known; without heartbeats the device stops by itself
    "unknown",  # it stands still without a stop, and its ending event was lost
]

_KINDS: dict[int, EndKind] = {
    EventCode.FINISHED: "finished",
    EventCode.POSITION_LIMIT: "position limit",
    EventCode.HALTED: "halted",
    **dict.fromkeys(LATCHED_STOPS, "trip"),
}

_WORDS: dict[EndKind, str] = {
    "finished": "finished",
    "position limit": "stopped at the position limit before the force was reached",
    "halted": "was halted on command",
    "trip": "was stopped by the device",
    "reset": "was ended by a reset of the device; set the limits, arm and home again",
    "link lost": "could not be followed to its end: the link was lost",
    "unknown": "has ended, but the event that says how and where was lost",
}

_UNBELIEVED: dict[int | None, str] = {
    1: "force saturated",
    2: "the force is frozen: one value again and again",
    3: "the force stays while the platen presses on",
    4: "specimen or force lost",
}
"""What the value of event 10 says (protocol); anything else: the converter is silent."""


@dataclass(frozen=True, slots=True)
class MotionEnd:
    """How a motion ended.

    `kind`: the comments of `EndKind` say what each means.
    `code`: the event's code; or the latched stop's, where the event was lost; None if neither is known.
    `value`: the event's value in counts; None if it was lost.
    `device_time_us`: the event's time as sent, modulo 2^32; None if it was lost.
    """

    kind: EndKind
    code: EventCode | int | None = None
    value: int | None = None
    device_time_us: int | None = None

    def in_words(self) -> str:
        """Return it in words for a person."""
        words = _WORDS[self.kind]
        if self.kind != "trip":
            return words
        cause = self.code.name.lower().replace("_", " ") if isinstance(self.code, EventCode) else self.code
        if self.code == EventCode.FORCE_SILENT:
            cause = _UNBELIEVED.get(self.value, cause)
        lost = "; the event itself was lost" if self.device_time_us is None else ""
        return f"{words} ({cause}{lost})"


class MotionRequest:
    """A motion that the device accepted.

    `changed`: guards it, and is notified of its end.
    """

    def __init__(self, request: int, changed: threading.Condition, ask_state: Callable[[], State]) -> None:
        self.request = request
        self._changed = changed
        self._ask_state = ask_state
        self._end: MotionEnd | None = None
        self._cycles_done = 0

    @property
    def end(self) -> MotionEnd | None:
        """How it ended; None while it goes on."""
        return self._end

    @property
    def cycles_done(self) -> int:
        """Cycles that the device has finished in this motion, as far as was heard."""
        return self._cycles_done

    def wait(self, timeout_s: float) -> MotionEnd | None:
        """Wait for its end; None if it has not ended in time. Somebody else must see to the heartbeats."""
        with self._changed:
            self._changed.wait_for(lambda: self._end is not None, timeout_s)
            return self._end

    def settle(self) -> MotionEnd | None:
        """Ask the device whether it is over: for when its ending event is overdue and may be lost.

        Returns
        -------
        MotionEnd or None
            Its end; None if it is still under way.

        Raises
        ------
        DeviceError
            If the device does not answer.
        """
        if self._end is None:
            try:
                state = self._ask_state()
            except DeviceError:
                # A reset or a lost link ends the question as well as the motion.
                if self._end is None:
                    raise
                return self._end
            if state.last_request == self.request:
                self._cycles_done = max(self._cycles_done, state.cycles_done)
                if StateFlag.MOVING in state.flags:
                    return self._end
            # An event that came through was sent, and so heard, before this state: it was the first end then,
            # and only the first counts.
            latched = state.stop_cause
            self.finish(MotionEnd("trip", latched) if latched else MotionEnd("unknown"))
        return self._end

    def hear(self, event: Event) -> None:
        """Take in an event of the device; called by the session."""
        if event.request != self.request:
            return
        with self._changed:
            if event.code == EventCode.CYCLE_FINISHED:
                self._cycles_done = max(self._cycles_done, event.value)
            elif event.code in MOTION_ENDS:
                self.finish(MotionEnd(_KINDS[event.code], event.code, event.value, event.time_us))

    def finish(self, end: MotionEnd) -> None:
        """It ended; only the first end counts. Called by the session."""
        with self._changed:
            if self._end is None:
                self._end = end
                self._changed.notify_all()
