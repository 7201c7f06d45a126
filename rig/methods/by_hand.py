"""A method checked for a rig without a drive, where a person at a lever does what a motor would.

Problem: a hand has no limits in a file, but some things it cannot do, and no one should find that out at
stroke 300. Plan: the same walk as for a driven rig, with the limits of a hand; what it cannot do is reported
in one refusal with every reason, what is merely hard is a warning. Cost: as for a driven rig.
"""

from __future__ import annotations

import math

from rig.errors import InputError
from rig.methods.bounds import RigLimits, SpecimenFacts
from rig.methods.checking import CheckedMethod, check_method
from rig.methods.method import Method
from rig.methods.step import each_step

HAND_SPEED_MM_PER_S = 50.0
"""Faster, a stroke of 20 mm is over before a person has seen how fast it was."""

REACTION_S = 0.3
"""From what is shown to what the hand does."""

HAND_BRAKE_MM_PER_S2 = 100.0
"""How a hand at a lever comes to rest from a fast stroke, roughly."""

MOST_PRESSES = 300
"""An hour or two of steady work; beyond, the last presses are not like the first."""

SHORTEST_EVERY_S = 2.0
"""A beat that a hand can keep while its eyes are on depth and speed."""

MANY_PRESSES = 60
LONG_S = 2 * 3600.0
CREEP_MM_PER_S = 0.1
"""A lever jerks when it is moved more slowly than this."""


def hand_limits(largest_force_n: float | None = None) -> RigLimits:
    """Return what a hand can do, in the form of a rig's limits: any travel, and the force only if stated."""
    return RigLimits(
        travel_mm=(-math.inf, math.inf),
        speed_mm_per_s=HAND_SPEED_MM_PER_S,
        force_n=(-math.inf, math.inf if largest_force_n is None else largest_force_n),
        deceleration_mm_per_s2=HAND_BRAKE_MM_PER_S2,
        conversions_per_s=math.inf,
        delay_s=REACTION_S,
        samples_per_s=math.inf,
        by_hand=True,
    )


def check_by_hand(
    method: Method, specimen: SpecimenFacts, largest_force_n: float | None = None
) -> CheckedMethod:
    """Check that a hand can do what a method asks, and that no press goes deeper than the specimen allows.

    Parameters
    ----------
    specimen
        What is known of it; without its free height no press is allowed.

    Raises
    ------
    InputError
        With each step that a hand cannot do, or the first that the specimen does not allow.
    """
    reasons = []
    for step in each_step(method.steps):
        speed = step.moves_at_mm_per_s
        if math.isfinite(speed) and speed > HAND_SPEED_MM_PER_S:
            reasons.append(
                f"{step.place}: {speed:.4g} mm/s, a hand can hold up to {HAND_SPEED_MM_PER_S:g} mm/s"
            )
        reasons += [f"{step.place}: {reason}" for reason in step.beyond_a_hand()]
    if reasons:
        raise InputError(
            "a hand cannot do this; use a driven rig, or a method with fewer and slower presses:\n  "
            + "\n  ".join(reasons)
        )
    checked = check_method(method, hand_limits(largest_force_n), specimen)
    if checked.presses > MOST_PRESSES:
        raise InputError(
            f"{method.source}: {checked.presses} presses in all, expected at most {MOST_PRESSES} by hand; "
            "use a driven rig, or repeat less often"
        )
    return checked


def hard_by_hand(checked: CheckedMethod) -> tuple[str, ...]:
    """Return what a hand can do but will find hard, in sentences for a person; empty if nothing."""
    said = []
    if checked.presses > MANY_PRESSES:
        said.append(
            f"{checked.presses} presses by hand are many: a tired hand presses differently from a fresh one."
        )
    if checked.time_s > LONG_S:
        said.append(f"It takes about {checked.time_s / 3600:.1f} h, with someone present for each step.")
    slowest = min((step.moves_at_mm_per_s for step in each_step(checked.method.steps)), default=math.inf)
    if slowest < CREEP_MM_PER_S:
        said.append(f"{slowest:.2g} mm/s is slower than a lever can move smoothly; the speed will be uneven.")
    return tuple(said)
