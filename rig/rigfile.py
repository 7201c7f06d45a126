"""A rig's configuration file: its port, its wire format, and what a count of each channel is.

In: a YAML file that a person wrote. Out: validated values with their units read. Must not depend on: an open
port. Every refusal names the file and the field, what was found, and what would be right.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rig.calibration import Calibration, Delay, Frame, Scale
from rig.calibrationfile import read_calibration
from rig.core import choose_units, load_yaml, read_text
from rig.errors import InputError, refused_at
from rig.methods import RigLimits
from rig.reader import PortAddress
from rig.samples import COUNTS, Sense
from rig.units import is_force, is_length, parse, temperature_scale
from rig.wire import AUXILIARY_UNITS, Abilities, LineFormat

Text = Annotated[str, Field(min_length=1, max_length=200)]
Count = Annotated[float, Field(allow_inf_nan=False)]

_QUANTITIES = ("per_count", "delay", "compliance")

EXAMPLE = "port: {path: ttyUSB0, baud: 115200}"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Port(_Section):
    path: str | None = None
    usb: str | None = None
    serial_number: str | None = None
    baud: int = Field(default=115_200, gt=0)


class _Wire(_Section):
    format: Literal["framed", "lines"]
    rate_hz: float | None = Field(default=None, gt=0, le=100_000)
    separator: str | None = None
    columns: list[str] | None = None
    time_bits: int | Literal["none"] | None = None
    force_unit: str | None = None
    position_unit: str | None = None
    checksum: str | None = None
    comment: str | None = None
    auxiliary_units: dict[str, Text] | None = None


class _Force(_Section):
    per_count: Text | None = None
    zero_counts: Count = 0.0
    delay: Text = "0 ms"


class _Position(_Section):
    per_count: Text | None = None
    zero_counts: Count = 0.0


class _Frame(_Section):
    compliance: Text = "0 um/N"


MOST_FORCE_N = 100_000.0
MOST_TRAVEL_MM = 2_000.0
MOST_SPEED_MM_PER_S = 2_000.0
MOST_DECELERATION_MM_PER_S2 = 50_000.0
MOST_DELAY_S = 5.0
"""Limits of a driven rig beyond these are taken for a wrong unit (2 MN for 2 kN, m for mm): common practice
of bench presses, no source."""

LEAST_COUNTS = 50
"""A sensor divides the rig's travel, and its range of force, into more counts than this."""

WIRE_COUNTS = 2**31
"""Counts of the wire are below this."""


PM_PER_MM = 1e9
COUNT_TOLERANCE = 0.05
"""A calibrated size lies nearer to the nominal one; a wrong screw, gear or microstep is farther off (common
practice, no source)."""

RATE_TOLERANCE = 0.01
CONVERSIONS_TOLERANCE = 0.2
"""A converter's own clock is often off by a tenth (firmware_notes/reference/core/settings.h)."""

LIMIT_SLACK = 0.001
"""Share of the device's range: what rounding a limit to counts makes of it."""


class _Drive(_Section):
    travel: tuple[Text, Text]
    force: tuple[Text, Text]
    speed: Text
    deceleration: Text
    conversions_per_s: float = Field(gt=0)
    force_rise: Text | None = None
    platens_meet: Text | None = None


class _File(_Section):
    name: Text
    sense: Sense = "compression"
    port: _Port | None = None
    wire: _Wire
    calibration: Text | None = None
    force: _Force | None = None
    position: _Position | None = None
    frame: _Frame = _Frame()
    drive: _Drive | None = None
    units: Literal["metric", "us", "both"] | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True)
class RigFile:
    """A rig as its file describes it.

    `port`: where it is; None where the command line has to say.
    `wire`: "framed", or the format of its lines.
    `rate_hz`: samples per second to ask a framed device for; None for its highest.
    `calibration`: what a count is, from the calibration's file part by part, else as stated in the rig's own;
    channels that neither knows are uncalibrated.
    `limits`: what a driven rig may do; None for a rig without a drive, or whose file does not say.
    `source`: the whole file as it was read, for the capture's header.
    `path`: of the file; what is kept beside it is found by that.
    """

    name: str
    port: PortAddress | None = None
    wire: Literal["framed"] | LineFormat = "framed"
    rate_hz: float | None = None
    calibration: Calibration = dataclasses.field(default_factory=Calibration)
    limits: RigLimits | None = None
    source: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    path: Path | None = None
    sense: Sense = "compression"

    def disagreement(self, told: Abilities) -> str | None:
        """Return where the file contradicts what the device says that it can do, in words; None if nowhere.

        What the device does not know (0) is not compared, and neither is what the file leaves out.
        """
        found = next(_disagreements(self, told), None)
        if found is None:
            return None
        field, holds, said = found
        where = self.path or f"rig {self.name}"
        return f"{where}: {field}: found {holds}, but the device says {said}; correct the file or the device"

    def address(self, path: str | None) -> PortAddress:
        """Return the port to open, the command line's before the file's.

        Raises InputError if neither names one.
        """
        if path is not None:
            return PortAddress(path=path, baud=self.port.baud if self.port else 115_200)
        if self.port is None:
            raise InputError(f"rig {self.name}: no port; add `{EXAMPLE}` to its file, or give --port")
        return self.port


