"""What a person may ask of an analysis, with the defaults and their reasons."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, pi, sqrt
from typing import Any, Literal

import numpy as np

from rig.errors import InputError
from rig.samples import FloatArray, IntArray, Sense
from rig.segmenter import ZeroPolicy
from rig.units import parse

Datum = Literal["cycle", "first"]

STANDARD_COMPRESSIONS = ("10%", "25%", "40%", "50%", "65%")
"""Compressions at which foams are usually compared (ISO 3386-1, ISO 2439 and ASTM D3574 use several of
them)."""


@dataclass(frozen=True, slots=True)
class Depth:
    """A depth at which forces are asked for.

    Parameters
    ----------
    label
        As the person wrote it.
    mm, pct
        Deflection in mm, or compression in per cent of the free height; the other is None.
    """

    label: str
    mm: float | None = None
    pct: float | None = None

    @classmethod
    def of(cls, text: str) -> Depth:
        """Read "25%" or "5 mm".

        Raises
        ------
        InputError
            If it is neither a percentage nor a length.
        """
        label = text.strip()
        if label.endswith("%"):
            return cls(label, pct=parse(label, "%"))
        return cls(label, mm=parse(label, "mm"))

    def deflection_mm(self, free_height_mm: float | None) -> float | None:
        """Return the deflection that it means for a specimen; None where the free height is needed and
        not known."""
        if self.mm is not None:
            return self.mm
        if free_height_mm is None or self.pct is None:
            return None
        return self.pct / 100 * free_height_mm


@dataclass(frozen=True, slots=True)
class AnalysisSettings:
    """How cycles are measured.

    Parameters
    ----------
    contact_force_n
        Force that counts as contact; None: a multiple of the recording's own noise.
    conditioning
        First cycles to leave out of means.
    at
        Depths at which forces are given; None: the standard compressions if the free height is known.
    datum
        Deflection counts from each cycle's own contact, or from the first contact of the recording, which
        is what a machine with a fixed gap sees.
    free_height_mm
        Height of the untouched specimen.
    toe_exponent
        Toe exponent of F = k d^n where it is known (1 for a spring, 1.5 for a sphere); None: fitted.
    chord
        Share of the peak deflection at both ends of the chord.
    tangent_window
        The tangent at the peak is the end slope of fits over this last share of the deflection, and half.
    initial_window
        The initial stiffness is the chord between these shares of the peak deflection.
    knee_drop
        The knee is where the tangent has fallen below this share of its largest value before.
    sense
        Working direction.
    zero
        Force zero that is asked for.
    excluded
        Numbers of cycles that a person left out.
    """

    contact_force_n: float | None = None
    conditioning: int = 0
    at: tuple[Depth, ...] | None = None
    datum: Datum = "cycle"
    free_height_mm: float | None = None
    toe_exponent: float | None = None
    chord: tuple[float, float] = (0.25, 0.75)
    tangent_window: float = 0.15
    initial_window: tuple[float, float] = (0.05, 0.15)
    knee_drop: float = 0.5
    sense: Sense = "compression"
    zero: ZeroPolicy = field(default_factory=ZeroPolicy)
    excluded: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.contact_force_n is not None and not self.contact_force_n > 0:
            raise InputError(f"contact force: found {self.contact_force_n} N, must be above zero")
        if self.conditioning < 0:
            raise InputError(f"conditioning: found {self.conditioning} cycles, must be 0 or more")
        if self.free_height_mm is not None and not self.free_height_mm > 0:
            raise InputError(f"free height: found {self.free_height_mm} mm, must be above zero")

    def depths(self) -> tuple[Depth, ...]:
        """Return the depths at which forces are given."""
        if self.at is not None:
            return self.at
        return (
            tuple(Depth.of(compression) for compression in STANDARD_COMPRESSIONS)
            if self.free_height_mm
            else ()
        )

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping that goes with every result."""
        return {
            "contact_force_n": self.contact_force_n,
            "conditioning": self.conditioning,
            "at": [depth.label for depth in self.depths()],
            "datum": self.datum,
            "free_height_mm": self.free_height_mm,
            "toe_exponent": self.toe_exponent,
            "chord": list(self.chord),
            "tangent_window": self.tangent_window,
            "initial_window": list(self.initial_window),
            "knee_drop": self.knee_drop,
            "sense": self.sense,
            "zero": self.zero.text,
        }


@dataclass(frozen=True, slots=True)
class MeasuringNoise:
    """What a single sample is worth.

    Parameters
    ----------
    force_n, position_mm
        Standard deviations of one sample without load, resolution included; of force, while the platen moves.
    force_resolution_n, position_resolution_mm
        Smallest steps; 0 if unknown.
    zero_samples
        Samples behind the recording's first force zero; 0 where there is none.
    rest_force_n
        Standard deviation of one force while the platen stands; None: as in motion.
    force_share
        Noise in proportion to the load, as a share of it.
    correlated_samples
        Consecutive samples that are worth one independent reading: 1 for white noise.
    """

    force_n: float
    position_mm: float
    force_resolution_n: float = 0.0
    position_resolution_mm: float = 0.0
    zero_samples: int = 0
    rest_force_n: float | None = None
    force_share: float = 0.0
    correlated_samples: float = 1.0

    def mean_force_u_n(self, count: FloatArray | IntArray | float) -> FloatArray:
        """Return the standard uncertainty of the mean of this many consecutive unloaded samples."""
        count = np.maximum(count, 1.0)
        return self.force_n * np.sqrt(np.minimum(self.correlated_samples, count) / count)

    @property
    def before_rounding(self) -> tuple[float, float]:
        """Standard deviations of force and position without what rounding adds to a sample."""
        return (
            sqrt(max(self.force_n**2 - self.force_resolution_n**2 / 12, 0.0)),
            sqrt(max(self.position_mm**2 - self.position_resolution_mm**2 / 12, 0.0)),
        )

    @property
    def undithered_force_n(self) -> float:
        """What averaging cannot take off a steady force: quantisation that the noise does not dither."""
        return undithered(self.force_n, self.force_resolution_n)


def undithered(noise: float, resolution: float) -> float:
    """Return the standard deviation of the mean of many quantised readings of a steady value with unknown
    phase.

    Parameters
    ----------
    noise
        Standard deviation of one reading, quantisation included.
    resolution
        Step of the reading; 0 if unknown.

    Notes
    -----
    Gaussian noise of standard deviation s before rounding leaves the mean a bias whose first harmonic over
    the phase has the amplitude (q/pi) exp(-2 pi^2 s^2/q^2) (B. Widrow and I. Kollar, Quantization Noise,
    2008, ch. 4, recalled).
    """
    if resolution <= 0:
        return 0.0
    before_rounding = max(noise**2 - resolution**2 / 12, 0.0)
    return resolution / (pi * sqrt(2)) * exp(-2 * pi**2 * before_rounding / resolution**2)
