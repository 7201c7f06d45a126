"""What a step of a method is asked, and where its kinds are found.

Problem: a step is read, put in order with its neighbours, checked against a rig and a specimen, described and
laid out as actions, by people who write one step at a time. Plan: one class with one method for each of these
questions, and one file in `rig/methods/steps` for each kind, which `step_kind` registers under its word;
whatever stands in that folder is found, so that nothing else names it. Frozen values in N, mm, mm/s and s,
each with the place in the file that it came from. Cost: one object for each step as written, however often it
is repeated; the folder is listed once.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import ClassVar, Literal

import yaml

from rig.methods.actions import Action
from rig.methods.bounds import MethodBounds
from rig.methods.fields import Fields, Place, items, line_of, quantity, refuse, scalar

STEPS_FOLDER = "rig.methods.steps"

MOST_STEPS = 200
"""Steps as written; a person reads them all before the first motion."""

DEEPEST_NESTING = 3
"""A repeat of repeats of repeats; beyond it a step's number means nothing to a reader."""

MOST_REPEATS = 10_000_000
"""Passes of all nested repeats together: four months at one a second."""


@dataclass(frozen=True, slots=True)
class PlatenState:
    """Where the platen stands before a step, on any rig.

    Each `must_...` raises InputError with the step's place, what stands in its way and what would be right.
    """

    at: Literal["clear", "contact", "pressed"] = "clear"
    contact_known: bool = False

    def must_know_contact(self, place: Place) -> None:
        """Refuse what counts from a contact that is not known."""
        if not self.contact_known:
            refuse(
                place,
                "the contact is not known here; write contact_check first, and again after a step off "
                "the rig",
            )

    def must_not_press(self, place: Place) -> None:
        """Refuse what needs a specimen that is not under load."""
        if self.at == "pressed":
            refuse(place, "the specimen is still pressed here; return first")


@dataclass(frozen=True, slots=True)
class MethodTotals:
    """Where the platen is (deflection; a gap is below zero) and what has come together so far."""

    position_mm: float
    time_s: float = 0.0
    presses: int = 0
    deepest_mm: float = 0.0

    def moved(self, bounds: MethodBounds, to_mm: float, speed_mm_per_s: float) -> MethodTotals:
        """Return it after a way at a speed."""
        way_s = bounds.way_s(to_mm - self.position_mm, speed_mm_per_s)
        return replace(self, position_mm=to_mm, time_s=self.time_s + way_s)

    def waited(self, time_s: float) -> MethodTotals:
        """Return it after some time."""
        return replace(self, time_s=self.time_s + time_s)

    def pressed(self, deepest_mm: float) -> MethodTotals:
        """Return it with one press more, which went so deep."""
        return replace(self, presses=self.presses + 1, deepest_mm=max(self.deepest_mm, deepest_mm))


@dataclass(frozen=True, slots=True)
class PlannedAction:
    """One action, the step that it belongs to, and the pass of each repeat around it (from 1, outermost
    first)."""

    place: Place
    passes: tuple[int, ...]
    action: Action


