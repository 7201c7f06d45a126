"""What a person at a hand lever is shown: what to do, how far, how fast, and how it goes.

Problem: eyes on a specimen take in one line at a glance, and a terminal, a page and a test want the same
facts. Plan: one frozen value for each moment, made of numbers and short sentences; whether a speed is right
is judged in one place, against a stated band. Cost: one small object for each batch of samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Pace = Literal["standing", "too slow", "right", "too fast"]

PACE_BAND = 0.25
"""A speed is right within so much of the one asked for, as a share: a practised hand keeps to that, and a
foam's force at a quarter more speed differs by less than from piece to piece."""

STANDING_SHARE = 0.1
"""Slower than this share of the speed asked for, the platen stands."""

ZERO_INSTRUCTION = "Leave everything untouched: the force zero is being measured."


@dataclass(frozen=True, slots=True)
class Guidance:
    """One moment of a method that is done by hand.

    `place`, `passes`, `action`: step of the method, pass of each repeat around it, and the kind of action.
    `target_mm`, `target_n`: deflection or force to reach; a gap is below zero.
    `deflection_mm`: where the platen is from the contact; None before a contact was found.
    `force_n`: from the measured zero.
    `speed_mm_per_s`, `asked_mm_per_s`: towards the target, and as the method asks; None where nothing is to
    be moved.
    `share`: of this step that is done, 0 to 1.
    `before`: how the stroke before was, in words; empty before the first.
    """

    place: str
    passes: tuple[int, ...]
    action: str
    instruction: str
    hint: str
    force_n: float
    deflection_mm: float | None = None
    target_mm: float | None = None
    target_n: float | None = None
    speed_mm_per_s: float = 0.0
    asked_mm_per_s: float | None = None
    pace: Pace | None = None
    share: float = 0.0
    time_left_s: float | None = None
    presses_done: int = 0
    presses: int = 0
    before: str = ""
    warning: str | None = None

    @property
    def band_mm_per_s(self) -> tuple[float, float] | None:
        """Least and greatest speed that is right; None where nothing is to be moved."""
        if self.asked_mm_per_s is None:
            return None
        return (1 - PACE_BAND) * self.asked_mm_per_s, (1 + PACE_BAND) * self.asked_mm_per_s


def pace_of(speed_mm_per_s: float, asked_mm_per_s: float) -> Pace:
    """Return how a speed towards the target compares with the one asked for; a way back counts as standing.

    Examples
    --------
    >>> [pace_of(speed, 2.0) for speed in (0.1, 1.4, 1.6, 2.4, 2.6)]
    ['standing', 'too slow', 'right', 'right', 'too fast']
    """
    if speed_mm_per_s < STANDING_SHARE * asked_mm_per_s:
        return "standing"
    if speed_mm_per_s < (1 - PACE_BAND) * asked_mm_per_s:
        return "too slow"
    return "right" if speed_mm_per_s <= (1 + PACE_BAND) * asked_mm_per_s else "too fast"
