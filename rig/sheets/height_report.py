"""Free height of a piece, from the captures of its touches and of the bare platens'.

Problem: the height is a difference between two recordings, perhaps of different hours, and how much it may be
trusted depends on both. Plan: find the touches of each surface by their marks, or without marks (a hand
made them) by the force; read each at both forces; leave arithmetic and budget to the calibration; say in
sentences what a number cannot: what a caliper would do, a first touch that stands apart, a homing in
between, a bare touch that is old. Cost: one pass over each recording, held in memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from rich.table import Table

from rig.analyser import Approach, MeasuringNoise, zero_force_contacts
from rig.calibration import Aligner, Calibration, Height, PlatenTouch, Signals, height_at
from rig.capture import CaptureHeader
from rig.errors import InputError
from rig.methods import (
    HEIGHT_KIND,
    HEIGHT_TOUCH,
    Drift,
    Passage,
    PlatenReading,
    Stretch,
    read_platen_touch,
    split_touches,
    zero_drifts,
)
from rig.samples import Samples
from rig.sheets.height_words import height_sentences
from rig.sheets.tables import empty_table, rounded

MOST_SAMPLES = 20_000_000
"""Of one recording, about half a gigabyte: ten hours at 500 a second."""

SCATTER_SAMPLES = 500
LEAST_SCATTER = 20
SMALLEST_SCATTER_MM = 1e-6
"""The scatter of single positions is taken over the last samples before the touch."""

US_PER_S = 1e6

Surface = Literal["bare", "piece"]


@dataclass(frozen=True, slots=True)
class TouchedSurface:
    """Touches of one surface in one capture.

    Parameters
    ----------
    name
        Of the capture, for sentences.
    header
        Of the capture.
    readings
        Touches that could be read, in order.
    left_out
        Sentences about those that could not.
    calibration
        With which they were read, for the capture's channels.
    position_step_mm
        Smallest step of the position.
    """

    name: str
    header: CaptureHeader
    readings: tuple[PlatenReading, ...]
    left_out: tuple[str, ...]
    calibration: Calibration
    position_step_mm: float

    def touches(self, *, top: bool) -> list[PlatenTouch]:
        """Its touches at one of both forces."""
        return [_platen_touch(each.at_top if top else each.at_contact) for each in self.readings]


@dataclass(frozen=True, slots=True)
class HeightReport:
    """Free height of a piece.

    Parameters
    ----------
    specimen, captures
        The piece, and the recordings it comes from: the bare ones, then the piece's.
    at_contact, at_top
        Height at the small force and at the greater one.
    unloaded
        Height where the platen met the piece before it pushed, extrapolated; None where that cannot be had.
    why
        Why not.
    notes
        Sentences.
    """

    specimen: str
    captures: tuple[str, ...]
    at_contact: Height
    at_top: Height
    unloaded: Height | None
    why: str
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain values without not-a-number."""
        return {
            "specimen": self.specimen,
            "captures": list(self.captures),
            "at_contact_force": self.at_contact.as_dict(),
            "at_greater_force": self.at_top.as_dict(),
            "unloaded": None if self.unloaded is None else self.unloaded.as_dict(),
            "unloaded_why": self.why,
            "notes": list(self.notes),
        }


def planned_forces(header: CaptureHeader) -> tuple[float, float] | None:
    """The small and the greater force with which a height was touched; None if the capture does not say."""
    about = header.method or {}
    if about.get("kind") != HEIGHT_KIND:
        return None
    try:
        contact_n, top_n = float(about["contact_n"]), float(about["top_n"])
    except (KeyError, TypeError, ValueError):
        return None
    return (contact_n, top_n) if 0 < contact_n < top_n < math.inf else None


def touched_surface(
    name: str,
    header: CaptureHeader,
    events: Iterable[Mapping[str, Any]],
    batches: Iterable[Samples],
    *,
    surface: Surface,
    forces_n: tuple[float, float],
    calibration: Calibration | None = None,
    most_samples: int = MOST_SAMPLES,
) -> TouchedSurface:
    """Read the touches of one surface.

    Parameters
    ----------
    name
        Of the capture, for messages.
    header, events, batches
        Of the capture. Without marks of touches in its events, all that it holds are this surface's.
    surface
        Bare platens, or the piece.
    forces_n
        The small force and the greater one.
    calibration
        Instead of the header's.
    most_samples
        A longer recording is refused: it is held in memory.

    Raises
    ------
    InputError
        If no touch can be read, with the reason; or if a channel is not calibrated.
    """
    calibration = calibration or Calibration.from_dict(header.calibration, where=f"{name}: calibration")
    marks = [event for event in events if event.get("kind") == HEIGHT_TOUCH]
    whole, averaged = _whole(name, batches, calibration, most_samples)
    stretches = _marked(whole, marks, surface) if marks else split_touches(whole, forces_n[1])
    readings, refused = _read_all(list(stretches), forces_n, averaged=averaged)
    if not readings:
        why = f" ({refused[0]})" if refused else ""
        raise InputError(f"{name}: holds no touch of the {_called(surface)} that can be read{why}")
    left_out = tuple(f"{name}: {_called(surface)}, {each}: left out." for each in refused)
    fitting = calibration.for_channels(header.force, header.position)
    return TouchedSurface(name, header, tuple(readings), left_out, fitting, whole.position_step_mm)


