"""A method checked against a rig and a specimen before anything moves.

Problem: what a method asks may be too deep, too fast or too hard for this rig and this specimen, and a
platen that stops on a force goes past it. Plan: walk the steps once with the platen's position, adding up
time and presses; a repeat is walked twice, and its second pass stands for all the later ones.
Cost: two to the power of the nesting, which is bounded; never the number of repeats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from rig.errors import InputError
from rig.methods.fields import refuse
from rig.methods.steps import (
    ContactCheck,
    Hold,
    Method,
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
    StepDepth,
    each_step,
)

HEIGHT_MARGIN_PCT = 5.0
"""Of the free height, kept between the platens: a squeezed foam is solid before it is gone."""

SMALLEST_MARGIN_MM = 1.0
"""Kept between the platens however low the specimen: platens are not parallel to better than this."""

SUDDEN_S = 0.02
"""A force that would go from nothing to its limit in so short a time is a crash, not a soft part."""

ROUGH = 10.0
"""The largest slope is often stated roughly; one that is wrong by its unit is so by a thousand."""

LETS_GO_S = 0.01
"""A part that is pulled off lets the force back to zero in so short a time, and that is no crash."""

UNKNOWN_APPROACH_MM = 10.0
"""Taken for the way to a first contact check, which is not known beforehand; only the time estimate uses
it."""


@dataclass(frozen=True, slots=True)
class RigLimits:
    """What a rig can do. All but `delay_s` and the lower ends of the ranges are above zero.

    Parameters
    ----------
    travel_mm, force_n
        Least and greatest.
    speed_mm_per_s, deceleration_mm_per_s2
        Greatest speed, and how it brakes.
    conversions_per_s, delay_s
        New values per second of the force converter, and by how much its filter delays them.
    samples_per_s
        Rate at which the device looks at the force.
    force_rise_n_per_s
        The host halts where force rises faster than this; None: as fast as from zero to the greatest force
        within `SUDDEN_S`.
    by_hand
        There is no drive; a person moves the platen, and nothing stops it. Its travel has no limits then,
        and its force only a stated one (see `by_hand.py`).
    """

    travel_mm: tuple[float, float]
    speed_mm_per_s: float
    force_n: tuple[float, float]
    deceleration_mm_per_s2: float
    conversions_per_s: float
    delay_s: float
    samples_per_s: float
    force_rise_n_per_s: float | None = None
    by_hand: bool = False
    platens_meet_mm: float | None = None

    @property
    def largest_rise_n_per_s(self) -> float:
        """The stated largest rise of force, or the usual one."""
        if self.force_rise_n_per_s is not None:
            return self.force_rise_n_per_s
        return self.force_n[1] / SUDDEN_S

    @property
    def span_mm(self) -> float:
        """Length of the travel."""
        return self.travel_mm[1] - self.travel_mm[0]


@dataclass(frozen=True, slots=True)
class SpecimenFacts:
    """What is known of the specimen; `stiffness_n_per_mm` is the largest slope to be expected of it, and goes
    before the method's."""

    free_height_mm: float | None = None
    area_mm2: float | None = None
    stiffness_n_per_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CheckedMethod:
    """A method that this rig can carry out on this specimen.

    Parameters
    ----------
    time_s
        Estimate. A press to a force is counted as deep as it may go, a step off the rig as short as it may
        be, the way to a first contact check as `UNKNOWN_APPROACH_MM`.
    presses
        How often the specimen is pressed; contact checks are not counted.
    deepest_mm
        Greatest deflection past contact, overshoot included.
    stiffness_n_per_mm
        Largest slope to be expected, the specimen's own before the method's.
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


def overshoot_mm(speed_mm_per_s: float, rig: RigLimits) -> float:
    """Return how far the platen goes past the position at which a force was reached.

    The force is seen late by the converter's delay, up to one conversion and up to one sample; then the
    platen brakes:

        overshoot_mm = speed * (delay + conversion period + one sample) + speed^2 / (2 * deceleration)

    Examples
    --------
    >>> rig = RigLimits((0, 100), 20, (-10, 500), 500, 80, 0.025, 500)
    >>> round(overshoot_mm(10.0, rig), 3)
    0.495
    """
    late_s = rig.delay_s + 1 / rig.conversions_per_s + 1 / rig.samples_per_s
    return speed_mm_per_s * late_s + speed_mm_per_s**2 / (2 * rig.deceleration_mm_per_s2)


def overshoot_n(speed_mm_per_s: float, stiffness_n_per_mm: float, rig: RigLimits) -> float:
    """Return how far the force goes past the one at which the platen was to stop: stiffness *
    overshoot_mm."""
    return stiffness_n_per_mm * overshoot_mm(speed_mm_per_s, rig)


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
    gap_mm = largest_gap_mm(method.steps)
    walk = _Walk(rig, specimen.free_height_mm, stiffness, gap_mm)
    end = walk.through(method.steps, _Progress(-UNKNOWN_APPROACH_MM))
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


def largest_gap_mm(steps: tuple[Step, ...]) -> float:
    """Farthest that any step takes the platen from the contact."""
    gaps = (step.gap_mm for step in each_step(steps) if isinstance(step, Return | PullOff | Recover))
    return max(gaps, default=0.0)


def depth_mm(depth: StepDepth, free_height_mm: float | None, place: Place) -> float:
    """Return a depth in mm.

    Raises InputError if it is in per cent of a free height that is not known.
    """
    if depth.unit == "mm":
        return depth.value
    if free_height_mm is None:
        refuse(place, f"{depth} of an unknown free height; give the specimen's free height (--free-height)")
    return depth.value * free_height_mm / 100


@dataclass(frozen=True, slots=True)
class _Progress:
    """Where the platen is (deflection; a gap is below zero) and what has come together so far."""

    position_mm: float
    time_s: float = 0.0
    presses: int = 0
    deepest_mm: float = 0.0

    def moved(self, to_mm: float, time_s: float) -> _Progress:
        return replace(self, position_mm=to_mm, time_s=self.time_s + time_s)

    def waited(self, time_s: float) -> _Progress:
        return replace(self, time_s=self.time_s + time_s)

    def pressed(self, deepest_mm: float) -> _Progress:
        return replace(self, presses=self.presses + 1, deepest_mm=max(self.deepest_mm, deepest_mm))


@dataclass(frozen=True, slots=True)
class _Walk:
    """Checks steps and adds them up."""

    rig: RigLimits
    height_mm: float | None
    stiffness_n_per_mm: float | None
    gap_mm: float

    def through(self, steps: Iterable[Step], progress: _Progress) -> _Progress:
        for step in steps:
            progress = self._after(step, progress)
        return progress

    def _after(self, step: Step, progress: _Progress) -> _Progress:
        match step:
            case ContactCheck():
                self._check_force(step.place, step.force_n, step.speed_mm_per_s)
                after = progress.moved(0.0, self._time_s(progress, 0.0, step.speed_mm_per_s))
            case PressToDepth() | PressToForce():
                after = self._press(step, progress)
            case Return() | PullOff():
                self._check_speed(step.place, step.speed_mm_per_s)
                if isinstance(step, PullOff):
                    self._check_pull(step)
                self._check_span(step.place, step.gap_mm, 0.0)
                time_s = self._time_s(progress, -step.gap_mm, step.speed_mm_per_s)
                after = progress.moved(-step.gap_mm, time_s)
            case Hold() | Rest():
                after = progress.waited(step.duration_s)
            case OffRig():
                after = progress.waited(step.least_s)
            case Recover():
                after = self._recover(step, progress)
            case Repeat():
                after = self._repeat(step, progress)
        return after

    def _press(self, step: PressToDepth | PressToForce, progress: _Progress) -> _Progress:
        past_mm = 0.0
        if isinstance(step, PressToForce):
            goal_mm = depth_mm(step.stop, self.height_mm, step.place)
            self._check_force(step.place, step.force_n, step.speed_mm_per_s, goal_mm)
            past_mm = overshoot_mm(step.speed_mm_per_s, self.rig)
        else:
            self._check_speed(step.place, step.speed_mm_per_s)
            goal_mm = depth_mm(step.depth, self.height_mm, step.place)
        if goal_mm <= progress.position_mm:
            refuse(
                step.place,
                f"goes to {goal_mm:g} mm, but the platen may already stand at {progress.position_mm:g} mm; "
                "return first, or press deeper",
            )
        self._check_height(step.place, goal_mm, past_mm)
        self._check_span(step.place, self.gap_mm, goal_mm + past_mm)
        time_s = self._time_s(progress, goal_mm, step.speed_mm_per_s)
        return progress.moved(goal_mm, time_s).pressed(goal_mm + past_mm)

    def _recover(self, step: Recover, progress: _Progress) -> _Progress:
        self._check_force(step.place, step.force_n, step.speed_mm_per_s)
        self._check_span(step.place, step.gap_mm, 0.0)
        there_s = self._move_s(step.gap_mm, step.speed_mm_per_s)
        away_s = self._time_s(progress, -step.gap_mm, step.speed_mm_per_s)
        shortest_s = min(step.first_s, step.time_s(1) - step.first_s)
        busy_s = max(away_s, 2 * there_s)
        if shortest_s < busy_s:
            refuse(
                step.place,
                f"contact checks {shortest_s:.3g} s apart, but one with its return takes {busy_s:.3g} s; "
                "start later, use fewer contact checks, or use a smaller gap or more speed",
            )
        return progress.moved(-step.gap_mm, step.last_s + 2 * there_s)

    def _repeat(self, step: Repeat, progress: _Progress) -> _Progress:
        first = self._paced(step, progress)
        if step.count == 1:
            return first
        second = self._paced(step, first)
        later = step.count - 2
        return replace(
            second,
            time_s=second.time_s + later * (second.time_s - first.time_s),
            presses=second.presses + later * (second.presses - first.presses),
        )

    def _paced(self, step: Repeat, progress: _Progress) -> _Progress:
        end = self.through(step.steps, progress)
        if step.every_s is None:
            return end
        took_s = end.time_s - progress.time_s
        if took_s > step.every_s:
            refuse(
                step.place,
                f"every {step.every_s:.4g} s, but the steps may take {took_s:.4g} s on this rig; allow "
                "more time, press less deep, or raise the speed",
            )
        return replace(end, time_s=progress.time_s + step.every_s)

    def _check_speed(self, place: Place, speed_mm_per_s: float) -> None:
        if speed_mm_per_s > self.rig.speed_mm_per_s:
            refuse(
                place,
                f"speed of {speed_mm_per_s:.4g} mm/s, the rig moves at up to "
                f"{self.rig.speed_mm_per_s:g} mm/s; use a lower speed",
            )

    def _check_force(
        self, place: Place, force_n: float, speed_mm_per_s: float, deepest_mm: float | None = None
    ) -> None:
        self._check_speed(place, speed_mm_per_s)
        if math.isinf(self.rig.force_n[1]):
            return
        if self.stiffness_n_per_mm is None:
            refuse(
                place,
                "the overshoot of the force depends on the specimen's stiffness; give specimen: "
                "{stiffness: ...} in the method, the largest expected slope",
            )
        least_mm = force_n / self.stiffness_n_per_mm
        if least_mm > (ROUGH * deepest_mm if deepest_mm else self.height_mm or self.rig.span_mm):
            refuse(
                place,
                f"a part of at most {self.stiffness_n_per_mm:g} N/mm gives {force_n:.4g} N only after "
                f"{least_mm:.4g} mm, which is too deep; check the unit of its stiffness (N/mm, not N/m)",
            )
        past_n = overshoot_n(speed_mm_per_s, self.stiffness_n_per_mm, self.rig)
        most_n = self.rig.force_n[1]
        if force_n + past_n > most_n:
            whose = "the stated" if self.rig.by_hand else "the rig's"
            refuse(
                place,
                f"{force_n:.4g} N and {past_n:.3g} N of overshoot at {speed_mm_per_s:.4g} mm/s exceed "
                f"{whose} {most_n:g} N; use a smaller force or a lower speed",
            )

    def _check_pull(self, step: PullOff) -> None:
        least_n = self.rig.force_n[0]
        if not step.largest_n < -least_n:
            refuse(
                step.place,
                f"a pull of up to {step.largest_n:g} N, but the rig's least force is {least_n:g} N; pulls "
                "are below zero: use a rig that may pull (drive: force), or a smaller limit",
            )
        rise_n_per_s, most_n_per_s = step.largest_n / LETS_GO_S, self.rig.largest_rise_n_per_s
        if rise_n_per_s > most_n_per_s:
            refuse(
                step.place,
                f"a part that comes off at {step.largest_n:g} N rises by up to {rise_n_per_s:.0f} N/s, the "
                f"rig halts at {most_n_per_s:.0f} N/s; allow a larger drive: force_rise, or a smaller pull",
            )

    def _check_height(self, place: Place, goal_mm: float, past_mm: float) -> None:
        if self.height_mm is None:
            refuse(place, "a press needs the specimen's free height; give it")
        margin_mm = max(SMALLEST_MARGIN_MM, self.height_mm * HEIGHT_MARGIN_PCT / 100)
        most_mm = self.height_mm - margin_mm
        if goal_mm + past_mm > most_mm:
            refuse(
                place,
                f"{goal_mm:.4g} mm deep and {past_mm:.3g} mm of overshoot, but a free height of "
                f"{self.height_mm:g} mm less a margin of {margin_mm:.3g} mm allows {most_mm:.4g} mm",
            )

    def _check_span(self, place: Place, gap_mm: float, deep_mm: float) -> None:
        if gap_mm + deep_mm > self.rig.span_mm:
            refuse(
                place,
                f"{deep_mm:.4g} mm deep and a gap of {gap_mm:.4g} mm exceed the rig's travel of "
                f"{self.rig.span_mm:g} mm; press less deep or use a smaller gap",
            )

    def _time_s(self, progress: _Progress, to_mm: float, speed_mm_per_s: float) -> float:
        return self._move_s(abs(to_mm - progress.position_mm), speed_mm_per_s)

    def _move_s(self, distance_mm: float, speed_mm_per_s: float) -> float:
        """Cruising the whole way, and half of the speed lost over each ramp at the two ends."""
        if distance_mm == 0:
            return 0.0
        return distance_mm / speed_mm_per_s + speed_mm_per_s / self.rig.deceleration_mm_per_s2
