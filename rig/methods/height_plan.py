"""How a free height is measured, checked against the rig before anything moves.

Problem: bare platens are as stiff as the frame, and a platen that stops on a force goes past it; too fast
a contact check would crash the platens. Plan: the speed of the search for a surface follows from the
overshoot that is allowed there; the slow contact checks after it start a small gap away. Cost: nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, sqrt
from typing import Final, Literal

from rig.errors import InputError
from rig.methods.bounds import RigLimits, overshoot_mm, overshoot_n

Surface = Literal["bare", "piece"]
"""What a contact check finds: the bare platens, or the piece between them."""

HEIGHT_CHECK: Final = "height contact check"
"""What the events call the phases of one slow contact check: begin, end, clear."""

SEARCH_FORCE_SHARE = 0.1
"""Of the rig's greatest force: a search that meets bare platens may go so far."""

SEARCH_SPEED_MM_PER_S = 10.0
"""At the most, whatever the overshoot."""

RISE_SHARE = 0.5
"""Of the largest rise of force that the host lets pass."""

TOP_MARGIN = 1.02
"""The platen goes on by so much, since noise and a zero that has moved stop it early."""

TOP_OVER_CONTACT = 2.0
"""The greater force lies above the small one by this factor at the least, so that both are read apart."""

CLEARANCE_MM = 0.5
"""Of way without load that must be left before the highest piece: its force zero is taken there."""

LEAST_CONTACT_CHECKS, MOST_CONTACT_CHECKS = 2, 100
LONGEST_REST_S = 86_400.0

OPTION_OF: Mapping[str, str] = {
    "contact_n": "--contact-force",
    "top_n": "--at",
    "contact_checks": "--contact-checks",
    "speed_mm_per_s": "--speed",
    "gap_mm": "--gap",
    "rest_s": "--rest",
    "expected_mm": "--expected",
}
"""What the command line calls the values of a plan."""

WORDS_OF: Mapping[str, str] = {
    "contact_n": "contact force",
    "top_n": "greater force",
    "contact_checks": "contact checks",
    "speed_mm_per_s": "speed",
    "gap_mm": "gap",
    "rest_s": "rest",
    "expected_mm": "expected height",
}
"""What a form calls them."""


@dataclass(frozen=True, slots=True)
class HeightPlan:
    """How to make the contact checks of a height.

    `contact_n`, `top_n`: the small force at which the height is reported, and the larger one beside it.
    `gap_mm`, `rest_s`: how far the platen goes back between contact checks, and how long it rests there.
    """

    contact_n: float = 0.05
    top_n: float = 5.0
    contact_checks: int = 5
    speed_mm_per_s: float = 0.2
    gap_mm: float = 1.0
    rest_s: float = 2.0
    platen_stiffness_n_per_mm: float = 2000.0
    expected_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CheckedHeightPlan:
    """A plan that fits a rig; `search_mm_per_s` is how fast surfaces are looked for, `away_mm_per_s` how fast
    the platen goes back."""

    plan: HeightPlan
    rig: RigLimits
    search_mm_per_s: float
    away_mm_per_s: float


