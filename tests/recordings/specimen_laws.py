"""What a specimen answers to a course: force at every dense instant, from laws written down here.

Each law is one line of arithmetic on the deflection; relaxation, hysteresis, set, softening and breaks are
added by small models of their own. None is shared with the virtual rig or with the code under test.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.signal import lfilter

Law = Callable[[np.ndarray], np.ndarray]


def power(k, n) -> Law:
    """Sphere 1.5, cone 2: F = k d^n."""
    return lambda d: k * d**n


def spring(k) -> Law:
    return lambda d: k * d


def tilted_spring(k, tilt_mm) -> Law:
    """A flat face that begins contact with one edge: its loaded length grows evenly over the tilt."""
    return lambda d: np.where(d < tilt_mm, k * d**2 / (2 * tilt_mm), k * (d - tilt_mm / 2))


def plateau(plateau_n, width_mm, k=0.0) -> Law:
    return lambda d: plateau_n * np.tanh(d / width_mm) + k * d


def foam(plateau_n, width_mm, k, *, dense_n, dense_mm, stiffens) -> Law:
    """Rises to a plateau, then densifies."""
    return lambda d: plateau_n * np.tanh(d / width_mm) + k * d + dense_n * (d / dense_mm) ** stiffens


def stop_at(law: Law, stop_mm, k) -> Law:
    """Bottoms out: a much stiffer spring joins in at a depth."""
    return lambda d: law(d) + k * np.clip(d - stop_mm, 0.0, None)


@dataclass(frozen=True)
class Break:
    """Gives way in one press at a deflection: what is left of the force from then on, over a short time."""

    press: int
    at_mm: float
    left: float
    over_s: float = 0.004


@dataclass(frozen=True)
class Specimen:
    """A law with what comes on top of it.

    Parameters
    ----------
    contact_mm
        Position of its untouched face.
    hysteresis, turn_mm
        Share of the force that is missing on the way back, and the deflection over which that develops.
    branches
        Pairs of share and time constant in s: relaxing parts of the elastic force.
    set_mm
        The face comes back lower by this, times the logarithm of the press's number plus one, press by press.
    softening
        Share of force lost for each tenfold number of presses.
    sticks_n, sticks_mm
        A tacky face holds on to the platen on the way back: it pulls with up to this force, this far.
    """

    law: Law
    contact_mm: float
    hysteresis: float = 0.0
    turn_mm: float = 0.3
    branches: tuple[tuple[float, float], ...] = ()
    set_mm: float = 0.0
    softening: float = 0.0
    breaks: Break | None = None
    sticks_n: float = 0.0
    sticks_mm: float = 0.3

    def strength(self, press):
        return 1.0 - self.softening * np.log10(press + 1)

    def lowered_mm(self, press):
        """How far the face lies below its first place when press number `press`, from 0, begins."""
        return self.set_mm * np.log1p(press)

    def slope(self, deflection_mm, press):
        """Of the elastic loading curve, N/mm."""
        step = 1e-4 * max(deflection_mm, 1.0)
        ends = np.array([deflection_mm - step, deflection_mm + step])
        return self.strength(press) * float(np.diff(self.law(ends))[0]) / (2 * step)

    def without_break(self):
        return replace(self, breaks=None)

    def force_n(self, time_s, position_mm, presses):
        """Force at every instant.

        Parameters
        ----------
        presses
            Of the course, in order; only where each begins and ends matters.
        """
        deflection, strength = self._deflections(position_mm, presses)
        elastic_n = strength * self.law(deflection)
        if self.hysteresis:
            state = _developed(deflection, self.turn_mm)
            elastic_n = elastic_n * (1 - self.hysteresis * (1 - state) / 2)
        force = elastic_n
        if self.branches:
            step_s = time_s[1] - time_s[0]
            force = (1 - sum(share for share, _ in self.branches)) * elastic_n
            for share, tau_s in self.branches:
                force = force + share * _relaxing(elastic_n, step_s, tau_s)
        force = np.maximum(force, 0.0)
        if self.sticks_n:
            force = force - self._pull_n(position_mm, presses)
        if self.breaks is not None and self.breaks.press < len(presses):
            begins = presses[self.breaks.press].first
            after = np.flatnonzero(deflection[begins:] >= self.breaks.at_mm)
            if len(after):
                since_s = time_s - time_s[begins + after[0]]
                force = force * (1 - (1 - self.breaks.left) * np.clip(since_s / self.breaks.over_s, 0.0, 1.0))
        return force

    def _pull_n(self, position_mm, presses):
        """Force with which a tacky face pulls while the platen leaves it."""
        pull = np.zeros_like(position_mm)
        for number, press in enumerate(presses):
            face_mm = self.contact_mm + self.lowered_mm(number + 1)
            going = slice(press.hold_last, press.last + 1)
            beyond = (face_mm - position_mm[going]) / self.sticks_mm
            on = (beyond > 0) & (beyond < 1)
            pull[going] = np.where(on, self.sticks_n * np.sin(np.pi * np.clip(beyond, 0, 1)), 0.0)
        return pull

    def _deflections(self, position_mm, presses):
        """Elastic deflection and strength at every instant; a press leaves its set while it unloads."""
        deflection = position_mm - self.contact_mm
        strength = np.ones_like(position_mm)
        bounds = [press.first for press in presses[1:]] + [len(position_mm)]
        for number, (press, end) in enumerate(zip(presses, bounds, strict=True)):
            deepest = press.first + int(np.argmax(position_mm[press.first : end]))
            before, after = self.lowered_mm(number), self.lowered_mm(number + 1)
            deep_mm = deflection[deepest] - before
            coming, going = slice(press.first, deepest + 1), slice(deepest + 1, end)
            deflection[coming] -= before
            if deep_mm > after - before:
                # the unloading curve is stretched, so that it starts at the turn and ends at the new face
                deflection[going] = (deflection[going] - after) * deep_mm / (deep_mm - (after - before))
            strength[press.first : end] = self.strength(number)
        return np.maximum(deflection, 0.0), strength


def _developed(deflection, length_mm):
    """+1 on loading, -1 on unloading, going from one to the other over a length; +1 out of contact."""
    sign = np.sign(np.diff(deflection, prepend=deflection[0]))
    moving = np.flatnonzero(sign)
    state = np.ones_like(deflection)
    if not len(moving):
        return state
    # instants at rest go on as the last motion did: nothing changes there
    last_moving = np.maximum.accumulate(np.where(sign != 0, np.arange(len(sign)), moving[0]))
    sign = sign[last_moving]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(sign)) + 1, [len(sign)]])
    at = 1.0
    for first, end in pairwise(starts):
        origin = deflection[max(first - 1, 0)]
        if origin == 0.0:
            at = 1.0
        run = np.exp(-np.abs(deflection[first:end] - origin) / length_mm)
        state[first:end] = sign[first] + (at - sign[first]) * run
        at = state[end - 1]
    state[deflection == 0.0] = 1.0
    return state


def _relaxing(elastic_n, step_s, tau_s):
    """A spring and a dashpot in series under an elastic force that runs straight between instants."""
    decay = np.exp(-step_s / tau_s)
    gain = tau_s / step_s * (1 - decay)
    change = np.diff(elastic_n, prepend=elastic_n[0])
    # what is there at the first instant came just before it
    change[0] = elastic_n[0] / gain
    return lfilter([gain], [1.0, -decay], change)
