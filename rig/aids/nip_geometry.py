"""Where a wheel meets a piece: lengths of the nip, and how deep the piece is squeezed on its way through.

Problem: the speed that friction can give, and the wear of a piece, hang on how far it travels while it is
squeezed. Plan: circles that stay circles until they meet. A wheel of radius R and a piece of radius r whose
centres are c apart overlap by R + r - c; where the piece rolls along a plate, that overlap is its deflection;
between two wheels each side has half of it. Cost: none.

Derivation. Wheel and plate are `gap` apart at the closest point, the piece is 2 r across, its deflection
there is d = 2 r - gap. Along the way x from the closest point, c(x)^2 = x^2 + c0^2 with c0 = R + r - d, so
the overlap is o(x) = R + r - sqrt(x^2 + c0^2). It is zero at x1^2 = (R + r)^2 - c0^2 = d (2 R + 2 r - d).
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray


def half_travel_mm(wheel_mm: float, piece_mm: float, overlap_mm: float) -> float:
    """Return how far before the closest point wheel and piece first meet: sqrt(o (2 R + 2 r - o)).

    Parameters
    ----------
    wheel_mm, piece_mm
        Radii R and r.
    overlap_mm
        Overlap o of the two circles at the closest point: the deflection against a plate, half of it
        between two wheels.

    Raises
    ------
    InputError
        If the radii are not above zero, or the overlap is below zero or more than the piece.

    Examples
    --------
    >>> half_travel_mm(100.0, 45.0, 10.0)  # sqrt(10 x 280)
    52.91502622129181
    """
    _refuse_impossible(wheel_mm, piece_mm, overlap_mm)
    return sqrt(overlap_mm * (2 * wheel_mm + 2 * piece_mm - overlap_mm))


def overlap_along_mm(wheel_mm: float, piece_mm: float, overlap_mm: float, way_mm: FloatArray) -> FloatArray:
    """Return the overlap at places along the way, shape of `way_mm`; zero where they are apart."""
    closest_mm = wheel_mm + piece_mm - overlap_mm
    reached: FloatArray = np.maximum(wheel_mm + piece_mm - np.hypot(way_mm, closest_mm), 0.0)
    return reached


def patch_length_mm(wheel_mm: float, piece_mm: float, overlap_mm: float) -> float:
    """Return the chord that two overlapping circles share at the closest point: the length of the dent.

    With c = R + r - o the chord's half is sqrt(r^2 - h^2), h = (c^2 + r^2 - R^2) / (2 c).

    Parameters
    ----------
    wheel_mm, piece_mm
        Radii.
    overlap_mm
        At this side: half of the deflection where both sides deform equally.

    Raises
    ------
    InputError
        If the radii are not above zero, or the overlap is below zero or more than the piece.

    Examples
    --------
    >>> patch_length_mm(50.0, 50.0, 20.0)  # h = 40, half = 30
    60.0
    """
    _refuse_impossible(wheel_mm, piece_mm, overlap_mm)
    apart_mm = wheel_mm + piece_mm - overlap_mm
    height_mm = (apart_mm**2 + piece_mm**2 - wheel_mm**2) / (2 * apart_mm)
    return 2 * sqrt(max(piece_mm**2 - height_mm**2, 0.0))


def plate_patch_mm(piece_mm: float, dent_mm: float) -> float:
    """Return the chord of the flat on a piece pressed by `dent_mm` against a plate: 2 sqrt(e (2 r - e)).

    Examples
    --------
    >>> plate_patch_mm(50.0, 20.0)  # sqrt(20 x 80) = 40
    80.0
    """
    return 2 * sqrt(max(dent_mm * (2 * piece_mm - dent_mm), 0.0))


def _refuse_impossible(wheel_mm: float, piece_mm: float, overlap_mm: float) -> None:
    if not (wheel_mm > 0 and piece_mm > 0):
        raise InputError(f"nip: found radii of {wheel_mm:g} and {piece_mm:g} mm, expected both above zero")
    if not 0 <= overlap_mm < 2 * piece_mm:
        raise InputError(
            f"nip: found a squeeze of {overlap_mm:.4g} mm, expected zero or more and less than the piece, "
            f"{2 * piece_mm:g} mm"
        )
