"""A method checked against a rig and a specimen before anything moves, and laid out as actions.

Problem: what a method asks may be too deep, too fast or too hard for this rig and this specimen, and a
platen that stops on a force goes past it. Plan: walk the steps once with the platen's position, adding up
time and presses; a repeat is walked twice, and its second pass stands for all the later ones. The actions are
a generator; repeats are expanded as they are reached. Cost: two to the power of the nesting, which is
bounded; never the number of repeats.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.errors import InputError
from rig.methods.bounds import MethodBounds, RigLimits, SpecimenFacts
from rig.methods.fields import refuse
from rig.methods.method import Method
from rig.methods.step import MethodTotals, PlannedAction, check_all, each_step

UNKNOWN_APPROACH_MM = 10.0
"""Taken for the way to a first contact check, which is not known beforehand; only the time estimate uses
it."""


@dataclass(frozen=True, slots=True)
class CheckedMethod:
    """A method that this rig can carry out on this specimen.

    `time_s`: estimate. A press to a force is counted as deep as it may go, a step off the rig as short as it
    may be, the way to a first contact check as `UNKNOWN_APPROACH_MM`.
    `presses`: how often the specimen is pressed; contact checks are not counted.
    `deepest_mm`: greatest deflection past contact, overshoot included.
    `stiffness_n_per_mm`: largest slope to be expected, the specimen's own before the method's.
    """

    method: Method
    rig: RigLimits
    specimen: SpecimenFacts
    time_s: float
    presses: int
    deepest_mm: float
    largest_gap_mm: float
    stiffness_n_per_mm: float | None

    @property
    def deepest_pct(self) -> float | None:
        """`deepest_mm` in per cent of the free height; None where that is not known."""
        height_mm = self.specimen.free_height_mm
        return None if height_mm is None else 100 * self.deepest_mm / height_mm

    @property
    def bounds(self) -> MethodBounds:
        """What its steps were checked against."""
        return MethodBounds(
            self.rig, self.specimen.free_height_mm, self.stiffness_n_per_mm, self.largest_gap_mm
        )


def check_method(method: Method, rig: RigLimits, specimen: SpecimenFacts) -> CheckedMethod:
    """Check a method before anything moves.

    Each press must stay within the specimen's free height (without which none is allowed) less a margin and,
    with the largest gap, within the rig's travel; each speed within the rig's; each force, with its
    overshoot (see `overshoot_mm`, `overshoot_n`), within the rig's. The force at the end of a press to a
    depth is not known beforehand: there the rig's own force limit guards.

    Raises InputError with the step and its line, what was found and what would be right.
    """
    facts = {"free_height": specimen.free_height_mm, "area": specimen.area_mm2}
    for need in method.specimen.needs:
        if facts[need] is None:
            what = f"{need.replace('_', ' ')} (--{need.replace('_', '-')})"
            refuse(method.specimen.place, f"needs {need}, found none; give the specimen's {what}")
    stiffness = specimen.stiffness_n_per_mm or method.specimen.stiffness_n_per_mm
    gap_mm = max((step.farthest_mm for step in each_step(method.steps)), default=0.0)
    bounds = MethodBounds(rig, specimen.free_height_mm, stiffness, gap_mm)
    end = check_all(method.steps, bounds, MethodTotals(-UNKNOWN_APPROACH_MM))
    return CheckedMethod(method, rig, specimen, end.time_s, end.presses, end.deepest_mm, gap_mm, stiffness)


def check_contact(checked: CheckedMethod, contact_mm: float) -> None:
    """Check, once the contact is found, that all depths and gaps lie within the rig's travel.

    Parameters
    ----------
    contact_mm
        Position of the platen at contact, in the rig's own coordinate.

    Raises
    ------
    InputError
        With where the platen would have to go.
    """
    least_mm, most_mm = contact_mm - checked.largest_gap_mm, contact_mm + checked.deepest_mm
    if least_mm < checked.rig.travel_mm[0] or most_mm > checked.rig.travel_mm[1]:
        raise InputError(
            f"{checked.method.source}: from the contact at {contact_mm:.4g} mm the platen would move from "
            f"{least_mm:.4g} to {most_mm:.4g} mm, the rig's travel is {checked.rig.travel_mm[0]:g} to "
            f"{checked.rig.travel_mm[1]:g} mm; set the platens for this specimen"
        )


def plan(checked: CheckedMethod) -> Iterator[PlannedAction]:
    """Yield the actions of a method in order, made as they are asked for."""
    for step in checked.method.steps:
        yield from step.planned(checked.specimen.free_height_mm, ())