def read_rig_file(path: Path, *, weighs: bool = False) -> RigFile:
    """Read and check a rig file.

    Raises InputError if it cannot be read, or if a field is wrong.

    `path`: of a YAML file; `configs/rigs` holds examples.
    `weighs`: it is wanted for weighing: a scale will do, whose lines hold no position.

    Notes
    -----
    Its `units` become the reader's, unless the command line or the environment chose others.
    """
    text = read_text(path, what="rig file", hint="configs/rigs holds examples")
    content = load_yaml(text, str(path), expected=f"keys such as `name: bench`, `{EXAMPLE}`")
    try:
        file = _File.model_validate(content)
    except ValidationError as problem:
        raise InputError(f"{path}: {_first_complaint(problem)}") from None
    if file.units is not None:
        choose_units(file.units, "rig file")
    with refused_at(str(path)):
        port = None if file.port is None else PortAddress(**file.port.model_dump())
        wire = _wire_format(file.wire)
        if not weighs and wire != "framed" and "position" not in wire.columns:
            raise InputError(
                f"wire.columns: found {wire.columns}, expected force and position; a scale only weighs"
            )
        calibration = _measured(path, file.calibration, _stated(file))
        limits = None if file.drive is None else _limits(file, calibration)
    return RigFile(file.name, port, wire, file.wire.rate_hz, calibration, limits, content, path, file.sense)


def _first_complaint(problem: ValidationError) -> str:
    error = problem.errors()[0]
    field = ".".join(str(part) for part in error["loc"])
    if error["type"] == "missing":
        return f"{field} is missing"
    if error["type"] == "extra_forbidden":
        return f"{field} is not a key of a rig file; {', '.join(_File.model_fields)} are"
    if error["loc"][-1] in _QUANTITIES:
        return f"{field}: found {error.get('input')!r}, expected a number with its unit, in quotes"
    return f"{field}: found {error.get('input')!r}; {error['msg'].lower()}"


def _wire_format(wire: _Wire) -> Literal["framed"] | LineFormat:
    stated = wire.model_dump(exclude={"format", "rate_hz"}, exclude_unset=True)
    if wire.format == "framed":
        if stated:
            raise InputError(
                f"wire.{next(iter(stated))}: belongs to `format: lines`, found with `format: framed`"
            )
        return "framed"
    if stated.get("time_bits") == "none":
        stated["time_bits"] = None
    units = stated.pop("auxiliary_units", None) or {}
    line_format = LineFormat(**stated)
    for key, unit, fits, example in (
        ("force_unit", line_format.force_unit, is_force, "N, lbf, kgf or g"),
        ("position_unit", line_format.position_unit, is_length, "mm or in"),
    ):
        if unit != COUNTS and not fits(unit):
            raise InputError(f"wire.{key}: found {unit!r}, expected counts, {example}")
    return replace(line_format, auxiliary_scales=_auxiliary_scales(units, line_format))


def _auxiliary_scales(units: Mapping[str, str], line_format: LineFormat) -> Mapping[str, tuple[float, float]]:
    scales = {}
    for name, unit in units.items():
        field = f"wire.auxiliary_units.{name}"
        if name not in line_format.auxiliary:
            known = ", ".join(AUXILIARY_UNITS)
            raise InputError(f"{field}: is not in wire.columns; there it may be one of {known}")
        recorded = AUXILIARY_UNITS[name]
        if recorded == "%":
            if unit != recorded:
                raise InputError(f"{field}: found {unit!r}, expected %")
            continue
        try:
            scales[name] = temperature_scale(unit)
        except InputError:
            raise InputError(f"{field}: found {unit!r}, expected degC, degF or K") from None
    return scales


