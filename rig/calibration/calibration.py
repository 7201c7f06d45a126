"""A calibration: how raw values become newtons and millimetres of the same instant, and how well.

A channel that the source had already scaled (an import in lbf and inches) needs only its unit's
exact factor; a channel in counts needs a scale. Numbers that a person only stated work like measured ones;
they have no uncertainty, and `complaints` says so.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, TypeVar

import numpy as np

from rig.calibration.frame import Frame
from rig.calibration.provenance import Provenance, finite, freedom, not_negative
from rig.calibration.scales import Scale
from rig.errors import InputError
from rig.renamed import CALIBRATION_KEYS
from rig.samples import COUNTS, US_PER_S, FloatArray, RawArray, RawChannel, Samples
from rig.units import factor

PARTS = {
    "force": "force",
    "position": "position",
    "delay": "time offset",
    "frame": "frame compliance",
    "backlash": "backlash",
}
"""Parts of a calibration, and their names in sentences."""

NIL_SHARE = 1e-3
"""Share of a range below which its lower end is the zero, read with its noise."""

_Part = TypeVar("_Part")


@dataclass(frozen=True, slots=True)
class Delay:
    """How much later than the position the force is reported, beyond half a conversion.

    Not a `Measured`, whose u of zero means exact: here a number that was only stated has no u at all.

    `s`, `u_s`: seconds, and their standard uncertainty; None for a number that was not measured.
    """

    s: float = 0.0
    u_s: float | None = None
    degrees_of_freedom: float = math.inf
    record: Provenance = field(default_factory=Provenance)


@dataclass(frozen=True, slots=True)
class Backlash:
    """Backlash of the position reading: while unloading, the reading lags by this distance.

    `mm`, `u_mm`: millimetres, and their standard uncertainty; None for a number that was not measured.
    """

    mm: float = 0.0
    u_mm: float | None = None
    degrees_of_freedom: float = math.inf
    record: Provenance = field(default_factory=Provenance)


@dataclass(frozen=True, slots=True)
class Calibration:
    """What turns raw samples into physical quantities.

    `force`, `position`: scales for channels in counts; None where there is none (the channel is then
    uncalibrated, unless its source was already scaled).
    """

    force: Scale | None = None
    position: Scale | None = None
    delay: Delay = field(default_factory=Delay)
    frame: Frame = field(default_factory=Frame)
    backlash: Backlash = field(default_factory=Backlash)
    name: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return a plain mapping for a file and for a capture's header: all of it, evidence included."""
        fields: dict[str, Any] = {"name": self.name} if self.name else {}
        return fields | {
            "force": None if self.force is None else self.force.as_dict("N"),
            "position": None if self.position is None else self.position.as_dict("mm"),
            "delay": _named(self.delay, "delay_s", self.delay.s, "u_s", self.delay.u_s),
            "frame": self.frame.as_dict(),
            "backlash": _named(self.backlash, "backlash_mm", self.backlash.mm, "u_mm", self.backlash.u_mm),
        }

    @property
    def identity(self) -> str:
        """Sixteen hexadecimal digits that are the same for the same content, and no other."""
        # all of it, the evidence too: a better known calibration is another one
        text = json.dumps(self.as_dict(), sort_keys=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()[:16]

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any] | None, *, where: str = "calibration") -> Calibration:
        """Read back what `as_dict` wrote; `where` names the file in an error.

        Raises InputError, naming the part that is wrong.
        """
        if mapping is None:
            mapping = {}
        if not isinstance(mapping, Mapping):
            raise InputError(f"{where}: found {type(mapping).__name__}, expected force, position, delay ...")
        # an old name, in the calibration or in one of its parts, is refused with the new one
        for part_name, fields in (("", mapping), *mapping.items()):
            for old in CALIBRATION_KEYS.keys() & (fields.keys() if isinstance(fields, Mapping) else ()):
                place = f"{where}: {part_name}: " if part_name else f"{where}: "
                raise InputError(f"{place}found {old!r}, which is now called {CALIBRATION_KEYS[old]!r}")

        def part(name: str, read: Callable[[Any], _Part], otherwise: _Part) -> _Part:
            found = mapping.get(name)
            if found is None:
                return otherwise
            try:
                return read(found)
            except (AttributeError, KeyError, TypeError, ValueError) as problem:
                missing = f"{problem} is missing" if isinstance(problem, KeyError) else str(problem)
                raise InputError(f"{where}: {name}: not a calibration ({missing})") from None

        return cls(
            part("force", lambda scale: Scale.from_dict(scale, "N"), None),
            part("position", lambda scale: Scale.from_dict(scale, "mm"), None),
            part(
                "delay",
                lambda delay: Delay(finite(delay["delay_s"]), *_known(delay, "u_s")),
                # a rig's file states a number alone, without evidence
                Delay(part("force_delay_s", finite, 0.0)),
            ),
            part("frame", Frame.from_dict, Frame.straight(part("compliance_mm_per_n", finite, 0.0))),
            part(
                "backlash",
                lambda backlash: Backlash(not_negative(backlash["backlash_mm"]), *_known(backlash, "u_mm")),
                Backlash(),
            ),
            str(mapping.get("name", "")),
        )

    def force_n(self, samples: Samples) -> FloatArray:
        """Return the force in newtons, shape (n,). Raises InputError if the channel is not calibrated."""
        return _scaled(samples.force, samples.force_channel, self.force, "N", "force")

    def position_mm(self, samples: Samples) -> FloatArray:
        """Return the position in millimetres, shape (n,). Raises InputError if the channel is not
        calibrated."""
        return _scaled(samples.position, samples.position_channel, self.position, "mm", "position")

    def time_s(self, samples: Samples) -> FloatArray:
        """Return the time in seconds, shape (n,); not-a-number where the source had no clock."""
        if samples.clock == "none":
            return np.full(len(samples), np.nan)
        return samples.time_us / US_PER_S

    def force_resolution_n(self, channel: RawChannel) -> float:
        """Return the smallest step of force in newtons; 0 if unknown."""
        return channel.resolution * abs(_slope(channel, self.force, "N", "force"))

    def position_resolution_mm(self, channel: RawChannel) -> float:
        """Return the smallest step of position in millimetres; 0 if unknown."""
        return channel.resolution * abs(_slope(channel, self.position, "mm", "position"))

    def covers(self, force_channel: RawChannel, position_channel: RawChannel) -> tuple[bool, bool]:
        """Return whether force and position can be had in N and mm."""
        return (
            force_channel.unit != COUNTS or self.force is not None,
            position_channel.unit != COUNTS or self.position is not None,
        )

    def for_channels(self, force_channel: RawChannel, position_channel: RawChannel) -> Calibration:
        """Return the calibration without the scales of channels that their source had already scaled."""
        return replace(
            self,
            force=self.force if force_channel.unit == COUNTS else None,
            position=self.position if position_channel.unit == COUNTS else None,
        )

    def complaints(self, on: date | None = None) -> tuple[str, ...]:
        """Return sentences for a reader of its numbers: parts without evidence, and parts overdue.

        Parameters
        ----------
        on
            Day of the recording; None where it is not known, and nothing is overdue then.
        """
        parts = list(self.parts())
        bare = [PARTS[name] for name, measured, _ in parts if not measured]
        sentences = []
        if bare:
            sentences.append(
                f"Not calibrated: {', '.join(bare)} (stated or assumed, without references or uncertainty). "
                "Stated uncertainties are those of the reading alone; `pressrig calibrate` measures what is "
                "missing."
            )
        overdue = [
            f"{PARTS[name]} (since {record.expires.isoformat()})"
            for name, _, record in parts
            if on is not None and record.expires is not None and record.expires < on
        ]
        if overdue:
            sentences.append(f"Calibration overdue on the day of the recording: {', '.join(overdue)}.")
        return tuple(sentences)

    def coverage(self) -> str:
        """Return the ranges that were compared with references, in words; empty if there are none.

        Examples
        --------
        >>> Calibration(frame=Frame((150.0,), (0.02,), ((1e-8,),))).coverage()
        'frame compliance up to 150 N'
        """
        spans = [
            f"{name} from {float(f'{low:.3g}') if abs(low) > NIL_SHARE * high else 0:g} to {high:.4g} {unit}"
            for name, scale, unit in (("force", self.force, "N"), ("position", self.position, "mm"))
            if scale is not None and scale.value_range is not None
            for low, high in [scale.value_range]
        ]
        if self.frame.measured:
            spans.append(f"frame compliance up to {self.frame.force_n[-1]:.4g} N")
        return ", ".join(spans)

    def parts(self) -> Iterator[tuple[str, bool, Provenance]]:
        """Yield the name of each part, whether it was measured, and its record."""
        for name, scale in (("force", self.force), ("position", self.position)):
            measured = scale is not None and scale.uncertainty is not None
            yield name, measured, Provenance() if scale is None else scale.record
        yield "delay", self.delay.u_s is not None, self.delay.record
        yield "frame", self.frame.measured, self.frame.record
        yield "backlash", self.backlash.u_mm is not None, self.backlash.record


