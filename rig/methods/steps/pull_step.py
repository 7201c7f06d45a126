"""`pull`: pull away from where the specimen is held."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.methods.actions import Action, MoveToDeflection
from rig.methods.bounds import MethodBounds
from rig.methods.describing import speed_words
from rig.methods.fields import refuse
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, speed_of, step_kind

LETS_GO_S = 0.01
"""A part that is pulled off lets the force back to zero in so short a time, and that is no crash."""


@dataclass(frozen=True, slots=True)
class PullOff(Step):
    """Pull away from where the specimen is held, to a gap at which it is off for certain.

    `largest_n` is the greatest pull to be expected, above zero; the rig's least force must lie beyond it.
    """

    gap_mm: float
    largest_n: float
    speed_mm_per_s: float

    def follow(self, before: PlatenState) -> PlatenState:
        """Clear afterwards; something must be attached."""
        before.must_know_contact(self.place)
        if before.at == "clear":
            refuse(self.place, "nothing is attached here; press the specimen on first")
        return replace(before, at="clear")

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """The rig must be able to pull, and must not take a part that lets go for a crash."""
        bounds.must_move_at(self.place, self.speed_mm_per_s)
        least_n = bounds.rig.force_n[0]
        if not self.largest_n < -least_n:
            refuse(
                self.place,
                f"a pull of up to {self.largest_n:g} N, but the rig's least force is {least_n:g} N; pulls "
                "are below zero: use a rig that may pull (drive: force), or a smaller limit",
            )
        rise_n_per_s, most_n_per_s = self.largest_n / LETS_GO_S, bounds.rig.largest_rise_n_per_s
        if rise_n_per_s > most_n_per_s:
            refuse(
                self.place,
                f"a part that comes off at {self.largest_n:g} N rises by up to {rise_n_per_s:.0f} N/s, the "
                f"rig halts at {most_n_per_s:.0f} N/s; allow a larger drive: force_rise, or a smaller pull",
            )
        bounds.must_fit_travel(self.place, self.gap_mm, 0.0)
        return progress.moved(bounds, -self.gap_mm, self.speed_mm_per_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how fast, how far, and how hard at most."""
        least_n = bounds.rig.force_n[0]
        stops = "" if math.isinf(least_n) else f"; the rig stops at a pull of {-least_n:g} N"
        return (
            f"Pull at {speed_words(self.speed_mm_per_s)} to a gap of {self.gap_mm:g} mm, "
            f"with at most {self.largest_n:.4g} N{stops}."
        )

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the way to the gap."""
        yield MoveToDeflection(-self.gap_mm, self.speed_mm_per_s)


@step_kind("pull")
def _read(step: WrittenStep) -> PullOff:
    fields = step.fields("to", "largest", "speed")
    gap_mm = fields.quantity("to", "mm", "'5 mm'")
    return PullOff(step.place, gap_mm, fields.quantity("largest", "N", "'40 N'"), speed_of(fields))