def _stated(file: _File) -> Calibration:
    force = position = None
    delay_s = 0.0
    if file.force is not None:
        delay_s = _quantity("force.delay", file.force.delay, "s")
        if file.force.per_count is not None:
            force = Scale(_quantity("force.per_count", file.force.per_count, "N"), file.force.zero_counts)
    if file.position is not None and file.position.per_count is not None:
        position = Scale(
            _quantity("position.per_count", file.position.per_count, "mm"), file.position.zero_counts
        )
    compliance = _quantity("frame.compliance", file.frame.compliance, "mm/N")
    for field, value in (("force.delay", delay_s), ("frame.compliance", compliance)):
        if value < 0:
            raise InputError(f"{field}: found a negative value, expected zero or more")
    for field, scale in (("force.per_count", force), ("position.per_count", position)):
        if scale is not None and scale.per_count == 0:
            raise InputError(f"{field}: found zero, expected the size of a count")
    return Calibration(force, position, Delay(delay_s), Frame.straight(compliance))


def _measured(path: Path, named: str | None, stated: Calibration) -> Calibration:
    """Return the parts of a calibration's file, named relative to the rig's, before those stated there."""
    if named is None:
        return stated
    with refused_at("calibration"):
        measured = read_calibration(path.parent / named)
    return Calibration(
        measured.force or stated.force,
        measured.position or stated.position,
        stated.delay if measured.delay == Delay() else measured.delay,
        stated.frame if measured.frame == Frame() else measured.frame,
        measured.backlash,
        measured.name,
    )


def _limits(file: _File, calibration: Calibration) -> RigLimits:
    drive = file.drive
    assert drive is not None
    if calibration.force is None or calibration.position is None:
        raise InputError("drive: found limits, but force.per_count or position.per_count is missing")
    if calibration.force.per_count < 0 or calibration.position.per_count < 0:
        raise InputError("drive: counts of a driven rig rise with compression; found a negative per_count")
    travel, force = (
        tuple(_quantity(f"drive.{field}", text, unit) for text in pair)
        for field, pair, unit in (("travel", drive.travel, "mm"), ("force", drive.force, "N"))
    )
    for field, (low, high) in (("travel", travel), ("force", force)):
        if not low < high:
            raise InputError(f"drive.{field}: found {low:g} to {high:g}, expected the lower one first")
    speed = _quantity("drive.speed", drive.speed, "mm/s")
    deceleration = _quantity("drive.deceleration", drive.deceleration, "mm/s^2")
    for field, value in (("speed", speed), ("deceleration", deceleration)):
        if not value > 0:
            raise InputError(f"drive.{field}: found {value:g}, expected more than zero")
    rise = None if drive.force_rise is None else _quantity("drive.force_rise", drive.force_rise, "N/s")
    if rise is not None and not rise > 0:
        raise InputError(f"drive.force_rise: found {rise:g}, expected more than zero")
    _refuse_unlikely(
        ("force", max(map(abs, force)), MOST_FORCE_N, "N"),
        ("travel", max(map(abs, travel)), MOST_TRAVEL_MM, "mm"),
        ("speed", speed, MOST_SPEED_MM_PER_S, "mm/s"),
        ("deceleration", deceleration, MOST_DECELERATION_MM_PER_S2, "mm/s^2"),
    )
    if speed**2 / (2 * deceleration) > travel[1] - travel[0]:
        raise InputError(
            f"drive.deceleration: found {deceleration:g} mm/s^2; at {speed:g} mm/s the platen would brake "
            f"longer than its travel of {travel[1] - travel[0]:g} mm: is the unit right?"
        )
    _refuse_scale("force.per_count", calibration.force, force, "N")
    _refuse_scale("position.per_count", calibration.position, travel, "mm")
    bent_mm = float(calibration.frame.deflection_mm(np.array([max(map(abs, force))]))[0])
    if bent_mm > travel[1] - travel[0]:
        raise InputError(
            f"frame.compliance: by it the frame gives way by {bent_mm:g} mm at the limit of force, more than "
            f"the travel of {travel[1] - travel[0]:g} mm: is the unit right?"
        )
    if calibration.delay.s > MOST_DELAY_S:
        raise InputError(
            f"force.delay: found {calibration.delay.s:g} s, expected at most {MOST_DELAY_S:g} s; a rig whose "
            "force comes so late cannot be driven: is the unit right?"
        )
    meet = None if drive.platens_meet is None else _quantity("drive.platens_meet", drive.platens_meet, "mm")
    if meet is not None and meet <= travel[0]:
        raise InputError(
            f"drive.platens_meet: found {meet:g} mm, expected more than the begin of the travel "
            f"({travel[0]:g} mm): it is where bare platens would contact check"
        )
    rate = file.wire.rate_hz
    if rate is None:
        raise InputError(
            "wire.rate_hz: is missing; with a drive, say how many samples per second are asked for"
        )
    return RigLimits(
        travel_mm=(travel[0], travel[1]),
        speed_mm_per_s=speed,
        force_n=(force[0], force[1]),
        deceleration_mm_per_s2=deceleration,
        conversions_per_s=drive.conversions_per_s,
        delay_s=calibration.delay.s,
        samples_per_s=rate,
        force_rise_n_per_s=rise,
        platens_meet_mm=meet,
    )


