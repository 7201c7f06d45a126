"""What a method did, from the events of its recording.

Problem: a reading belongs to a step, but a recording holds samples and marks in time. Plan: pair the begin
and the end of each action, find the step of the method that it came from, and keep those from which a
procedure reads something: contact checks, presses to a depth, holds, and moves, the first passes of each
repeat only. Cost: one pass over the events; two numbers for each press, whatever its repeats.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from rig.core import kind_of
from rig.methods.actions import PressTo, PressUntilForce
from rig.methods.method import Method
from rig.methods.step import Step, each_step
from rig.methods.steps import Recover
from rig.renamed import ACTIONS, KEYS

READ_PASSES = 10
"""Passes of a repeat that are read: published procedures read the fourth at the latest."""

MOST_ACTIONS = 2000
"""Actions kept; a method as written has at most two hundred steps."""

PRESSES = (PressTo.kind, PressUntilForce.kind)
KEPT = (*PRESSES, "contact check", "wait loaded", "move", "by hand")


@dataclass(frozen=True, slots=True)
class DoneAction:
    """An action that was carried out.

    `begin_us`, `end_us`: device time of the last sample before it began, and before its end was known.
    `until_us`: end of the action that came next: the samples at its very end may have come after `end_us`.
    """

    step: Step
    action: str
    passes: tuple[int, ...]
    begin_us: int
    end_us: int
    until_us: int


@dataclass(slots=True)
class Course:
    """The actions of one run, in order.

    `presses`: begin and end of every press in microseconds, the kept ones included.
    """

    kept: list[DoneAction] = field(default_factory=list)
    presses: list[tuple[int, int]] = field(default_factory=list)
    released_us: int | None = None
    finished: bool = True

    def of(self, *actions: str) -> list[DoneAction]:
        """Kept actions of some kinds, in order."""
        return [done for done in self.kept if done.action in actions]

    def after(self, done: DoneAction) -> DoneAction | None:
        """Return the kept action that came right after another one."""
        at = self.kept.index(done) + 1
        return self.kept[at] if at < len(self.kept) else None


def course_of(method: Method, events: Iterable[Mapping[str, Any]]) -> Course:
    """Pair the `step` events of a recording, and find their steps in the method.

    Events that make no sense, for example of a damaged recording, are passed over.
    """
    steps = {_tail(str(step.place)): step for step in each_step(method.steps) if not step.inner}
    course = Course()
    begun: tuple[str, int] | None = None
    kept_before = False
    for event in events:
        found = _marked(event)
        if found is None:
            continue
        phase, time_us, place, action, passes = found
        if phase == "begin":
            begun = (place, time_us)
            continue
        step = steps.get(place)
        if begun is None or begun[0] != place or step is None:
            continue
        if kept_before:
            course.kept[-1] = replace(course.kept[-1], until_us=time_us)
        done = DoneAction(step, action, passes, begun[1], time_us, time_us)
        begun = None
        kept_before = _take(course, done)
    course.finished = begun is None
    return course


def _take(course: Course, done: DoneAction) -> bool:
    """Keep what may be read from; whether it was kept."""
    if done.action in PRESSES:
        course.presses.append((done.begin_us, done.end_us))
    if done.action == "start clock" and isinstance(done.step, Recover):
        course.released_us = done.begin_us
    wanted = done.action in KEPT and all(turn <= READ_PASSES for turn in done.passes)
    if not wanted or len(course.kept) >= MOST_ACTIONS:
        return False
    course.kept.append(done)
    return True


def _tail(place: str) -> str:
    """Return a place without its file, which may have been named otherwise when the method was run.

    Its step has the name now.
    """
    step, _, kind = place.rpartition(" line ")[2].rpartition(" ")
    return f"{step} {KEYS.get(kind, kind)}"


def _marked(event: Mapping[str, Any]) -> tuple[str, int, str, str, tuple[int, ...]] | None:
    if kind_of(event) != "step" or event.get("phase") not in ("begin", "end"):
        return None
    time_us, passes = event.get("time_us"), event.get("passes")
    if not isinstance(time_us, int) or not isinstance(passes, list):
        return None
    turns = tuple(turn for turn in passes if isinstance(turn, int))
    action = str(event.get("action"))
    place = _tail(str(event.get("place")))
    return str(event["phase"]), time_us, place, ACTIONS.get(action, action), turns
