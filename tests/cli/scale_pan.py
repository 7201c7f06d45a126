"""A device on a real pseudo-terminal whose load a test puts on, and a hand that does so while it types."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "reader"))

from scripted_device import ScriptedDevice

from rig.samples import Status

ZERO = 4_000
NOISE_COUNTS = 3.0


class ScalePan(ScriptedDevice):
    """Counts of a load on a pan; the position follows `platen` with no noise beyond a count.

    Attributes
    ----------
    load_counts, platen_counts
        What the sensors feel.
    drift_per_s
        Counts by which the force rises each second from now on.
    saturated
        Whether the converter says that it is at the end of its range.
    """

    def __init__(self, link: Path) -> None:
        super().__init__(link, rate_hz=1_000)
        self.load_counts = 0.0
        self.platen_counts = 0.0
        self.drift_per_s = 0.0
        self.saturated = False
        self._drifted = 0.0
        self._random = np.random.default_rng(8)

    def block(self, count):
        plain = super().block(count)
        self._drifted = (self._drifted + self.drift_per_s * count / 1_000) if self.drift_per_s else 0.0
        felt = ZERO + self.load_counts + self._drifted + self._random.normal(0, NOISE_COUNTS, count)
        place = self.platen_counts + self._random.normal(0, 0.5, count)
        status = np.full(count, Status.FORCE_SATURATED if self.saturated else 0, np.uint8)
        return replace(
            plain,
            force=np.rint(felt).astype(np.int32),
            position=np.rint(place).astype(np.int32),
            status=status,
        )


class Hand(io.BufferedIOBase):
    """Standard input of a person who does something, then types a line."""

    def __init__(self, steps: Iterable[tuple[Callable[[], None] | None, str]]) -> None:
        self._steps = list(steps)

    def readable(self) -> bool:
        return True

    def read(self, size: int | None = -1) -> bytes:
        return b"" if size == 0 else self.read1()

    def read1(self, size: int = -1) -> bytes:
        if not self._steps:
            return b""
        act, line = self._steps.pop(0)
        if act is not None:
            act()
        return f"{line}\n".encode()
