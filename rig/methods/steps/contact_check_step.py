"""`contact_check`: find where the specimen begins."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.methods.actions import Action, ContactCheckUntil
from rig.methods.bounds import MethodBounds
from rig.methods.describing import overshoot_words, speed_words
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, speed_of, step_kind


@dataclass(frozen=True, slots=True)
class ContactCheck(Step):
    """Approach until the force is reached; where that happens is the contact from which depths count."""

    force_n: float
    speed_mm_per_s: float

    def follow(self, before: PlatenState) -> PlatenState:
        """Contact afterwards, and known."""
        before.must_not_press(self.place)
        return PlatenState("contact", contact_known=True)

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """With its overshoot the force must lie within the rig's."""
        bounds.must_reach(self.place, self.force_n, self.speed_mm_per_s)
        return progress.moved(bounds, 0.0, self.speed_mm_per_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how fast, and how hard."""
        past = overshoot_words(bounds, self.speed_mm_per_s)
        return (
            f"Contact check: approach at {speed_words(self.speed_mm_per_s)} until {self.force_n:.3g} N"
            f"{past}; depths count from there."
        )

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the approach."""
        yield ContactCheckUntil(self.force_n, self.speed_mm_per_s, sets_contact=True)


@step_kind("contact_check")
def _read(step: WrittenStep) -> ContactCheck:
    fields = step.fields("force", "speed")
    return ContactCheck(step.place, fields.quantity("force", "N", "'1 N'"), speed_of(fields))
