"""The motions and waits that steps are made of.

Problem: whatever runs a method should know motions, not methods, and a drive and a person at a lever do the
same ones. Plan: one class for each kind of action: its numbers, its name in a capture's events, the words
for a person at a lever, and the one call by which whoever moves the platen carries it out. Depths are mm past
the contact that the last contact check with `sets_contact` found, gaps are below zero. Cost: one small object
for each action, when it is due.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Protocol


class Mover(Protocol):
    """Whoever moves the platen: a drive, or a person who is guided. `place` is the step's, in words.

    Each call comes back when the action is over, and raises a RigError if it did not come to its end.
    """

    def find_contact(self, force_n: float, speed_mm_per_s: float, place: str, *, sets_contact: bool) -> None:
        """Approach until the force is felt; where `sets_contact`, depths count from there on."""

    def press_to_depth(self, deflection_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Press to a deflection."""

    def press_to_force(self, force_n: float, stop_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Press until a force is felt, no deeper than a deflection."""

    def move_away(self, deflection_mm: float, speed_mm_per_s: float, place: str) -> None:
        """Move to a deflection at which nothing is to be pressed: the contact, or a gap below zero."""

    def stay(self, duration_s: float, *, loaded: bool) -> None:
        """Let time pass; `loaded` says whether the specimen is meant to be under load."""

    def start_clock(self, place: str) -> None:
        """Set the clock of a step to zero."""

    def stay_until(self, time_s: float, place: str) -> None:
        """Let time pass until a step's clock shows a time; go on at once if it is past."""

    def ask_person(self, instruction: str, least_s: float, most_s: float | None) -> None:
        """Disarm, ask for something to be done away from the rig, and go on when it is reported as done."""


class Action(ABC):
    """One motion or wait."""

    __slots__ = ()

    @property
    @abstractmethod
    def kind(self) -> str:
        """Its name in the events of a capture, which are read for as long as captures are kept."""

    @abstractmethod
    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return the words for a person at a lever; empty where there is nothing to do.

        Parameters
        ----------
        deflection_mm
            Where the platen stands as the action begins; None before a contact was found.
        """

    @abstractmethod
    def perform(self, mover: Mover, place: str) -> None:
        """Have it done."""


@dataclass(frozen=True, slots=True)
class ContactCheckUntil(Action):
    """Approach until the force is reached. Where `sets_contact`, depths count from there on."""

    force_n: float
    speed_mm_per_s: float
    sets_contact: bool
    kind = "contact check"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return how hard, and how fast."""
        return f"Approach at {_speed(self.speed_mm_per_s)} until {self.force_n:.3g} N; stop."

    def perform(self, mover: Mover, place: str) -> None:
        """Look for the specimen."""
        mover.find_contact(self.force_n, self.speed_mm_per_s, place, sets_contact=self.sets_contact)


@dataclass(frozen=True, slots=True)
class PressTo(Action):
    """Press to a deflection."""

    deflection_mm: float
    speed_mm_per_s: float
    kind = "press to depth"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return how deep, and how fast."""
        deep = _deep(self.deflection_mm, free_height_mm)
        return f"Press to {deep} at {_speed(self.speed_mm_per_s)}, and hold."

    def perform(self, mover: Mover, place: str) -> None:
        """Press."""
        mover.press_to_depth(self.deflection_mm, self.speed_mm_per_s, place)


@dataclass(frozen=True, slots=True)
class PressUntilForce(Action):
    """Press until a force, no deeper than a deflection."""

    force_n: float
    stop_mm: float
    speed_mm_per_s: float
    kind = "press to force"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return how hard, how fast, and how deep at most."""
        return (
            f"Press until {self.force_n:.4g} N at {_speed(self.speed_mm_per_s)}, "
            f"no deeper than {_deep(self.stop_mm, free_height_mm)}, and hold."
        )

    def perform(self, mover: Mover, place: str) -> None:
        """Press."""
        mover.press_to_force(self.force_n, self.stop_mm, self.speed_mm_per_s, place)


@dataclass(frozen=True, slots=True)
class MoveToDeflection(Action):
    """Move away to a deflection: zero is the contact, below zero a gap."""

    deflection_mm: float
    speed_mm_per_s: float
    kind = "move"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return where to, and how fast."""
        where = f"a gap of {-self.deflection_mm:.3g} mm" if self.deflection_mm < 0 else "the contact"
        return f"Return to {where} at {_speed(self.speed_mm_per_s)}, and hold."

    def perform(self, mover: Mover, place: str) -> None:
        """Move."""
        mover.move_away(self.deflection_mm, self.speed_mm_per_s, place)


@dataclass(frozen=True, slots=True)
class Wait(Action):
    """Stay put; `loaded` says whether the specimen is meant to be under load."""

    duration_s: float
    loaded: bool

    @property
    def kind(self) -> str:
        """Holds are read by procedures, rests are not."""
        return "wait loaded" if self.loaded else "wait"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return how long, and where."""
        if not self.loaded:
            return f"Leave it unloaded for {self.duration_s:.3g} s."
        where = "" if deflection_mm is None else f" at {deflection_mm:.1f} mm"
        return f"Hold still{where} for {self.duration_s:.3g} s."

    def perform(self, mover: Mover, place: str) -> None:
        """Wait."""
        mover.stay(self.duration_s, loaded=self.loaded)


@dataclass(frozen=True, slots=True)
class StartClock(Action):
    """Set the clock of this step to zero. Each step has its own, known by its place."""

    kind = "start clock"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Nothing is to be done."""
        return ""

    def perform(self, mover: Mover, place: str) -> None:
        """Start it."""
        mover.start_clock(place)


@dataclass(frozen=True, slots=True)
class WaitUntil(Action):
    """Stay put until this step's clock shows a time; if it is past already, go on and say so."""

    time_s: float
    kind = "wait until"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return that there is time to be waited for."""
        return "Wait there until the time is up."

    def perform(self, mover: Mover, place: str) -> None:
        """Wait."""
        mover.stay_until(self.time_s, place)


@dataclass(frozen=True, slots=True)
class Prompt(Action):
    """Disarm, tell a person what to do, and go on when it is reported as done."""

    instruction: str
    least_s: float
    most_s: float | None
    kind = "by hand"

    def instruct(self, free_height_mm: float | None, deflection_mm: float | None) -> str:
        """Return what to do, and how to go on."""
        return f"By hand: {self.instruction} Press Enter, or confirm, when done."

    def perform(self, mover: Mover, place: str) -> None:
        """Ask."""
        mover.ask_person(self.instruction, self.least_s, self.most_s)


def _speed(speed_mm_per_s: float) -> str:
    return f"about {speed_mm_per_s:.2g} mm/s"


def _deep(deflection_mm: float, free_height_mm: float | None) -> str:
    share = "" if free_height_mm is None else f" ({100 * deflection_mm / free_height_mm:.3g} %)"
    digits = 1 if math.isclose(deflection_mm, round(deflection_mm, 1)) else 2
    return f"{deflection_mm:.{digits}f} mm{share}"
