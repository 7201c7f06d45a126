"""A checked method as one motion after another.

Problem: whatever runs a method should know motions, not methods, and 80 000 cycles must not become 80 000
objects. Plan: a generator; repeats are expanded as they are reached. Depths are mm past the contact that the
last contact check with `sets_contact` found, gaps are below zero. Cost: constant memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.methods.checking import CheckedMethod, depth_mm
from rig.methods.steps import (
    ContactCheck,
    Hold,
    OffRig,
    Place,
    PressToDepth,
    PressToForce,
    PullOff,
    Recover,
    Repeat,
    Rest,
    Return,
    Step,
)


@dataclass(frozen=True, slots=True)
class ContactCheckUntil:
    """Approach until the force is reached. Where `sets_contact`, depths count from there on."""

    force_n: float
    speed_mm_per_s: float
    sets_contact: bool


@dataclass(frozen=True, slots=True)
class PressTo:
    """Press to a deflection."""

    deflection_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class PressUntilForce:
    """Press until a force, no deeper than a deflection."""

    force_n: float
    stop_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class MoveToDeflection:
    """Move away to a deflection: zero is the contact, below zero a gap."""

    deflection_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class Wait:
    """Stay put; `loaded` says whether the specimen is meant to be under load."""

    duration_s: float
    loaded: bool


@dataclass(frozen=True, slots=True)
class StartClock:
    """Set the clock of this step to zero. Each step has its own, known by its place."""


@dataclass(frozen=True, slots=True)
class WaitUntil:
    """Stay put until this step's clock shows a time; if it is past already, go on and say so."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Prompt:
    """Disarm, tell a person what to do, and go on when told that it is done."""

    instruction: str
    least_s: float
    most_s: float | None


Action = (
    ContactCheckUntil | PressTo | PressUntilForce | MoveToDeflection | Wait | StartClock | WaitUntil | Prompt
)


@dataclass(frozen=True, slots=True)
class PlannedAction:
    """One action, the step that it belongs to, and the pass of each repeat around it (from 1, outermost
    first)."""

    place: Place
    passes: tuple[int, ...]
    action: Action


def plan(checked: CheckedMethod) -> Iterator[PlannedAction]:
    """Actions of a method in order, made as they are asked for."""
    return _plan(checked.method.steps, checked.specimen.free_height_mm, ())


def _plan(
    steps: tuple[Step, ...], height_mm: float | None, passes: tuple[int, ...]
) -> Iterator[PlannedAction]:
    for step in steps:
        if isinstance(step, Repeat):
            yield from _repeated(step, height_mm, passes)
        else:
            for action in _actions(step, height_mm):
                yield PlannedAction(step.place, passes, action)


def _repeated(step: Repeat, height_mm: float | None, passes: tuple[int, ...]) -> Iterator[PlannedAction]:
    for turn in range(1, step.count + 1):
        inside = (*passes, turn)
        if step.every_s is not None:
            yield PlannedAction(step.place, inside, StartClock())
        yield from _plan(step.steps, height_mm, inside)
        if step.every_s is not None:
            yield PlannedAction(step.place, inside, WaitUntil(step.every_s))


def _actions(step: Step, height_mm: float | None) -> Iterator[Action]:
    match step:
        case ContactCheck():
            yield ContactCheckUntil(step.force_n, step.speed_mm_per_s, sets_contact=True)
        case PressToDepth():
            yield PressTo(depth_mm(step.depth, height_mm, step.place), step.speed_mm_per_s)
        case PressToForce():
            yield PressUntilForce(
                step.force_n, depth_mm(step.stop, height_mm, step.place), step.speed_mm_per_s
            )
        case Hold():
            yield Wait(step.duration_s, loaded=True)
        case Rest():
            yield Wait(step.duration_s, loaded=False)
        case Return():
            yield MoveToDeflection(0.0 - step.gap_mm, step.speed_mm_per_s)
        case PullOff():
            yield MoveToDeflection(-step.gap_mm, step.speed_mm_per_s)
        case OffRig():
            yield Prompt(step.instruction, step.least_s, step.most_s)
        case Recover():
            yield StartClock()
            yield MoveToDeflection(-step.gap_mm, step.speed_mm_per_s)
            for check in range(step.contact_checks):
                yield WaitUntil(step.time_s(check))
                yield ContactCheckUntil(step.force_n, step.speed_mm_per_s, sets_contact=False)
                yield MoveToDeflection(-step.gap_mm, step.speed_mm_per_s)