def _read_all(
    stretches: Sequence[Stretch], forces_n: tuple[float, float], *, averaged: bool
) -> tuple[list[PlatenReading], list[str]]:
    """Readings, and sentences about touches that give none.

    They are read twice, since the drift of the force zero comes of the first round.
    """
    numbered = list(enumerate(stretches, start=1))
    drifts = [Drift()] * len(numbered)
    readings: list[PlatenReading] = []
    refused: list[str] = []
    for _ in range(2):
        kept, readings = [], []
        for (number, stretch), drift in zip(numbered, drifts, strict=True):
            try:
                readings.append(read_platen_touch(stretch, *forces_n, drift=drift, averaged=averaged))
                kept.append((number, stretch))
            except InputError as why:
                refused.append(f"touch {number} ({why})")
        numbered, drifts = kept, zero_drifts(readings)
    return readings, refused


def _called(surface: Surface) -> str:
    return "bare platens" if surface == "bare" else "piece"


def _whole(
    name: str, batches: Iterable[Samples], calibration: Calibration, most_samples: int
) -> tuple[Stretch, bool]:
    """A whole recording in N and mm, and whether its forces are means over conversions."""
    aligner = Aligner(calibration)
    parts: list[Signals] = []
    count = 0
    for batch in batches:
        count += len(batch)
        if count > most_samples:
            raise InputError(
                f"{name}: more than {most_samples} samples; expected a recording of some touches"
            )
        parts += _some(aligner.push(batch))
    parts += _some(aligner.finish())
    if not parts:
        raise InputError(f"{name}: holds no samples")
    signals = Signals.concatenate(parts)
    whole = Stretch(
        signals.time_s,
        signals.position_mm,
        signals.force_n,
        signals.force_resolution_n,
        signals.position_resolution_mm,
    )
    return whole, signals.averaged


def _some(signals: Signals | None) -> list[Signals]:
    return [] if signals is None else [signals]


def _marked(whole: Stretch, marks: Sequence[Mapping[str, Any]], surface: Surface) -> Iterator[Stretch]:
    """Stretches between the marks of one surface's touches; marks that make no sense are passed over."""
    begun: int | None = None
    for mark in marks:
        time_us = mark.get("time_us")
        if mark.get("surface") != surface or not isinstance(time_us, int):
            continue
        if mark.get("phase") == "begin":
            begun = time_us
        elif mark.get("phase") == "clear" and begun is not None:
            ends_s = [begun / US_PER_S, time_us / US_PER_S]
            yield whole.part(slice(*np.searchsorted(whole.time_s, ends_s).tolist()))
            begun = None


def _platen_touch(passage: Passage) -> PlatenTouch:
    reading = passage.position_mm
    return PlatenTouch(
        reading.value,
        reading.u,
        passage.rounding_mm,
        passage.zero_u_mm,
        reading.slope,
        passage.speed_mm_per_s,
    )


def height_report(
    bare: Sequence[TouchedSurface],
    piece: TouchedSurface,
    *,
    forces_n: tuple[float, float],
    oldest_bare_s: float,
) -> HeightReport:
    """Work out a height.

    Parameters
    ----------
    bare
        The bare platens in one or more captures; several, each after a homing of its own, say how well the
        position's zero repeats.
    piece
        The piece.
    forces_n
        The small force and the greater one, at which both were read.
    oldest_bare_s
        A bare touch that is older than this, when the piece is touched, is warned of.

    Raises
    ------
    InputError
        If the bare platens meet before the piece is touched.
    """
    homed = _homed_between(bare, piece)
    calibration = piece.calibration

    def height(force_n: float, *, top: bool) -> Height:
        return height_at(
            force_n,
            [each.touches(top=top) for each in bare],
            piece.touches(top=top),
            calibration=calibration,
            homed_between=homed,
        )

    at_contact, at_top = height(forces_n[0], top=False), height(forces_n[1], top=True)
    unloaded, why = _unloaded(bare, piece, forces_n[0], homed)
    notes = tuple(height_sentences(bare, piece, at_contact, at_top, homed=homed, oldest_bare_s=oldest_bare_s))
    return HeightReport(
        piece.header.specimen,
        (*(each.name for each in bare), piece.name),
        at_contact,
        at_top,
        unloaded,
        why,
        notes,
    )


