"""One recording: from an open reader to an ended capture.

Problem: samples must reach the disk whatever else goes on, and the recording must know when it is enough.
Plan: one loop takes what the reader hands over, writes it first, and only then lets the segmenter count
cycles. Whoever wants it to stop sets an event. Cost: one thread beside the reader's; the reader's bounded
queue is the only buffer.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from rig.analyser import AnalysisSettings
from rig.calibration import Aligner, Calibration, Scale
from rig.capture import CaptureWriter
from rig.core import counted, logger
from rig.errors import InputError, RecorderError
from rig.jobs.disk_thread import DiskThread
from rig.jobs.job import Bench, HeaderOf, Job, Progress, Recorded, Span
from rig.jobs.orders import RecordingOrder
from rig.reader import Delivery, Reader
from rig.samples import US_PER_S, Samples, Sense, Status
from rig.segmenter import Segmenter, SegmenterSettings

WAIT_S = 0.25
"""The recorder looks at the clock this often when nothing comes."""

SILENCE_S = 15.0
"""A rig that gives no sample for so long has failed; a cable put back in sooner goes on in the same
capture."""

COUNTED_AFTER_S = 0.25
"""A cycle counts when so much of the rest behind it is recorded: enough for its force zero, and less than
most rigs rest before the next."""

ENOUGH_CONVERSIONS = 20
"""New readings of force from which their rate is judged: two seconds at 10 in a second."""

PROGRESS_S = 0.2


@dataclass(frozen=True, slots=True)
class StopRule:
    """When a recording is enough; both None: when it is stopped.

    `seconds`: length in device time.
    """

    seconds: float | None = None
    cycles: int | None = None


def record(bench: Bench, header_of: HeaderOf, stop: StopRule) -> Recorded:
    """Record until the rule is met, the bench's watch stops it, or the rig falls silent.

    Parameters
    ----------
    bench
        Its reader is not yet entered: it is opened here, so that the port is closed before the capture ends.

    Raises
    ------
    DeviceError
        If the rig cannot be opened; nothing is recorded then.
    RecorderError
        If the capture cannot be begun.
    """
    with ExitStack() as opened:
        with bench.reader:
            header = header_of(bench.reader)
            writer = opened.enter_context(CaptureWriter.create(bench.folder, header))
            bench.watch.began(writer.path)
            loop = _Loop(bench, writer, header.sense, stop)
            reason, failed = loop.run()
        return loop.end(reason, failed=failed)


def perform_recording(bench: Bench, header_of: HeaderOf, stop: StopRule) -> Recorded:
    """As `record`, with a reader that is already entered and is left open."""
    header = header_of(bench.reader)
    with CaptureWriter.create(bench.folder, header) as writer:
        bench.watch.began(writer.path)
        loop = _Loop(bench, writer, header.sense, stop)
        reason, failed = loop.run()
        # samples go on coming: those received until now belong to it
        return loop.end(reason, failed=failed, received_until=time.monotonic())


@dataclass(frozen=True, slots=True)
class RecordingJob(Job):
    """Records while a person moves the platen."""

    order: RecordingOrder

    def __post_init__(self) -> None:
        if self.order.cycles is not None and self.order.seconds is not None:
            raise InputError("cycles and seconds: found both, expected at most one")

    @property
    def expected_s(self) -> float | None:
        """As ordered."""
        return self.order.seconds

    @property
    def cycles_wanted(self) -> int | None:
        """As ordered."""
        return self.order.cycles

    @property
    def analysed_with(self) -> AnalysisSettings:
        """Every cycle counts."""
        return AnalysisSettings(free_height_mm=self.card.free_height_mm)

    def describe(self) -> Iterator[str]:
        """Yield nothing: the platen is moved by hand, as the person likes."""
        yield from ()

    def perform(self, bench: Bench) -> Recorded:
        """Record until it is enough or stopped."""
        stop = StopRule(self.order.seconds, self.order.cycles)
        return perform_recording(bench, bench.heading(self.card), stop)


class _Loop:
    """Takes deliveries, writes them, and looks whether it is enough.

    A rule that is met says up to which device time the capture goes; what was received later is no part of
    it.
    """

    def __init__(self, bench: Bench, writer: CaptureWriter, sense: Sense, stop: StopRule) -> None:
        self._stop = stop
        self._until_us: int | None = None
        self._reader = bench.reader
        self._watch = bench.watch
        self._writer = writer
        self._counter = _Counter(bench.calibration, bench.reader.empty(), sense)
        self._span = Span()
        self._conversions, self._converted_us = 0, 0

    def progress(self) -> Progress:
        return Progress(self._span.seconds, self._writer.samples, self._counter.cycles)

    def run(self) -> tuple[str, bool]:
        """Return why it ended, and whether that is a failure."""
        heard = shown = time.monotonic()
        while not self._watch.stopped.is_set():
            delivery = self._reader.get(WAIT_S)
            now = time.monotonic()
            try:
                if self._take(delivery):
                    heard = now
            except RecorderError as problem:
                return str(problem), True
            if now - shown >= PROGRESS_S:
                shown = now
                self._watch.tell("", self.progress())
            if self._until_us is not None:
                stop = self._stop
                by_count = None if stop.cycles is None else counted(stop.cycles, "cycle")
                return by_count or f"{stop.seconds:g} s", False
            if now - heard > SILENCE_S:
                return f"no sample for {SILENCE_S:.0f} s", True
        return "stopped", False

    def end(self, reason: str, *, failed: bool, received_until: float = math.inf) -> Recorded:
        """Write what had already been received, and the end."""
        writer = self._writer
        try:
            while not writer.ended and (delivery := self._reader.get(0.0)) is not None:
                if delivery.host_time > received_until:
                    break
                self._take(delivery)
            if not writer.ended:
                writer.end(reason, link_tallies(self._reader))
        except RecorderError as problem:  # the disk refused the last of it; the capture has been ended
            reason, failed = str(problem), True
        logger.info("{}: {} samples, {}", writer.path, writer.samples, reason)
        judged = self._conversions >= ENOUGH_CONVERSIONS and self._converted_us > 0
        per_s = US_PER_S * self._conversions / self._converted_us if judged else None
        return Recorded(
            path=writer.path, reason=reason, failed=failed, progress=self.progress(), conversions_per_s=per_s
        )

    def _take(self, delivery: Delivery | None) -> bool:
        """Write a delivery; whether it held samples."""
        if delivery is None:
            self._writer.tick()
            return False
        write_events(self._writer, delivery)
        if not len(delivery.samples):
            return False
        samples = self._wanted(delivery.samples)
        self._writer.append(samples)
        self._span.take(samples)
        if len(samples):
            # within deliveries only: what was lost between them had conversions that were not seen
            self._converted_us += self._span.last_us - int(samples.time_us[0])
            self._conversions += int(np.count_nonzero(samples.status[1:] & np.uint8(Status.FRESH_FORCE)))
        return True

    def _wanted(self, samples: Samples) -> Samples:
        """Return the samples that belong to the capture: those up to the moment at which the rule is met."""
        if self._until_us is None:
            closed_us = self._counter.push(samples, self._stop.cycles)
            if self._stop.seconds is not None:
                begin_us = int(samples.time_us[0]) if self._span.first_us is None else self._span.first_us
                end_us = begin_us + round(self._stop.seconds * US_PER_S)
                closed_us = end_us if samples.time_us[-1] >= end_us else None
            self._until_us = closed_us
        if self._until_us is None:
            return samples
        return samples[: int(np.searchsorted(samples.time_us, self._until_us, side="right"))]


def write_events(writer: CaptureWriter | DiskThread, delivery: Delivery) -> None:
    """Write what happened on the link into a capture."""
    for event in delivery.events:
        fields = event.as_dict()
        del fields["kind"]
        writer.event(event.kind, **fields)
        logger.debug("{}: {}", event.kind, dict(event.fields))


class _Counter:
    """Counts cycles as they close, as an analysis of the capture does: a first contact check counts until a
    press shows that it was a contact check. An uncalibrated channel counts as well as a calibrated one."""

    def __init__(self, calibration: Calibration, empty: Samples, sense: Sense) -> None:
        force, position = calibration.covers(empty.force_channel, empty.position_channel)
        usable = Calibration(
            calibration.force if force else Scale(1.0),
            calibration.position if position else Scale(1.0),
            calibration.delay,
        )
        self._aligner = Aligner(usable)
        self._segmenter = Segmenter(SegmenterSettings(after_s=COUNTED_AFTER_S, sense=sense))
        self._closed = 0
        self.cycles = 0

    def push(self, samples: Samples, wanted: int | None) -> int | None:
        """Count on; the device time, in us, at which the wanted number of cycles had closed, once it has."""
        signals = self._aligner.push(samples)
        if signals is None:
            return None
        segment = self._segmenter.push(signals)
        ended_s = self._segmenter.waiting_s
        if segment is not None:
            ended_s = np.concatenate([segment.signals.time_s[segment.cycles.after - 1], ended_s])
        self.cycles = self._closed + len(ended_s)
        missing = None if wanted is None else wanted - self._closed
        self._closed += 0 if segment is None else len(segment.cycles)
        if missing is None or not 0 < missing <= len(ended_s):
            return None
        return round(float(ended_s[missing - 1]) * US_PER_S)


def link_tallies(reader: Reader) -> dict[str, Any]:
    """Return what the decoder dropped and how the clocks compare, for the capture's end."""
    line = reader.clock_fit
    return {"wire": reader.tally.as_dict(), "clock": None if line is None else asdict(line)}
