"""Channels beside the samples: what a device says of each, and its counts as values.

Problem: names and units come from somebody's firmware, and become columns of a capture and of results. Plan:
each channel is checked in words before the device streams; values are placed on the clock of the samples. The
force of the samples stays the one that limits and trips act on; what is here is recorded, and nothing else.
Cost: some arithmetic for each message of readings, which come ten times a second.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.samples import FloatArray
from rig.wire import AUXILIARY_UNITS, NO_READING, Channel, ChannelKind, Readings

MOST_FORCES = 3
MOST_SLOW = 8
MOST_CHANNELS = MOST_FORCES + MOST_SLOW
"""Beside the force of the samples (the protocol's numbers)."""

LARGEST_EXPONENT = 12
"""A count between 10^-12 and 10^12 times a whole number is any that a sensor has."""

_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_UNIT = re.compile(r"[\x21-\x7e]+")
_TAKEN = frozenset({"force", "position", "time_us", "seq", "status", "count", "kind", "wall", "host_time_s"})
_KNOWN_UNITS = {
    "N": ("N", 1.0, 0.0), "mN": ("N", 0.001, 0.0), "kN": ("N", 1000.0, 0.0),
    "degC": ("degC", 1.0, 0.0), "K": ("degC", 1.0, -273.15), "degF": ("degC", 5.0 / 9.0, -160.0 / 9.0),
}  # fmt: skip
"""Units that are recorded as another, with slope and zero: forces in N, temperatures in degC."""

_FORCE_UNITS = ("N", "mN", "kN")
_TEMPERATURES = ("degC", "K", "degF")


@dataclass(frozen=True, slots=True)
class SideChannel:
    """A channel as it is recorded: value = slope x count + offset, in `unit`."""

    name: str
    unit: str
    slope: float
    offset: float


def complaint_about_channel(told: Channel, others: Sequence[Channel]) -> str | None:
    """Return what is wrong with what a device says of a channel, in words; None if nothing is.

    Parameters
    ----------
    others
        Those that it has told before.

    Examples
    --------
    >>> complaint_about_channel(Channel(2, 1, b"degC" + bytes(4), 0, -2, 0, "ambient_temperature"), [])
    'its channel 2 (ambient_temperature) has a scale of 0, expected another number'
    """
    return next(_complaints(told, others), None)


def _complaints(told: Channel, others: Sequence[Channel]) -> Iterator[str]:
    where = f"its channel {told.number} ({told.name})"
    unit = told.unit.rstrip(b"\0").decode("ascii", "replace")
    if not _NAME.fullmatch(told.name) or told.name in _TAKEN:
        yield (
            f"its channel {told.number} is called {told.name!r}, expected lower-case letters, digits and "
            f"underscores, and none of {', '.join(sorted(_TAKEN))}"
        )
    if any(told.name == other.name for other in others):
        yield f"{where} has the name of another one, expected names that differ"
    if told.kind not in (ChannelKind.FORCE, ChannelKind.SLOW):
        yield f"{where} is of kind {int(told.kind)}, expected 0 (force) or 1 (slow)"
    forces = sum(other.kind == ChannelKind.FORCE for other in (*others, told))
    if forces > MOST_FORCES:
        yield f"{where} is further force number {forces}, expected at most {MOST_FORCES}"
    if not told.scale:
        yield f"{where} has a scale of 0, expected another number"
    if abs(told.exponent) > LARGEST_EXPONENT:
        yield f"{where} has a scale of {told.scale} x 10^{told.exponent}, expected -12 to 12 as the exponent"
    if not _UNIT.fullmatch(unit):
        yield f"{where} has the unit {unit!r}, expected 1 to 8 ASCII characters"
    if told.kind == ChannelKind.FORCE and unit not in _FORCE_UNITS:
        yield f"{where} is a force in {unit}, expected {', '.join(_FORCE_UNITS)}"
    known = AUXILIARY_UNITS.get(told.name)
    fitting = _TEMPERATURES if known == "degC" else (known,)
    if known is not None and unit not in fitting:
        yield f"{where} is in {unit}, expected {', '.join(fitting)}"  # type: ignore[arg-type]


def side_channel(told: Channel) -> SideChannel:
    """Return how the counts of a channel without complaints are recorded."""
    unit = told.unit.rstrip(b"\0").decode("ascii")
    recorded, slope, offset = _KNOWN_UNITS.get(unit, (unit, 1.0, 0.0))
    per_count = told.scale * 10.0**told.exponent
    return SideChannel(told.name, recorded, slope * per_count, offset - slope * per_count * told.zero)


def values_of(readings: Readings, channels: Mapping[int, SideChannel]) -> dict[str, FloatArray]:
    """Return the values of one message by name, each of shape (1,); NaN for channels without a reading."""
    values = {channel.name: np.full(1, np.nan) for channel in channels.values()}
    for number, count in enumerate(readings.counts, start=readings.first):
        channel = channels.get(number)
        if channel is not None and count != NO_READING:
            values[channel.name][0] = channel.slope * count + channel.offset
    return values