def _unloaded(
    bare: Sequence[TouchedSurface], piece: TouchedSurface, contact_n: float, homed: bool | None
) -> tuple[Height | None, str]:
    """Height where the platen met the piece, or why it cannot be had."""
    calibration = piece.calibration
    approaches = [
        Approach(
            each.approach.position_mm,
            each.approach.force_n,
            each.at_contact.position_mm.value,
            each.zero_n.u,
        )
        for each in piece.readings
    ]
    noise = MeasuringNoise(
        max(each.noise_n for each in piece.readings),
        max(_scatter_mm(each) for each in piece.readings),
        position_resolution_mm=piece.position_step_mm,
    )
    contact_mm, u_mm = zero_force_contacts(
        approaches, noise, contact_force_n=contact_n, frame=calibration.frame
    )
    known = np.isfinite(contact_mm) & np.isfinite(u_mm)
    if not known.all():
        return None, f"the foot of {np.count_nonzero(~known)} touches of the piece follows no power law"
    step_mm = piece.position_step_mm / math.sqrt(12)
    touched = [
        PlatenTouch(
            float(at_mm),
            math.sqrt(max(float(u) ** 2 - step_mm**2, 0.0)),
            step_mm,
            reading.at_contact.zero_u_mm,
            reading.at_contact.position_mm.slope,
            reading.at_contact.speed_mm_per_s,
        )
        for at_mm, u, reading in zip(contact_mm, u_mm, piece.readings, strict=True)
    ]
    # bare platens give so little that a straight line leads back to where they met
    met = [[_led_back(touch, contact_n) for touch in each.touches(top=False)] for each in bare]
    return height_at(0.0, met, touched, calibration=calibration, homed_between=homed), ""


def _led_back(touch: PlatenTouch, force_n: float) -> PlatenTouch:
    return replace(touch, position_mm=touch.position_mm - force_n * touch.per_newton_mm)


def _scatter_mm(reading: PlatenReading) -> float:
    """Standard deviation of single positions about a steady motion, before the touch."""
    x_mm = reading.approach.position_mm
    at = int(np.argmax(x_mm >= reading.at_contact.position_mm.value))
    x_mm = x_mm[max(at - SCATTER_SAMPLES, 0) : at]
    if len(x_mm) < LEAST_SCATTER:
        return reading.approach.position_step_mm
    number = np.arange(len(x_mm)) - len(x_mm) / 2
    left = x_mm - np.polynomial.Polynomial.fit(number, x_mm, 2)(number)
    return max(
        float(left.std(ddof=3)), reading.approach.position_step_mm / math.sqrt(12), SMALLEST_SCATTER_MM
    )


def _homed_between(bare: Sequence[TouchedSurface], piece: TouchedSurface) -> bool | None:
    """Whether the position was homed between the bare touches and the piece's; None where nobody knows."""
    if len(bare) > 1:
        return True
    (before,) = bare
    if before.header.id == piece.header.id:
        return False
    boots = [each.header.identity.get("boot_id") for each in (before, piece)]
    homed_now = (piece.header.method or {}).get("homed_now")
    if homed_now is True or (None not in boots and boots[0] != boots[1]):
        return True
    return False if homed_now is False and None not in boots else None


def height_table(report: HeightReport, *, plain: bool) -> Table:
    """Heights at each force, with their 95 % intervals.

    Parameters
    ----------
    plain
        Without lines, for a pipe.
    """
    table = empty_table(f"height of {report.specimen}", plain=plain)
    table.add_column("at")
    for heading in ("height\nmm", "u\nmm", "95 % interval\nmm", "touches", "sd bare\num", "sd piece\num"):
        table.add_column(heading, justify="right")
    for height in (report.at_contact, report.at_top, report.unloaded):
        if height is None:
            table.add_row("no load (extrapolated)", "-", "-", report.why, "", "", "")
            continue
        u = height.u_mm if height.u_mm is not None else math.nan
        interval = "-"
        if height.low_mm is not None and height.high_mm is not None:
            interval = f"{rounded(height.low_mm, u)} to {rounded(height.high_mm, u)}"
        name = f"{height.force_n:g} N" if height.force_n else "no load (extrapolated)"
        spreads = [
            "-" if sd is None else f"{1000 * sd:.2g}" for sd in (height.sd_bare_mm, height.sd_piece_mm)
        ]
        touches = str(len(height.touches_mm) - (height.first_mm is not None))
        table.add_row(name, rounded(height.mm, u), rounded(u, u), interval, touches, *spreads)
    return table


def height_budget_table(height: Height, *, plain: bool) -> Table:
    """Where the uncertainty of a height comes from, the largest part first.

    Parameters
    ----------
    plain
        Without lines, for a pipe.
    """
    at = f"at {height.force_n:g} N" if height.force_n else "without load"
    table = empty_table(f"uncertainty of the height {at}", plain=plain)
    table.add_column("part")
    for heading in ("u\num", "degrees of\nfreedom", "share\n%"):
        table.add_column(heading, justify="right")
    table.add_column("how")
    square = (height.u_mm or math.nan) ** 2
    for part in sorted(height.parts, key=lambda part: (not part.counts, -(part.u_mm or 0.0))):
        u = "-" if part.u_mm is None else f"{1000 * part.u_mm:.3g}"
        freedom = f"{part.degrees_of_freedom:.3g}" if math.isfinite(part.degrees_of_freedom) else "many"
        share = f"{100 * part.u_mm**2 / square:.0f}" if part.counts and part.u_mm is not None else ""
        table.add_row(part.source, u, freedom, share if share != "nan" else "-", part.why)
    return table
