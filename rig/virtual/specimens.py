"""Specimens whose answer to a squeeze is known: the truth that everything downstream is checked against.

Problem: a measurement can only be judged against a specimen whose stiffness, energies and contact are
known without measuring. Plan: each specimen answers a stretch of deflections on an even grid of time
with forces, and hands its memory on as a value, so that a stretch can be tried, cut short and tried
again. Specimens without memory also give force, tangent and work in closed form.
Cost: a handful of array operations for each stretch. All sizes and stiffnesses here are invented.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy

from rig.errors import InputError
from rig.samples import FloatArray


class Specimen(ABC):
    """Something to squeeze. Deflection counts from the first contact ever; below zero is a gap.

    A memory is an immutable value that only the specimen understands. `respond` never changes one.
    """

    __slots__ = ()

    @property
    @abstractmethod
    def height_mm(self) -> float:
        """Free height before the first squeeze."""

    @property
    def follows_speed(self) -> bool:
        """Whether the force jumps with speed, as a dashpot's does; frame compliance is refused then."""
        return False

    @abstractmethod
    def fresh(self) -> Any:
        """Return the memory of a specimen at rest that has not been squeezed."""

    @abstractmethod
    def respond(self, memory: Any, deflection_mm: FloatArray, step_s: float) -> tuple[FloatArray, Any]:
        """Return the force over the next stretch of time.

        Parameters
        ----------
        memory
            From `fresh`, or from the stretch before.
        deflection_mm
            Deflection at the end of each step, shape (n,); taken as straight in between.

        Returns
        -------
        tuple
            Force in N of shape (n,), below zero only where something pulls, as a pressed-on cap does; and the
            new memory. Cutting a stretch in two gives the same forces.
        """

    @abstractmethod
    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the slope of force over a quick change, for solving the frame's share of travel."""


