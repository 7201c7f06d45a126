"""Free height of a piece, from the captures of its contact checks and of the bare platens'.

Problem: the height is a difference between two recordings, perhaps of different hours, and how much it may be
trusted depends on both. Plan: find the contact checks of each surface by their marks, or without marks (a
hand made them) by the force; read each at both forces; leave arithmetic and budget to the calibration; say in
sentences what a number cannot: what a caliper would do, a first contact check that stands apart, a homing in
between, a bare contact check that is old. Cost: one pass over each recording, held in memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.analyser import Approach, MeasuringNoise, zero_force_contacts
from rig.calibration import Height, PlatenContact, height_at
from rig.methods import PlatenReading
from rig.results.height_checks import CheckedSurface
from rig.results.height_notes import height_sentences

SCATTER_SAMPLES = 500
LEAST_SCATTER = 20
SMALLEST_SCATTER_MM = 1e-6
"""The scatter of single positions is taken over the last samples before the contact check."""


@dataclass(frozen=True, slots=True)
class HeightReport:
    """Free height of a piece.

    Parameters
    ----------
    specimen, captures
        The piece, and the recordings it comes from: the bare ones, then the piece's.
    unloaded
        Height where the platen met the piece before it pushed, extrapolated; None where that cannot be had.
    """

    specimen: str
    captures: tuple[str, ...]
    at_contact: Height
    at_top: Height
    unloaded: Height | None
    why: str
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values without not-a-number."""
        return {
            "specimen": self.specimen,
            "captures": list(self.captures),
            "at_contact_force": self.at_contact.as_dict(),
            "at_greater_force": self.at_top.as_dict(),
            "unloaded": None if self.unloaded is None else self.unloaded.as_dict(),
            "unloaded_why": self.why,
            "notes": list(self.notes),
        }


def height_report(
    bare: Sequence[CheckedSurface],
    piece: CheckedSurface,
    *,
    forces_n: tuple[float, float],
    oldest_bare_s: float,
) -> HeightReport:
    """Work out a height.

    Parameters
    ----------
    bare
        The bare platens in one or more captures; several, each after a homing of its own, say how well the
        position's zero repeats.
    oldest_bare_s
        A bare contact check that is older than this, when the piece is measured, is warned of.

    Raises
    ------
    InputError
        If the bare platens meet before the piece is met.
    """
    homed = _homed_between(bare, piece)
    calibration = piece.calibration

    def height(force_n: float, *, top: bool) -> Height:
        return height_at(
            force_n,
            [surface.contact_checks(top=top) for surface in bare],
            piece.contact_checks(top=top),
            calibration=calibration,
            homed_between=homed,
        )

    at_contact, at_top = height(forces_n[0], top=False), height(forces_n[1], top=True)
    unloaded, why = _unloaded(bare, piece, forces_n[0], homed)
    notes = tuple(height_sentences(bare, piece, at_contact, at_top, homed=homed, oldest_bare_s=oldest_bare_s))
    return HeightReport(
        piece.header.specimen,
        (*(surface.name for surface in bare), piece.name),
        at_contact,
        at_top,
        unloaded,
        why,
        notes,
    )


def _unloaded(
    bare: Sequence[CheckedSurface], piece: CheckedSurface, contact_n: float, homed: bool | None
) -> tuple[Height | None, str]:
    """Return the height where the platen met the piece, or why it cannot be had."""
    calibration = piece.calibration
    approaches = [
        Approach(
            reading.approach.position_mm,
            reading.approach.force_n,
            reading.at_contact.position_mm.value,
            reading.zero_n.u,
        )
        for reading in piece.readings
    ]
    # the noisiest reading speaks for all: too small a noise would fit the toe region to it
    noise = MeasuringNoise(
        max(reading.noise_n for reading in piece.readings),
        max(_scatter_mm(reading) for reading in piece.readings),
        position_resolution_mm=piece.position_step_mm,
    )
    contact_mm, u_mm = zero_force_contacts(
        approaches, noise, contact_force_n=contact_n, frame=calibration.frame
    )
    known = np.isfinite(contact_mm) & np.isfinite(u_mm)
    if not known.all():
        return (
            None,
            f"the toe region of {np.count_nonzero(~known)} contact checks of the piece follows no power law",
        )
    # the fit's uncertainty holds the rounding, which repeats share: taken out here, and given by itself
    step_mm = piece.position_step_mm / math.sqrt(12)
    reached = [
        PlatenContact(
            float(at_mm),
            math.sqrt(max(float(u) ** 2 - step_mm**2, 0.0)),
            step_mm,
            reading.at_contact.zero_u_mm,
            reading.at_contact.position_mm.slope,
            reading.at_contact.speed_mm_per_s,
        )
        for at_mm, u, reading in zip(contact_mm, u_mm, piece.readings, strict=True)
    ]
    # bare platens give so little that a straight line leads back to where they met
    met = [
        [
            replace(check, position_mm=check.position_mm - contact_n * check.per_newton_mm)
            for check in surface.contact_checks(top=False)
        ]
        for surface in bare
    ]
    return height_at(0.0, met, reached, calibration=calibration, homed_between=homed), ""


def _scatter_mm(reading: PlatenReading) -> float:
    """Return the standard deviation of single positions about a steady motion, before the contact check."""
    x_mm = reading.approach.position_mm
    at = int(np.argmax(x_mm >= reading.at_contact.position_mm.value))
    x_mm = x_mm[max(at - SCATTER_SAMPLES, 0) : at]
    if len(x_mm) < LEAST_SCATTER:
        return reading.approach.position_step_mm
    # a parabola takes off a steady or evenly braked motion; three terms take three degrees of freedom
    number = np.arange(len(x_mm)) - len(x_mm) / 2
    left = x_mm - np.polynomial.Polynomial.fit(number, x_mm, 2)(number)
    return max(
        float(left.std(ddof=3)), reading.approach.position_step_mm / math.sqrt(12), SMALLEST_SCATTER_MM
    )


def _homed_between(bare: Sequence[CheckedSurface], piece: CheckedSurface) -> bool | None:
    """Return whether the position was homed between the bare contact checks and the piece's; None if
    unknown."""
    if len(bare) > 1:
        return True
    (before,) = bare
    if before.header.id == piece.header.id:
        return False
    boots = [surface.header.identity.get("boot_id") for surface in (before, piece)]
    homed_now = piece.header.ordered.homed_now
    if homed_now is True or (None not in boots and boots[0] != boots[1]):
        return True
    return False if homed_now is False and None not in boots else None
