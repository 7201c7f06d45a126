"""`knead`: a made-up step, all of it in this file, whose folder stands in for `rig/methods/steps`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

from rig.methods.actions import Action, Mover, PressTo
from rig.methods.bounds import MethodBounds
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, speed_of, step_kind


@dataclass(frozen=True, slots=True)
class LetUp(Action):
    """Go half of the way back."""

    deflection_mm: float
    speed_mm_per_s: float
    kind = "let up"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        return f"Let up to {self.deflection_mm:.1f} mm."

    def perform(self, mover: Mover, place: str) -> None:
        mover.move_away(self.deflection_mm, self.speed_mm_per_s, place)


@dataclass(frozen=True, slots=True)
class Knead(Step):
    """Press to a deflection, and let up to half of it, twice."""

    deflection_mm: float
    speed_mm_per_s: float
    presses: ClassVar[int] = 2

    def follow(self, before: PlatenState) -> PlatenState:
        before.must_know_contact(self.place)
        return replace(before, at="pressed")

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        bounds.must_move_at(self.place, self.speed_mm_per_s)
        bounds.must_leave_height(self.place, self.deflection_mm, 0.0)
        bounds.must_fit_travel(self.place, bounds.gap_mm, self.deflection_mm)
        for _ in range(self.presses):
            progress = progress.moved(bounds, self.deflection_mm, self.speed_mm_per_s)
            progress = progress.pressed(self.deflection_mm)
            progress = progress.moved(bounds, self.deflection_mm / 2, self.speed_mm_per_s)
        return progress

    def sentence(self, bounds: MethodBounds) -> str:
        return f"Knead twice, to {self.deflection_mm:g} mm and half of the way back."

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        for _ in range(self.presses):
            yield PressTo(self.deflection_mm, self.speed_mm_per_s)
            yield LetUp(self.deflection_mm / 2, self.speed_mm_per_s)


@step_kind("knead")
def _read(step: WrittenStep) -> Knead:
    fields = step.fields("deflection", "speed")
    return Knead(step.place, fields.quantity("deflection", "mm", "'8 mm'"), speed_of(fields))
