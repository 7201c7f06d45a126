"""Samples as one who follows a hand needs them, and what a follower of an action is.

Problem: samples come in batches of any length, and a step ends somewhere within one. Plan: a follower takes
what was heard and says at which sample its action was over; the rest belongs to the next, so that the
result does not hang on the batches. Cost: three arrays for each batch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from rig.samples import FloatArray

SPEED_OVER_S = 0.25
"""The speed shown is that of so long a moment: shorter it flickers, longer it comes too late."""

SPEED_LEAST_SAMPLES = 3


@dataclass(frozen=True, slots=True, eq=False)
class HandSamples:
    """Some samples, arrays of shape (n,): force from its zero; position less the deflection of the frame."""

    time_s: FloatArray
    position_mm: FloatArray
    force_n: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)

    def __getitem__(self, part: slice) -> HandSamples:
        return HandSamples(self.time_s[part], self.position_mm[part], self.force_n[part])

    def and_then(self, more: HandSamples) -> HandSamples:
        """Return both, in order."""
        return HandSamples(
            np.concatenate([self.time_s, more.time_s]),
            np.concatenate([self.position_mm, more.position_mm]),
            np.concatenate([self.force_n, more.force_n]),
        )

    def less(self, force_n: float) -> HandSamples:
        """Return the same with another force zero."""
        return HandSamples(self.time_s, self.position_mm, self.force_n - force_n)

    @property
    def last(self) -> tuple[float, float, float]:
        """Time, position and force of the last sample."""
        return float(self.time_s[-1]), float(self.position_mm[-1]), float(self.force_n[-1])

    @classmethod
    def nothing(cls) -> HandSamples:
        """No samples."""
        return cls(np.empty(0), np.empty(0), np.empty(0))


class Follower(Protocol):
    """Follows one action."""

    @property
    def share(self) -> float:
        """How much of it is done, 0 to 1."""

    @property
    def hint(self) -> str:
        """What to do right now."""

    @property
    def time_left_s(self) -> float | None:
        """Of a wait; None for anything else."""

    def take(self, heard: HandSamples) -> int | None:
        """Take what was heard, at least one sample; the index at which the action was over, once it is."""

    def did(self) -> dict[str, Any]:
        """Return what the person really did, for an event of the capture."""


class SpeedMeter:
    """How fast the platen approaches now: the way of the last moment over its time."""

    def __init__(self) -> None:
        self._last = HandSamples.nothing()

    @property
    def speed_mm_per_s(self) -> float:
        """Positive towards the specimen; 0 while too little was heard."""
        last = self._last
        if len(last) < SPEED_LEAST_SAMPLES or not last.time_s[-1] > last.time_s[0]:
            return 0.0
        return float((last.position_mm[-1] - last.position_mm[0]) / (last.time_s[-1] - last.time_s[0]))

    def take(self, heard: HandSamples) -> None:
        """Take what was heard, at least one sample."""
        joined = self._last.and_then(heard)
        oldest = int(np.searchsorted(joined.time_s, joined.time_s[-1] - SPEED_OVER_S))
        self._last = joined[max(min(oldest, len(joined) - SPEED_LEAST_SAMPLES), 0) :]


def upto(index: int | None) -> int | None:
    """End of a slice that includes an index; all of it where there is none."""
    return None if index is None else index + 1


def first(condition: np.ndarray[Any, np.dtype[np.bool_]]) -> int | None:
    """Return the index at which a condition first holds; None where it never does."""
    return int(np.argmax(condition)) if condition.any() else None
