"""The scale of one channel in counts: what a count is, how far that is curved, and how well it is known."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from rig.calibration.provenance import Provenance, Share, finite, freedom, not_negative, table
from rig.samples import FloatArray

MOST_TERMS = 3
"""A cubic bends twice; more turns within the range of a sensor are noise."""

INVERSE_STEPS = 8
"""Newton's steps from a value back to counts; each doubles the digits of a scale that is nearly straight."""


@dataclass(frozen=True, slots=True)
class ScaleUncertainty:
    """How well the terms of a scale are known.

    `unit_counts`: counts at which the terms are compared, such as the end of the calibrated range.
    `covariance`: of the values that the terms contribute at `unit_counts`, straight term first, in the square
    of the channel's unit: a table of as many rows as there are terms.
    """

    unit_counts: float
    covariance: tuple[tuple[float, ...], ...]
    degrees_of_freedom: float = math.inf
    shares: tuple[Share, ...] = ()


@dataclass(frozen=True, slots=True)
class Scale:
    """Scale of a channel in counts: value = per_count c + bends[0] c^2 + bends[1] c^3, c from zero.

    `per_count`: newtons or millimetres per count at zero; negative where the sensor is mounted the other way
    round.
    `bends`: further terms, per count squared and cubed; none for a straight scale.
    `uncertainty`: None for a stated number that was not measured.
    `range_counts`: lowest and highest reading that was compared with a reference; None if not stated.
    `offset`: what a scale that is off adds to every value from `offset_from` on, and in proportion below it.
    `offset_from`: smallest reference, in the channel's unit.
    """

    per_count: float
    zero_counts: float = 0.0
    bends: tuple[float, ...] = ()
    uncertainty: ScaleUncertainty | None = None
    range_counts: tuple[float, float] | None = None
    record: Provenance = field(default_factory=Provenance)
    offset: float = 0.0
    offset_from: float = 1.0

    def value(self, counts: Any) -> FloatArray:
        """Return newtons or millimetres of readings of any shape."""
        from_zero = np.asarray(counts, np.float64) - self.zero_counts
        # Horner's scheme: (... b2 c + b1) c + per_count, once more times c, since the zero has no constant
        slope: FloatArray = np.full_like(from_zero, self.terms[-1])
        for term in reversed(self.terms[:-1]):
            slope = slope * from_zero + term
        value: FloatArray = slope * from_zero
        if self.offset:
            # the same for all values beyond the smallest reference; the zero itself is exact
            value = value + self.offset * np.clip(value / self.offset_from, -1.0, 1.0)
        return value

    def slope(self, counts: Any) -> FloatArray:
        """Return newtons or millimetres per count at readings of any shape."""
        from_zero = np.asarray(counts, np.float64) - self.zero_counts
        slope: FloatArray = np.zeros_like(from_zero)
        # the derivative's terms are 1, 2, 3 times those of the scale
        for power, term in reversed(list(enumerate(self.terms, start=1))):
            slope = slope * from_zero + power * term
        return slope

    def counts(self, value: Any) -> FloatArray:
        """Return the readings, as real numbers, at which the scale gives a value; the inverse of `value`."""
        wanted = np.asarray(value, np.float64)
        counts: FloatArray = wanted / self.per_count + self.zero_counts
        if self.bends:
            # Newton from the straight scale: a bend is a small part of a sensor's range
            for _ in range(INVERSE_STEPS):
                counts = counts - (self.value(counts) - wanted) / self.slope(counts)
        return counts

    @property
    def terms(self) -> tuple[float, ...]:
        """All terms, the straight one first."""
        return (self.per_count, *self.bends)

    def with_terms(self, terms: tuple[float, ...]) -> Scale:
        """Return the same scale with other numbers for its terms."""
        return replace(self, per_count=terms[0], bends=tuple(terms[1:]))

    @property
    def identity(self) -> str:
        """Sixteen hexadecimal digits that are the same for the same terms and the same doubt about them, so
        that errors found under both are one error; the zero is no matter."""
        known = self.uncertainty
        doubt = None
        if known is not None:
            shares = [share.as_dict() for share in known.shares]
            doubt = [known.unit_counts, known.covariance, repr(known.degrees_of_freedom), shares]
        text = json.dumps([self.terms, doubt], sort_keys=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()[:16]

    @property
    def value_range(self) -> tuple[float, float] | None:
        """Lowest and highest value that was compared with a reference."""
        if self.range_counts is None:
            return None
        # of a sensor that is mounted the other way round, the lowest count is the highest value
        low, high = sorted(self.value(np.array(self.range_counts)).tolist())
        return low, high

    def as_dict(self, unit: str) -> dict[str, Any]:
        """Return a plain mapping; `unit` (N or mm) ends the names of its fields."""
        fields: dict[str, Any] = {
            f"per_count_{unit.lower()}": self.per_count,
            "zero_counts": self.zero_counts,
        }
        if self.bends:
            fields[f"bends_{unit.lower()}"] = list(self.bends)
        if self.range_counts is not None:
            fields["range_counts"] = list(self.range_counts)
        if self.uncertainty is not None:
            fields["unit_counts"] = self.uncertainty.unit_counts
            fields[f"covariance_{unit.lower()}2"] = [list(row) for row in self.uncertainty.covariance]
            if math.isfinite(self.uncertainty.degrees_of_freedom):
                fields["degrees_of_freedom"] = self.uncertainty.degrees_of_freedom
            fields["shares"] = [share.as_dict() for share in self.uncertainty.shares]
        return fields | self.record.as_dict()

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any], unit: str) -> Scale:
        """Read back what `as_dict` wrote; raises KeyError, TypeError or ValueError where it is no scale."""
        bends = tuple(finite(bend) for bend in mapping.get(f"bends_{unit.lower()}", ()))
        if len(bends) >= MOST_TERMS:
            raise ValueError(f"{len(bends)} bends; expected at most {MOST_TERMS - 1}")
        uncertainty = None
        if "unit_counts" in mapping:
            uncertainty = ScaleUncertainty(
                not_negative(mapping["unit_counts"]),
                table(mapping[f"covariance_{unit.lower()}2"], 1 + len(bends)),
                freedom(mapping.get("degrees_of_freedom")),
                tuple(Share.from_dict(share) for share in mapping.get("shares", ())),
            )
        span = None
        if (found := mapping.get("range_counts")) is not None:
            low, high = found
            span = finite(low), finite(high)
        per_count = finite(mapping[f"per_count_{unit.lower()}"])
        if per_count == 0:
            raise ValueError("a count of zero size")
        zero_counts = finite(mapping.get("zero_counts", 0.0))
        return cls(per_count, zero_counts, bends, uncertainty, span, Provenance.from_dict(mapping))
