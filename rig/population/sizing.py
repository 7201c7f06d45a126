"""Size of a piece from readings in several directions, and against its drawing.

Problem: jaws squeeze a soft piece, two readings never agree, and "round" is stated of pieces that were
measured twice. Plan: readings of one direction are averaged at their smallest contact force; roundness is
half the difference of the largest and the smallest diameter, said as such; the drawing is compared with an
interval. Cost: nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.core.measured import Measured, coverage_factor
from rig.errors import InputError

DIAMETER = "diameter"
"""Directions that begin with it are diameters of one section: "diameter A", "diameter 45 deg"."""

INSTRUMENT = "instrument"
"""Source of the part that the readings of one direction share."""

ROUNDNESS_WORDS = (
    "half the difference between the largest and the smallest diameter. Roundness to ISO 1101 is the "
    "distance between two concentric circles that hold the whole section and needs many more points; a "
    "piece with three lobes can have equal diameters all round"
)


@dataclass(frozen=True, slots=True)
class SizeReading:
    """One reading.

    `direction`: such as "diameter A" or "height".
    `mm`, `u_mm`: reading, and the standard uncertainty of the instrument; None if not stated.
    `force_n`: contact force of the instrument; None if not stated.
    """

    direction: str
    mm: float
    u_mm: float | None = None
    force_n: float | None = None


@dataclass(frozen=True, slots=True)
class DirectionSize:
    """Size in one direction.

    `size`: mean in mm: its own part is the scatter of the repeats, the instrument's is one that they share.
    `force_n`: with which they were taken; None if not stated.
    `left_out`: readings at greater forces.
    """

    direction: str
    size: Measured
    n: int
    force_n: float | None
    left_out: int

    @property
    def mm(self) -> float:
        """Mean of the readings."""
        return self.size.value

    @property
    def u_mm(self) -> float:
        """Standard uncertainty; not-a-number for one reading of an instrument of which nothing is known."""
        return self.size.u or math.nan

    @property
    def half_mm(self) -> float:
        """Half the 95 % interval."""
        return coverage_factor(self.size.effective_freedom) * self.u_mm


@dataclass(frozen=True, slots=True)
class Sizing:
    """What a piece measures.

    `diameter_mm`, `diameter_u_mm`: mean over the diameters; None without one. Uncertainties are not-a-number
    where they are not known.
    `roundness_mm`, `roundness_u_mm`: half the difference of the largest and smallest diameter; None with
    fewer than two.
    `off_drawing_mm`, `off_drawing_half_mm`: measured less drawn, and half its 95 % interval; None where one
    of them is missing.
    """

    directions: Mapping[str, DirectionSize]
    diameter_mm: float | None
    diameter_u_mm: float | None
    roundness_mm: float | None
    roundness_u_mm: float | None
    off_drawing_mm: float | None
    off_drawing_half_mm: float | None
    notes: tuple[str, ...]


def size_up(readings: Sequence[SizeReading], drawing_size_mm: float | None = None) -> Sizing:
    """Return what readings say of a piece.

    Parameters
    ----------
    drawing_size_mm
        Diameter on the drawing, or the height where no diameter was read; None where it is not known.

    Raises
    ------
    InputError
        If there is no reading, or one that is no size.

    Examples
    --------
    >>> sizing = size_up([SizeReading("diameter A", 90.4), SizeReading("diameter B", 89.8)], 90.0)
    >>> round(sizing.roundness_mm, 3), round(sizing.off_drawing_mm, 3)
    (0.3, 0.1)
    """
    if not readings:
        raise InputError("sizes: found none, expected readings such as 90.2 mm")
    for reading in readings:
        if not (math.isfinite(reading.mm) and reading.mm > 0):
            raise InputError(f"{reading.direction}: found {reading.mm:g} mm, expected more than zero")
    by_direction: dict[str, list[SizeReading]] = {}
    for reading in readings:
        by_direction.setdefault(reading.direction, []).append(reading)
    directions = {name: _direction(name, readings) for name, readings in by_direction.items()}
    diameters = [direction for name, direction in directions.items() if name.lower().startswith(DIAMETER)]
    diameter_mm = diameter_u_mm = roundness_mm = roundness_u_mm = None
    if diameters:
        diameter_mm = float(np.mean([diameter.mm for diameter in diameters]))
        # the scatter of the repeats becomes smaller with the diameters, the instrument's part does not
        diameter_u_mm = math.hypot(
            math.hypot(*(diameter.size.own_u for diameter in diameters)) / len(diameters),
            max(diameter.size.shared_u for diameter in diameters),
        )
        if any(math.isnan(diameter.u_mm) for diameter in diameters):
            diameter_u_mm = math.nan
    if len(diameters) > 1:
        ordered = sorted(diameters, key=lambda diameter: diameter.mm)
        ends = ordered[0], ordered[-1]
        roundness_mm = (ends[1].mm - ends[0].mm) / 2
        # what the instrument adds to both goes out; of a single reading the scatter is not known
        roundness_u_mm = math.hypot(*(end.size.own_u if end.n > 1 else end.u_mm for end in ends)) / 2
    off_mm, half_mm = _off_drawing(directions, diameters, diameter_mm, diameter_u_mm, drawing_size_mm)
    return Sizing(
        directions,
        diameter_mm,
        diameter_u_mm,
        roundness_mm,
        roundness_u_mm,
        off_mm,
        half_mm,
        tuple(_notes(directions, diameters, roundness_mm, drawing_size_mm)),
    )


def _direction(name: str, readings: Sequence[SizeReading]) -> DirectionSize:
    """Return the mean of the readings at the smallest contact force, where all forces are stated."""
    forces = [reading.force_n for reading in readings if reading.force_n is not None]
    least_n = min(forces) if len(forces) == len(readings) else None
    kept = [reading for reading in readings if least_n is None or reading.force_n == least_n]
    values = np.array([reading.mm for reading in kept])
    n = len(values)
    # repeats with one instrument share its part, which is taken to be known
    shared_u = max(reading.u_mm or 0.0 for reading in kept)
    size = Measured(
        float(values.mean()),
        float(values.std(ddof=1)) / math.sqrt(n) if n > 1 else 0.0,
        n - 1 if n > 1 else math.inf,
        {INSTRUMENT: shared_u},
    )
    return DirectionSize(name, size, n, least_n, len(readings) - n)


def _off_drawing(
    directions: Mapping[str, DirectionSize],
    diameters: Sequence[DirectionSize],
    diameter_mm: float | None,
    diameter_u_mm: float | None,
    drawing_size_mm: float | None,
) -> tuple[float | None, float | None]:
    if drawing_size_mm is None:
        return None, None
    if diameter_mm is not None and diameter_u_mm is not None:
        freedom = min(diameter.size.effective_freedom for diameter in diameters)
        return diameter_mm - drawing_size_mm, coverage_factor(freedom) * diameter_u_mm
    height = directions.get("height")
    if height is None:
        return None, None
    return height.mm - drawing_size_mm, height.half_mm


def _notes(
    directions: Mapping[str, DirectionSize],
    diameters: Sequence[DirectionSize],
    roundness_mm: float | None,
    drawing_size_mm: float | None,
) -> list[str]:
    notes = []
    if roundness_mm is not None:
        notes.append(f"Roundness is here {ROUNDNESS_WORDS}.")
    elif diameters:
        notes.append("One diameter does not show roundness; measure at least a second one across it.")
    for name, direction in directions.items():
        if direction.force_n is None:
            notes.append(
                f"{name}: measured with a caliper at an unstated jaw force, which compresses a soft part."
            )
        elif direction.force_n > 0:
            notes.append(
                f"{name}: read with {direction.force_n:g} N and not corrected: the free piece is larger by "
                "this force over its stiffness."
            )
        if direction.left_out:
            notes.append(f"{name}: {direction.left_out} readings at larger forces were left out of the mean.")
        if math.isnan(direction.u_mm):
            notes.append(f"{name}: no uncertainty: one reading, and the instrument is not stated.")
    if drawing_size_mm is None:
        notes.append("The size on the drawing is missing.")
    return notes
