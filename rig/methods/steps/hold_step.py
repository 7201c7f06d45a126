"""`hold`: stay where the specimen is loaded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.methods.actions import Action, Wait
from rig.methods.bounds import MethodBounds
from rig.methods.describing import duration
from rig.methods.fields import refuse
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, step_kind


@dataclass(frozen=True, slots=True)
class Hold(Step):
    """Stay at the position reached, the specimen loaded."""

    duration_s: float

    def follow(self, before: PlatenState) -> PlatenState:
        """As before; something must be pressed, or in contact."""
        if before.at == "clear":
            refuse(self.place, "nothing is pressed here; write contact_check or press first, or rest")
        return before

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Only time passes."""
        return progress.waited(self.duration_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how long."""
        return f"Hold there, loaded, for {duration(self.duration_s)}."

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the wait."""
        yield Wait(self.duration_s, loaded=True)


@step_kind("hold")
def _read(step: WrittenStep) -> Hold:
    return Hold(step.place, step.duration())
