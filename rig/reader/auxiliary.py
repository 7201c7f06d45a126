"""Temperatures, humidity and further channels of a device: one mean for each second, as events of the link.

Problem: a line may carry a temperature, but no temperature changes within a line's time, and a column of
them beside the samples would only weigh. Plan: every value is placed on the clock with its sample, and what
falls into one second of device time becomes one event with the mean of each channel. Cost: one pass of sums
for each read; of the second that is not over, only its sums are kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rig.reader.events import Delivery, LinkEvent
from rig.samples import FloatArray, IntArray

SECOND_US = 1_000_000

MOST_EVENTS = 32
"""For each delivery. A rig that runs faster than time gives many seconds at once, and means over longer
stretches then say as much: a false clock must not fill a capture with events."""

LEAST = {"specimen_temperature": -273.15, "ambient_temperature": -273.15, "humidity": 0.0}
"""What is below is no reading: a way in which firmware says that a sensor failed, without losing the line."""

DECIMALS = 4
"""Of a mean; finer than such sensors are."""


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Sums over one second, or over a few: of the times from `origin_us`, and of each channel's readings, of
    which there are `known`."""

    second: int
    origin_us: int
    count: int
    time_us: float
    values: FloatArray
    known: IntArray

    def joined(self, later: _Stretch) -> _Stretch:
        moved_us = later.time_us + later.count * float(later.origin_us - self.origin_us)
        return _Stretch(
            later.second,
            self.origin_us,
            self.count + later.count,
            self.time_us + moved_us,
            self.values + later.values,
            self.known + later.known,
        )


class AuxiliaryMeans:
    """Gathers the auxiliary values of one stream, and gives their means second by second.

    `names`: of the channels; none for a stream without any, which gives no events.
    """

    def __init__(self, names: tuple[str, ...]) -> None:
        self._names = names
        self._open: _Stretch | None = None
        self._told = -1

    def push(
        self, time_us: IntArray, columns: Mapping[str, FloatArray], host_time: float
    ) -> tuple[LinkEvent, ...]:
        """Take in values that belong to samples.

        `time_us`: unwrapped times, never falling, shape (n,).
        `columns`: values by channel, each of shape (n,).
        `host_time`: when they were received, for the events.

        Returns
        -------
        events
            One of kind "auxiliary" for each second that is over and has a reading, at most `MOST_EVENTS`.
        """
        if not self._names or not len(time_us):
            return ()
        stretches = self._stretches(time_us, columns)
        if self._open is not None:
            if self._open.second == stretches[0].second:
                stretches[0] = self._open.joined(stretches[0])
            else:
                stretches.insert(0, self._open)
        *over, self._open = stretches
        return tuple(event for stretch in over for event in self._tell(stretch, host_time))

    def finish(self, host_time: float) -> tuple[LinkEvent, ...]:
        """Return the mean of the second that is not over: the stream ended or fell silent."""
        if self._open is None:
            return ()
        last, self._open = self._open, None
        return self._tell(last, host_time)

    def _stretches(self, time_us: IntArray, columns: Mapping[str, FloatArray]) -> list[_Stretch]:
        # What comes within a second that has been told already goes into the next: one event a second.
        seconds = np.maximum(time_us // SECOND_US, self._told + 1)
        starts = np.concatenate([[0], np.flatnonzero(np.diff(seconds)) + 1])
        starts = starts[:: -(-len(starts) // MOST_EVENTS)]  # every k-th, k rounded up: at most MOST_EVENTS
        ends = np.append(starts[1:], len(seconds))
        # Times since the first: a float holds their sums exactly, but not those of the times themselves.
        origin_us = int(time_us[0])
        times_us = np.add.reduceat((time_us - origin_us).astype(np.float64), starts)
        readings = np.stack([columns[name] for name in self._names])
        possible = np.stack([columns[name] >= LEAST.get(name, -np.inf) for name in self._names])
        values = np.add.reduceat(np.where(possible, readings, 0.0), starts, axis=1)
        known = np.add.reduceat(possible.astype(np.int64), starts, axis=1)
        counts = ends - starts
        return [
            _Stretch(
                int(seconds[end - 1]),
                origin_us,
                int(counts[n]),
                float(times_us[n]),
                values[:, n],
                known[:, n],
            )
            for n, end in enumerate(ends)
        ]

    def _tell(self, stretch: _Stretch, host_time: float) -> tuple[LinkEvent, ...]:
        self._told = stretch.second
        means = (stretch.values / np.maximum(stretch.known, 1)).round(DECIMALS).tolist()
        told = zip(self._names, means, stretch.known.tolist(), strict=True)
        fields = {name: mean for name, mean, known in told if known}
        if not fields:
            return ()
        middle_us = stretch.origin_us + round(stretch.time_us / stretch.count)
        return (LinkEvent("auxiliary", host_time, middle_us, {**fields, "count": stretch.count}),)


def newest_auxiliary(delivery: Delivery) -> dict[str, float]:
    """Return the newest temperatures, humidity and further channels of a delivery.

    Returns
    -------
    values
        By name, in the units of `rig.wire.AUXILIARY_UNITS` and of the device's channels; empty if it tells of
        none.
    """
    for event in reversed(delivery.events):
        if event.kind == "auxiliary":
            return {name: value for name, value in event.fields.items() if isinstance(value, float)}
    return {}
