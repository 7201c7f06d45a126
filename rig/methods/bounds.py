"""What a rig can do and a specimen allows, and how far a stop on a force goes past it.

Problem: every step of a method may be too deep, too fast or too hard, in the same few ways. Plan: the limits
as values, and one object that refuses what lies beyond them, with the place of the step that asked for it.
Cost: none worth naming.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from rig.methods.fields import Fields, Place, quantity, refuse, scalar

HEIGHT_MARGIN_PCT = 5.0
"""Of the free height, kept between the platens: a squeezed foam is solid before it is gone."""

SMALLEST_MARGIN_MM = 1.0
"""Kept between the platens however low the specimen: platens are not parallel to better than this."""

SUDDEN_S = 0.02
"""A force that would go from nothing to its limit in so short a time is a crash, not a soft part."""

ROUGH = 10.0
"""The largest slope is often stated roughly; one that is wrong by its unit is so by a thousand."""


@dataclass(frozen=True, slots=True)
class RigLimits:
    """What a rig can do. All but `delay_s` and the lower ends of the ranges are above zero.

    `travel_mm`, `force_n`: least and greatest.
    `speed_mm_per_s`, `deceleration_mm_per_s2`: greatest speed, and how it brakes.
    `conversions_per_s`, `delay_s`: new values per second of the force converter, and by how much its filter
    delays them.
    `samples_per_s`: rate at which the device looks at the force.
    `force_rise_n_per_s`: the host halts where force rises faster than this; None: as fast as from zero to the
    greatest force within `SUDDEN_S`.
    `by_hand`: there is no drive; a person moves the platen, and nothing stops it. Its travel has no limits
    then, and its force only a stated one (see `by_hand.py`).
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
class StepDepth:
    """A depth past contact, in mm or in per cent of the free height."""

    value: float
    unit: Literal["mm", "%"]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"

    @classmethod
    def read(cls, fields: Fields, key: str) -> StepDepth:
        """Return a depth in mm, or in % of the free height."""
        text = scalar(fields.place, key, fields.node(key), "'60 %'")
        unit: Literal["mm", "%"] = "%" if "%" in text else "mm"
        return cls(quantity(fields.at(key), key, text, unit), unit)

    def in_mm(self, free_height_mm: float | None, place: Place) -> float:
        """Return the depth in mm.

        Raises InputError if it is in per cent of a free height that is not known.
        """
        if self.unit == "mm":
            return self.value
        if free_height_mm is None:
            refuse(
                place, f"{self} of an unknown free height; give the specimen's free height (--free-height)"
            )
        return self.value * free_height_mm / 100


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


@dataclass(frozen=True, slots=True)
class MethodBounds:
    """What this rig and this specimen allow a step.

    Each `must_...` raises InputError with the step's place, what was found and what would be right.

    `height_mm`: free height; None where it is not known.
    `stiffness_n_per_mm`: largest slope to be expected; None where it is not known.
    `gap_mm`: farthest that any step of the method takes the platen from the contact.
    """

    rig: RigLimits
    height_mm: float | None
    stiffness_n_per_mm: float | None
    gap_mm: float

    def must_move_at(self, place: Place, speed_mm_per_s: float) -> None:
        """Refuse a speed beyond the rig's."""
        if speed_mm_per_s > self.rig.speed_mm_per_s:
            refuse(
                place,
                f"speed of {speed_mm_per_s:.4g} mm/s, the rig moves at up to "
                f"{self.rig.speed_mm_per_s:g} mm/s; use a lower speed",
            )

    def must_reach(
        self, place: Place, force_n: float, speed_mm_per_s: float, deepest_mm: float | None = None
    ) -> None:
        """Refuse a force that this rig may not stop at, or this specimen never gives."""
        self.must_move_at(place, speed_mm_per_s)
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

    def must_leave_height(self, place: Place, goal_mm: float, past_mm: float) -> None:
        """Refuse a depth that leaves too little between the platens."""
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

    def must_fit_travel(self, place: Place, gap_mm: float, deep_mm: float) -> None:
        """Refuse a gap and a depth that are longer together than the rig's travel."""
        if gap_mm + deep_mm > self.rig.span_mm:
            refuse(
                place,
                f"{deep_mm:.4g} mm deep and a gap of {gap_mm:.4g} mm exceed the rig's travel of "
                f"{self.rig.span_mm:g} mm; press less deep or use a smaller gap",
            )

    def way_s(self, distance_mm: float, speed_mm_per_s: float) -> float:
        """Return how long a way takes."""
        if distance_mm == 0:
            return 0.0
        # cruising the whole way, and half of the speed lost over each ramp at the two ends
        return abs(distance_mm) / speed_mm_per_s + speed_mm_per_s / self.rig.deceleration_mm_per_s2
