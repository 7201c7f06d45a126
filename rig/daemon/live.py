"""Cycles measured while they are made, for the board.

Problem: measuring a cycle takes some milliseconds, and whoever drives the platen must not wait for it.
Plan: a thread of its own with a bounded queue; samples that do not fit are counted and left out, since
the capture has them all; what waits is pushed in pieces, as long as a person would not notice. Each job
has an analysis of its own. Cost: one thread, and the memory of an open cycle.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator, Mapping

import numpy as np
import scipy.optimize  # noqa: F401  fits of holds need it, and nothing is imported while a platen moves

from rig.analyser import AnalysisSettings, CaptureAnalysis, Loop, flag_labels
from rig.calibration import Calibration
from rig.core import logger
from rig.daemon.board import Board
from rig.daemon.bulletin import CycleRow, LoopCurve
from rig.samples import FloatArray, IntArray, Samples

PIECE_S = 0.25
"""Samples are gathered for so long: a call costs the same for ten samples as for a thousand."""

WAITING_LIMIT = 262_144
"""Samples that may wait, as many as for the recorder."""

LOOP_POINTS = 100
"""Enough for a curve on a screen; eight of them go into one answer."""

DIGITS = 6

QUANTITIES = (
    "end_s",
    "contact_mm",
    "zero_n",
    "peak_force_n",
    "peak_deflection_mm",
    "secant_n_per_mm",
    "energy_absorbed_mj",
    "hysteresis_pct",
    "set_mm",
)


_Item = Samples | tuple[int, AnalysisSettings] | None
"""What waits: samples, a job that begins and how it is analysed, or None for its end."""


class LiveAnalysis:
    """Measures the cycles of one job after the other. A context manager that ends its thread."""

    def __init__(self, board: Board, calibration: Calibration, *, limit: int = WAITING_LIMIT) -> None:
        self._board, self._calibration, self._limit = board, calibration, limit
        self._changed = threading.Condition()
        self._queue: deque[_Item] = deque()
        self._waiting = self._lost = self._marks = 0
        self._open = self._closed = False
        self._job = 0
        self._analysis: CaptureAnalysis | None = None
        self._given = self._drawn = 0
        self._thread = threading.Thread(target=self._run, name="rig-live")

    def __enter__(self) -> LiveAnalysis:
        self._thread.start()
        return self

    def __exit__(self, *ending: object) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._thread.join()

    def begin(self, job: int, settings: AnalysisSettings) -> None:
        """Measure what is put from now on as this job's."""
        with self._changed:
            self._lost = 0
            self._open = True
            self._mark((job, settings))
        self._board.warn("live", None)

    def end(self) -> None:
        """The job is over: its last cycle is closed, and what is put from now on is left alone."""
        with self._changed:
            if self._open:
                self._open = False
                self._mark(None)

    def put(self, samples: Samples) -> None:
        """Have samples measured. Never waits; what does not fit is counted."""
        if not len(samples):
            return
        with self._changed:
            if not self._open:
                return
            fits = self._waiting + len(samples) <= self._limit
            if fits:
                self._queue.append(samples)
                self._waiting += len(samples)
                self._changed.notify_all()
            else:
                self._lost += len(samples)
        if not fits:
            self._board.warn(
                "live",
                f"the cycles shown here lack {self._lost} samples, skipped to keep up; the capture has "
                "them all",
            )

    def _mark(self, mark: _Item) -> None:
        self._queue.append(mark)
        self._marks += 1
        self._changed.notify_all()

    # From here on: the thread.

    def _run(self) -> None:
        while (taken := self._taken()) is not None:
            for item in _joined(taken):
                try:
                    self._handle(item)
                except Exception as problem:  # a picture that fails must not take the rig along
                    logger.opt(exception=problem).error("the live analysis of this job failed")
                    self._board.warn("live", f"cycles are not shown for this job: {problem}")
                    self._analysis = None

    def _taken(self) -> list[_Item] | None:
        """What has come, after it had some time to gather; None at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._queue or self._closed)
            if self._closed:
                return None
            self._changed.wait_for(lambda: self._marks or self._closed, PIECE_S)
            taken = list(self._queue)
            self._queue.clear()
            self._waiting = self._marks = 0
            return taken

    def _handle(self, item: _Item) -> None:
        if isinstance(item, tuple):
            self._job, settings = item
            self._given = self._drawn = 0
            self._analysis = CaptureAnalysis(self._calibration, settings, keep=False, propagate=False)
        elif self._analysis is not None:
            self._show(self._analysis.finish().columns if item is None else self._analysis.push(item))
            self._analysis = None if item is None else self._analysis

    def _show(self, columns: Mapping[str, FloatArray] | None) -> None:
        """Put the cycles and loops on the board that are not there yet."""
        if not columns or self._analysis is None:
            return
        number = columns["cycle"]
        fresh = np.flatnonzero(number > self._given)
        if not len(fresh):
            return
        self._given = int(number[-1])
        self._board.cycles(self._job, rows_of(columns, fresh))
        loops = [loop for loop in self._analysis.latest_loops if loop.cycle > self._drawn]
        if loops:
            self._drawn = loops[-1].cycle
            self._board.loops(self._job, map(curve_of, loops))


def rows_of(columns: Mapping[str, FloatArray], which: IntArray) -> list[CycleRow]:
    """Return the rows for the table, of the cycles with these indices."""
    found = {name: _rounded(columns[name][which]) for name in QUANTITIES if name in columns}
    flags = columns["flags"][which].astype(np.uint32)
    return [
        CycleRow(
            cycle=int(cycle),
            flags=tuple(flag_labels(int(flags[row]))),
            **{name: values[row] for name, values in found.items()},  # type: ignore[arg-type]  # floats only
        )
        for row, cycle in enumerate(columns["cycle"][which].tolist())
    ]


def curve_of(loop: Loop) -> LoopCurve:
    """Return a loop for the page, with no more points than it can draw."""
    stride = -(-len(loop.force_n) // LOOP_POINTS)
    kept = [
        (x_mm, one_n)
        for x_mm, one_n in zip(
            _rounded(loop.deflection_mm[::stride]), _rounded(loop.force_n[::stride]), strict=True
        )
        if x_mm is not None and one_n is not None
    ]
    return LoopCurve(
        cycle=loop.cycle,
        deflection_mm=tuple(x_mm for x_mm, _ in kept),
        force_n=tuple(one_n for _, one_n in kept),
    )


def _rounded(values: FloatArray) -> list[float | None]:
    return [float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None for value in values.tolist()]


def _joined(items: list[_Item]) -> Iterator[_Item]:
    """Yield the same, with samples that follow each other in one piece."""
    waiting: list[Samples] = []
    for item in items:
        if isinstance(item, Samples):
            waiting.append(item)
            continue
        if waiting:
            yield Samples.concatenate(waiting)
            waiting = []
        yield item
    if waiting:
        yield Samples.concatenate(waiting)
