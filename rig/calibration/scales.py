"""A calibration: how a channel's raw values become newtons and millimetres.

A channel that the source had already scaled (an import in lbf and inches) needs only its unit's
exact factor; a channel in counts needs the size of a count and the counts at zero.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.errors import InputError
from rig.samples import COUNTS, Channel, FloatArray, RawArray, Samples
from rig.units import factor

US_PER_S = 1e6


@dataclass(frozen=True, slots=True)
class Scale:
    """Straight-line scale of a channel in counts.

    Parameters
    ----------
    per_count
        Newtons or millimetres per count; negative where the sensor is mounted the other way round.
    zero_counts
        Reading that means zero.
    """

    per_count: float
    zero_counts: float = 0.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """What turns raw samples into physical quantities.

    Parameters
    ----------
    force, position
        Scales for channels in counts; None where there is none (the channel is then uncalibrated,
        unless its source was already scaled).
    force_delay_s
        How much later than the position the force is reported, beyond half a conversion.
    compliance_mm_per_n
        How far the frame itself gives per newton.
    """

    force: Scale | None = None
    position: Scale | None = None
    force_delay_s: float = 0.0
    compliance_mm_per_n: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Plain mapping for a capture's header."""
        return {
            "force": _scale_as_dict(self.force, "per_count_n"),
            "position": _scale_as_dict(self.position, "per_count_mm"),
            "force_delay_s": self.force_delay_s,
            "compliance_mm_per_n": self.compliance_mm_per_n,
        }

    @property
    def identity(self) -> str:
        """Sixteen hexadecimal digits that are the same for the same content, and no other."""
        text = json.dumps(self.as_dict(), sort_keys=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()[:16]

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any] | None, *, where: str = "calibration") -> Calibration:
        """Read back what `as_dict` wrote; `where` names the file in an error.

        Raises
        ------
        InputError
            If a field is not a finite number.
        """
        mapping = mapping or {}
        try:
            return cls(
                _scale_from_dict(mapping.get("force"), "per_count_n"),
                _scale_from_dict(mapping.get("position"), "per_count_mm"),
                _finite(mapping.get("force_delay_s", 0.0)),
                _finite(mapping.get("compliance_mm_per_n", 0.0)),
            )
        except (AttributeError, KeyError, TypeError, ValueError) as problem:
            raise InputError(f"{where}: not a calibration ({problem}); found {mapping!r}") from None

    def force_n(self, samples: Samples) -> FloatArray:
        """Force in newtons, shape (n,). Raises InputError if the channel is not calibrated."""
        return _scaled(samples.force, samples.force_channel, self.force, "N", "force")

    def position_mm(self, samples: Samples) -> FloatArray:
        """Position in millimetres, shape (n,). Raises InputError if the channel is not calibrated."""
        return _scaled(samples.position, samples.position_channel, self.position, "mm", "position")

    def time_s(self, samples: Samples) -> FloatArray:
        """Time in seconds, shape (n,); not-a-number where the source had no clock."""
        if samples.clock == "none":
            return np.full(len(samples), np.nan)
        return samples.time_us / US_PER_S

    def force_resolution_n(self, channel: Channel) -> float:
        """Smallest step of force in newtons; 0 if unknown."""
        return channel.resolution * abs(_slope(channel, self.force, "N", "force"))

    def position_resolution_mm(self, channel: Channel) -> float:
        """Smallest step of position in millimetres; 0 if unknown."""
        return channel.resolution * abs(_slope(channel, self.position, "mm", "position"))

    def covers(self, force_channel: Channel, position_channel: Channel) -> tuple[bool, bool]:
        """Whether force and position can be had in N and mm."""
        return (
            force_channel.unit != COUNTS or self.force is not None,
            position_channel.unit != COUNTS or self.position is not None,
        )


def _slope(channel: Channel, scale: Scale | None, unit: str, name: str) -> float:
    if channel.unit != COUNTS:
        return factor(channel.unit, unit)
    if scale is None:
        raise InputError(
            f"{name}: recorded in counts without a calibration; "
            f"name a rig file whose `{name}: {{per_count: ...}}` says what a count is"
        )
    return scale.per_count


def _scaled(raw: RawArray, channel: Channel, scale: Scale | None, unit: str, name: str) -> FloatArray:
    slope = _slope(channel, scale, unit, name)
    zero = scale.zero_counts if scale is not None and channel.unit == COUNTS else 0.0
    return (raw.astype(np.float64) - zero) * slope


def _scale_as_dict(scale: Scale | None, key: str) -> dict[str, float] | None:
    return None if scale is None else {key: scale.per_count, "zero_counts": scale.zero_counts}


def _scale_from_dict(mapping: Mapping[str, Any] | None, key: str) -> Scale | None:
    return None if mapping is None else Scale(_finite(mapping[key]), _finite(mapping.get("zero_counts", 0.0)))


def _finite(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{number} is not a finite number")
    return number
