"""What a device says that it can do, looked at before anything rests on it.

Problem: the numbers come from somebody's firmware, and a limit that was computed from a wrong one protects
nothing. Plan: what no press can have, and what contradicts itself, is refused in words before the device
streams. Cost: a dozen comparisons at each greeting.
"""

from __future__ import annotations

from collections.abc import Iterator

from rig.reader.channels import MOST_CHANNELS
from rig.wire import Abilities, Capability

MOST_COUNT_PM = 1_000_000_000
MOST_SPEED_PM_PER_S = 2_000_000_000_000
MOST_TRAVEL_PM = 2_000_000_000_000
"""1 mm, 2 m/s and 2 m: beyond any bench press, so the unit is wrong (common practice, no source)."""

MOST_RATE_MHZ = 100_000_000
MOST_CONVERSIONS_MHZ = 1_000_000_000
"""100 000 samples and a million conversions per second: beyond what this protocol is for."""


def complaint_about(told: Abilities, capabilities: Capability) -> str | None:
    """Return what cannot be true of a device's abilities, in words; None if they can be.

    Examples
    --------
    >>> told = Abilities(0, 0, 5_000_000, -5000, 5000, 8388607, 80_000, 3000, 40_000, 100, 500_000)
    >>> complaint_about(told, Capability.DRIVES)
    'the travel that it says it has is 0 to 0 counts, expected the lower end below the upper one'
    """
    return next(_complaints(told, Capability.DRIVES in capabilities), None)


def _complaints(told: Abilities, drives: bool) -> Iterator[str]:
    if told.channels > MOST_CHANNELS:
        yield (
            f"it says that it has {told.channels} channels beside force and position, expected at most "
            f"{MOST_CHANNELS}"
        )
    # A device that does not move may leave its travel and its forces at zero: not known.
    travel, span = told.max_position - told.min_position, told.max_force - told.min_force
    if (drives or travel) and travel <= 0:
        yield (
            f"the travel that it says it has is {told.min_position} to {told.max_position} counts, expected "
            "the lower end below the upper one"
        )
    if (drives or span) and span <= 0:
        yield (
            f"the forces that it says it allows are {told.min_force} to {told.max_force} counts, expected "
            "the lower end below the upper one"
        )
    largest = max(abs(told.min_force), abs(told.max_force))
    if told.full_scale and largest > told.full_scale:
        yield (
            f"the forces that it says it allows reach {largest} counts, beyond its converter's full scale "
            f"({told.full_scale}), where no limit can act"
        )
    if drives and not (told.speed and told.acceleration):
        yield (
            f"it drives the platen, and says its largest speed is {told.speed} counts/s and its acceleration "
            f"{told.acceleration} counts/s^2, expected both above 0"
        )
    for what, value, most, unit in (
        ("the size of a position count", told.position_pm, MOST_COUNT_PM, "mm"),
        ("its largest speed", told.speed * told.position_pm, MOST_SPEED_PM_PER_S, "mm/s"),
        ("its travel", travel * told.position_pm, MOST_TRAVEL_PM, "mm"),
    ):
        if value > most:
            yield f"{what} would be {value / 1e9:g} {unit}, expected at most {most / 1e9:g} {unit}"
    if told.conversions_mhz > MOST_CONVERSIONS_MHZ:
        yield (
            f"its force converter would give {told.conversions_mhz / 1000:g} readings/s, expected at most "
            f"{MOST_CONVERSIONS_MHZ / 1000:g}"
        )
    if not 0 < told.slowest_mhz <= told.fastest_mhz <= MOST_RATE_MHZ:
        yield (
            f"the streams that it says it sends are {told.slowest_mhz / 1000:g} to "
            f"{told.fastest_mhz / 1000:g} samples/s, expected the slower one first, above 0 and at most "
            f"{MOST_RATE_MHZ / 1000:g}"
        )
