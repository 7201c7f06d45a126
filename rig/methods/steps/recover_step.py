"""`recover`: watch the height come back after release."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.methods.actions import Action, ContactCheckUntil, MoveToDeflection, StartClock, WaitUntil
from rig.methods.bounds import MethodBounds
from rig.methods.describing import duration
from rig.methods.fields import Fields, refuse
from rig.methods.step import MethodTotals, PlatenState, Step, WrittenStep, speed_of, step_kind

MOST_CONTACT_CHECKS = 100
"""Ten times the usual number of contact checks."""


@dataclass(frozen=True, slots=True)
class Recover(Step):
    """Make contact checks at times spaced evenly by their logarithm, counted from the start of this step.

    The contact found by `ContactCheck` stays the one from which depths count: these contact checks only look.
    """

    contact_checks: int
    first_s: float
    last_s: float
    force_n: float
    speed_mm_per_s: float
    gap_mm: float

    def time_s(self, check: int) -> float:
        """Return when a contact check, counted from 0, begins its approach."""
        if check == 0:
            return self.first_s
        return self.first_s * float((self.last_s / self.first_s) ** (check / (self.contact_checks - 1)))

    def follow(self, before: PlatenState) -> PlatenState:
        """Clear afterwards."""
        before.must_know_contact(self.place)
        before.must_not_press(self.place)
        return replace(before, at="clear")

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Each contact check must be over before the next begins."""
        bounds.must_reach(self.place, self.force_n, self.speed_mm_per_s)
        bounds.must_fit_travel(self.place, self.gap_mm, 0.0)
        there_s = bounds.way_s(self.gap_mm, self.speed_mm_per_s)
        away_s = bounds.way_s(self.gap_mm + progress.position_mm, self.speed_mm_per_s)
        shortest_s = min(self.first_s, self.time_s(1) - self.first_s)
        busy_s = max(away_s, 2 * there_s)
        if shortest_s < busy_s:
            refuse(
                self.place,
                f"contact checks {shortest_s:.3g} s apart, but one with its return takes {busy_s:.3g} s; "
                "start later, use fewer contact checks, or use a smaller gap or more speed",
            )
        return replace(progress, position_mm=-self.gap_mm).waited(self.last_s + 2 * there_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how many, how hard, and when."""
        return (
            f"Make {self.contact_checks} contact checks with {self.force_n:.3g} N, from "
            f"{duration(self.first_s)} to {duration(self.last_s)} after this step starts, at logarithmic "
            f"intervals, returning to a gap of {self.gap_mm:g} mm each time."
        )

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield the way to the gap, and each contact check at its time with its way back."""
        yield StartClock()
        yield MoveToDeflection(-self.gap_mm, self.speed_mm_per_s)
        for check in range(self.contact_checks):
            yield WaitUntil(self.time_s(check))
            yield ContactCheckUntil(self.force_n, self.speed_mm_per_s, sets_contact=False)
            yield MoveToDeflection(-self.gap_mm, self.speed_mm_per_s)


def checks_from_to(fields: Fields) -> tuple[int, float, float]:
    """Return the number of contact checks, and the times in s of the first and the last."""
    first, last = fields.quantity("from", "s", "'10 s'"), fields.quantity("to", "s", "'24 h'")
    if last <= first:
        refuse(fields.at("to"), f"to: found {last:g} s, expected more than from, which is {first:g} s")
    return fields.whole("contact_checks", 2, MOST_CONTACT_CHECKS), first, last


@step_kind("recover")
def _read(step: WrittenStep) -> Recover:
    fields = step.fields("contact_checks", "from", "to", "force", "speed", "gap")
    return Recover(
        step.place,
        *checks_from_to(fields),
        fields.quantity("force", "N", "'1 N'"),
        speed_of(fields),
        fields.quantity("gap", "mm", "'5 mm'"),
    )
