"""The one table that flows through everything: raw samples of force and position in columns.

In: arrays from the wire, a capture or an import. Out: the same arrays, read-only, of equal length.
Must not depend on: ports, files, calibrations.

Force and position stay as the sensors gave them, so that a better calibration can re-read an old
capture. Integers are counts; floats are a stated unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntFlag
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
RawArray = npt.NDArray[np.int32] | npt.NDArray[np.float64]
StatusArray = npt.NDArray[np.uint8]
BoolArray = npt.NDArray[np.bool_]

COUNTS = "counts"
US_PER_S = 1e6

Sense = Literal["compression", "tension"]
"""Working direction of a recording: which way the specimen is loaded."""

ClockSource = Literal["device", "host", "none"]
"""Whose time `Samples.time_us` is: the device's own, the host's receive time, or just a row number."""


class Status(IntFlag):
    """Bits of a sample's status byte, as the wire protocol numbers them."""

    FORCE_SATURATED = 1 << 0
    POSITION_FAULT = 1 << 1
    MOVING = 1 << 2
    TRAVEL_SWITCH = 1 << 3
    EMERGENCY_STOP = 1 << 4
    FORCE_TRIP = 1 << 5
    FRESH_FORCE = 1 << 6


@dataclass(frozen=True, slots=True)
class RawChannel:
    """What a raw channel holds.

    `unit`: "counts", or a unit of force or length where the source was already scaled.
    `resolution`: smallest step of the channel, in `unit`; 0 if it is not known.
    """

    unit: str = COUNTS
    resolution: float = 1.0


@dataclass(frozen=True, slots=True)
class Samples:
    """Raw samples in columns of equal length.

    `seq`: sample number, unwrapped, int64 of shape (n,). A step of more than one is a gap.
    `time_us`: time of each sample in microseconds, unwrapped, int64 of shape (n,). See `clock`.
    `force`, `position`: int32 counts, or float64 in the channel's unit, shape (n,). Compression is positive.
    `status`: bits of `Status`, uint8 of shape (n,).
    """

    seq: IntArray
    time_us: IntArray
    force: RawArray
    position: RawArray
    status: StatusArray
    force_channel: RawChannel = RawChannel()
    position_channel: RawChannel = RawChannel()
    clock: ClockSource = "device"

    def __post_init__(self) -> None:
        columns = (self.seq, self.time_us, self.force, self.position, self.status)
        if len({len(column) for column in columns}) != 1:
            raise ValueError(f"columns of unequal length: {[len(column) for column in columns]}")
        for column in columns:
            column.flags.writeable = False

    def __len__(self) -> int:
        return len(self.seq)

    def __getitem__(self, part: slice) -> Samples:
        return Samples(
            self.seq[part],
            self.time_us[part],
            self.force[part],
            self.position[part],
            self.status[part],
            self.force_channel,
            self.position_channel,
            self.clock,
        )

    @classmethod
    def empty(
        cls,
        force_channel: RawChannel | None = None,
        position_channel: RawChannel | None = None,
        clock: ClockSource = "device",
    ) -> Samples:
        """No samples, with the types that the channels imply."""
        force_channel = force_channel or RawChannel()
        position_channel = position_channel or RawChannel()
        return cls(
            np.empty(0, np.int64),
            np.empty(0, np.int64),
            np.empty(0, raw_type(force_channel)),
            np.empty(0, raw_type(position_channel)),
            np.empty(0, np.uint8),
            force_channel,
            position_channel,
            clock,
        )

    @classmethod
    def concatenate(cls, parts: Sequence[Samples]) -> Samples:
        """Join parts of one recording, in order.

        Raises ValueError if there is no part, or if the parts differ in channel or clock.
        """
        if not parts:
            raise ValueError("no samples to join")
        first = parts[0]
        kinds = {(part.force_channel, part.position_channel, part.clock) for part in parts}
        if len(kinds) != 1:
            raise ValueError(f"samples of different channels or clocks: {sorted(map(str, kinds))}")
        if len(parts) == 1:
            return first
        return cls(
            np.concatenate([part.seq for part in parts]),
            np.concatenate([part.time_us for part in parts]),
            np.concatenate([part.force for part in parts]),
            np.concatenate([part.position for part in parts]),
            np.concatenate([part.status for part in parts]),
            first.force_channel,
            first.position_channel,
            first.clock,
        )


def gathered(parts: Iterable[Samples], least: int) -> Iterator[Samples]:
    """Join consecutive parts of a recording so that all but the last hold `least` samples or more."""
    waiting: list[Samples] = []
    count = 0
    for part in parts:
        waiting.append(part)
        count += len(part)
        if count >= least:
            yield Samples.concatenate(waiting)
            waiting, count = [], 0
    if waiting:
        yield Samples.concatenate(waiting)


def raw_type(channel: RawChannel) -> np.dtype[Any]:
    """Type of a raw channel's array: int32 for counts, float64 for a scaled source."""
    return np.dtype(np.int32 if channel.unit == COUNTS else np.float64)
