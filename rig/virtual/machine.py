"""The hardware under the firmware: platen, specimen, frame and measuring chain, on one grid of time.

Problem: the firmware decides on forces that are only known once the platen has moved, so it must look
ahead, and stop there. Plan: `preview` works out a stretch without committing to it; the firmware finds
the first sample at which it would act, previews again up to there and commits. The grid is finer than
the samples where these are slow, so that delays, conversions and memories are resolved.
Cost: previews are thrown away only when something happens.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.samples import FloatArray
from rig.virtual.chain import Chain, ChainOutput, ChainReader
from rig.virtual.press import squeeze
from rig.virtual.specimens import Specimen
from rig.virtual.trajectory import Trajectory

LONGEST_GRID_STEP_S = 0.0005
"""Fine beside the quickest relaxation (0.4 s) and the ramps of motion (0.05 s)."""

OFF_RIG_STEPS = 1000
"""Of a squeeze without samples: a specimen's memory of a steady depth does not depend on more."""


@dataclass(frozen=True, slots=True, eq=False)
class MachineStretch:
    """What is about to happen. Grid arrays have shape (samples * steps,), the others (samples,).

    `due_s`, `position_mm`, `speed_mm_per_s` and `force_n` are true values at the instants of the samples.
    """

    grid_s: FloatArray
    grid_position_mm: FloatArray
    grid_force_n: FloatArray
    due_s: FloatArray
    position_mm: FloatArray
    speed_mm_per_s: FloatArray
    force_n: FloatArray
    memory: Any

    def __len__(self) -> int:
        return len(self.due_s)


class Machine:
    """Platen, specimen and sensors.

    `contact_mm`: where the platen first meets the specimen.
    `trajectory`: what the platen is doing; may be replaced at any time.
    """

    def __init__(
        self,
        specimen: Specimen,
        chain: Chain,
        *,
        contact_mm: float,
        trajectory: Trajectory,
        rate_hz: float,
        seed: int,
    ) -> None:
        self.trajectory = trajectory
        self.chain = chain
        start_mm = float(trajectory.positions_mm(np.zeros(1))[0])
        self.reader = ChainReader(chain, seed, start_mm)
        self.pushed_n = 0.0
        """What a hand or a mass puts on the cell, beside the specimen."""
        self._specimen = specimen
        self._memory = specimen.fresh()
        self._contact_mm = contact_mm
        self._anchor_s = 0.0
        self._taken = 0
        self.period_s = 1.0 / rate_hz

    @property
    def now_s(self) -> float:
        """Time of the last sample taken, zero at the beginning."""
        return self._anchor_s + self._taken * self.period_s

    @property
    def position_mm(self) -> float:
        """Where the platen is now."""
        return float(self.trajectory.positions_mm(np.array([self.now_s]))[0])

    @property
    def speed_mm_per_s(self) -> float:
        """How fast the platen approaches now."""
        return float(self.trajectory.speeds_mm_per_s(np.array([self.now_s]))[0])

    def set_rate(self, rate_hz: float) -> None:
        """Take samples at another rate from now on."""
        if rate_hz != 1.0 / self.period_s:
            self._anchor_s, self._taken = self.now_s, 0
            self.period_s = 1.0 / rate_hz

    def preview(self, count: int) -> MachineStretch:
        """Return the next samples, as they will be if nothing intervenes."""
        steps = math.ceil(self.period_s / LONGEST_GRID_STEP_S)
        step_s = self.period_s / steps
        ticks = np.arange(self._taken * steps + 1, (self._taken + count) * steps + 1, dtype=np.float64)
        grid_s = self._anchor_s + ticks * step_s
        position_mm = self.trajectory.positions_mm(grid_s)
        answer = squeeze(
            self._specimen,
            self._memory,
            position_mm - self._contact_mm,
            step_s,
            self.chain.compliance_mm_per_n,
        )
        force_n = answer.force_n + self.pushed_n
        due_s = grid_s[steps - 1 :: steps]
        return MachineStretch(
            grid_s,
            position_mm,
            force_n,
            due_s,
            position_mm[steps - 1 :: steps],
            self.trajectory.speeds_mm_per_s(due_s),
            force_n[steps - 1 :: steps],
            answer.memory,
        )

    def squeeze_off_rig(self, depth_mm: float, duration_s: float) -> None:
        """Let the specimen live through a squeeze that the rig does not see; see `VirtualRig`."""
        steps = OFF_RIG_STEPS
        pressed = np.full(steps, depth_mm)
        self._memory = self._specimen.respond(self._memory, pressed, duration_s / steps)[1]
        let_go = np.full(1, -1.0)
        self._memory = self._specimen.respond(self._memory, let_go, LONGEST_GRID_STEP_S)[1]

    def replace_specimen(self, specimen: Specimen, contact_mm: float) -> None:
        """Let something else lie between the platens, as it was before its first squeeze."""
        self._specimen, self._contact_mm = specimen, contact_mm
        self._memory = specimen.fresh()

    def commit(self, stretch: MachineStretch) -> ChainOutput:
        """Let a previewed stretch happen, and read it."""
        self._memory = stretch.memory
        self._taken += len(stretch)
        return self.reader.read(
            stretch.grid_s, stretch.grid_position_mm, stretch.grid_force_n, stretch.due_s, self.period_s
        )
