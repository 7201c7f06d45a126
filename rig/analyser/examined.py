"""The first cycles of a recording, kept with their samples so that they can be measured again.

A budget and a Monte Carlo work the same cycles out many times over. They want a handful of cycles, not all
of a long run, and always from the first, since set counts from there.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rig.analyser.strokes import Context
from rig.segmenter import Segment

MOST_SAMPLES = 400_000
"""Some ten megabytes; a cycle that does not fit is not kept, nor any behind it."""


@dataclass(slots=True)
class Examined:
    """Keeps segments until it has the wanted number of cycles.

    Parameters
    ----------
    wanted
        Number of cycles; 0 keeps nothing.
    """

    wanted: int
    kept: list[tuple[Segment, Context]] = field(default_factory=list)
    cycles: int = 0
    _samples: int = 0

    def take(self, segment: Segment, context: Context) -> None:
        """Take the next segment, or as much of it as is wanted."""
        rows = min(self.wanted - self.cycles, len(segment.cycles))
        if rows <= 0:
            return
        stop = int(segment.cycles.after[rows - 1])
        self._samples += stop
        if self._samples > MOST_SAMPLES:
            self.wanted = self.cycles
            return
        self.kept.append((first_of(segment, rows), context))
        self.cycles += rows


def first_of(segment: Segment, rows: int) -> Segment:
    """Return the first cycles of a segment, copied, so that the part they are cut from can go."""
    signals = segment.signals[: int(segment.cycles.after[rows - 1])]
    copied = {
        name: getattr(signals, name).copy() for name in ("time_s", "force_n", "position_mm", "status", "lost")
    }
    cycles = segment.cycles.selected(np.arange(rows))
    return replace(segment, signals=replace(signals, **copied), cycles=cycles)
