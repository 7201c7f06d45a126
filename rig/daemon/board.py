"""The board: what the rig does, for whoever looks.

Problem: a page and a command line want to see force, cycles and progress, and may be slow, many, or gone,
while nothing may delay the platen's heartbeats. Plan: whoever runs the rig writes here and goes on;
watchers come with the numbers of what they have seen and take what is newer. The trace is thinned to the
least and the greatest force of each bin of time, so that no peak is lost; rows, loops and points kept
are bounded, and so is what one call hands out. Cost: one lock, some 60 us for a delivery.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, TypeVar

import numpy as np

from rig.calibration import Calibration
from rig.daemon.bulletin import (
    CycleRow,
    DeviceCard,
    EndCard,
    JobCard,
    LimitsCard,
    LiveTrace,
    LoopCurve,
    News,
    RigState,
    RigStatus,
    Seen,
)
from rig.jobs.driving import cause_in_words
from rig.jobs.job import Progress, Span
from rig.jobs.orders import HeightCard, JobKind
from rig.reader import Delivery, LinkEvent, newest_auxiliary, switch_words
from rig.samples import US_PER_S, FloatArray, Samples
from rig.wire import AUXILIARY_UNITS, LATCHED_STOPS, Capability, EventCode, StateFlag, Switch

POINTS_PER_S = 50
"""Of the trace: more than a screen can draw of two minutes."""

BIN_US = 2_000_000 // POINTS_PER_S
"""Two points, the least and the greatest force, are kept of each bin."""

TRACE_POINTS = 120 * POINTS_PER_S
"""Two minutes."""

ROWS_KEPT = 5000
"""Of a job. A row takes 1.5 KB: memory grows with the cycles of a job, by 7.5 MB at most."""

LOOPS_KEPT = 8
WARNINGS_KEPT = 8

POINTS_A_CALL = 2000
ROWS_A_CALL = 200
"""With numbers of 13 characters at most, a call's answer stays below 220 KiB: 78 KB of points, at most 94 KB
of rows with every flag set, 25 KB of loops, 11 KB of what is reported beside a height."""

AWAY_S = 3.0
AWAY_PERIODS = 5.0
"""A rig without samples for so long, and for this many of its periods, is away."""

RATE_OVER_S = 2.0

_Kept = TypeVar("_Kept")


@dataclass(slots=True)
class _Job:
    """The job under way: its card, without times, and what these are worked out from."""

    card: JobCard
    expected_s: float | None
    guided: bool
    span: Span = field(default_factory=Span)
    earlier: int = 0

    def now(self, **changes: object) -> None:
        """Show these from now on."""
        self.card = self.card.model_copy(update=changes)


@dataclass(slots=True)
class _Thinner:
    """Keeps of each bin of time the samples with the least and the greatest force."""

    time_us: Any = field(default_factory=lambda: np.empty(0, np.int64))
    force_n: FloatArray = field(default_factory=lambda: np.empty(0))
    position_mm: FloatArray = field(default_factory=lambda: np.empty(0))

    def push(self, time_us: Any, force_n: FloatArray, position_mm: FloatArray) -> Iterable[tuple[float, ...]]:
        """Return the points of the bins that are over."""
        time_us = np.concatenate([self.time_us, time_us])
        force_n = np.concatenate([self.force_n, force_n])
        position_mm = np.concatenate([self.position_mm, position_mm])
        bins = time_us // BIN_US
        over = bins != bins[-1]
        open_from = int(np.flatnonzero(over)[-1]) + 1 if over.any() else 0
        self.time_us, self.force_n = time_us[open_from:], force_n[open_from:]
        self.position_mm = position_mm[open_from:]
        if not open_from:
            return ()
        bins, force_n = bins[:open_from], force_n[:open_from]
        order = np.lexsort((force_n, bins))
        changes = np.flatnonzero(np.diff(bins[order]))
        least = order[np.concatenate([[0], changes + 1])]
        greatest = order[np.concatenate([changes, [open_from - 1]])]
        kept = np.unique(np.concatenate([least, greatest]))
        columns = (time_us[kept] / US_PER_S, force_n[kept], position_mm[kept])
        return zip(*(column.tolist() for column in columns), strict=True)


class Board:
    """Written by the thread that runs the rig, read from any.

    `calibration`: what a count is; what is not calibrated is not shown.
    """

    def __init__(
        self,
        rig: str,
        port: str,
        calibration: Calibration,
        *,
        limits: LimitsCard | None = None,
        cautions: tuple[str, ...] = (),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._rig, self._port, self._limits, self._cautions = rig, port, limits, cautions
        self._calibration, self._clock = calibration, clock
        self._guard = threading.Lock()
        self._read_today = False
        self._away: str | None = "the port has not been opened yet"
        self._armed: Callable[[], bool] = _in_doubt
        self._heard_s = clock()
        self._device: DeviceCard | None = None
        self._tells_switches = False
        self._newest: tuple[float | None, float | None] = (None, None)
        self._counts: deque[tuple[int, int]] = deque(maxlen=256)
        self._samples = self._lost = 0
        self._auxiliary: dict[str, float] = {}
        self._auxiliary_units: dict[str, str] = dict(AUXILIARY_UNITS)
        self._thinner = _Thinner()
        self._trace: deque[tuple[float, ...]] = deque(maxlen=TRACE_POINTS)
        self._points = 0
        self._job: _Job | None = None
        self._job_number = 0
        self._last: EndCard | None = None
        self._rows: deque[CycleRow] = deque(maxlen=ROWS_KEPT)
        self._rows_in_all = 0
        self._loops: deque[LoopCurve] = deque(maxlen=LOOPS_KEPT)
        self._loops_in_all = 0
        self._warnings: dict[str, str] = {}

    # Written by whoever runs the rig.

    def reopened(self, armed: Callable[[], bool]) -> None:
        """The port was opened by a new reader, whose clock begins anew.

        `armed`: whether the platen may move, as the one that talks to the device has it. It is asked at every
        look: events reach the board past a queue, and too late for the one who reaches in.
        """
        with self._guard:
            self._armed = armed
            self._away = None
            self._heard_s = self._clock()
            self._auxiliary, self._auxiliary_units = {}, dict(AUXILIARY_UNITS)
            self._thinner = _Thinner()
            self._counts.clear()

    def away(self, why: str) -> None:
        """The rig cannot be reached."""
        with self._guard:
            self._away = why
            self._armed = _in_doubt
            self._newest = (None, None)
            self._device = None

    def take(self, delivery: Delivery) -> None:
        """Show a delivery."""
        with self._guard:
            for event in delivery.events:
                self._hear(event)
            self._auxiliary = newest_auxiliary(delivery) or self._auxiliary
            if len(delivery.samples):
                self._show(delivery.samples)

    def cautions_read(self, *, today: bool) -> None:
        """Whether the cautions have been read today."""
        with self._guard:
            self._read_today = today

    def warn(self, about: str, text: str | None) -> None:
        """Show a warning about something until it is replaced, or taken back with None."""
        with self._guard:
            self._warnings.pop(about, None)
            if text is not None and len(self._warnings) < WARNINGS_KEPT:
                self._warnings[about] = text

    def begin_job(
        self,
        number: int,
        kind: JobKind,
        name: str,
        specimen: str,
        *,
        expected_s: float | None = None,
        cycles_wanted: int | None = None,
        guided: bool = False,
    ) -> None:
        """A job has begun; rows and loops of the one before are forgotten."""
        with self._guard:
            card = JobCard(
                number=number, kind=kind, name=name, specimen=specimen, cycles_wanted=cycles_wanted
            )
            self._job = _Job(card, expected_s, guided)
            self._job_number = number
            self._rows.clear()
            self._loops.clear()
            self._rows_in_all = self._loops_in_all = 0

    def job_records(self, capture: str) -> None:
        """The job's capture is there."""
        with self._guard:
            if self._job is not None:
                self._job.now(capture=capture)

    def job_goes_on(self, step: str | None = None, *, cycles: int | None = None, earlier: int = 0) -> None:
        """The job is at this step, and has made this many cycles, some before it was resumed; those of a
        method are counted by its rows."""
        with self._guard:
            if self._job is None:
                return
            if step is not None:
                self._job.now(step=step)
            if cycles is not None and self._job.card.kind != "method":
                self._job.now(cycles=cycles)
                self._job.earlier = earlier

    def job_asks(self, text: str | None) -> None:
        """The job waits for a person, or, with None, no longer."""
        with self._guard:
            if self._job is not None:
                self._job.now(asks=text)

    def end_job(
        self, reason: str, *, failed: bool, halted_by: str | None = None, height: HeightCard | None = None
    ) -> None:
        """The job is over, and has found this height if it was one."""
        with self._guard:
            job, self._job = self._job, None
            if job is not None:
                kept = job.card.model_dump(include={"number", "kind", "name", "capture", "cycles"})
                self._last = EndCard(reason=reason, failed=failed, halted_by=halted_by, height=height, **kept)

    def cycles(self, job: int, rows: Iterable[CycleRow]) -> None:
        """Cycles of a job that have closed; those of another job than the newest come too late.

        Beside each stand the temperatures and the humidity of that moment.
        """
        with self._guard:
            if job != self._job_number:
                return
            for row in rows:
                air = {name: value for name, value in self._auxiliary.items() if name in AUXILIARY_UNITS}
                self._rows.append(row.model_copy(update={"auxiliary": air}) if air else row)
                self._rows_in_all += 1
            # of the other kinds it shows how many they have made, of which contact checks are no part
            if self._job is not None and self._job.card.kind == "method":
                self._job.now(cycles=self._rows_in_all)
            elif self._job is None and self._last is not None and self._last.kind == "method":
                self._last = self._last.model_copy(update={"cycles": self._rows_in_all})

    def loops(self, job: int, loops: Iterable[LoopCurve]) -> None:
        """Loops of a job, in order."""
        with self._guard:
            if job != self._job_number:
                return
            for loop in loops:
                self._loops.append(loop)
                self._loops_in_all += 1

    # Read by watchers.

    def status(self) -> RigStatus:
        """Return how the rig stands now."""
        with self._guard:
            return self._status()

    def away_now(self) -> bool:
        """Whether the rig cannot be reached, or gives no samples, whatever the job does."""
        with self._guard:
            quiet_s = self._clock() - self._heard_s
            return self._away is not None or quiet_s > AWAY_S

    def news(self, seen: Seen) -> News:
        """Return what is newer than what was seen, the oldest first and no more than a call may hold."""
        with self._guard:
            same_job = seen.job == self._job_number
            trace, trace_next = _newer(self._trace, self._points, seen.trace, POINTS_A_CALL)
            row, loop = (seen.cycle, seen.loop) if same_job else (0, 0)
            rows, rows_next = _newer(self._rows, self._rows_in_all, row, ROWS_A_CALL)
            loops, loops_next = _newer(self._loops, self._loops_in_all, loop, LOOPS_KEPT)
            status = self._status()
            job = self._job_number
        time_s, force_n, position_mm = zip(*trace, strict=True) if trace else ((), (), ())
        return News(
            status=status,
            seen=Seen(trace=trace_next, cycle=rows_next, loop=loops_next, job=job),
            trace=LiveTrace(
                first=trace_next - len(trace), time_s=time_s, force_n=force_n, position_mm=position_mm
            ),
            cycles=tuple(rows),
            loops=tuple(loops),
        )

    # Within, under the guard.

    def _show(self, samples: Samples) -> None:
        self._away = None
        self._heard_s = self._clock()
        last_us = int(samples.time_us[-1])
        if self._counts and last_us < self._counts[-1][0]:
            self._counts.clear()
            self._thinner = _Thinner()
        self._samples += len(samples)
        self._counts.append((last_us, self._samples))
        if self._job is not None:
            self._job.span.take(samples)
        force, position = self._calibration.covers(samples.force_channel, samples.position_channel)
        force_n = self._calibration.force_n(samples) if force else None
        position_mm = self._calibration.position_mm(samples) if position else None
        self._newest = (
            None if force_n is None else round(float(force_n[-1]), 4),
            None if position_mm is None else round(float(position_mm[-1]), 4),
        )
        if force_n is None or position_mm is None:
            return
        for time_s, one_n, one_mm in self._thinner.push(samples.time_us, force_n, position_mm):
            self._trace.append((round(time_s, 3), round(one_n, 4), round(one_mm, 4)))
            self._points += 1

    def _hear(self, event: LinkEvent) -> None:
        fields = event.fields
        match event.kind:
            case "link_lost":
                self._away = str(fields.get("why"))
                self._device = None
                self._newest = (None, None)
            case "link_restored" | "streaming":
                self._away = None
                self._heard_s = self._clock()
            case "identified":
                can = Capability(int(fields["capabilities"] or 0))
                self._device = DeviceCard(
                    name=str(fields["name"]),
                    firmware=str(fields["firmware"]),
                    drives=Capability.DRIVES in can,
                )
                self._tells_switches = Capability.TELLS_SWITCHES in can
            case "channel":
                self._auxiliary_units[str(fields["name"])] = str(fields["unit"])
            case "gap":
                self._lost += int(fields.get("missing") or 0)
            case "overflow":
                self._lost += int(fields.get("samples") or 0)
            case "state" | "device_event" | "reset":
                if event.kind == "reset":  # it describes its channels anew, perhaps others
                    self._auxiliary, self._auxiliary_units = {}, dict(AUXILIARY_UNITS)
                if self._device is not None:
                    told = _told_by(event, switches=self._tells_switches)
                    self._device = self._device.model_copy(update=told)

    def _status(self) -> RigStatus:
        force_n, position_mm = self._newest
        rate = self._rate()
        away = self._away
        quiet_s = self._clock() - self._heard_s
        if away is None and quiet_s > max(AWAY_S, AWAY_PERIODS / rate if rate else 0.0):
            away = f"no sample for {quiet_s:.0f} s"
        device = self._device
        return RigStatus(
            rig=self._rig,
            port=self._port,
            state=self._state(away),
            # what is not known reads as armed
            armed=(self._limits is not None if device is None else device.drives) and self._armed(),
            guided=self._job is not None and self._job.guided,
            force_n=None if away else force_n,
            position_mm=None if away else position_mm,
            samples_per_s=None if away else rate,
            samples_lost=self._lost,
            device=device,
            limits=self._limits,
            job=None if self._job is None else _card(self._job),
            last=self._last,
            auxiliary=self._auxiliary,
            auxiliary_units={name: self._auxiliary_units.get(name, "") for name in self._auxiliary},
            cautions=self._cautions,
            cautions_read_today=self._read_today,
            warnings=((away,) if away else ()) + tuple(self._warnings.values()),
        )

    def _state(self, away: str | None) -> RigState:
        job = self._job
        if job is not None and job.card.asks is not None:
            return "by hand"
        if away:
            return "away"
        if job is not None:
            return "recording" if job.card.kind == "recording" else "running"
        return "stopped" if self._device is not None and self._device.stop_cause else "idle"

    def _rate(self) -> float | None:
        """Return the samples per second of the device's time over the last while."""
        if len(self._counts) < 2:
            return None
        last_us, count = self._counts[-1]
        for first_us, before in self._counts:
            if last_us - first_us <= RATE_OVER_S * US_PER_S and last_us > first_us:
                return round((count - before) / (last_us - first_us) * US_PER_S, 1)
        first_us, before = self._counts[-2]
        span_us = last_us - first_us
        return round((count - before) / span_us * US_PER_S, 1) if span_us > 0 else None


