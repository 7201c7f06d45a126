"""One recording: from an open reader to an ended capture.

Problem: samples must reach the disk whatever else goes on, and the recording must know when it is enough.
Plan: one loop takes what the reader hands over, writes it first, and only then lets the segmenter count
cycles. Whoever wants it to stop sets an event. Cost: one thread beside the reader's; the reader's bounded
queue is the only buffer.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from loguru import logger

from rig.calibration import Aligner, Calibration, Scale
from rig.capture import CaptureHeader, CaptureWriter
from rig.errors import RecorderError
from rig.reader import Delivery, Reader
from rig.samples import Samples
from rig.segmenter import Segmenter

WAIT_S = 0.25
"""The recorder looks at the clock this often when nothing comes."""

SILENCE_S = 15.0
"""A rig that gives no sample for so long has failed; a cable put back in sooner goes on in the same
capture."""

PROGRESS_S = 0.2
US_PER_S = 1e6


@dataclass(frozen=True, slots=True)
class StopRule:
    """When a recording is enough; both None: when it is told to stop.

    Parameters
    ----------
    seconds
        Length in device time.
    cycles
        Number of cycles that have closed.
    """

    seconds: float | None = None
    cycles: int | None = None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a recording is."""

    seconds: float
    samples: int
    cycles: int


@dataclass(frozen=True, slots=True)
class Recorded:
    """How a recording ended.

    Parameters
    ----------
    path
        Of the capture.
    reason
        As the capture's end says it.
    failed
        Whether the rig, its port or the disk failed; what came before is kept all the same.
    """

    path: Path
    reason: str
    failed: bool
    progress: Progress


def record(
    reader: Reader,
    calibration: Calibration,
    header_of: Callable[[Reader], CaptureHeader],
    parent: Path,
    *,
    stop: StopRule,
    stopped: threading.Event,
    on_progress: Callable[[Progress], None] | None = None,
) -> Recorded:
    """Record until the rule is met, `stopped` is set, or the rig falls silent.

    Parameters
    ----------
    reader
        Not yet entered: it is opened here, so that the port is closed before the capture is ended.
    header_of
        Makes the capture's header once the device has said who it is.
    parent
        Folder that the capture's folder is made in.

    Raises
    ------
    DeviceError
        If the rig cannot be opened; nothing is recorded then.
    RecorderError
        If the capture cannot be begun.
    """
    with ExitStack() as opened:
        with reader:
            writer = opened.enter_context(CaptureWriter.create(parent, header_of(reader)))
            loop = _Loop(reader, writer, _Counter(calibration, reader.empty()), on_progress)
            reason, failed = loop.run(stop, stopped)
        try:
            loop.drain()
            if not writer.ended:
                writer.end(reason, _tallies(reader))
        except RecorderError as problem:  # the disk refused the last of it; the capture has been ended
            logger.error("{}", problem)
            reason, failed = str(problem), True
    logger.info("{}: {} samples, {}", writer.path, writer.samples, reason)
    return Recorded(writer.path, reason, failed, loop.progress())


class _Loop:
    """Takes deliveries, writes them, and looks whether it is enough."""

    def __init__(
        self,
        reader: Reader,
        writer: CaptureWriter,
        counter: _Counter,
        on_progress: Callable[[Progress], None] | None,
    ) -> None:
        self._reader = reader
        self._writer = writer
        self._counter = counter
        self._on_progress = on_progress
        self._first_us: int | None = None
        self._last_us = 0

    def progress(self) -> Progress:
        length_s = 0.0 if self._first_us is None else (self._last_us - self._first_us) / US_PER_S
        return Progress(length_s, self._writer.samples, self._counter.cycles)

    def run(self, stop: StopRule, stopped: threading.Event) -> tuple[str, bool]:
        """Why it ended, and whether that is a failure."""
        heard = shown = time.monotonic()
        while not stopped.is_set():
            delivery = self._reader.get(WAIT_S)
            now = time.monotonic()
            try:
                if self._take(delivery):
                    heard = now
            except RecorderError as problem:
                logger.error("{}", problem)
                return str(problem), True
            if self._on_progress is not None and now - shown >= PROGRESS_S:
                shown = now
                self._on_progress(self.progress())
            reason = self._enough(stop)
            if reason is not None:
                return reason, False
            if now - heard > SILENCE_S:
                reason = f"no sample for {SILENCE_S:.0f} s"
                logger.error("{}; the capture is ended", reason)
                return reason, True
        return "stopped", False

    def drain(self) -> None:
        """Write what the reader had already received when it was stopped."""
        if self._writer.ended:
            return
        while (delivery := self._reader.get(0.0)) is not None:
            self._take(delivery)

    def _take(self, delivery: Delivery | None) -> bool:
        """Write a delivery; whether it held samples."""
        if delivery is None:
            self._writer.tick()
            return False
        for event in delivery.events:
            fields = event.as_dict()
            self._writer.event(str(fields.pop("kind")), **fields)
            logger.debug("{}: {}", event.kind, dict(event.fields))
        self._writer.append(delivery.samples)
        if not len(delivery.samples):
            return False
        if self._first_us is None:
            self._first_us = int(delivery.samples.time_us[0])
        self._last_us = int(delivery.samples.time_us[-1])
        self._counter.push(delivery.samples)
        return True

    def _enough(self, stop: StopRule) -> str | None:
        progress = self.progress()
        if stop.cycles is not None and progress.cycles >= stop.cycles:
            return f"{stop.cycles} cycles"
        if stop.seconds is not None and progress.seconds >= stop.seconds:
            return f"{stop.seconds:g} s"
        return None


class _Counter:
    """Counts closed cycles as they come. An uncalibrated channel counts as well as a calibrated one."""

    def __init__(self, calibration: Calibration, empty: Samples) -> None:
        force, position = calibration.covers(empty.force_channel, empty.position_channel)
        usable = Calibration(
            calibration.force if force else Scale(1.0),
            calibration.position if position else Scale(1.0),
            calibration.force_delay_s,
        )
        self._aligner = Aligner(usable)
        self._segmenter = Segmenter()
        self.cycles = 0

    def push(self, samples: Samples) -> None:
        signals = self._aligner.push(samples)
        segment = None if signals is None else self._segmenter.push(signals)
        if segment is not None:
            self.cycles += len(segment.cycles)


def _tallies(reader: Reader) -> dict[str, Any]:
    """What the decoder dropped and how the clocks compare, for the capture's end."""
    line = reader.clock_fit
    return {"wire": reader.tally.as_dict(), "clock": None if line is None else asdict(line)}
