"""Contact checks of one surface, from the capture of a height: of a piece, or of the bare platens.

Problem: a capture holds contact checks by a method, which marks them, or by a hand, which does not. Plan:
find each by its marks or by the force, and read it at both forces. Cost: one pass over the recording, held in
memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.calibration import Aligner, Calibration, PlatenContact, Signals
from rig.capture import HEIGHT, CaptureHeader
from rig.core import kind_of
from rig.errors import InputError
from rig.methods import (
    HEIGHT_CHECK,
    Drift,
    PlatenReading,
    Stretch,
    Surface,
    read_platen_contact,
    split_contact_checks,
    zero_drifts,
)
from rig.samples import US_PER_S, Samples

MOST_SAMPLES = 20_000_000
"""Of one recording, about half a gigabyte: ten hours at 500 a second."""


@dataclass(frozen=True, slots=True)
class CheckedSurface:
    """Contact checks of one surface in one capture."""

    name: str
    header: CaptureHeader
    readings: tuple[PlatenReading, ...]
    left_out: tuple[str, ...]
    calibration: Calibration
    position_step_mm: float

    def contact_checks(self, *, top: bool) -> list[PlatenContact]:
        """Return its contact checks at one of both forces."""
        passages = (reading.at_top if top else reading.at_contact for reading in self.readings)
        return [
            PlatenContact(
                passage.position_mm.value,
                passage.position_mm.u,
                passage.rounding_mm,
                passage.zero_u_mm,
                passage.position_mm.slope,
                passage.speed_mm_per_s,
            )
            for passage in passages
        ]


def planned_forces(header: CaptureHeader) -> tuple[float, float] | None:
    """Return the small and the greater force of a height's contact checks; None if the capture does
    not say."""
    ordered = header.ordered
    if ordered.kind != HEIGHT or ordered.contact_n is None or ordered.top_n is None:
        return None
    return (ordered.contact_n, ordered.top_n) if 0 < ordered.contact_n < ordered.top_n else None


def checked_surface(
    name: str,
    header: CaptureHeader,
    events: Iterable[Mapping[str, Any]],
    batches: Iterable[Samples],
    *,
    surface: Surface,
    forces_n: tuple[float, float],
    calibration: Calibration | None = None,
    most_samples: int = MOST_SAMPLES,
) -> CheckedSurface:
    """Read the contact checks of one surface.

    Parameters
    ----------
    header, events, batches
        Of the capture. Without marks of contact checks in its events, all that it holds are this surface's.
    most_samples
        A longer recording is refused: it is held in memory.

    Raises
    ------
    InputError
        If no contact check can be read, with the reason; or if a channel is not calibrated.
    """
    calibration = calibration or Calibration.from_dict(header.calibration, where=f"{name}: calibration")
    marks = [event for event in events if kind_of(event) == HEIGHT_CHECK]
    whole, averaged = _whole(name, batches, calibration, most_samples)
    stretches = _marked(whole, marks, surface) if marks else split_contact_checks(whole, forces_n[1])
    readings, refused = _read_all(list(stretches), forces_n, averaged=averaged)
    if not readings:
        why = f" ({refused[0]})" if refused else ""
        raise InputError(f"{name}: has no readable contact check of the {_called(surface)}{why}")
    left_out = tuple(f"{name}: {_called(surface)}, {reason}: left out." for reason in refused)
    fitting = calibration.for_channels(header.force, header.position)
    return CheckedSurface(name, header, tuple(readings), left_out, fitting, whole.position_step_mm)


def _read_all(
    stretches: Sequence[Stretch], forces_n: tuple[float, float], *, averaged: bool
) -> tuple[list[PlatenReading], list[str]]:
    """Return the readings, and sentences about contact checks that give none.

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
                readings.append(read_platen_contact(stretch, *forces_n, drift=drift, averaged=averaged))
                kept.append((number, stretch))
            except InputError as why:
                refused.append(f"contact check {number} ({why})")
        numbered, drifts = kept, zero_drifts(readings)
    return readings, refused


def _called(surface: Surface) -> str:
    return "bare platens" if surface == "bare" else "piece"


def _whole(
    name: str, batches: Iterable[Samples], calibration: Calibration, most_samples: int
) -> tuple[Stretch, bool]:
    """Return a whole recording in N and mm, and whether its forces are means over conversions."""
    aligner = Aligner(calibration)
    parts: list[Signals | None] = []
    count = 0
    for batch in batches:
        count += len(batch)
        if count > most_samples:
            raise InputError(
                f"{name}: more than {most_samples} samples; expected a recording of some contact checks"
            )
        parts.append(aligner.push(batch))
    whole = [part for part in (*parts, aligner.finish()) if part is not None]
    if not whole:
        raise InputError(f"{name}: holds no samples")
    signals = Signals.concatenate(whole)
    time_s = signals.time_s
    if not np.isfinite(time_s[0]):
        # without a clock the number of a sample stands for its time, over the whole recording: how the force
        # zero drifts from one contact check to the next takes times that go on
        time_s = np.arange(len(signals), dtype=np.float64)
    stretch = Stretch(
        time_s,
        signals.position_mm,
        signals.force_n,
        signals.force_resolution_n,
        signals.position_resolution_mm,
    )
    return stretch, signals.averaged


def _marked(whole: Stretch, marks: Sequence[Mapping[str, Any]], surface: Surface) -> Iterator[Stretch]:
    """Yield the stretches between the marks of one surface's contact checks; senseless marks are passed
    over."""
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
