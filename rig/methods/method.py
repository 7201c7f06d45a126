"""A method as values: what it is for, what it needs, and its steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.methods.fields import Place
from rig.methods.step import Step

Need = Literal["free_height", "area"]


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

    `follows`: which published procedure the arithmetic follows and where it departs.
    """

    source: str
    name: str
    purpose: str
    follows: str
    specimen: SpecimenNeeds
    conditioning: Conditioning
    steps: tuple[Step, ...]
    report: tuple[str, ...]
