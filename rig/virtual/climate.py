"""A specimen that grows warm: the heat of its losses, and the thermometers that a line may carry.

Problem: whoever judges softening in endurance has to see how warm the specimen became, so the virtual rig
must warm one by the energy that it truly loses. Plan: the work done on it is summed over the press's fine
grid of time. When it is let go, or pressed anew, what did not come back has become heat; it spreads through
the specimen at once and leaves it with one time constant. Cost: some ten array passes for each stretch.

All numbers are invented.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray
from rig.virtual.chain import ChainOutput
from rig.virtual.machine import Machine, MachineStretch

TEMPERATURE_STEP_C = 0.01
HUMIDITY_STEP_PCT = 0.1
"""What the sensors resolve."""

_MJ_PER_J = 1000.0


@dataclass(frozen=True, slots=True)
class Climate:
    """The air around the rig, and how the specimen warms in it.

    `ambient_c`, `humidity_pct`: temperature and relative humidity of the air, which stay as they are.
    `heat_capacity_j_per_k`: of the part of the specimen that works.
    `cooling_time_s`: time constant with which the specimen takes on the temperature of the air.
    """

    ambient_c: float = 21.0
    humidity_pct: float = 48.0
    heat_capacity_j_per_k: float = 25.0
    cooling_time_s: float = 600.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not math.isfinite(value) or (value <= 0 and field.name != "ambient_c"):
                raise InputError(f"climate.{field.name}: found {value!r}, expected a number above 0")


class Warmth:
    """Temperature of one specimen, stretch after stretch.

    `climate`: what it lies in; it begins at the temperature of the air.
    """

    def __init__(self, climate: Climate) -> None:
        self._climate = climate
        self._above_k = 0.0
        self._now_s = 0.0
        self._work_mj = 0.0
        self._direction = 0.0
        self._position_mm: float | None = None
        self._force_n = 0.0

    def pass_by(
        self, grid_s: FloatArray, position_mm: FloatArray, force_n: FloatArray, due_s: FloatArray
    ) -> FloatArray:
        """Live through a stretch of shape (n,); return degrees Celsius at `due_s`, shape (m,)."""
        # Each heat warms by heat / capacity and dies away by itself: the equation is linear, so they add up.
        heat_j, at_s = self._heat(grid_s, position_mm, force_n)
        decay_s = self._climate.cooling_time_s
        times_s = np.append(due_s, grid_s[-1])
        above_k = self._above_k * np.exp((self._now_s - times_s) / decay_s)
        for freed_j, freed_s in zip(heat_j.tolist(), at_s.tolist(), strict=True):
            since_s = np.maximum(times_s - freed_s, 0.0)
            step_k = freed_j / self._climate.heat_capacity_j_per_k
            above_k += np.where(times_s >= freed_s, step_k * np.exp(-since_s / decay_s), 0.0)
        self._above_k, self._now_s = float(above_k[-1]), float(grid_s[-1])
        return self._climate.ambient_c + above_k[:-1]

    def _heat(
        self, grid_s: FloatArray, position_mm: FloatArray, force_n: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the heat in J set free in the stretch, and when: at each letting go or turn to loading."""
        before_mm = position_mm[0] if self._position_mm is None else self._position_mm
        step_mm = np.diff(position_mm, prepend=before_mm)
        earlier_n = np.concatenate([[self._force_n], force_n[:-1]])
        work_mj = self._work_mj + np.cumsum((force_n + earlier_n) / 2 * step_mm)
        # Which way the platen went last, before the stretch and at each of its steps, shape (n + 1,)
        signs = np.concatenate([[self._direction], np.sign(step_mm)])
        moved = np.maximum.accumulate(np.where(signs != 0, np.arange(len(signs)), 0))
        direction = signs[moved]
        turned = (direction[:-1] < 0) & (direction[1:] > 0)
        let_go = (force_n == 0) & (earlier_n != 0)
        done = np.flatnonzero(turned | let_go)
        heat_j = np.diff(work_mj[done], prepend=0.0) / _MJ_PER_J
        self._work_mj = float(work_mj[-1] - (work_mj[done[-1]] if len(done) else 0.0))
        self._position_mm, self._force_n = float(position_mm[-1]), float(force_n[-1])
        self._direction = float(direction[-1])
        return heat_j, grid_s[done]


class WarmMachine(Machine):
    """A machine whose specimen grows warm, with a thermometer in it."""

    def __init__(self, *parts: Any, climate: Climate, **settings: Any) -> None:
        super().__init__(*parts, **settings)
        self._climate = climate
        self._warmth = Warmth(climate)
        self._read: deque[FloatArray] = deque()

    def commit(self, stretch: MachineStretch) -> ChainOutput:
        """As of a machine; what the thermometer showed meanwhile is kept for `climate_taken`."""
        shown_c = self._warmth.pass_by(
            stretch.grid_s, stretch.grid_position_mm, stretch.grid_force_n, stretch.due_s
        )
        self._read.append(_resolved(shown_c, TEMPERATURE_STEP_C))
        return super().commit(stretch)

    def climate_taken(self) -> dict[str, FloatArray]:
        """Return what the sensors showed at the samples of the oldest stretch not yet asked for."""
        specimen_c = self._read.popleft()
        air = self._climate
        return {
            "specimen_temperature": specimen_c,
            "ambient_temperature": _resolved(np.full(len(specimen_c), air.ambient_c), TEMPERATURE_STEP_C),
            "humidity": _resolved(np.full(len(specimen_c), air.humidity_pct), HUMIDITY_STEP_PCT),
        }


def _resolved(values: FloatArray, step: float) -> FloatArray:
    resolved: FloatArray = np.round(np.round(values / step) * step, 6)
    return resolved
