"""Frame compliance: the deflection of the rig itself under load.

A frame takes up its slack first and is stiffer afterwards, so one number is seldom enough: the deflection is
a curve through a few knots, smooth, because the slope of a specimen's curve is read through it.

It was read by the scales of force and position itself. Taken off readings of the same scales, it undoes what
those are wrong by: a share of the deflection that is in both. So it remembers by which scales it was read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy

from rig.calibration.provenance import Provenance, Share, finite, freedom, table
from rig.samples import FloatArray

OF_FORCE, OF_POSITION = "force calibration, ", "position calibration, "
"""How the names of shares begin that come from a scale."""


@dataclass(frozen=True, slots=True)
class ReadBy:
    """Scales by which presses of a block were read.

    `force`, `position`: their identities; empty where there was none.
    `contact_mm`: position of the contact, mean of the presses.
    """

    force: str = ""
    position: str = ""
    contact_mm: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        return {"force_scale": self.force, "position_scale": self.position, "contact_mm": self.contact_mm}

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any] | None) -> ReadBy:
        """Read back what `as_dict` wrote; no scales where there is none."""
        if mapping is None:
            return cls()
        # files written before have the old name
        contact_mm = mapping["touch_mm"] if "touch_mm" in mapping else mapping["contact_mm"]
        return cls(str(mapping["force_scale"]), str(mapping["position_scale"]), finite(contact_mm))


@dataclass(frozen=True, slots=True)
class Frame:
    """Deflection of the frame against force; nothing without force.

    `force_n`, `deflection_mm`: knots in the order of force, all above zero, the origin left out. One knot is
    a straight line. Between knots a natural cubic spline; beyond the last one, straight on.
    `covariance_mm2`: of the deflections; None for stated numbers that were not measured.
    `shares`: further parts of the uncertainty in proportion to the deflection.
    """

    force_n: tuple[float, ...] = (1.0,)
    deflection_at_mm: tuple[float, ...] = (0.0,)
    covariance_mm2: tuple[tuple[float, ...], ...] | None = None
    degrees_of_freedom: float = math.inf
    shares: tuple[Share, ...] = ()
    record: Provenance = field(default_factory=Provenance)
    read_by: ReadBy = field(default_factory=ReadBy)

    @classmethod
    def straight(cls, compliance_mm_per_n: float) -> Frame:
        """Return a frame of one stated compliance."""
        return cls((1.0,), (compliance_mm_per_n,))

    @property
    def is_rigid(self) -> bool:
        """Whether it does not deflect at all."""
        return not any(self.deflection_at_mm)

    @property
    def measured(self) -> bool:
        """Whether somebody measured it."""
        return self.covariance_mm2 is not None

    def deflection_mm(self, force_n: FloatArray) -> FloatArray:
        """Return the deflection in mm at forces of any shape."""
        if len(self.force_n) == 1:
            return force_n * (self.deflection_at_mm[0] / self.force_n[0])
        spline, slope = _spline(self.force_n, self.deflection_at_mm)
        # beyond the knots, and for a pull, straight on with the slope at that end
        inside = np.clip(force_n, 0.0, self.force_n[-1])
        deflection: FloatArray = spline(inside) + (force_n - inside) * np.where(
            force_n < 0, slope[0], slope[1]
        )
        return deflection

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping."""
        fields: dict[str, Any] = {"force_n": list(self.force_n), "deflection_mm": list(self.deflection_at_mm)}
        if self.covariance_mm2 is not None:
            fields["covariance_mm2"] = [list(row) for row in self.covariance_mm2]
            if math.isfinite(self.degrees_of_freedom):
                fields["degrees_of_freedom"] = self.degrees_of_freedom
            fields["shares"] = [share.as_dict() for share in self.shares]
        if self.read_by != ReadBy():
            fields["read_by"] = self.read_by.as_dict()
        return fields | self.record.as_dict()

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any]) -> Frame:
        """Read back what `as_dict` wrote; raises KeyError, TypeError or ValueError where it is none."""
        force_n = tuple(finite(force) for force in mapping["force_n"])
        deflection_mm = tuple(finite(deflection) for deflection in mapping["deflection_mm"])
        if not force_n or len(deflection_mm) != len(force_n):
            raise ValueError(
                f"{len(force_n)} forces and {len(deflection_mm)} deflections; expected one per force"
            )
        if any(right <= left for left, right in zip((0.0, *force_n), force_n, strict=False)):
            raise ValueError("forces that do not rise from zero")
        covariance = mapping.get("covariance_mm2")
        return cls(
            force_n,
            deflection_mm,
            None if covariance is None else table(covariance, len(force_n)),
            freedom(mapping.get("degrees_of_freedom")),
            tuple(Share.from_dict(share) for share in mapping.get("shares", ())),
            Provenance.from_dict(mapping),
            ReadBy.from_dict(mapping.get("read_by")),
        )


def through_origin(force_n: npt.ArrayLike, values: npt.ArrayLike) -> scipy.interpolate.CubicSpline:
    """Return the natural spline through the origin and values at forces, shape (k,) or (k, m)."""
    values = np.asarray(values, np.float64)
    ends = np.concatenate([[0.0], np.asarray(force_n, np.float64)])
    return scipy.interpolate.CubicSpline(
        ends, np.concatenate([np.zeros_like(values[:1]), values]), bc_type="natural"
    )


@lru_cache(maxsize=64)
def _spline(
    force_n: tuple[float, ...], deflection_mm: tuple[float, ...]
) -> tuple[scipy.interpolate.CubicSpline, FloatArray]:
    # a third of a second, which a rig with a straight frame need not wait for
    spline = through_origin(force_n, deflection_mm)
    slope: FloatArray = spline(np.array([0.0, force_n[-1]]), 1)
    return spline, slope
