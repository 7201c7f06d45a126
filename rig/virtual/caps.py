"""A cap pressed on a plug: it slides on against friction, sits, and is pulled off over a bead.

Problem: retention is measured in tension, over and over, and needs a specimen that pulls back and whose peak,
first slip and wear are known. Plan: an elastic grip of one stiffness between platen and cap, and a cap that
slides when the grip's force passes what friction holds at its place: little while going on, and while
coming off first the friction, then the bead's peak, then ever less. All limits are straight between a few
points, so that the cap's place is straight in the platen's, and its memory is one number and a count.
Cost: one pass for each change of direction. All numbers are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray
from rig.virtual.specimens import Specimen

_FAR_MM = 1e4


@dataclass(frozen=True, slots=True)
class CapMemory:
    """Where the cap is, in mm past the first contact, and how often it has been pulled off."""

    cap_mm: float
    pulls: int
    seen_mm: float


@dataclass(frozen=True, slots=True)
class PressedCap(Specimen):
    """A cap in the moving platen's clamp, and its plug on the fixed one.

    `engagement_mm`: how far the cap goes on until it sits.
    `grip_n_per_mm`, `seat_n_per_mm`: stiffness of clamp and cap, and of the seat beyond the engagement.
    `going_on_n`: friction of a cap that is nearly on.
    `first_slip_n`, `peak_n`, `sliding_n`: what holds a new cap: where it sits, over the bead, and after the
    bead; from there on less, down to nothing where it comes off.
    `bead_mm`, `after_bead_mm`: how far the cap has come off at the bead's top, and behind it.
    `wear`: share of all these that is lost with each pull.
    """

    engagement_mm: float = 8.0
    grip_n_per_mm: float = 40.0
    seat_n_per_mm: float = 200.0
    going_on_n: float = 10.0
    first_slip_n: float = 18.0
    peak_n: float = 24.0
    sliding_n: float = 12.0
    bead_mm: float = 0.5
    after_bead_mm: float = 1.3
    wear: float = 0.04
    height_mm: float = 30.0

    def __post_init__(self) -> None:
        if not 0 < self.bead_mm < self.after_bead_mm < self.engagement_mm:
            raise InputError(
                f"cap: found a bead from {self.bead_mm} to {self.after_bead_mm} mm of "
                f"{self.engagement_mm} mm, expected them in this order"
            )
        steepest = (self.peak_n - self.sliding_n) / (self.after_bead_mm - self.bead_mm)
        if not steepest < self.grip_n_per_mm:
            raise InputError(
                f"cap: behind the bead the hold falls by {steepest:.3g} N/mm, expected less than the "
                f"grip's {self.grip_n_per_mm} N/mm, or the cap would jump"
            )

    def fresh(self) -> CapMemory:
        """Return the memory of a cap off the plug, never pulled."""
        return CapMemory(-_FAR_MM, 0, -_FAR_MM)

    def hold_n(self, off_mm: float, pulls: int = 0) -> float:
        """Return what holds a cap off by `off_mm` after a number of pulls: the truth of a slow pull."""
        at_mm, hold_n = self._coming_off(pulls)
        return float(np.interp(self.engagement_mm - off_mm, at_mm, hold_n))

    def peak_of_pull_n(self, pull: int) -> float:
        """Return the peak pull-off force of the first pull (1), the second, and so on."""
        return self.peak_n * (1 - self.wear) ** (pull - 1)

    def pull_work_mj(self, pull: int) -> float:
        """Return the work of pulling a seated cap off, the grip's stretch given back: area below the hold."""
        at_mm, hold_n = self._coming_off(pull - 1)
        inside = (at_mm >= 0) & (at_mm <= self.engagement_mm)
        return float(np.trapezoid(hold_n[inside], at_mm[inside]))

    def respond(
        self, memory: CapMemory, deflection_mm: FloatArray, step_s: float
    ) -> tuple[FloatArray, CapMemory]:
        """Return the force of grip and seat, below zero while the cap is pulled; time does not matter."""
        if not len(deflection_mm):
            return np.empty(0), memory
        cap_mm = np.empty(len(deflection_mm))
        ways = np.sign(np.diff(deflection_mm, prepend=memory.seen_mm))
        turns = np.flatnonzero(np.diff(ways)) + 1
        now_mm, pulls = memory.cap_mm, memory.pulls
        for begin, end in zip([0, *turns], [*turns, len(deflection_mm)], strict=True):
            run = deflection_mm[begin:end]
            # The cap stays until the grip's force passes what holds it. On the way to the plug it lags behind
            # the platen by friction over grip stiffness at most; on the way off by the hold over it.
            on_at_mm = np.array([-_FAR_MM, 0.0, self.engagement_mm])
            friction_n = np.array([0.0, 0.0, self.going_on_n]) * (1 - self.wear) ** pulls
            least: FloatArray = np.interp(run, on_at_mm + friction_n / self.grip_n_per_mm, on_at_mm)
            at_mm, hold_n = self._coming_off(pulls)
            most: FloatArray = np.interp(run, at_mm - hold_n / self.grip_n_per_mm, at_mm)
            cap_mm[begin:end] = np.clip(now_mm, least, most)
            was_on, now_mm = now_mm > 0, float(cap_mm[end - 1])
            pulls += int(was_on and now_mm <= 0)
        seat_mm = np.maximum(deflection_mm - self.engagement_mm, 0.0)
        grip_n = np.where(deflection_mm > 0, self.grip_n_per_mm * (deflection_mm - cap_mm), 0.0)
        force_n = grip_n + self.seat_n_per_mm * seat_mm
        return force_n, CapMemory(now_mm, pulls, float(deflection_mm[-1]))

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the stiffness of grip and seat while nothing slides."""
        seat = np.where(deflection_mm > self.engagement_mm, self.seat_n_per_mm, 0.0)
        return np.where(deflection_mm > 0, self.grip_n_per_mm, 0.0) + seat

    def _coming_off(self, pulls: int) -> tuple[FloatArray, FloatArray]:
        sits = self.engagement_mm
        at_mm = np.array([-_FAR_MM, 0.0, sits - self.after_bead_mm, sits - self.bead_mm, sits, _FAR_MM])
        hold_n = np.array([0.0, 0.0, self.sliding_n, self.peak_n, self.first_slip_n, self.first_slip_n])
        return at_mm, hold_n * (1 - self.wear) ** pulls
