"""What a sensor is compared with: loads from known masses, the gravity where the rig stands, certificates.

A kilogram presses with 9.780 N at the equator and 9.832 N at the poles, and air carries a seventh of a
thousandth of it; both are stated with the calibration, with what is not known about them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from rig.calibration.provenance import Share
from rig.errors import InputError
from rig.units import parse

AIR_KG_PER_M3 = 1.2
"""Conventional density of air (OIML D 28, recalled); weather and height change it by some 10 %."""

AIR_RELATIVE_HALF_RANGE = 0.1

MASS_KG_PER_M3 = 8000.0
"""Conventional density of masses (OIML D 28, recalled): what the certificate of a mass refers to."""

LEAST_GRAVITY, MOST_GRAVITY = 9.70, 9.90
"""In m/s^2: beyond what any workshop on the ground has."""

ANOMALY_RELATIVE_HALF_RANGE = 1e-4
"""Hills and ore move gravity away from the formula by up to 100 mGal, a ten-thousandth, nearly everywhere."""

_WRITTEN = re.compile(r"\s*(\+?\d*(?:\.(\d*))?)")

_STANDARD_PER_HALF_RANGE = 1 / math.sqrt(3)
"""Standard uncertainty of a value that is anywhere within its limits (JCGM 100:2008, 4.3.7)."""


@dataclass(frozen=True, slots=True)
class Gravity:
    """Gravity where the rig stands.

    `m_per_s2`, `relative_u`: value, and its relative standard uncertainty.
    """

    m_per_s2: float
    relative_u: float
    source: str

    @classmethod
    def stated(cls, text: str) -> Gravity:
        """Read such as "9.8145 m/s^2"; it is taken to be right to half its last digit.

        Raises InputError if it is no acceleration, or none found on the ground.

        Examples
        --------
        >>> round(Gravity.stated("9.81 m/s^2").relative_u, 6)
        0.000294
        """
        value = parse(text, "m/s^2")
        if not LEAST_GRAVITY <= value <= MOST_GRAVITY:
            raise InputError(
                f"found {text!r}, expected {LEAST_GRAVITY} to {MOST_GRAVITY} m/s^2, as on the ground"
            )
        number, decimals = _WRITTEN.match(text).groups()  # type: ignore[union-attr]
        # half a unit of the last decimal, in m/s^2 whatever the unit that was written
        half_digit = 0.5 * 10.0 ** -len(decimals or "") * value / float(number)
        return cls(
            value,
            half_digit * _STANDARD_PER_HALF_RANGE / value,
            f"gravity {value:.6g} m/s^2 as stated, right to half its last digit",
        )

    @classmethod
    def standard(cls) -> Gravity:
        """Return standard gravity in place of the local one.

        Notes
        -----
        9.80665 m/s^2 (NIST SP 811, appendix B). On the ground it is 9.780 to 9.832 m/s^2: a half range of
        0.026 m/s^2, taken as uniform (JCGM 100:2008, 4.3.7). Both recalled.
        """
        return cls(
            9.80665,
            0.026 * _STANDARD_PER_HALF_RANGE / 9.80665,
            "standard gravity 9.80665 m/s^2 in place of the local one, which is within 0.27 % of it",
        )

    @classmethod
    def at(cls, latitude_deg: float, height_m: float = 0.0) -> Gravity:
        """Return normal gravity at a place, by `gravity_m_per_s2`, with what hills and ore leave open."""
        value = gravity_m_per_s2(latitude_deg, height_m)
        return cls(
            value,
            ANOMALY_RELATIVE_HALF_RANGE * _STANDARD_PER_HALF_RANGE,
            f"gravity {value:.5f} m/s^2 by the international formula for {latitude_deg:g} degrees and "
            f"{height_m:g} m",
        )


def gravity_m_per_s2(latitude_deg: float, height_m: float = 0.0) -> float:
    """Return normal gravity in m/s^2.

    Parameters
    ----------
    latitude_deg, height_m
        North or south of the equator, and above the sea.

    Raises
    ------
    InputError
        If there is no such place.

    References
    ----------
    The international gravity formula on the Geodetic Reference System 1980, with the height term that guide 2
    of the European cooperation in legal metrology uses (recalled).

    Examples
    --------
    >>> round(gravity_m_per_s2(45.0), 4)
    9.8062
    """
    if not -90 <= latitude_deg <= 90:
        raise InputError(f"latitude: found {latitude_deg:g}, expected -90 to 90 degrees")
    if not -500 <= height_m <= 9000:
        raise InputError(f"height: found {height_m:g} m above the sea, expected -500 to 9000")
    sine, double = math.sin(math.radians(latitude_deg)), math.sin(math.radians(2 * latitude_deg))
    return 9.780327 * (1 + 5.3024e-3 * sine**2 - 5.8e-6 * double**2) - 3.085e-6 * height_m


def mass_load_n(
    mass_kg: float,
    gravity_m_per_s2: float,
    *,
    air_kg_per_m3: float = AIR_KG_PER_M3,
    mass_kg_per_m3: float = MASS_KG_PER_M3,
) -> float:
    """Return the load of a mass on the platen in newtons: its weight less that of the air it displaces.

    Parameters
    ----------
    mass_kg
        Conventional mass, as on a certificate, or true mass with its own density.

    Examples
    --------
    >>> round(mass_load_n(1.0, 9.81), 6)
    9.808529
    """
    return mass_kg * gravity_m_per_s2 * (1 - air_kg_per_m3 / mass_kg_per_m3)


def mass_shares(gravity: Gravity, air_kg_per_m3: float, mass_kg_per_m3: float) -> tuple[Share, ...]:
    """Return what gravity and air add to the uncertainty of loads from masses."""
    # the load goes with 1 - air/mass: a relative change of the air's density changes it by air/mass of that
    air = air_kg_per_m3 / mass_kg_per_m3 * AIR_RELATIVE_HALF_RANGE * _STANDARD_PER_HALF_RANGE
    return Share("gravity", gravity.relative_u), Share("air buoyancy", air)


def half_range_share(source: str, relative_half_range: float) -> Share:
    """Return a part that is anywhere within plus or minus so much of the value."""
    return Share(source, relative_half_range * _STANDARD_PER_HALF_RANGE)


def reference_u(text: str, unit: str, largest: float) -> tuple[float, float]:
    """Return the standard uncertainty of references: relative, and absolute in `unit`; one of them is zero.

    Parameters
    ----------
    text
        In per cent ("0.05 %"), or absolute ("5 mN").
    largest
        Largest reference, in `unit`.

    Raises
    ------
    InputError
        If it is neither, negative, or of no use.
    """
    relative, absolute = (parse(text, "%") / 100, 0.0) if "%" in text else (0.0, parse(text, unit))
    if not 0 < relative + absolute / largest < 0.5:
        raise InputError(f"found {text!r}, expected a standard uncertainty above zero such as '0.05 %'")
    return relative, absolute