def _disagreements(rig: RigFile, told: Abilities) -> Iterator[tuple[str, str, str]]:
    """Yield the fields in which a file and a device contradict each other: what each of them says."""
    count_mm = told.position_pm / PM_PER_MM
    scale, limits = rig.calibration.position, rig.limits
    # A lever that turns the other way has a negative size, and a calibration finds a little more or less.
    if scale is not None and count_mm and abs(abs(scale.per_count) / count_mm - 1.0) > COUNT_TOLERANCE:
        yield (
            "calibration (position)" if rig.calibration.name else "position.per_count",
            f"{1000 * abs(scale.per_count):.4g} um",
            f"that a count is {1000 * count_mm:.4g} um",
        )
    if rig.rate_hz is not None and not (
        told.slowest_mhz <= 1000 * rig.rate_hz * (1 + RATE_TOLERANCE)
        and 1000 * rig.rate_hz <= told.fastest_mhz * (1 + RATE_TOLERANCE)
    ):
        yield (
            "wire.rate_hz",
            f"{rig.rate_hz:g}",
            f"that it sends {told.slowest_mhz / 1000:g} to {told.fastest_mhz / 1000:g} samples/s",
        )
    if limits is None:
        return
    assert scale is not None and rig.calibration.force is not None
    for field, (low, high), unit, counts, lowest, highest in (
        ("travel", limits.travel_mm, "mm", scale, told.min_position, told.max_position),
        ("force", limits.force_n, "N", rig.calibration.force, told.min_force, told.max_force),
    ):
        slack = LIMIT_SLACK * (highest - lowest)
        if highest > lowest and (
            float(counts.counts(low)) < lowest - slack or float(counts.counts(high)) > highest + slack
        ):
            ends = counts.value([lowest, highest]).tolist()
            yield (
                f"drive.{field}",
                f"{low:g} to {high:g} {unit}",
                f"that its limits are {ends[0]:.4g} to {ends[1]:.4g} {unit}",
            )
    yield from _slower_than_stated(limits, told, count_mm)


def _slower_than_stated(
    limits: RigLimits, told: Abilities, count_mm: float
) -> Iterator[tuple[str, str, str]]:
    """Yield what a drive or a converter does less well than the file says: stops would come late."""
    for field, stated, said, unit in (
        ("speed", limits.speed_mm_per_s, told.speed * count_mm, "mm/s"),
        ("deceleration", limits.deceleration_mm_per_s2, told.acceleration * count_mm, "mm/s^2"),
        ("conversions_per_s", limits.conversions_per_s, told.conversions_mhz / 1000, ""),
    ):
        tolerance = CONVERSIONS_TOLERANCE if not unit else RATE_TOLERANCE
        if said and stated > said * (1 + tolerance):
            yield f"drive.{field}", f"{stated:g} {unit}".strip(), f"at most {said:.4g} {unit}".strip()


def _refuse_unlikely(*limits: tuple[str, float, float, str]) -> None:
    """Refuse limits that no bench has, each with its most: a wrong unit turns a limit off."""
    for field, value, most, unit in limits:
        if value > most:
            raise InputError(
                f"drive.{field}: found {value:g} {unit}, expected at most {most:g} {unit}; is its unit right?"
            )


def _refuse_scale(field: str, scale: Scale, limits: tuple[float, ...], unit: str) -> None:
    """Refuse a count that the limits hold too few of, or more of than the wire carries."""
    counts = [float(scale.counts(limit)) for limit in limits]
    if abs(counts[1] - counts[0]) < LEAST_COUNTS or max(map(abs, counts)) >= WIRE_COUNTS:
        raise InputError(
            f"{field}: found {scale.per_count:g} {unit}; the limits of {limits[0]:g} to {limits[1]:g} {unit} "
            f"would be {counts[0]:.4g} to {counts[1]:.4g} counts: is its unit right?"
        )


def _quantity(field: str, text: str, unit: str) -> float:
    with refused_at(field):
        return parse(text, unit)
