"""What a calibration rests on: when it was made, by whom, against what, and until when it holds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where numbers come from.

    `made`, `expires`: day of the measurement, and the last day on which it holds; None if not stated.
    `references`: what it was compared with, a sentence each: a mass set and its certificate, a gauge block.
    `details`: readings, residuals and choices, for whoever wants to work it out again. Plain values only.
    """

    made: date | None = None
    expires: date | None = None
    by: str = ""
    references: tuple[str, ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Return what is known, as plain values."""
        return {
            name: value
            for name, value in (
                ("made", None if self.made is None else self.made.isoformat()),
                ("expires", None if self.expires is None else self.expires.isoformat()),
                ("by", self.by),
                ("references", list(self.references)),
                ("details", dict(self.details)),
            )
            if value
        }

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any] | None) -> Provenance:
        """Read back what `as_dict` wrote; raises ValueError or TypeError where it is no record."""
        mapping = mapping or {}
        return cls(
            _day(mapping.get("made")),
            _day(mapping.get("expires")),
            str(mapping.get("by", "")),
            tuple(str(reference) for reference in mapping.get("references", ())),
            dict(mapping.get("details", {})),
        )


@dataclass(frozen=True, slots=True)
class Share:
    """A part of the uncertainty, the same for all values at once.

    `source`: "references", "off-centre load", "stability" and the like.
    `degrees_of_freedom`: infinite where it was not estimated from few readings.
    `absolute_u`, `least`: standard uncertainty in the channel's unit of every value from `least` on, and in
    proportion below it, since the zero is exact.
    """

    source: str
    relative_u: float
    degrees_of_freedom: float = math.inf
    absolute_u: float = 0.0
    least: float = 0.0

    def u_at(self, value: float) -> float:
        """Return the standard uncertainty of a value."""
        near_zero = min(abs(value) / self.least, 1.0) if self.least else 1.0
        return math.hypot(self.relative_u * value, self.absolute_u * near_zero)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values; no entry for infinite degrees of freedom."""
        fields: dict[str, Any] = {"source": self.source, "relative_u": self.relative_u}
        if math.isfinite(self.degrees_of_freedom):
            fields["degrees_of_freedom"] = self.degrees_of_freedom
        if self.absolute_u:
            fields |= {"absolute_u": self.absolute_u, "least": self.least}
        return fields

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any]) -> Share:
        """Read back what `as_dict` wrote."""
        return cls(
            str(mapping["source"]),
            not_negative(mapping["relative_u"]),
            freedom(mapping.get("degrees_of_freedom")),
            not_negative(mapping.get("absolute_u", 0.0)),
            not_negative(mapping.get("least", 0.0)),
        )


def finite(value: Any) -> float:
    """Return a finite number; raises ValueError otherwise."""
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{number} is not a finite number")
    return number


def not_negative(value: Any) -> float:
    """Return a finite number that is not below zero; raises ValueError otherwise."""
    number = finite(value)
    if number < 0:
        raise ValueError(f"{number} is below zero")
    return number


def freedom(value: Any) -> float:
    """Return the degrees of freedom: above zero, infinite if not stated."""
    if value is None:
        return math.inf
    number = float(value)
    if not number > 0:
        raise ValueError(f"{number} degrees of freedom: expected a number above zero")
    return number


def table(value: Any, size: int) -> tuple[tuple[float, ...], ...]:
    """Return a symmetric square table of finite numbers; raises ValueError otherwise."""
    rows = tuple(tuple(finite(number) for number in row) for row in value)
    if len(rows) != size or any(len(row) != size for row in rows):
        raise ValueError(f"a covariance of {len(rows)} rows; expected {size} rows of {size}")
    if any(rows[i][j] != rows[j][i] for i in range(size) for j in range(i)):
        raise ValueError("a covariance that is not symmetric")
    return rows


def _day(value: Any) -> date | None:
    if value is None or isinstance(value, date):
        return value
    return date.fromisoformat(str(value))