def check_height_plan(
    plan: HeightPlan, rig: RigLimits, called: Mapping[str, str] = OPTION_OF
) -> CheckedHeightPlan:
    """Check a plan before anything moves.

    Parameters
    ----------
    called
        What a refusal calls each value of the plan: `OPTION_OF` or `WORDS_OF`.

    Raises
    ------
    InputError
        With what was found and what would be right.
    """
    if not LEAST_CONTACT_CHECKS <= plan.contact_checks <= MOST_CONTACT_CHECKS:
        raise InputError(
            f"{called['contact_checks']}: found {plan.contact_checks}, expected {LEAST_CONTACT_CHECKS} to "
            f"{MOST_CONTACT_CHECKS}: one alone does not show how well it repeats"
        )
    check_height_forces(plan.contact_n, plan.top_n, called)
    if TOP_MARGIN * plan.top_n > rig.force_n[1]:
        raise InputError(
            f"{called['top_n']}: found {plan.top_n:g} N, the rig's limit is {rig.force_n[1]:g} N, and "
            "stopping needs some of it; use a smaller force"
        )
    speed = called["speed_mm_per_s"]
    if plan.speed_mm_per_s > rig.speed_mm_per_s:
        raise InputError(
            f"{speed}: found {plan.speed_mm_per_s:g} mm/s, the rig moves at up to {rig.speed_mm_per_s:g} mm/s"
        )
    stiffness = plan.platen_stiffness_n_per_mm
    past_n = overshoot_n(plan.speed_mm_per_s, stiffness, rig)
    if TOP_MARGIN * plan.top_n + past_n > rig.force_n[1]:
        raise InputError(
            f"{speed}: at {plan.speed_mm_per_s:g} mm/s bare platens of {stiffness:g} N/mm are pressed "
            f"{past_n:.3g} N past the {plan.top_n:g} N of {called['top_n']}, the rig's limit is "
            f"{rig.force_n[1]:g} N; use a lower speed"
        )
    rise = stiffness * plan.speed_mm_per_s
    if rise > RISE_SHARE * rig.largest_rise_n_per_s:
        raise InputError(
            f"{speed}: at {plan.speed_mm_per_s:g} mm/s bare platens of {stiffness:g} N/mm make the force "
            f"rise by {rise:.0f} N/s, the rig halts at {rig.largest_rise_n_per_s:.0f} N/s; use a lower speed"
        )
    if plan.gap_mm + CLEARANCE_MM > rig.span_mm:
        raise InputError(
            f"{called['gap_mm']}: found {plan.gap_mm:g} mm, the rig's travel is {rig.span_mm:g} mm; use a "
            "smaller gap"
        )
    if plan.rest_s > LONGEST_REST_S:
        raise InputError(
            f"{called['rest_s']}: found {plan.rest_s:g} s, expected a day ({LONGEST_REST_S:g} s) at most"
        )
    expected_mm = plan.expected_mm
    if expected_mm is not None and expected_mm + plan.gap_mm + CLEARANCE_MM > rig.span_mm:
        raise InputError(
            f"{called['expected_mm']}: a piece of {expected_mm:g} mm and a gap of "
            f"{plan.gap_mm + CLEARANCE_MM:g} mm before it exceed the rig's travel of {rig.span_mm:g} mm"
        )
    return CheckedHeightPlan(plan, rig, _search_speed(plan, rig), rig.speed_mm_per_s)


def check_height_forces(contact_n: float, top_n: float, called: Mapping[str, str] = OPTION_OF) -> None:
    """Refuse two forces of a height that cannot be told apart.

    Raises InputError if the greater one is too small.
    """
    if top_n < TOP_OVER_CONTACT * contact_n:
        raise InputError(
            f"{called['top_n']}: found {top_n:g} N beside a contact force of {contact_n:g} N, expected "
            f"{TOP_OVER_CONTACT * contact_n:g} N or more"
        )


def _search_speed(plan: HeightPlan, rig: RigLimits) -> float:
    """As fast as the overshoot on bare platens allows: the root of a parabola in the speed."""
    allowed_n = SEARCH_FORCE_SHARE * rig.force_n[1] if rig.force_n[1] < inf else plan.top_n
    allowed_mm = max(allowed_n - plan.top_n, allowed_n / 2) / plan.platen_stiffness_n_per_mm
    late_s = overshoot_mm(1.0, rig) - 1 / (2 * rig.deceleration_mm_per_s2)
    brake = rig.deceleration_mm_per_s2
    fastest = brake * (sqrt(late_s**2 + 2 * allowed_mm / brake) - late_s)
    risen = RISE_SHARE * rig.largest_rise_n_per_s / plan.platen_stiffness_n_per_mm
    return max(
        min(fastest, risen, rig.speed_mm_per_s, SEARCH_SPEED_MM_PER_S),
        min(plan.speed_mm_per_s, rig.speed_mm_per_s),
    )