class ElasticSpecimen(Specimen):
    """A specimen without memory: the same force at the same deflection, always."""

    __slots__ = ()

    def fresh(self) -> None:
        """No memory."""
        return

    def respond(self, memory: None, deflection_mm: FloatArray, step_s: float) -> tuple[FloatArray, None]:
        """Return the force at each deflection; time and history do not matter."""
        return self.force_n(deflection_mm), None

    @abstractmethod
    def force_n(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the force at each deflection, zero in the gap."""

    @abstractmethod
    def work_mj(self, deflection_mm: float) -> float:
        """Return the work from contact to a deflection, N mm = mJ, in closed form."""

    def deflection_at_mm(self, force_n: float) -> float:
        """Return the deflection at which loading first reaches a force.

        Raises InputError if the specimen never carries that force within its height.
        """
        # The first of 2001 depths that carries it, then by Brent's method between that and the one before.
        heights = np.linspace(0.0, self.height_mm, 2001)
        reached = np.flatnonzero(self.force_n(heights) >= force_n)
        if not len(reached):
            raise InputError(f"{self!r} does not reach {force_n} N; expected less than its largest force")
        if reached[0] == 0:
            return 0.0
        below, above = heights[reached[0] - 1], heights[reached[0]]
        return float(
            scipy.optimize.brentq(
                lambda d: float(self.force_n(np.array([d]))[0]) - force_n, below, above, xtol=1e-13
            )
        )


class LinearSpecimen(ElasticSpecimen):
    """A specimen of constant stiffness: F = k d."""

    __slots__ = ()

    @property
    @abstractmethod
    def stiffness_n_per_mm(self) -> float:
        """Force over deflection."""

    def force_n(self, deflection_mm: FloatArray) -> FloatArray:
        """Return k d, and nothing in the gap."""
        return self.stiffness_n_per_mm * np.maximum(deflection_mm, 0.0)

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the stiffness, and nothing in the gap."""
        return np.where(deflection_mm > 0, self.stiffness_n_per_mm, 0.0)

    def work_mj(self, deflection_mm: float) -> float:
        """Return half k d^2."""
        return 0.5 * self.stiffness_n_per_mm * deflection_mm**2


@dataclass(frozen=True, slots=True)
class LinearSpring(LinearSpecimen):
    """A spring of constant stiffness, used as a check standard."""

    stiffness_n_per_mm: float = 3.0
    height_mm: float = 60.0

    @classmethod
    def helical(
        cls,
        *,
        wire_mm: float,
        coil_mm: float,
        active_coils: float,
        shear_modulus_mpa: float,
        height_mm: float = 60.0,
    ) -> LinearSpring:
        """Return a round-wire helical spring: k = G d^4 / (8 D^3 N).

        References
        ----------
        Budynas and Nisbett, Shigley's Mechanical Engineering Design, chapter on mechanical springs.
        """
        stiffness = shear_modulus_mpa * wire_mm**4 / (8 * coil_mm**3 * active_coils)
        return cls(stiffness, height_mm)


@dataclass(frozen=True, slots=True)
class HertzSphere(ElasticSpecimen):
    """An elastic ball between two rigid platens: F = (4/3) E* R^0.5 (d/2)^1.5.

    `modulus_mpa` is the plane-strain modulus E* = E / (1 - nu^2).

    References
    ----------
    Johnson, Contact Mechanics (1985), chapter 4: one contact; here two in series share the deflection.
    """

    modulus_mpa: float = 0.1
    radius_mm: float = 45.0

    @property
    def height_mm(self) -> float:
        """The diameter."""
        return 2 * self.radius_mm

    def force_n(self, deflection_mm: FloatArray) -> FloatArray:
        """Return Hertz's force of two contacts in series."""
        return self._factor * np.maximum(deflection_mm, 0.0) ** 1.5

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return 1.5 F / d."""
        return 1.5 * self._factor * np.sqrt(np.maximum(deflection_mm, 0.0))

    def work_mj(self, deflection_mm: float) -> float:
        """Return 0.4 F d."""
        return 0.4 * self._factor * math.pow(deflection_mm, 2.5)

    @property
    def _factor(self) -> float:
        return 4 / 3 * self.modulus_mpa * math.sqrt(self.radius_mm) / 2**1.5


@dataclass(frozen=True, slots=True)
class ThinRing(LinearSpecimen):
    """A thin ring squeezed across its diameter: d = (pi/4 - 2/pi) F R^3 / (E I), while d is small beside R.

    `radius_mm` is to the middle of the wall.

    References
    ----------
    Roark's Formulas for Stress and Strain, circular rings, case 1.
    """

    modulus_mpa: float = 200.0
    radius_mm: float = 30.0
    wall_mm: float = 3.0
    width_mm: float = 20.0

    @property
    def stiffness_n_per_mm(self) -> float:
        """Load over diameter lost."""
        second_moment_mm4 = self.width_mm * self.wall_mm**3 / 12
        return self.modulus_mpa * second_moment_mm4 / ((math.pi / 4 - 2 / math.pi) * self.radius_mm**3)

    @property
    def height_mm(self) -> float:
        """Outer diameter."""
        return 2 * self.radius_mm + self.wall_mm


@dataclass(frozen=True, slots=True)
class SpringDashpot(Specimen):
    """Spring and dashpot side by side: F = k d + c v in contact. Its loss under a sine is pi c w X^2."""

    stiffness_n_per_mm: float = 3.0
    damping_n_s_per_mm: float = 0.05
    height_mm: float = 60.0

    @property
    def follows_speed(self) -> bool:
        """The dashpot's force is there as soon as there is speed."""
        return True

    def fresh(self) -> float | None:
        """Return the last deflection; none yet."""
        return None

    def respond(
        self, memory: float | None, deflection_mm: FloatArray, step_s: float
    ) -> tuple[FloatArray, float | None]:
        """Return the force with the mean speed of each step."""
        if not len(deflection_mm):
            return np.empty(0), memory
        before = deflection_mm[0] if memory is None else memory
        speed_mm_per_s = np.diff(deflection_mm, prepend=before) / step_s
        force = self.stiffness_n_per_mm * deflection_mm + self.damping_n_s_per_mm * speed_mm_per_s
        return np.where(deflection_mm > 0, np.maximum(force, 0.0), 0.0), float(deflection_mm[-1])

    def tangent_n_per_mm(self, deflection_mm: FloatArray) -> FloatArray:
        """Return the spring's share only."""
        return np.where(deflection_mm > 0, self.stiffness_n_per_mm, 0.0)
