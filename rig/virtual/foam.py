"""A block of foam: plateau, densification, relaxation, softening, permanent set, and bending if tall.

Problem: the parts the rig is for change while they are measured. Plan: a smooth curve of force against
deflection (`FoamCurve`) drives a Prony series; between contacts the block loses stiffness and height.

One contact, from first contact to letting go, goes like this, with u the deflection past where the block
now begins and m the largest u of the contact so far:

* the block shortens by growth(m) = set_share H (m/H)^set_exponent / (1 + squeezes/set_fading), while it
  is pressed deeper, so loading and unloading differ and force stays continuous;
* force at once = softness x curve(u - growth(m)), which goes through the Prony series; a negative
  outcome means that the foam lags behind the platen, and the force is zero;
* letting go, part of the growth stays for good and the rest recovers through a few exponentials spread
  evenly over the logarithm of time; the softness moves towards its floor, faster for deeper squeezes.

Cycling without letting go is one contact. Cost: a few array passes for each contact in a stretch. The
numbers are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rig.samples import FloatArray
from rig.virtual.relaxation import Memory, Prony
from rig.virtual.specimens import Specimen

LOOK_AHEAD_POINTS = 4096
"""Longest stretch searched at once for the next contact or letting go, so that many short contacts in a
long stretch do not cost the square of its length."""

FLOAT_PRONY = Prony((0.16, 0.12, 0.08), (0.3, 3.0, 60.0))
"""Relaxation of the net float's foam: a third of the force dies away, half of that at once."""


