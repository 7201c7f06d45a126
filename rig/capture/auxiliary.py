"""Temperatures and humidity of a capture: recorded beside the samples, or typed by a person.

Problem: what the air and the specimen were like stands in two places, as one event a second where the rig
has such sensors, and as a condition in the header where somebody read a thermometer. Plan: both come out as
a series for each channel, and what was recorded goes before what was typed. Cost: one pass over the events;
16 bytes for each reading, and never more than `MOST_READINGS` of a channel.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rig.capture.events import EVENTS_FILE, events_of_kind
from rig.capture.header import CaptureHeader
from rig.capture.opened import Capture
from rig.errors import InputError
from rig.samples import FloatArray
from rig.units import parse, parse_temperature

KIND: Final = "auxiliary"

SPECIMEN_TEMPERATURE = "specimen_temperature"
AMBIENT_TEMPERATURE = "ambient_temperature"
HUMIDITY = "humidity"

_UNITS_OF_LINES = {SPECIMEN_TEMPERATURE: "degC", AMBIENT_TEMPERATURE: "degC", HUMIDITY: "%"}
"""Of the channels that lines may hold, which are not described."""

MOST_READINGS = 1 << 18
"""Of one channel: three days at one a second. Beyond it two neighbours become their mean, again and again."""

MOST_CHANNELS = 16
"""More than a rig can have; a damaged or foreign file must not make up any number of them."""

LARGEST = 1e18
"""A number beyond this is damage, also of a time in microseconds."""

_NO_CHANNELS = frozenset({"wall", "kind", "host_time_s", "time_us", "count"})

_TYPED: Mapping[str, tuple[str, Callable[[str], float]]] = {
    "temperature": (AMBIENT_TEMPERATURE, parse_temperature),
    AMBIENT_TEMPERATURE: (AMBIENT_TEMPERATURE, parse_temperature),
    SPECIMEN_TEMPERATURE: (SPECIMEN_TEMPERATURE, parse_temperature),
    HUMIDITY: (HUMIDITY, lambda text: parse(text, "%")),
}
"""Names of conditions that are read, and the channels that they are."""


@dataclass(frozen=True, slots=True)
class ChannelRange:
    """What was recorded of a channel beside force and position: one mean a second.

    `unit`: as recorded, such as "N", "degC" or "kPa"; empty if it is not known.
    `readings`: number of means.
    `least`, `greatest`: of the means, in the unit.
    """

    unit: str
    readings: int
    least: float
    greatest: float


class _Series:
    """Readings of one channel, halved where they become too many."""

    def __init__(self) -> None:
        self._time_s, self._values = array("d"), array("d")

    def add(self, time_s: float, value: float) -> None:
        if len(self._values) >= MOST_READINGS:
            self._time_s, self._values = _halved(self._time_s), _halved(self._values)
        self._time_s.append(time_s)
        self._values.append(value)

    def in_order(self) -> tuple[FloatArray, FloatArray]:
        time_s, values = np.array(self._time_s), np.array(self._values)
        order = np.argsort(time_s, kind="stable")
        return time_s[order], values[order]


def auxiliary_readings(capture: Capture) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return temperatures, humidity and further channels of a capture, by channel.

    Parameters
    ----------
    capture
        Whole, damaged or still being recorded.

    Returns
    -------
    readings
        Times in seconds on the axis of the samples, in order, and values, both of shape (m,). Temperatures
        are in degrees Celsius, humidity in per cent. A channel that was only typed has one reading at time 0.
    """
    series: dict[str, _Series] = {}
    for name, time_s, value in _told(capture):
        if name in series or len(series) < MOST_CHANNELS:
            series.setdefault(name, _Series()).add(time_s, value)
    readings = {name: channel.in_order() for name, channel in series.items()}
    for name, value in typed_conditions(capture.header).items():
        readings.setdefault(name, (np.zeros(1), np.array([value])))
    return readings


def auxiliary_units(capture: Capture) -> dict[str, str]:
    """Return the units of the channels that a device described, by channel.

    Returns
    -------
    units
        As they were recorded, such as "N", "degC" or "kPa". Channels of lines and typed conditions are not in
        it: their units are fixed.
    """
    told = capture.header.identity.get("channels")
    found: list[tuple[Any, Any]] = [*told.items()] if isinstance(told, Mapping) else []
    told_later = events_of_kind(capture.path / EVENTS_FILE, "channel")
    found += [(event.get("name"), event.get("unit")) for event in told_later]
    units: dict[str, str] = {}
    for name, unit in found:
        if isinstance(name, str) and isinstance(unit, str) and (name in units or len(units) < MOST_CHANNELS):
            units[name] = unit
    return units


def recorded_channels(capture: Capture) -> dict[str, ChannelRange]:
    """Return the ranges of the channels beside force and position, by name.

    Returns
    -------
    ranges
        Of recorded readings only; what a person typed stands in the header.
    """
    units: Mapping[str, str] = _UNITS_OF_LINES | auxiliary_units(capture)
    ranges: dict[str, ChannelRange] = {}
    for name, _, value in _told(capture):
        known = ranges.get(name)
        if known is not None:
            least, greatest = min(known.least, value), max(known.greatest, value)
            ranges[name] = ChannelRange(known.unit, known.readings + 1, least, greatest)
        elif len(ranges) < MOST_CHANNELS:
            ranges[name] = ChannelRange(units.get(name, ""), 1, value, value)
    return ranges


def typed_conditions(header: CaptureHeader) -> dict[str, float]:
    """Return temperatures and humidity that a person typed as conditions, by channel.

    Conditions called temperature, ambient_temperature, specimen_temperature and humidity are read, with their
    units, such as "21 degC", "70 F" or "45 %". The first without further words is that of the air.
    What cannot be read stays what it is: a note.

    Examples
    --------
    >>> from rig.capture import CaptureHeader
    >>> typed = {"temperature": "77 F", "humidity": "dry"}
    >>> typed_conditions(CaptureHeader(specimen="F-90-001", conditions=typed))
    {'ambient_temperature': 25.0}
    """
    typed: dict[str, float] = {}
    for condition, text in header.conditions.items():
        name, read = _TYPED.get(condition.strip().lower().replace(" ", "_"), ("", parse_temperature))
        if not name or not isinstance(text, str):
            continue
        try:
            typed.setdefault(name, read(text))
        except InputError:
            continue
    return typed


def _told(capture: Capture) -> Iterator[tuple[str, float, float]]:
    """Yield channel, time in s and value of every recorded reading, as the file has them."""
    for event in events_of_kind(capture.path / EVENTS_FILE, KIND):
        time_us: Any = event.get("time_us")
        if not _is_number(time_us):
            continue
        for name, value in event.items():
            if name not in _NO_CHANNELS and _is_number(value):
                yield name, time_us / 1e6, float(value)


def _is_number(found: Any) -> bool:
    # Whole numbers of a thousand digits are JSON too, and no floats.
    return isinstance(found, int | float) and not isinstance(found, bool) and abs(found) < LARGEST


def _halved(values: array[float]) -> array[float]:
    pairs = np.array(values[: len(values) // 2 * 2]).reshape(-1, 2)
    return array("d", pairs.mean(axis=1).tolist())
