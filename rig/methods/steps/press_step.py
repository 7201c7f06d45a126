"""`press`: to a deflection, a compression or a force."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

from rig.methods.actions import Action, PressTo, PressUntilForce
from rig.methods.bounds import MethodBounds, StepDepth, overshoot_mm
from rig.methods.describing import depth_words, guard_words, overshoot_words, speed_words
from rig.methods.fields import refuse
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, speed_of, step_kind


@dataclass(frozen=True, slots=True)
class _Press(Step):
    presses: ClassVar[int] = 1

    def follow(self, before: PlatenState) -> PlatenState:
        """Pressed afterwards."""
        before.must_know_contact(self.place)
        return replace(before, at="pressed")

    def _to(
        self, bounds: MethodBounds, progress: MethodTotals, goal_mm: float, past_mm: float = 0.0
    ) -> MethodTotals:
        if goal_mm <= progress.position_mm:
            refuse(
                self.place,
                f"goes to {goal_mm:g} mm, but the platen may already stand at {progress.position_mm:g} mm; "
                "return first, or press deeper",
            )
        bounds.must_leave_height(self.place, goal_mm, past_mm)
        bounds.must_fit_travel(self.place, bounds.gap_mm, goal_mm + past_mm)
        return progress.moved(bounds, goal_mm, self.moves_at_mm_per_s).pressed(goal_mm + past_mm)


@dataclass(frozen=True, slots=True)
class PressToDepth(_Press):
    """Press to a deflection or a compression."""

    depth: StepDepth
    speed_mm_per_s: float

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Depth and speed must be allowed; the rig's own limit guards the force, which is not known."""
        bounds.must_move_at(self.place, self.speed_mm_per_s)
        return self._to(bounds, progress, self.depth.in_mm(bounds.height_mm, self.place))

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how fast, and how deep."""
        deep = depth_words(bounds, self.depth, self.place)
        return f"Press at {speed_words(self.speed_mm_per_s)} to {deep}{guard_words(bounds)}."

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the press."""
        yield PressTo(self.depth.in_mm(height_mm, self.place), self.speed_mm_per_s)


@dataclass(frozen=True, slots=True)
class PressToForce(_Press):
    """Press until a force, and no deeper than `stop`."""

    force_n: float
    stop: StepDepth
    speed_mm_per_s: float

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Force and depth must be allowed with their overshoot."""
        goal_mm = self.stop.in_mm(bounds.height_mm, self.place)
        bounds.must_reach(self.place, self.force_n, self.speed_mm_per_s, goal_mm)
        past_mm = overshoot_mm(self.speed_mm_per_s, bounds.rig)
        return self._to(bounds, progress, goal_mm, past_mm)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how fast, how hard, and how deep at most."""
        stop = depth_words(bounds, self.stop, self.place)
        past = overshoot_words(bounds, self.speed_mm_per_s)
        speed = speed_words(self.speed_mm_per_s)
        return f"Press at {speed} until {self.force_n:.4g} N{past}, or stop at {stop}."

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the press."""
        stop_mm = self.stop.in_mm(height_mm, self.place)
        yield PressUntilForce(self.force_n, stop_mm, self.speed_mm_per_s)


@step_kind("press")
def _read(step: WrittenStep) -> PressToDepth | PressToForce:
    fields = step.fields("deflection", "compression", "force", "stop_at", "speed")
    goal = fields.only_one_of("deflection", "compression", "force")
    if goal == "force":
        if "stop_at" not in fields:
            refuse(step.place, "stop_at is missing; a press to a force needs a largest depth, such as '60 %'")
        stop = StepDepth.read(fields, "stop_at")
        return PressToForce(step.place, fields.quantity("force", "N", "'80 N'"), stop, speed_of(fields))
    if "stop_at" in fields:
        refuse(fields.at("stop_at"), f"stop_at: belongs to a press to a force, found beside {goal}")
    unit: Literal["mm", "%"] = "%" if goal == "compression" else "mm"
    depth = StepDepth(fields.quantity(goal, unit, "'40 %'" if unit == "%" else "'10 mm'"), unit)
    return PressToDepth(step.place, depth, speed_of(fields))
