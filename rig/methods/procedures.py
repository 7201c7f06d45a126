"""Arithmetic of published squeeze tests, as small pure functions.

Each names the procedure whose arithmetic it follows. They were written down from memory of the procedures;
only the standards themselves are the authority, and no result claims conformity with one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.errors import InputError

NEWTONS_PER_LBF = 4.4482216152605
"""Exact: 0.45359237 kg under the standard acceleration of free fall, 9.80665 m/s2."""

BALL_CONTACT_N = 3.5 * NEWTONS_PER_LBF
"""Contact load of the ball procedure."""

BALL_LOAD_N = 18.0 * NEWTONS_PER_LBF
"""Load at which the ball's deformation is read, during loading and during unloading."""

BALL_AXES_APART_MM = 0.8
"""Largest difference between axes of one ball."""

STANDARD_AIRS = ((23.0, 50.0), (27.0, 65.0))
"""Temperature in C and relative humidity in % of standard laboratory air, and of its tropical kind."""

AIR_TOLERANCES = (2.0, 10.0)
"""In C and in % RH; stated for the first air, taken for the second too."""


def compression_stress_kpa(force_n: float, area_mm2: float) -> float:
    """Compression stress; with the force at 40 % in the fourth squeeze it is CV40.

    Raises InputError if the area is not above zero.

    References
    ----------
    ISO 3386-1, recalled: CV40 = 1000 F40 / A, in kPa with F in N and A in mm^2.

    Examples
    --------
    >>> compression_stress_kpa(50.0, 10_000.0)
    5.0
    """
    return 1000 * force_n / _above_zero("area", area_mm2, "mm^2")


def support_factor(force_25_n: float, force_65_n: float) -> float:
    """Support (sag) factor: force at 65 % indentation over that at 25 %, each after its hold.

    Raises InputError if the force at 25 % is not above zero.

    References
    ----------
    ISO 2439 and ASTM D3574 test B1, recalled.
    """
    return force_65_n / _above_zero("force at 25 %", force_25_n, "N")


def hysteresis_return_pct(force_25_in_n: float, force_25_out_n: float) -> float:
    """Return the force at 25 % indentation during unloading, in per cent of that during loading.

    Raises InputError if the force during loading is not above zero.

    References
    ----------
    ASTM D3574 test B1, recalled.
    """
    return 100 * force_25_out_n / _above_zero("force at 25 % during loading", force_25_in_n, "N")


def set_of_height_pct(free_height_mm: float, recovered_height_mm: float) -> float:
    """Compression set in per cent of the free height: 100 (h0 - hr) / h0.

    Raises InputError if the free height is not above zero.

    References
    ----------
    ISO 1856 and ASTM D3574 test D.
    """
    free = _above_zero("free height", free_height_mm, "mm")
    return 100 * (free - recovered_height_mm) / free


def set_of_deflection_pct(
    free_height_mm: float, spacer_height_mm: float, recovered_height_mm: float
) -> float:
    """Compression set in per cent of the imposed deflection: 100 (h0 - hr) / (h0 - hs).

    Raises InputError if the spacer is not lower than the specimen.

    References
    ----------
    ISO 815-1 and ASTM D395 method B.
    """
    imposed = _above_zero("free height less spacer height", free_height_mm - spacer_height_mm, "mm")
    return 100 * (free_height_mm - recovered_height_mm) / imposed


OF_FREE_HEIGHT = "of the free height"
OF_IMPOSED_DEFLECTION = "of the imposed deflection"


@dataclass(frozen=True, slots=True)
class CompressionSet:
    """A compression set with its basis, and the procedures whose arithmetic it follows."""

    pct: float
    basis: str
    follows: str


def compression_sets(
    free_height_mm: float, recovered_height_mm: float, spacer_height_mm: float | None = None
) -> tuple[CompressionSet, ...]:
    """Compression set on each basis that is in use: the same piece gives different numbers.

    Parameters
    ----------
    spacer_height_mm
        Height that it was held at; without it only the set of the free height can be told.

    Raises
    ------
    InputError
        If the free height is not above zero, or not above the spacer.

    Examples
    --------
    >>> for each in compression_sets(50.00, 47.50, 25.00):
    ...     print(f"{each.pct:.1f} % {each.basis}")
    5.0 % of the free height
    10.0 % of the imposed deflection
    """
    of_height = CompressionSet(
        set_of_height_pct(free_height_mm, recovered_height_mm),
        OF_FREE_HEIGHT,
        "ISO 1856 and ASTM D3574 test D",
    )
    if spacer_height_mm is None:
        return (of_height,)
    pct = set_of_deflection_pct(free_height_mm, spacer_height_mm, recovered_height_mm)
    return of_height, CompressionSet(pct, OF_IMPOSED_DEFLECTION, "ISO 815-1 and ASTM D395 method B")


def loss_pct(first: float, last: float) -> float:
    """Loss in per cent of the first value: of thickness, or of the force at 40 % (hardness).

    Raises InputError if the first value is not above zero.

    References
    ----------
    ISO 3385, recalled: after 80 000 strokes and ten minutes of rest.
    """
    first = _above_zero("first value", first, "")
    return 100 * (first - last) / first


@dataclass(frozen=True, slots=True)
class BallDeformation:
    """Deformation of a ball past its contact load: at the reading load during loading, and during
    unloading."""

    forward_mm: float
    return_mm: float


def mean_over_axes(axes: Sequence[BallDeformation]) -> tuple[BallDeformation, bool]:
    """Return the mean of the axes of one ball, and whether no two axes differ by more than 0.08 cm.

    Raises InputError if there are not three.

    References
    ----------
    ITF Rules of Tennis, Appendix I, recalled: three axes at right angles.
    """
    if len(axes) != 3:
        raise InputError(f"axes: found {len(axes)}, expected three at right angles")
    values = np.array([(axis.forward_mm, axis.return_mm) for axis in axes])
    forward_mm, return_mm = values.mean(axis=0)
    apart_mm = np.ptp(values, axis=0).max()
    return BallDeformation(float(forward_mm), float(return_mm)), bool(apart_mm <= BALL_AXES_APART_MM)


def in_standard_air(temperature_c: float, humidity_pct: float) -> bool:
    """Return whether air is the standard laboratory air: 23 +- 2 C and 50 +- 10 % RH, or 27 C and 65 %.

    References
    ----------
    ISO 23529. The tolerances of the first are taken for the second too.

    Examples
    --------
    >>> in_standard_air(24.0, 45.0), in_standard_air(20.0, 50.0)
    (True, False)
    """
    return any(
        abs(temperature_c - standard_c) <= AIR_TOLERANCES[0]
        and abs(humidity_pct - standard_pct) <= AIR_TOLERANCES[1]
        for standard_c, standard_pct in STANDARD_AIRS
    )


def _above_zero(name: str, value: float, unit: str) -> float:
    if not value > 0:
        raise InputError(f"{name}: found {value:g} {unit}".rstrip() + ", expected more than zero")
    return value
