"""`off_rig`: something that a person does away from the rig."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.methods.actions import Action, Prompt
from rig.methods.bounds import MethodBounds
from rig.methods.describing import duration
from rig.methods.fields import refuse
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, step_kind


@dataclass(frozen=True, slots=True)
class OffRig(Step):
    """Something that a person does away from the rig, for at least and at most so long."""

    instruction: str
    least_s: float
    most_s: float | None

    def follow(self, before: PlatenState) -> PlatenState:
        """The platen must be clear; the specimen comes back somewhere else, so its contact is not known."""
        before.must_not_press(self.place)
        if before.at == "contact":
            refuse(self.place, "the platen still stands on the specimen; return to a gap first")
        return replace(before, contact_known=False)

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Only time passes, as little as it may take."""
        return progress.waited(self.least_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return what, and how long."""
        least = [f"at least {duration(self.least_s)}"] if self.least_s else []
        most = [f"at most {duration(self.most_s)}"] if self.most_s is not None else []
        span = ", " + " and ".join(least + most) if least or most else ""
        return f"Off the rig{span}: {self.instruction}"

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the question."""
        yield Prompt(self.instruction, self.least_s, self.most_s)


@step_kind("off_rig")
def _read(step: WrittenStep) -> OffRig:
    fields = step.fields("do", "at_least", "at_most")
    least = fields.quantity_or("at_least", "s", "'30 min'", 0.0)
    most = fields.quantity_or("at_most", "s", "'1 h'", None)
    if most is not None and most < least:
        refuse(fields.at("at_most"), f"at_most: found {most:g} s, expected at_least ({least:g} s) or more")
    return OffRig(step.place, fields.text("do", "'turn the specimen by a quarter'"), least, most)
