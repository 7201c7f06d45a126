"""A hand lever with a slow board, and what a person does to it; all numbers invented.

Ten lines a second of its own clock, printed faster than that so that a day takes a minute. The pieces are
foam floats of the virtual rig, whose law is the truth.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rig.virtual.foam import Foam, FoamCurve
from rig.wire import LineFormat, SampleBlock

sys.path.append(str(Path(__file__).parents[1] / "reader"))

from scripted_device import ScriptedDevice

LINES_PER_S = 10
FASTER = 40
N_PER_COUNT, MM_PER_COUNT = 0.005, 0.02
ZERO_COUNTS = 8_400
OPEN_MM, DEPTH_MM = 6.0, 30.0
"""Clearance above the piece, and how deep the hand goes past its first contact."""

_SUBSTEPS = 20
"""Steps of the foam's law in a sample: its relaxation and the hand's path are finer than a line."""


class HandLever(ScriptedDevice):
    """A lever that rests, carries a load, stands at a place, or is squeezed again and again."""

    def __init__(self, link: Path) -> None:
        columns = LineFormat(columns=("time_us", "force", "position"))
        super().__init__(link, answers=False, talks=True, rate_hz=LINES_PER_S * FASTER, lines=columns)
        self.load_n = 0.0
        self.stands_mm = 0.0
        self._random = np.random.default_rng(12)
        self._clock_us = 0
        self._piece: Foam | None = None
        self._memory: Any = None
        self._course = np.zeros(0)
        self._at_mm = 0.0
        self._squeezing = False

    def carry(self, load_n: float) -> None:
        """Put a load on the open platen, instead of the one before."""
        self.load_n = load_n

    def stand(self, at_mm: float) -> None:
        """Move the empty lever and hold it there."""
        self.stands_mm = at_mm

    def lay_in(self, stiffer: float) -> Foam:
        """Put a float of its own stiffness between the platens; the lever is open."""
        piece = Foam(curve=FoamCurve().scaled(stiffer))
        with self._lock:
            self._piece, self._memory = piece, piece.fresh()
            self._course, self._squeezing, self._at_mm = np.zeros(0), False, 0.0
        return piece

    def squeeze(self) -> None:
        """Begin to squeeze, and go on until the piece is taken out."""
        with self._lock:
            self._squeezing = True

    def _sample(self, count: int) -> None:
        """A board prints whether or not anybody listens: what the port does not take is lost."""
        if self._out:
            self.block(count)
        else:
            super()._sample(count)

    def block(self, count: int) -> SampleBlock:
        plain = super().block(count)
        clock = self._clock_us + 1_000_000 // LINES_PER_S * np.arange(count)
        self._clock_us += 1_000_000 // LINES_PER_S * count
        path = self._path_mm(count)
        force_n = np.full(count, self.load_n)
        if self._piece is not None:
            fine = np.interp(np.arange(1, count * _SUBSTEPS + 1) / _SUBSTEPS, np.arange(count + 1), path)
            answer, self._memory = self._piece.respond(
                self._memory, fine - OPEN_MM, 1 / LINES_PER_S / _SUBSTEPS
            )
            force_n += answer[_SUBSTEPS - 1 :: _SUBSTEPS]
        force = ZERO_COUNTS + force_n / N_PER_COUNT + self._random.normal(0, 3, count)
        position = 1_000 + (path[1:] + self.stands_mm) / MM_PER_COUNT + self._random.normal(0, 0.4, count)
        return replace(
            plain,
            time_us=clock % 2**32,
            force=np.rint(force).astype(np.int32),
            position=np.rint(position).astype(np.int32),
        )

    def _path_mm(self, count: int) -> np.ndarray:
        """Travel of the platen at the block's begin and after each of its samples."""
        while len(self._course) < count:
            more = self._one_squeeze() if self._squeezing else np.zeros(count)
            self._course = np.concatenate([self._course, more])
        path = np.concatenate([[self._at_mm], self._course[:count]])
        self._at_mm, self._course = path[-1], self._course[count:]
        return path

    def _one_squeeze(self) -> np.ndarray:
        """In and out at 7 to 13 mm/s as a hand does, gently at both ends, then a rest."""
        way = OPEN_MM + DEPTH_MM * self._random.uniform(0.95, 1.05)
        steps = round(LINES_PER_S * way / self._random.uniform(7.0, 13.0))
        share = np.arange(1, steps + 1) / steps
        inward = way * (3 * share**2 - 2 * share**3)
        return np.concatenate([inward, way - inward, np.zeros(12)])