@dataclass(frozen=True, slots=True)
class Step(ABC):
    """One step of a method.

    The numbers that it is written with are fields. A field `speed_mm_per_s` is how fast it moves the platen
    and a field `gap_mm` how far from the contact, wherever a step has them.
    """

    place: Place
    presses: ClassVar[int] = 0
    """How often the specimen is pressed, as cycles are counted."""

    @property
    def inner(self) -> tuple[Step, ...]:
        """Steps written inside this one."""
        return ()

    @property
    def times(self) -> int:
        """How often those inside it are done."""
        return 1

    @property
    def moves_at_mm_per_s(self) -> float:
        """How fast it asks the platen to move; infinite where it stands."""
        return float(getattr(self, "speed_mm_per_s", math.inf))

    @property
    def farthest_mm(self) -> float:
        """How far it takes the platen from the contact."""
        return float(getattr(self, "gap_mm", 0.0))

    @abstractmethod
    def follow(self, before: PlatenState) -> PlatenState:
        """Return where the platen stands afterwards.

        Raises InputError if the step cannot follow those before it.
        """

    @abstractmethod
    def check(self, bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
        """Return what has come together afterwards.

        Raises InputError if the rig or the specimen does not allow it.
        """

    @abstractmethod
    def sentence(self, bounds: MethodBounds) -> str:
        """Return what it does, for a person to read before the first motion."""

    @abstractmethod
    def actions(self, height_mm: float | None) -> Iterator[Action]:
        """Yield its actions in order; `height_mm` is the specimen's free height."""

    def planned(self, height_mm: float | None, passes: tuple[int, ...]) -> Iterator[PlannedAction]:
        """Yield its actions and those of the steps inside it, made as they are asked for."""
        for action in self.actions(height_mm):
            yield PlannedAction(self.place, passes, action)

    def beyond_a_hand(self) -> Iterator[str]:
        """Yield what a hand cannot do of it, beside its speed."""
        yield from ()


def each_step(steps: tuple[Step, ...]) -> Iterator[Step]:
    """Yield every step as written, those inside a repeat once, after the repeat itself."""
    for step in steps:
        yield step
        yield from each_step(step.inner)


def after_all(steps: Iterable[Step], before: PlatenState) -> PlatenState:
    """Return where the platen stands after some steps.

    Raises InputError if they cannot follow each other.
    """
    for step in steps:
        before = step.follow(before)
    return before


def check_all(steps: Iterable[Step], bounds: MethodBounds, progress: MethodTotals) -> MethodTotals:
    """Return what has come together after some steps.

    Raises InputError if the rig or the specimen does not allow one of them.
    """
    for step in steps:
        progress = step.check(bounds, progress)
    return progress


@dataclass(frozen=True, slots=True)
class WrittenStep:
    """What stands in the file for one step: its place, its value, its number and how deep it is nested."""

    place: Place
    node: yaml.Node
    number: str
    nesting: int

    def fields(self, *known: str) -> Fields:
        """Return its keys.

        Raises InputError if there is another one, or none.
        """
        return Fields(self.place, self.node, known)

    def duration(self) -> float:
        """Return its value as a time in s.

        Raises InputError if it is not one.
        """
        at = Place(self.place.source, line_of(self.node), self.place.label)
        return quantity(at, "duration", scalar(self.place, "duration", self.node, "'30 s'"), "s")


def speed_of(fields: Fields) -> float:
    """Return the speed of a step.

    Raises InputError if it is missing or not one.
    """
    return fields.quantity("speed", "mm/s", "'100 mm/min'")


_READERS: dict[str, Callable[[WrittenStep], Step]] = {}


def step_kind(word: str) -> Callable[[Callable[[WrittenStep], Step]], Callable[[WrittenStep], Step]]:
    """Let a function read the steps that a method's file calls by a word."""

    def register(read: Callable[[WrittenStep], Step]) -> Callable[[WrittenStep], Step]:
        _READERS[word] = read
        return read

    return register


@cache
def step_words() -> tuple[str, ...]:
    """Return the words of all steps, in the order of the alphabet, with their readers registered."""
    for module in iter_modules(import_module(STEPS_FOLDER).__path__):
        import_module(f"{STEPS_FOLDER}.{module.name}")
    return tuple(sorted(_READERS))


def read_steps(
    place: Place, node: yaml.Node, source: str, prefix: str = "", nesting: int = 0
) -> tuple[Step, ...]:
    """Return the steps of a list, numbered behind a prefix.

    Raises InputError with file, line and step.
    """
    if nesting > DEEPEST_NESTING:
        refuse(place, f"steps: repeats nested {nesting} deep, at most {DEEPEST_NESTING} allowed")
    nodes = items(place, "steps", node, "- contact_check: {...}")
    if not nodes:
        refuse(place, "steps: none found, expected at least one such as - contact_check: {...}")
    if len(nodes) > MOST_STEPS:
        refuse(place, f"steps: found {len(nodes)}, expected at most {MOST_STEPS}; use repeat")
    return tuple(_step(step, source, f"{prefix}{number}", nesting) for number, step in enumerate(nodes, 1))


def _step(node: yaml.Node, source: str, number: str, nesting: int) -> Step:
    place = Place(source, line_of(node), f"step {number}")
    fields = Fields(place, node, step_words())
    word = fields.only_one_of(*step_words())
    named = Place(source, place.line, f"step {number} {word}")
    return _READERS[word](WrittenStep(named, fields.node(word), number, nesting))
