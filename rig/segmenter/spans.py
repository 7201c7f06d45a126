"""What the segmenter hands on: cycles as columns of sample indices, with flags."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntFlag

import numpy as np
import numpy.typing as npt

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray

FlagArray = npt.NDArray[np.uint32]


class Flag(IntFlag):
    """Why a cycle is left out of means. The first group is the segmenter's, the second the analyser's."""

    STARTS_IN_CONTACT = 1 << 0
    CONTACT_KEPT_BEFORE = 1 << 1
    CONTACT_KEPT_AFTER = 1 << 2
    NOT_RELEASED = 1 << 3
    FORCE_SATURATED = 1 << 4
    POSITION_FAULT = 1 << 5
    FORCE_TRIP = 1 << 6
    SAMPLES_LOST = 1 << 7
    READING_HELD = 1 << 8

    ONE_SIDED_BASELINE = 1 << 15
    FEW_SAMPLES = 1 << 16
    SHALLOW = 1 << 17
    FORCE_DROPPED = 1 << 18
    UNEVEN_STROKE = 1 << 19
    TOE_REGION_UNCLEAR = 1 << 20
    OUTSIDE_CALIBRATION = 1 << 21

    @property
    def label(self) -> str:
        """The flag as tables show it."""
        return (self.name or "unknown").lower().replace("_", " ")


@dataclass(frozen=True, slots=True)
class Cycles:
    """Cycles in columns; every index counts from the start of the `Segment`'s signals.

    Parameters
    ----------
    number
        Cycle number in the recording, from 1, shape (m,).
    before
        First sample of the no-load stretch that leads to the contact; equal to `contact` if there is none.
    contact
        First sample whose force is above the detection level (or the turn, where contact was kept).
    load_end
        Last sample of the loading stroke: the turn, or the start of the dwell.
    unload_start
        First sample of the unloading stroke: the turn, or the end of the dwell.
    release
        One past the last sample in contact.
    after
        One past the no-load stretch that follows; equal to `release` if there is none.
    zero_n
        Force zero in use when the contact began; measured anew from the no-load stretches where there are
        any.
    flags
        Bits of `Flag`, uint32.
    """

    number: IntArray
    before: IntArray
    contact: IntArray
    load_end: IntArray
    unload_start: IntArray
    release: IntArray
    after: IntArray
    zero_n: FloatArray
    flags: FlagArray

    def __len__(self) -> int:
        return len(self.number)

    @classmethod
    def empty(cls) -> Cycles:
        """No cycles."""
        none = np.empty(0, np.int64)
        return cls(none, none, none, none, none, none, none, np.empty(0), np.empty(0, np.uint32))

    def selected(self, which: IntArray | npt.NDArray[np.bool_]) -> Cycles:
        """The cycles of an index or mask array."""
        return Cycles(*(getattr(self, column.name)[which] for column in fields(self)))


@dataclass(frozen=True, slots=True)
class Segment:
    """A contiguous stretch of signals and the cycles closed in it.

    Parameters
    ----------
    signals
        From the first cycle's no-load stretch to the last one's.
    cycles
        At least one, in order.
    offset
        Sample number (of the aligned recording) of the first of the signals.
    """

    signals: Signals
    cycles: Cycles
    offset: int
