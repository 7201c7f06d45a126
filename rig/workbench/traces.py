"""Any interval of a recording, thinned to what a screen can show.

Problem: a recording has up to tens of millions of samples, a screen two thousand columns, and the tallest
peak must survive. Plan: from each block of samples keep those with the smallest and the largest force and
position. One pass over the file keeps them for coarse views and notes where each batch begins; a short
interval reads its own batches again. The coarse view of a long recording is kept beside it, since the pass
takes seconds. Cost: one pass per recording, a tenth of a byte per sample, and bounded memory.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Hashable
from contextlib import suppress
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from threading import Lock
from zipfile import BadZipFile

import numpy as np
from pydantic import BaseModel

from rig.calibration import Calibration
from rig.capture import Capture
from rig.core import read_bytes
from rig.errors import InputError
from rig.results.derived import FOLDER, arithmetic_version, replace_derived
from rig.samples import FloatArray, IntArray, Samples

BLOCK_SAMPLES = 1024
"""Samples per block in a coarse view; up to four of them are kept."""

RAW_SAMPLES = 1_000_000
"""Longest interval that is read from the file again, which takes a fifth of a second."""

MOST_POINTS = 8000
"""Points in one answer: four for each column of a wide screen."""

KEPT_TRACES = 6
"""Recordings whose coarse view stays in memory; 40 million samples take 4 MB."""

KEPT_FILE = "trace.npz"
MOST_KEPT_BYTES = 1 << 26
"""Of a coarse view; 40 million samples take four million."""


class Trace(BaseModel):
    """Calibrated samples of an interval in order of time; no zero is subtracted.

    Where the source had no clock, `timed` is false and `time_s` counts samples. `thinned` says whether some
    were left out; `start_s` and `end_s` are those of the whole recording.
    """

    time_s: list[float]
    force_n: list[float]
    position_mm: list[float]
    timed: bool
    thinned: bool
    start_s: float
    end_s: float
    samples: int


@dataclass(frozen=True, slots=True)
class _Points:
    """Time, force and position, shape (3, n): s, N and mm."""

    values: FloatArray

    def between(self, from_s: float, to_s: float) -> _Points:
        """Return the points within an interval, and one on each side so that lines reach its edges."""
        first = max(int(np.searchsorted(self.values[0], from_s)) - 1, 0)
        last = int(np.searchsorted(self.values[0], to_s, side="right")) + 1
        return _Points(self.values[:, first:last])

    def thinned(self, most: int) -> _Points:
        """Return the extremes of equal blocks of samples, at most `most` points."""
        count = self.values.shape[1]
        if count <= most:
            return self
        # Each block keeps up to four samples, so it has 4 count / most of them, rounded up.
        return _Points(self.values[:, extremes(self.values[1:], -(-4 * count // most))])


def extremes(channels: FloatArray, block: int) -> IntArray:
    """Return the indices of the minimum and the maximum of each channel in each block.

    `channels`: shape (channels, n).
    `block`: samples in a block; the last one may be shorter.

    Returns
    -------
    IntArray
        Ascending, without repeats.
    """
    # The last block is filled up with its last sample, which makes no new extreme.
    count = channels.shape[1]
    short = -count % block
    blocks = np.pad(channels, ((0, 0), (0, short)), mode="edge").reshape(len(channels), -1, block)
    starts = np.arange(blocks.shape[1]) * block
    places = np.concatenate([starts + blocks.argmin(axis=2), starts + blocks.argmax(axis=2)])
    return np.unique(np.minimum(places, count - 1))


@dataclass(frozen=True, slots=True)
class _Pass:
    """What one pass finds: start (s) and number of samples before each batch, and the coarse view, (3, n)."""

    samples: int
    starts: FloatArray
    firsts: IntArray
    coarse: FloatArray

    @classmethod
    def kept(cls, path: Path, key: bytes) -> _Pass | None:
        """Return what was kept of this recording; None if nothing was, or it is stale or damaged."""
        try:
            data = read_bytes(path, most=MOST_KEPT_BYTES)
            if not data.startswith(key):
                return None
            with np.load(BytesIO(data[len(key) :]), allow_pickle=False) as found:
                return cls(int(found["samples"]), found["starts"], found["firsts"], found["coarse"])
        except (InputError, OSError, ValueError, KeyError, BadZipFile):
            return None

    def keep(self, path: Path, key: bytes) -> None:
        """Write it beside the recording, behind the key that says of which it is."""
        file = BytesIO()
        np.savez(file, samples=self.samples, starts=self.starts, firsts=self.firsts, coarse=self.coarse)
        with suppress(OSError):  # a folder that cannot be written costs only time
            replace_derived(path, key + file.getvalue())


class RecordedTrace:
    """One recording, read once for its coarse view.

    Raises CaptureError if the samples cannot be read.

    `capture`: its own calibration is used; uncalibrated channels stay in counts.
    `stamp`: changes whenever the capture does.
    """

    def __init__(self, capture: Capture, stamp: Hashable = None) -> None:
        self._capture = capture
        where = f"{capture.path}/capture.yaml: calibration"
        self._calibration = Calibration.from_dict(capture.header.calibration, where=where)
        self.timed = capture.header.clock != "none"
        place = capture.path / FOLDER / KEPT_FILE
        key = hashlib.blake2b(f"{arithmetic_version()} {stamp}".encode()).digest()
        passed = _Pass.kept(place, key)
        if passed is None:
            passed = self._pass()
            if passed.samples > RAW_SAMPLES:
                passed.keep(place, key)
        self.samples, self._starts, self._firsts = passed.samples, passed.starts, passed.firsts
        self._coarse = _Points(passed.coarse)

    def _pass(self) -> _Pass:
        """Read the whole recording once."""
        starts, firsts, coarse, count = [], [], [np.empty((3, 0))], 0
        for samples in self._capture.batches():
            points = self._points(samples, count).values
            starts.append(points[0, 0])
            firsts.append(count)
            count += len(samples)
            coarse.append(points[:, extremes(points[1:], BLOCK_SAMPLES)])
        return _Pass(count, np.array(starts), np.array(firsts), np.concatenate(coarse, axis=1))

    def stretch(self, from_s: float | None, to_s: float | None, points: int) -> Trace:
        """Return an interval; without an end, up to that end of the recording."""
        if not self.samples:
            raise InputError(f"{self._capture.path.name}: found no sample, expected a recording")
        start_s, end_s = float(self._coarse.values[0, 0]), float(self._coarse.values[0, -1])
        from_s = start_s if from_s is None else from_s
        to_s = end_s if to_s is None else to_s
        if not from_s < to_s:
            raise InputError(f"from_s, to_s: found {from_s:g} and {to_s:g} s, expected an interval of time")
        first = max(int(np.searchsorted(self._starts, from_s, side="right")) - 1, 0)
        last = max(int(np.searchsorted(self._starts, to_s, side="right")), first + 1)
        ends = np.append(self._firsts[1:], self.samples)
        inside = int(ends[last - 1] - self._firsts[first])
        source = self._coarse
        if inside <= RAW_SAMPLES:
            batches = zip(self._capture.batches(first, last), self._firsts[first:last], strict=False)
            parts = [self._points(samples, int(count)).values for samples, count in batches]
            source = _Points(np.concatenate([np.empty((3, 0)), *parts], axis=1))
        found = source.between(from_s, to_s)
        shown = found.thinned(min(max(points, 16), MOST_POINTS))
        time_s, force_n, position_mm = shown.values.tolist()
        return Trace(
            time_s=time_s,
            force_n=force_n,
            position_mm=position_mm,
            timed=self.timed,
            thinned=shown is not found or source is self._coarse,
            start_s=start_s,
            end_s=end_s,
            samples=self.samples,
        )

    def _points(self, samples: Samples, before: int) -> _Points:
        """Return calibrated samples; uncalibrated channels stay in counts."""
        force, position = self._calibration.covers(samples.force_channel, samples.position_channel)
        time_s = (
            self._calibration.time_s(samples) if self.timed else before + np.arange(len(samples), dtype=float)
        )
        force_n = self._calibration.force_n(samples) if force else samples.force.astype(float)
        position_mm = self._calibration.position_mm(samples) if position else samples.position.astype(float)
        return _Points(np.array([time_s, force_n, position_mm]))


class Traces:
    """The recordings that were viewed last."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[object, ...], RecordedTrace] = OrderedDict()
        self._lock = Lock()

    def of(self, capture: Capture, stamp: Hashable) -> RecordedTrace:
        """Return a recording as it is now; `stamp` changes whenever it does."""
        key = (capture.path, stamp)
        with self._lock:  # so that the same recording is not read twice at once
            if key not in self._kept:
                self._kept[key] = RecordedTrace(capture, stamp)
            self._kept.move_to_end(key)
            while len(self._kept) > KEPT_TRACES:
                self._kept.popitem(last=False)
            return self._kept[key]
