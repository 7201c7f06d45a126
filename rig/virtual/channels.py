"""Channels beside force and position of a virtual rig: counts of what a sensor would show.

Problem: hosts must meet devices with further cells and slow sensors, whose true values a test knows. Plan:
each channel is what the device says of it, and a function of device time. Cost: ten calls a second for each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.wire import NO_READING, Channel, ChannelKind

READINGS_EVERY_S = 0.1
UNIT_BYTES = 8


@dataclass(frozen=True, slots=True)
class VirtualChannel:
    """A channel with a known truth.

    `value`: in the unit, from the device's time in seconds; None where the sensor gives nothing.
    `scale`, `exponent`, `zero`: value of a count: (count - zero) x scale x 10^exponent.
    """

    name: str
    unit: str
    value: Callable[[float], float | None]
    force: bool = False
    scale: int = 1
    exponent: int = -2
    zero: int = 0

    def told(self, number: int) -> Channel:
        """Return what the device says of it."""
        kind = ChannelKind.FORCE if self.force else ChannelKind.SLOW
        unit = self.unit.encode("ascii").ljust(UNIT_BYTES, b"\0")
        return Channel(number, kind, unit, self.scale, self.exponent, self.zero, self.name)

    def counts(self, time_s: float) -> int:
        """Return what its converter gives at a time."""
        value = self.value(time_s)
        if value is None:
            return NO_READING
        return round(value / (self.scale * 10.0**self.exponent)) + self.zero
