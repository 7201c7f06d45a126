"""What a method says: its steps and its words, as values.

Problem: a method is read once, checked, shown to a person and run, perhaps for a day. Plan: frozen values
in N, mm, mm/s and s, each step with the place in the file that it came from. Depths in per cent stay so
until the free height is known. Cost: one object for each step as written, however often it is repeated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

Need = Literal["free_height", "area"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a file something stands: `label` is "step 3 press", or a section such as "specimen"."""

    source: str
    line: int
    label: str

    def __str__(self) -> str:
        return f"{self.source} line {self.line}, {self.label}"


@dataclass(frozen=True, slots=True)
class StepDepth:
    """A depth past contact, in mm or in per cent of the free height."""

    value: float
    unit: Literal["mm", "%"]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True)
class ContactCheck:
    """Approach until the force is reached; where that happens is the contact from which depths count."""

    place: Place
    force_n: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class PressToDepth:
    """Press to a deflection or a compression."""

    place: Place
    depth: StepDepth
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class PressToForce:
    """Press until a force, and no deeper than `stop`."""

    place: Place
    force_n: float
    stop: StepDepth
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class Hold:
    """Stay at the position reached, the specimen loaded."""

    place: Place
    duration_s: float


@dataclass(frozen=True, slots=True)
class Return:
    """Go back to the contact, or to a gap before it (`gap_mm` above zero)."""

    place: Place
    gap_mm: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class PullOff:
    """Pull away from where the specimen is held, to a gap at which it is off for certain.

    `largest_n` is the greatest pull to be expected, above zero; the rig's least force must lie beyond it.
    """

    place: Place
    gap_mm: float
    largest_n: float
    speed_mm_per_s: float


@dataclass(frozen=True, slots=True)
class Rest:
    """Wait with the specimen unloaded."""

    place: Place
    duration_s: float


@dataclass(frozen=True, slots=True)
class Recover:
    """Make contact checks at times spaced evenly by their logarithm, counted from the start of this step.

    The contact found by `ContactCheck` stays the one from which depths count: these contact checks only look.
    """

    place: Place
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


@dataclass(frozen=True, slots=True)
class OffRig:
    """Something that a person does away from the rig, for at least and at most so long."""

    place: Place
    instruction: str
    least_s: float
    most_s: float | None


@dataclass(frozen=True, slots=True)
class Repeat:
    """Steps done `count` times; each time begins `every_s` after the one before, or as soon as it can."""

    place: Place
    count: int
    steps: tuple[Step, ...]
    every_s: float | None


Step = ContactCheck | PressToDepth | PressToForce | Hold | Return | PullOff | Rest | Recover | OffRig | Repeat


@dataclass(frozen=True, slots=True)
class SpecimenNeeds:
    """What must be known of the specimen, and the largest slope of its curve that is to be expected."""

    place: Place
    needs: tuple[Need, ...] = ()
    stiffness_n_per_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Conditioning:
    """Cycles left out of the result, and whether the method asks for standard laboratory air."""

    cycles: int = 0
    standard_air: bool = False


@dataclass(frozen=True, slots=True)
class Method:
    """What to do to a specimen, as its file says.

    Parameters
    ----------
    follows
        Which published procedure the arithmetic follows and where it departs.
    """

    source: str
    name: str
    purpose: str
    follows: str
    specimen: SpecimenNeeds
    conditioning: Conditioning
    steps: tuple[Step, ...]
    report: tuple[str, ...]


def each_step(steps: tuple[Step, ...]) -> Iterator[Step]:
    """Yield every step as written, those inside a repeat once, after the repeat itself."""
    for step in steps:
        yield step
        if isinstance(step, Repeat):
            yield from each_step(step.steps)
