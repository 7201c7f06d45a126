"""How a person keeps still: holds under load, rests without load, and leaves everything untouched.

Problem: a hand drifts while it holds, and a force zero measured while somebody leans on the bench is none.
Plan: waits end by device time and note what went wrong meanwhile; the force zero is the mean of a second
in which force and position stood still. Cost: one second of samples is kept.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Self

import numpy as np

from rig.core import logger
from rig.jobs.hand_samples import HandSamples, first, upto

HOLD_MM = 0.2
HOLD_SHARE = 0.02
"""A hold stays within so much of where it began, whichever is more."""

ZERO_S = 1.0
ZERO_LEAST_SAMPLES = 8
STILL_SHARE = 0.25
STILL_MM = 0.2
"""A force zero is the mean over so long, of this many samples at the least, with the platen within so
much."""


class HoldWait:
    """Follows a wait under load; times are the device's."""

    def __init__(self, duration_s: float, since_s: float, contact_mm: float) -> None:
        self._duration_s, self._since_s, self._contact_mm = duration_s, since_s, contact_mm
        self._now_s = self._last_s = since_s
        self._at_mm: float | None = None
        self._band_mm = HOLD_MM
        self._away_mm = self._drift_mm = self._outside_s = 0.0

    @property
    def share(self) -> float:
        """How much of the time is over."""
        return min((self._now_s - self._since_s) / self._duration_s, 1.0) if self._duration_s else 1.0

    @property
    def time_left_s(self) -> float | None:
        """Until it is over."""
        return max(self._since_s + self._duration_s - self._now_s, 0.0)

    @property
    def hint(self) -> str:
        """What to do right now."""
        if abs(self._away_mm) <= self._band_mm:
            return "good: hold still"
        where = "too deep" if self._away_mm > 0 else "too far back"
        return f"{abs(self._away_mm):.1f} mm {where}: go back"

    def take(self, heard: HandSamples) -> int | None:
        """Take what was heard; the index at which the time was over, once it is."""
        if self._at_mm is None:
            self._at_mm = float(heard.position_mm[0]) - self._contact_mm
            self._band_mm = max(HOLD_MM, HOLD_SHARE * abs(self._at_mm))
        over = first(heard.time_s >= self._since_s + self._duration_s)
        part = heard[: upto(over)]
        away_mm = part.position_mm - self._contact_mm - self._at_mm
        steps_s = np.diff(part.time_s, prepend=self._last_s)
        self._outside_s += float(steps_s[np.abs(away_mm) > self._band_mm].sum())
        self._drift_mm = max(self._drift_mm, float(np.abs(away_mm).max()))
        self._away_mm = float(away_mm[-1])
        self._now_s = self._last_s = float(part.time_s[-1])
        return over

    def did(self) -> dict[str, Any]:
        """Return how long, and how still."""
        return {
            "asked_s": self._duration_s,
            "held_s": self._now_s - self._since_s,
            "held_at_mm": self._at_mm,
            "drift_mm": self._drift_mm,
            "outside_s": self._outside_s,
        }


class RestWait:
    """Follows a wait without load, and measures the force zero anew at its end.

    `until_s`: device time of its end.
    `check_n`: a force above which the platen still presses.
    """

    def __init__(self, until_s: float, since_s: float, check_n: float) -> None:
        self._until_s, self._since_s, self._check_n = until_s, since_s, check_n
        self._now_s = self._last_s = since_s
        self._pressed_s = 0.0
        self._pressed = False
        self._late_s = max(since_s - until_s, 0.0)
        self.quiet = Quiet(check_n)

    @property
    def share(self) -> float:
        """How much of the time is over."""
        asked_s = self._until_s - self._since_s
        return min((self._now_s - self._since_s) / asked_s, 1.0) if asked_s > 0 else 1.0

    @property
    def time_left_s(self) -> float | None:
        """Until it is over."""
        return max(self._until_s - self._now_s, 0.0)

    @property
    def hint(self) -> str:
        """What to do right now."""
        return "still pressed: release it" if self._pressed else "wait"

    def take(self, heard: HandSamples) -> int | None:
        """Take what was heard; the index at which the time was over, once it is."""
        over = first(heard.time_s >= self._until_s)
        part = heard[: upto(over)]
        pressed = part.force_n > self._check_n
        self._pressed_s += float(np.diff(part.time_s, prepend=self._last_s)[pressed].sum())
        self._pressed = bool(pressed[-1])
        self._now_s = self._last_s = float(part.time_s[-1])
        self.quiet.take(part)
        return over

    def did(self) -> dict[str, Any]:
        """Return how long, and whether it was pressed meanwhile."""
        return {
            "asked_s": max(self._until_s - self._since_s, 0.0),
            "waited_s": self._now_s - self._since_s,
            "late_s": self._late_s,
            "pressed_s": self._pressed_s,
        }


