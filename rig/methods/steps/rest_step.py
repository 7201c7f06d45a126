"""`rest`: wait with the specimen unloaded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.methods.actions import Action, Wait
from rig.methods.bounds import MethodBounds
from rig.methods.describing import duration
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, step_kind


@dataclass(frozen=True, slots=True)
class Rest(Step):
    """Wait with the specimen unloaded."""

    duration_s: float

    def follow(self, before: PlatenState) -> PlatenState:
        """As before; nothing may be pressed."""
        before.must_not_press(self.place)
        return before

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Only time passes."""
        return progress.waited(self.duration_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how long."""
        return f"Wait unloaded for {duration(self.duration_s)}."

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the wait."""
        yield Wait(self.duration_s, loaded=False)


@step_kind("rest")
def _read(step: WrittenStep) -> Rest:
    return Rest(step.place, step.duration())