def _card(job: _Job) -> JobCard:
    done = left_s = None
    wanted, cycles, elapsed_s = job.card.cycles_wanted, job.card.cycles, job.span.seconds
    if wanted:
        done = min(cycles / wanted, 1.0)
        left_s = Progress(elapsed_s, 0, cycles, job.earlier).left_s(wanted)
    elif job.expected_s:
        done = min(elapsed_s / job.expected_s, 1.0)
        left_s = max(job.expected_s - elapsed_s, 0.0)
    times = {
        "elapsed_s": round(elapsed_s, 3),
        "left_s": None if left_s is None else round(left_s, 1),
        "done": None if done is None else round(done, 4),
    }
    return job.card.model_copy(update=times)


def _told_by(event: LinkEvent, *, switches: bool) -> dict[str, Any]:
    """Return what a message of the device changes of its card; `switches`: whether its state tells them."""
    if event.kind == "reset":
        return {"homed": False, "stop_cause": None, "motor_current": None}
    if event.kind == "state":
        flags = int(event.fields.get("flags") or 0)
        cause = int(event.fields.get("stop_cause") or 0)
        told: dict[str, Any] = {
            "homed": bool(flags & StateFlag.HOMED),
            "stop_cause": cause_in_words(cause) if cause else None,
        }
        if switches:
            opened, fitted = (int(event.fields.get(f"{kind}_switches") or 0) for kind in ("open", "fitted"))
            told["switches"] = switch_words(Switch(opened & fitted))
            told["motor_current"] = bool(flags & StateFlag.MOTOR_CURRENT)
        return told
    code = int(event.fields.get("code") or 0)
    if code in LATCHED_STOPS:
        return {"stop_cause": cause_in_words(code)}
    return {"homed": True} if code == EventCode.HOMED else {}


def _in_doubt() -> bool:
    return True


def _newer(kept: deque[_Kept], in_all: int, wanted: int, most: int) -> tuple[list[_Kept], int]:
    """Return what is kept from the wanted number on, and the number behind it."""
    first = in_all - len(kept)
    # whoever has seen more than there is has seen another daemon's
    start = first if wanted > in_all else max(wanted, first)
    found = list(islice(kept, start - first, start - first + most))
    return found, start + len(found)
