"""What every job has in common: it is checked, described, and then carried out once on an opened rig.

Problem: a desk, a terminal and a test order the same jobs, and none of them should know one from another.
Plan: an order that is checked against a rig (checking.py) becomes a job: a frozen value that says what it
will do and how long it may take, and performs it on a bench. Whoever carries it out lends the bench, watches
and tells. Cost: none.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from rig.analyser import AnalysisSettings
from rig.calibration import Calibration
from rig.capture import CaptureHeader
from rig.errors import DeviceError, InputError
from rig.jobs.guidance import Guidance
from rig.jobs.heading import complete_header, header_about
from rig.jobs.orders import (
    EnduranceOrder,
    HeightCard,
    HeightOrder,
    MethodOrder,
    RecordingOrder,
    ReleaseOrder,
    SpecimenCard,
)
from rig.methods import RigLimits, SpecimenFacts
from rig.reader import Delivery, Reader
from rig.rigfile import RigFile
from rig.samples import US_PER_S, Samples

HeaderOf = Callable[[Reader], CaptureHeader]
"""Makes a capture's header once the device has said who it is."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a recording is; of a resumed one, how many cycles were made `earlier` than these seconds."""

    seconds: float
    samples: int
    cycles: int
    earlier: int = 0

    def left_s(self, wanted: int) -> float | None:
        """Return how long the rest takes, at the mean rate so far; None before that is known.

        Examples
        --------
        >>> Progress(60.0, 0, 520, earlier=500).left_s(560)
        120.0
        """
        made = self.cycles - self.earlier
        return max(wanted - self.cycles, 0) * self.seconds / made if made > 0 else None


@dataclass(slots=True)
class Span:
    """Device time from the first sample that was taken to the last."""

    first_us: int | None = None
    last_us: int = 0

    def take(self, samples: Samples) -> None:
        """Go on to the last of these samples, if there are any."""
        if len(samples):
            self.first_us = int(samples.time_us[0]) if self.first_us is None else self.first_us
            self.last_us = int(samples.time_us[-1])

    @property
    def seconds(self) -> float:
        """Its length; zero before the first sample."""
        return 0.0 if self.first_us is None else (self.last_us - self.first_us) / US_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a job ended.

    `reason`: in words; of a recording, as the capture's end says it.
    `failed`: whether the rig, its port or the disk failed; everything recorded so far is kept all the same.
    """

    reason: str
    failed: bool = False
    progress: Progress = Progress(0.0, 0, 0)
    height: HeightCard | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded(Ended):
    """How a job ended that made a capture.

    `conversions_per_s`: how often the force was new, by status bit 6; None where too few samples bear it.
    """

    path: Path
    conversions_per_s: float | None = None


def _ignore(thing: object) -> None:
    del thing


@dataclass(frozen=True, slots=True)
class Watch:
    """What is reported to the person and asked of them while the platen moves.

    `stopped`: set to stop the platen and end the capture.
    `ask`: called with the text of a step off the rig, from a thread of its own; returns when the person is
    done.
    `tell`: called with the step that begins, and how far the recording is.
    `began`: called with the capture's folder once it is there.
    `guide`: called with what a person at a lever has to do now, by the thread that records; it must be quick.
    """

    stopped: threading.Event
    ask: Callable[[str], None]
    tell: Callable[[str, Progress], None]
    see: Callable[[Delivery], None] = _ignore
    began: Callable[[Path], None] = _ignore
    guide: Callable[[Guidance], None] = _ignore


@dataclass(frozen=True, slots=True)
class Bench:
    """Where a job is carried out.

    `reader`: entered; a job leaves it open.
    """

    reader: Reader
    rig: RigFile
    folder: Path
    watch: Watch

    @property
    def calibration(self) -> Calibration:
        """Of the rig."""
        return self.rig.calibration

    def heading(self, card: SpecimenCard, method: Mapping[str, Any] | None = None) -> HeaderOf:
        """Return what makes a capture's header."""
        about = header_about(card, self.rig, method)
        return lambda reader: complete_header(about, reader)


@dataclass(frozen=True, slots=True)
class Standing:
    """A rig as a job is checked against it.

    `largest_force_n`: a hand is warned above it; None for the rig's own limit.
    """

    rig: RigFile
    folder: Path
    by_hand: bool
    stop_cause: str | None = None
    largest_force_n: float | None = None

    def warns_above_n(self) -> float | None:
        """Return the force above which a hand is warned; None where nothing says so."""
        if self.largest_force_n is not None or self.rig.limits is None:
            return self.largest_force_n
        return self.rig.limits.force_n[1]

    def drive(self) -> RigLimits:
        """What the rig may do, stopped or not.

        Raises InputError if its file does not say; DeviceError if it has no drive.
        """
        limits = self.rig.limits
        if limits is None:
            raise InputError(
                f"rig {self.rig.name}: no `drive:` section in its file; the platen needs limits before it "
                "may move"
            )
        if self.by_hand:
            raise DeviceError(
                f"rig {self.rig.name}: it cannot drive its platen, and this job cannot be done by hand"
            )
        return limits

    def limits(self) -> RigLimits:
        """What the rig may do now.

        Raises InputError if its file does not say; DeviceError if it has no drive, or a stop is latched.
        """
        limits = self.drive()
        if self.stop_cause is not None:
            raise DeviceError(
                f"the rig has latched a stop ({self.stop_cause}); find its cause, then release it: "
                "`pressrig release`, or the page"
            )
        return limits


class Job(ABC):
    """What a rig was asked to do, and can do."""

    __slots__ = ()
    order: MethodOrder | EnduranceOrder | RecordingOrder | HeightOrder | ReleaseOrder
    guided: ClassVar[bool] = False
    """Whether a person moves the platen step by step."""

    @property
    def name(self) -> str:
        """Of the method or plan, or of what is done."""
        return self.order.kind

    @property
    def card(self) -> SpecimenCard:
        """What is squeezed."""
        return self.order.card

    @property
    def cautions_read(self) -> bool | None:
        """Whether the order says that the cautions have been read; None where they need not be."""
        return getattr(self.order, "cautions_read", None)

    @property
    def expected_s(self) -> float | None:
        """How long it takes; None if that is not known."""
        return None

    @property
    def cycles_wanted(self) -> int | None:
        """How many squeezes or contact checks it makes; None if that is not known."""
        return None

    @property
    def analysed_with(self) -> AnalysisSettings | None:
        """How its cycles are analysed as they come; None if it makes none."""
        return None

    @abstractmethod
    def describe(self) -> Iterator[str]:
        """Yield what it will do, and what stops it."""

    @abstractmethod
    def perform(self, bench: Bench) -> Ended:
        """Carry it out.

        Raises RigError if it could not be begun, or left no capture to say why it ended.
        """


def facts_of(card: SpecimenCard) -> SpecimenFacts:
    """Return what a method is checked against."""
    return SpecimenFacts(card.free_height_mm, card.area_mm2, card.stiffness_n_per_mm)


def stops_outside(limits: RigLimits) -> str:
    """Return what stops a driven platen, in words."""
    (least_n, most_n), (top_mm, bottom_mm) = limits.force_n, limits.travel_mm
    return f"The rig stops outside {least_n:g} to {most_n:g} N and {top_mm:g} to {bottom_mm:g} mm."
