"""Relaxation of a viscoelastic force: a Prony series driven by the force that would act without time.

Problem: a foam under a fixed deflection gives way, and its force depends on its whole past. Plan: a few
exponential memories, each carried from step to step by a recursion that is exact where the driving
force is straight between points. The recursion runs as a first-order filter, which gives the same bits
however the stretch is cut. Cost: one filter pass for each term.

References
----------
Fung, Biomechanics: Mechanical Properties of Living Tissues, quasi-linear viscoelasticity; Taylor, Pister
and Goudreau (1970) for the recursion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy

from rig.samples import FloatArray

Memory = tuple[float, tuple[float, ...]]
"""Last driving force, and what each term still carries of the past."""


@dataclass(frozen=True, slots=True)
class Prony:
    """Terms of the relaxation, as shares of the force that acts at once.

    `shares`: share of each term; together less than one, and the rest is what lasts.
    """

    shares: tuple[float, ...] = ()
    times_s: tuple[float, ...] = ()

    @property
    def lasting_share(self) -> float:
        """Share of the force that is left after a long wait."""
        return 1.0 - sum(self.shares)

    def fresh(self) -> Memory:
        """Return the memory of a piece that has long been at rest."""
        if self.shares:
            # SciPy loads this part at its first use, for half a second: too long for a host that waits
            _ = scipy.signal.lfilter
        return 0.0, (0.0,) * len(self.shares)

    def respond(self, memory: Memory, instant_n: FloatArray, step_s: float) -> tuple[FloatArray, Memory]:
        """Return the force with relaxation, from the force that would act without it.

        Parameters
        ----------
        memory
            From `fresh` or from the stretch before.
        instant_n
            Driving force at the end of each step, shape (n,), taken as straight in between.
        """
        if not len(instant_n):
            return np.empty(0), memory
        last, carried = memory
        rise_n = np.diff(instant_n, prepend=last)
        total = self.lasting_share * instant_n
        kept: list[float] = []
        for share, time_s, start in zip(self.shares, self.times_s, carried, strict=True):
            # h[n] = exp(-dt/tau) h[n-1] + share (1 - exp(-dt/tau)) tau/dt (F[n] - F[n-1]): the convolution
            # with an exponential, exact for a force that is straight between the points.
            decay = math.exp(-step_s / time_s)
            gain = share * -math.expm1(-step_s / time_s) * time_s / step_s
            term, _ = scipy.signal.lfilter([gain], [1.0, -decay], rise_n, zi=[decay * start])
            total = total + term
            kept.append(float(term[-1]))
        return total, (float(instant_n[-1]), tuple(kept))
