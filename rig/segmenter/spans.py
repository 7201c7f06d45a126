"""What the segmenter hands on: cycles as columns of sample indices, with flags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import IntFlag

import numpy as np
import numpy.typing as npt

from rig.calibration import Signals
from rig.samples import FloatArray, IntArray

FlagArray = npt.NDArray[np.uint32]


class Flag(IntFlag):
    """What sets a cycle apart. The first group is the segmenter's, the second the analyser's.

    `NOT_RELEASED`: the recording ended during unloading, the specimen still loaded. `ONE_WAY`: it ended at
    the turn or in the hold, so that there is no unloading; a way of testing, not a defect. `SPIKE`: single
    readings that stood alone were replaced by the line between their neighbours. `HOLD_CREPT`: the platen
    moved on during the hold, by `hold_creep_mm`. `BREAK`: the specimen tore, cracked or slipped out while the
    platen came in, at `break_mm`. `FORCE_LAGS`: the force went on rising after the platen had stopped, as
    behind a filter. `EXCLUDED`: a person left the cycle out, with a reason in the capture.
    """

    STARTS_IN_CONTACT = 1 << 0
    CONTACT_KEPT_BEFORE = 1 << 1
    CONTACT_KEPT_AFTER = 1 << 2
    NOT_RELEASED = 1 << 3
    FORCE_SATURATED = 1 << 4
    POSITION_FAULT = 1 << 5
    FORCE_TRIP = 1 << 6
    SAMPLES_LOST = 1 << 7
    READING_HELD_AT_PEAK = 1 << 8
    ONE_WAY = 1 << 9
    SPIKE = 1 << 10
    HOLD_CREPT = 1 << 11
    READING_HELD_AT_CONTACT = 1 << 12
    READING_HELD_IN_LOADING = 1 << 13
    READING_HELD_IN_UNLOADING = 1 << 14

    ONE_SIDED_BASELINE = 1 << 15
    FEW_SAMPLES = 1 << 16
    SHALLOW = 1 << 17
    BREAK = 1 << 18
    UNEVEN_STROKE = 1 << 19
    TOE_REGION_UNCLEAR = 1 << 20
    OUTSIDE_CALIBRATION = 1 << 21
    EXCLUDED = 1 << 22
    FORCE_LAGS = 1 << 23

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
        Last sample of the loading stroke: the turn, or the start of the hold.
    unload_start
        First sample of the unloading stroke: the turn, or the end of the hold.
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
        """Return the cycles of an index or mask array."""
        return Cycles(*(getattr(self, column.name)[which] for column in fields(self)))


@dataclass(frozen=True, slots=True)
class ContactChecks:
    """Light presses that are no cycles: to the contact force only, or far below the recording's main presses.

    Parameters
    ----------
    contact, release
        First sample in contact and one past the last, counted from the start of the recording, shape (m,).
    time_s
        When contact was made.
    contact_mm
        Where contact was detected.
    peak_n, depth_mm
        Largest force above zero, and the way from the contact to the deepest position.
    """

    contact: IntArray
    release: IntArray
    time_s: FloatArray
    contact_mm: FloatArray
    peak_n: FloatArray
    depth_mm: FloatArray

    def __len__(self) -> int:
        return len(self.contact)

    @classmethod
    def empty(cls) -> ContactChecks:
        """No contact checks."""
        none = np.empty(0, np.int64)
        return cls(none, none, *(np.empty(0) for _ in range(4)))

    @classmethod
    def joined(cls, parts: Sequence[ContactChecks]) -> ContactChecks:
        """Return all of them, in order of time."""
        if not parts:
            return cls.empty()
        order = np.argsort(np.concatenate([part.contact for part in parts]), kind="stable")
        return cls(
            *(np.concatenate([getattr(part, field.name) for part in parts])[order] for field in fields(cls))
        )


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