def _slope(channel: RawChannel, scale: Scale | None, unit: str, name: str) -> float:
    if channel.unit != COUNTS:
        return factor(channel.unit, unit)
    if scale is None:
        raise InputError(
            f"{name}: recorded in counts without a calibration; "
            f"name a rig file whose `{name}: {{per_count: ...}}` says what a count is, "
            "or a calibration with --calibration"
        )
    return scale.per_count


def _scaled(raw: RawArray, channel: RawChannel, scale: Scale | None, unit: str, name: str) -> FloatArray:
    slope = _slope(channel, scale, unit, name)
    if scale is None or channel.unit != COUNTS:
        return raw.astype(np.float64) * slope
    return scale.value(raw)


def _named(part: Delay | Backlash, key: str, value: float, u_key: str, u: float | None) -> dict[str, Any]:
    """Return the plain mapping of a delay or a backlash; no entry for what is not known."""
    fields: dict[str, Any] = {key: value}
    if u is not None:
        fields[u_key] = u
    if math.isfinite(part.degrees_of_freedom):
        fields["degrees_of_freedom"] = part.degrees_of_freedom
    return fields | part.record.as_dict()


def _known(mapping: Mapping[str, Any], u_key: str) -> tuple[float | None, float, Provenance]:
    """Return uncertainty, degrees of freedom and record of a delay or a backlash: what `_named` wrote."""
    u = mapping.get(u_key)
    return (
        None if u is None else not_negative(u),
        freedom(mapping.get("degrees_of_freedom")),
        Provenance.from_dict(mapping),
    )
