"""Physical arrays of equal length: what the segmenter and the analyser work on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.samples import FloatArray, IntArray, StatusArray


@dataclass(frozen=True, slots=True)
class Signals:
    """Force and position of the same instants.

    `time_s`: instants, shape (n,); not-a-number where the source had no clock.
    `force_n`, `position_mm`: shape (n,). Compression is positive, as recorded; the working direction, as a
    segment hands them out.
    `status`: bits of `rig.samples.Status`, shape (n,).
    `lost`: how many samples of the recording had been lost before each of these, shape (n,).
    `force_resolution_n`, `position_resolution_mm`: smallest steps; 0 if unknown.
    `averaged`: whether each value is a mean over a conversion that takes as long as the step between values.
    `force_in_newtons`: whether the source had scaled the force itself, so that its zero may be meant.
    `direction`: 1, or -1 where force and position are those of the recording with their signs changed, so
    that the working direction is positive.
    """

    time_s: FloatArray
    force_n: FloatArray
    position_mm: FloatArray
    status: StatusArray
    lost: IntArray
    force_resolution_n: float = 0.0
    position_resolution_mm: float = 0.0
    averaged: bool = False
    force_in_newtons: bool = False
    direction: int = 1

    def __len__(self) -> int:
        return len(self.force_n)

    def __getitem__(self, part: slice) -> Signals:
        return Signals(
            self.time_s[part],
            self.force_n[part],
            self.position_mm[part],
            self.status[part],
            self.lost[part],
            self.force_resolution_n,
            self.position_resolution_mm,
            self.averaged,
            self.force_in_newtons,
            self.direction,
        )

    def turned(self, direction: int) -> Signals:
        """Return the signals with both signs changed if need be, so that `direction` becomes positive."""
        if direction == self.direction:
            return self
        return replace(self, force_n=-self.force_n, position_mm=-self.position_mm, direction=direction)

    @classmethod
    def concatenate(cls, parts: Sequence[Signals]) -> Signals:
        """Join parts of one recording, in order; there must be at least one."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([part.time_s for part in parts]),
            np.concatenate([part.force_n for part in parts]),
            np.concatenate([part.position_mm for part in parts]),
            np.concatenate([part.status for part in parts]),
            np.concatenate([part.lost for part in parts]),
            parts[0].force_resolution_n,
            parts[0].position_resolution_mm,
            parts[0].averaged,
            parts[0].force_in_newtons,
            parts[0].direction,
        )