class PersonAsked:
    """Asks a person in a thread of its own, so that the recording goes on meanwhile.

    `ask`: returns when the person is done.
    """

    share = 0.0

    def __init__(self, ask: Callable[[str], None], instruction: str) -> None:
        self._ask, self._instruction = ask, instruction
        self.done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rig-prompt")
        self._least_s = self._now_s = 0.0

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *ending: object) -> None:
        self._thread.join()

    @property
    def hint(self) -> str:
        """What to do right now."""
        return "wait a little longer" if self.done.is_set() else "confirm when done"

    @property
    def time_left_s(self) -> float | None:
        """Until it may be over."""
        left_s = self._least_s - self._now_s
        return left_s if left_s > 0 else None

    def until(self, least_s: float) -> Self:
        """Be over at a device time at the earliest."""
        self._least_s = least_s
        return self

    def take(self, heard: HandSamples) -> int | None:
        """Take what was heard; its last index once the person is done and it has taken long enough."""
        self._now_s = float(heard.time_s[-1])
        return len(heard) - 1 if self.done.is_set() and self._now_s >= self._least_s else None

    def did(self) -> dict[str, Any]:
        """Nothing that samples could tell."""
        return {}

    def _run(self) -> None:
        try:
            self._ask(self._instruction)
        finally:
            self.done.set()


def note_step_off_rig(
    instruction: str, taken_s: float, most_s: float | None, event: Callable[..., None]
) -> None:
    """Record how long a step off the rig took, and warn if that was longer than asked for."""
    event("step off the rig", instruction=instruction, taken_s=taken_s)
    if most_s is not None and taken_s > most_s:
        logger.warning("{}: took {:.0f} s, at most {:.0f} s were asked for", instruction, taken_s, most_s)


class Quiet:
    """The last second of force and position, and whether both stood still.

    `spread_n`: a force that wavers by so much, or drifts by `STILL_SHARE` of it, does not stand still.
    """

    time_left_s: float | None = None
    hint = "leave it untouched"

    def __init__(self, spread_n: float) -> None:
        self._spread_n = spread_n
        self._last = HandSamples.nothing()

    @property
    def share(self) -> float:
        """How much of the time needed is there."""
        return min(self._span_s / ZERO_S, 1.0)

    @property
    def force_n(self) -> float:
        """Mean force."""
        return float(self._last.force_n.mean())

    @property
    def noise_n(self) -> float:
        """Standard deviation of the force."""
        return float(self._last.force_n.std())

    @property
    def still(self) -> bool:
        """Whether it is long enough, and both stood still."""
        last = self._last
        if self._span_s < ZERO_S or len(last) < ZERO_LEAST_SAMPLES:
            return False
        earlier_n, later_n = np.array_split(last.force_n, 2)
        # noise alone is no motion, however large: whoever asks for the zero judges it
        drift_n = abs(float(later_n.mean() - earlier_n.mean()))
        calm = drift_n <= STILL_SHARE * self._spread_n and self.noise_n <= self._spread_n
        return calm and float(np.ptp(last.position_mm)) <= STILL_MM

    def take(self, heard: HandSamples) -> int | None:
        """Take what was heard; its last index once all stood still."""
        joined = self._last.and_then(heard)
        # at a slow rate the fewest samples needed last longer
        oldest = int(np.searchsorted(joined.time_s, joined.time_s[-1] - ZERO_S, side="right")) - 1
        self._last = joined[max(min(oldest, len(joined) - ZERO_LEAST_SAMPLES), 0) :]
        return len(heard) - 1 if self.still else None

    def did(self) -> dict[str, Any]:
        """Return what was measured."""
        return {"noise_n": self.noise_n}

    @property
    def _span_s(self) -> float:
        return float(self._last.time_s[-1] - self._last.time_s[0]) if len(self._last) else 0.0
