"""`return`: go back to the contact, or to a gap before it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.methods.actions import Action, MoveToDeflection
from rig.methods.bounds import MethodBounds
from rig.methods.describing import speed_words
from rig.methods.fields import refuse, shown
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, speed_of, step_kind


@dataclass(frozen=True, slots=True)
class Return(Step):
    """Go back to the contact, or to a gap before it (`gap_mm` above zero)."""

    gap_mm: float
    speed_mm_per_s: float

    def follow(self, before: PlatenState) -> PlatenState:
        """Clear afterwards, or in contact."""
        before.must_know_contact(self.place)
        return replace(before, at="clear" if self.gap_mm > 0 else "contact")

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Speed and gap must be the rig's."""
        bounds.must_move_at(self.place, self.speed_mm_per_s)
        bounds.must_fit_travel(self.place, self.gap_mm, 0.0)
        return progress.moved(bounds, -self.gap_mm, self.speed_mm_per_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how fast, and where to."""
        where = f"a gap of {self.gap_mm:g} mm" if self.gap_mm else "the contact"
        return f"Return at {speed_words(self.speed_mm_per_s)} to {where}."

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the way back."""
        yield MoveToDeflection(0.0 - self.gap_mm, self.speed_mm_per_s)


@step_kind("return")
def _read(step: WrittenStep) -> Return:
    fields = step.fields("to", "gap", "speed")
    if fields.only_one_of("to", "gap") == "gap":
        return Return(step.place, fields.quantity("gap", "mm", "'5 mm'"), speed_of(fields))
    goal = fields.text("to", "contact")
    if goal != "contact":
        refuse(fields.at("to"), f"to: found {shown(goal)}, expected contact; for a gap write gap: '5 mm'")
    return Return(step.place, 0.0, speed_of(fields))
