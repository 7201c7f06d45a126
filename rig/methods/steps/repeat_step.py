"""`repeat`: the same steps many times, each time after a set interval or as soon as it can."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.methods.actions import Action, StartClock, WaitUntil
from rig.methods.bounds import MethodBounds
from rig.methods.by_hand import MOST_PRESSES, SHORTEST_EVERY_S
from rig.methods.fields import refuse
from rig.methods.step import (
    MOST_REPEATS,
    MethodTotals,
    PlannedAction,
    PlatenState,
    Step,
    WrittenStep,
    after_all,
    check_all,
    read_steps,
    step_kind,
)


@dataclass(frozen=True, slots=True)
class Repeat(Step):
    """Steps done `count` times; each time begins `every_s` after the one before, or as soon as it can."""

    count: int
    steps: tuple[Step, ...]
    every_s: float | None

    @property
    def inner(self) -> tuple[Step, ...]:
        """Those that are repeated."""
        return self.steps

    @property
    def times(self) -> int:
        """As many as it counts."""
        return self.count

    def follow(self, before: PlatenState) -> PlatenState:
        """Follow it twice, since its second pass starts where the first ended."""
        once = after_all(self.steps, before)
        return after_all(self.steps, once) if self.count > 1 else once

    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Check two passes; the second stands for all the later ones."""
        first = self._paced(bounds, progress)
        if self.count == 1:
            return first
        second = self._paced(bounds, first)
        later = self.count - 2
        return replace(
            second,
            time_s=second.time_s + later * (second.time_s - first.time_s),
            presses=second.presses + later * (second.presses - first.presses),
        )

    def _paced(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        end = check_all(self.steps, bounds, progress)
        if self.every_s is None:
            return end
        took_s = end.time_s - progress.time_s
        if took_s > self.every_s:
            refuse(
                self.place,
                f"every {self.every_s:.4g} s, but the steps may take {took_s:.4g} s on this rig; allow "
                "more time, press less deep, or raise the speed",
            )
        return replace(end, time_s=progress.time_s + self.every_s)

    def sentence(self, bounds: MethodBounds) -> str:
        """Return how often, and how fast after each other."""
        pace = f", one every {self.every_s:.4g} s" if self.every_s is not None else ""
        return f"Do the following {self.count} times{pace}:"

    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """It has none of its own beside its clock's."""
        yield from ()

    def planned(self, height_mm: float | None, passes: tuple[int, ...]) -> Iterator[PlannedAction]:
        """Yield each pass as it is reached, so that 80 000 cycles do not become 80 000 objects."""
        for turn in range(1, self.count + 1):
            inside = (*passes, turn)
            if self.every_s is not None:
                yield PlannedAction(self.place, inside, StartClock())
            for step in self.steps:
                yield from step.planned(height_mm, inside)
            if self.every_s is not None:
                yield PlannedAction(self.place, inside, WaitUntil(self.every_s))

    def beyond_a_hand(self) -> Iterator[str]:
        """Yield too many passes, and too quick ones."""
        if self.count > MOST_PRESSES:
            yield f"{self.count} times, a hand can do up to {MOST_PRESSES}"
        if self.every_s is not None and self.every_s < SHORTEST_EVERY_S:
            yield (
                f"one every {self.every_s:.4g} s, a hand can keep a pace of {SHORTEST_EVERY_S:g} s or longer"
            )


@step_kind("repeat")
def _read(step: WrittenStep) -> Repeat:
    fields = step.fields("count", "every", "steps")
    every = fields.quantity_or("every", "s", "'1 s'", None)
    count = fields.whole("count", 1, MOST_REPEATS)
    at, node = fields.at("steps"), fields.node("steps")
    inner = read_steps(at, node, step.place.source, f"{step.number}.", step.nesting + 1)
    return Repeat(step.place, count, inner, every)