@dataclass(frozen=True, slots=True)
class FoamCurve:
    """Force of the foam if time did nothing: F = Fy (1 - exp(-d/dy)) + k d + Fd (d/dd)^6.

    Beyond `bends_at_mm`, if given, the slope dies away over `bending_mm` towards `-bending_n_per_mm`.
    """

    plateau_n: float = 90.0
    plateau_mm: float = 7.2
    rise_n_per_mm: float = 0.7
    dense_n: float = 200.0
    dense_mm: float = 54.0
    bends_at_mm: float | None = None
    bending_mm: float = 8.0
    bending_n_per_mm: float = 0.6

    def force_n(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the force at each deflection, shape (n,); zero in the gap."""
        depth = np.maximum(deflection_mm, 0.0)
        if self.bends_at_mm is None:
            return self._upright_n(depth)
        past, slope_n_per_mm = self._past_bending(depth)
        bent_n = -self.bending_n_per_mm * past - slope_n_per_mm * self.bending_mm * np.expm1(
            -past / self.bending_mm
        )
        return np.maximum(self._upright_n(np.minimum(depth, self.bends_at_mm)) + bent_n, 0.0)

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the slope at each deflection, shape (n,)."""
        depth = np.maximum(deflection_mm, 0.0)
        if self.bends_at_mm is None:
            return self._upright_n_per_mm(depth)
        past, slope_n_per_mm = self._past_bending(depth)
        bent = slope_n_per_mm * np.exp(-past / self.bending_mm) - self.bending_n_per_mm
        return np.where(past > 0, bent, self._upright_n_per_mm(depth))

    def work_mj(self, deflection_mm: float) -> float:
        """Return the work from contact to a deflection, in closed form, while the force is above zero."""
        if self.bends_at_mm is None or deflection_mm <= self.bends_at_mm:
            return self._upright_mj(deflection_mm)
        # Integral of `force_n` past the bend: the force there goes on, less the falling line, plus what the
        # slope that dies away still adds.
        past, slope_n_per_mm = (float(part[0]) for part in self._past_bending(np.array([deflection_mm])))
        at_bend_n = float(self._upright_n(np.array([self.bends_at_mm]))[0])
        lag_mm = self.bending_mm * -math.expm1(-past / self.bending_mm)
        return (
            self._upright_mj(self.bends_at_mm)
            + at_bend_n * past
            - 0.5 * self.bending_n_per_mm * past**2
            + slope_n_per_mm * self.bending_mm * (past - lag_mm)
        )

    def scaled(self, factor: float) -> FoamCurve:
        """Return the same shape with forces multiplied."""
        return replace(
            self,
            plateau_n=self.plateau_n * factor,
            rise_n_per_mm=self.rise_n_per_mm * factor,
            dense_n=self.dense_n * factor,
            bending_n_per_mm=self.bending_n_per_mm * factor,
        )

    def _past_bending(self, depth: FloatArray) -> tuple[FloatArray, FloatArray]:
        bends_at = np.array([self.bends_at_mm or 0.0])
        past = np.maximum(depth - bends_at, 0.0)
        return past, self._upright_n_per_mm(bends_at) + self.bending_n_per_mm

    def _upright_n(self, depth: FloatArray) -> FloatArray:
        square = np.square(depth / self.dense_mm)
        dense = self.dense_n * square * square * square
        return -self.plateau_n * np.expm1(-depth / self.plateau_mm) + self.rise_n_per_mm * depth + dense

    def _upright_n_per_mm(self, depth: FloatArray) -> FloatArray:
        plateau = self.plateau_n / self.plateau_mm * np.exp(-depth / self.plateau_mm)
        return plateau + self.rise_n_per_mm + 6 * self.dense_n / self.dense_mm * (depth / self.dense_mm) ** 5

    def _upright_mj(self, depth: float) -> float:
        plateau = self.plateau_n * (depth + self.plateau_mm * math.expm1(-depth / self.plateau_mm))
        dense = self.dense_n * self.dense_mm / 7 * (depth / self.dense_mm) ** 7
        return plateau + 0.5 * self.rise_n_per_mm * depth**2 + dense


@dataclass(frozen=True, slots=True)
class FoamMemory:
    """Where a block of foam stands.

    Time counts from letting go and stands still during a contact; it is kept as a whole number of steps, so
    that it does not depend on how a rest is cut into stretches. `squeezes` counts contacts by how deep they
    were: a deep one as one, a light one as next to nothing.
    """

    relaxation: Memory
    in_contact: bool = False
    earlier_s: float = 0.0
    steps: int = 0
    step_s: float = 0.0
    permanent_mm: float = 0.0
    recovering_mm: tuple[float, ...] = ()
    deepest_mm: float = 0.0
    squeezes: float = 0.0
    softening: float = 0.0

    @property
    def elapsed_s(self) -> float:
        """Time since it was let go."""
        return self.earlier_s + self.steps * self.step_s


@dataclass(frozen=True, slots=True)
class Foam(Specimen):
    """A block of foam that relaxes, softens and takes a set (see the module).

    `height_mm`: free height before the first squeeze.
    `softening_floor`: share of the force that is left when softening is complete.
    `softening_at`: compression (share of height) of which one squeeze does 63 % of the softening still to
    come.
    `softened`: share of the softening that happened before the test began.
    `set_share`, `set_exponent`, `set_fading`: see the module; zero share for no set.
    `set_stays`: share of each loss of height that never comes back.
    `recovery_times_s`: times of the exponentials through which the rest comes back.
    """

    height_mm: float = 90.0
    curve: FoamCurve = FoamCurve()
    prony: Prony = FLOAT_PRONY
    softening_floor: float = 0.8
    softening_at: float = 0.25
    softened: float = 0.0
    set_share: float = 0.18
    set_exponent: float = 2.5
    set_fading: float = 3.0
    set_stays: float = 0.4
    recovery_times_s: tuple[float, ...] = (2.0, 20.0, 200.0, 2000.0)

    def fresh(self) -> FoamMemory:
        """Return a block before its first squeeze of this test."""
        none_lost = (0.0,) * len(self.recovery_times_s)
        return FoamMemory(self.prony.fresh(), recovering_mm=none_lost, softening=self.softened)

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the slope of the curve, without set and softening: only a good step is asked for."""
        return np.where(deflection_mm > 0, self.curve.tangent_n_per_mm(deflection_mm), 0.0)

    def respond(
        self, memory: FoamMemory, deflection_mm: FloatArray, step_s: float
    ) -> tuple[FloatArray, FoamMemory]:
        """Return the force over a stretch, contact by contact."""
        instant_n = np.zeros(len(deflection_mm))
        at = 0
        while at < len(deflection_mm):
            ahead = deflection_mm[at : at + LOOK_AHEAD_POINTS]
            if memory.in_contact:
                used, memory = self._pressed(memory, ahead, instant_n[at : at + LOOK_AHEAD_POINTS])
            else:
                used, memory = self._free(memory, ahead, step_s)
            at += used
        force_n, relaxation = self.prony.respond(memory.relaxation, instant_n, step_s)
        return np.maximum(force_n, 0.0), replace(memory, relaxation=relaxation)

    def lost_height_mm(self, memory: FoamMemory) -> float:
        """Return how much shorter the block is now than before its first squeeze, relaxation apart."""
        return self._lost_now_mm(memory) + self._growth_mm(memory)

    def _free(self, memory: FoamMemory, ahead: FloatArray, step_s: float) -> tuple[int, FoamMemory]:
        """Recover until contact begins; how many points that took."""
        if step_s != memory.step_s:
            memory = replace(memory, earlier_s=memory.elapsed_s, steps=0, step_s=step_s)
        steps = np.arange(memory.steps + 1, memory.steps + len(ahead) + 1)
        elapsed_s = memory.earlier_s + steps * np.float64(step_s)
        in_contact = ahead > self._lost_mm(memory, elapsed_s)
        if in_contact.any():
            used = int(np.argmax(in_contact))
            # The contact begins where the block is now, so the first point of a contact is always a squeeze.
            return used, replace(memory, in_contact=True, deepest_mm=0.0, steps=int(steps[used]))
        return len(ahead), replace(memory, steps=int(steps[-1]))

    def _pressed(
        self, memory: FoamMemory, ahead: FloatArray, instant_n: FloatArray
    ) -> tuple[int, FoamMemory]:
        """Follow the contact until it ends, writing the forces; how many points that took."""
        # The growth follows the deepest point so far: the way back lies below the way in.
        past_mm = ahead - self._lost_now_mm(memory)
        deepest_mm = np.maximum(np.maximum.accumulate(past_mm), memory.deepest_mm)
        squeezed_mm = past_mm - self._growth_factor(memory) * deepest_mm**self.set_exponent
        free = squeezed_mm <= 0
        ends = bool(free.any())
        used = int(np.argmax(free)) if ends else len(ahead)
        softness = 1.0 - (1.0 - self.softening_floor) * memory.softening
        instant_n[:used] = softness * self.curve.force_n(squeezed_mm[:used])
        if used:
            memory = replace(memory, deepest_mm=float(deepest_mm[used - 1]))
        return used, self._let_go(memory) if ends else memory

    def _let_go(self, memory: FoamMemory) -> FoamMemory:
        # What was still recovering went on with it; of the new loss a share stays, the rest is spread evenly.
        growth_mm = self._growth_mm(memory)
        decay = [math.exp(-memory.elapsed_s / time_s) for time_s in self.recovery_times_s]
        share_mm = (1.0 - self.set_stays) * growth_mm / max(len(self.recovery_times_s), 1)
        done = -math.expm1(-memory.deepest_mm / self.height_mm / self.softening_at)
        return replace(
            memory,
            in_contact=False,
            earlier_s=0.0,
            steps=0,
            permanent_mm=memory.permanent_mm + self.set_stays * growth_mm,
            recovering_mm=tuple(
                old * kept + share_mm for old, kept in zip(memory.recovering_mm, decay, strict=True)
            ),
            deepest_mm=0.0,
            squeezes=memory.squeezes + done,
            softening=memory.softening + (1.0 - memory.softening) * done,
        )

    def _lost_now_mm(self, memory: FoamMemory) -> float:
        return float(self._lost_mm(memory, np.full(1, memory.elapsed_s))[0])

    def _lost_mm(self, memory: FoamMemory, elapsed_s: FloatArray) -> FloatArray:
        lost = np.full(len(elapsed_s), memory.permanent_mm)
        for old_mm, time_s in zip(memory.recovering_mm, self.recovery_times_s, strict=True):
            lost += old_mm * np.exp(-elapsed_s / time_s)
        return lost

    def _growth_factor(self, memory: FoamMemory) -> float:
        fading = 1.0 + memory.squeezes / self.set_fading
        return self.set_share * math.pow(self.height_mm, 1.0 - self.set_exponent) / fading

    def _growth_mm(self, memory: FoamMemory) -> float:
        return self._growth_factor(memory) * math.pow(memory.deepest_mm, self.set_exponent)


@dataclass(frozen=True, slots=True)
class StandardLinearSolid(Specimen):
    """A spring beside a spring and dashpot in series: after a step the force relaxes to k d."""

    lasting_n_per_mm: float = 2.0
    relaxing_n_per_mm: float = 1.0
    time_s: float = 1.0
    height_mm: float = 60.0

    def fresh(self) -> Memory:
        """Return the memory of a piece long at rest."""
        return self._prony.fresh()

    def respond(self, memory: Memory, deflection_mm: FloatArray, step_s: float) -> tuple[FloatArray, Memory]:
        """Return the force of a Prony series of one term, driven by the stiffness that acts at once."""
        instant_n = self._instant_n_per_mm * np.maximum(deflection_mm, 0.0)
        force_n, memory = self._prony.respond(memory, instant_n, step_s)
        return np.where(deflection_mm > 0, np.maximum(force_n, 0.0), 0.0), memory

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return both springs at once."""
        return np.where(deflection_mm > 0, self._instant_n_per_mm, 0.0)

    @property
    def _instant_n_per_mm(self) -> float:
        return self.lasting_n_per_mm + self.relaxing_n_per_mm

    @property
    def _prony(self) -> Prony:
        return Prony((self.relaxing_n_per_mm / self._instant_n_per_mm,), (self.time_s,))
