"""Settled readings from a scale or from the rig's own cell while a person puts pieces on.

Problem: samples pile up while somebody types; loads swing; a knock is no piece; a zero creeps; the display
steps. Plan: readings are grams in steps of the scale, so that the rule of settled plateaus holds for any
scale. A window slides along. Windows that rest at one level make one rest, however long; the next level that
rests makes a change. A disturbance after which the level is the same was a knock. Nothing is thrown away
between changes, so what piled up is gone through in its order. Cost: one window of readings.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from rig.calibration import (
    Calibration,
    Gravity,
    Plateau,
    PlateauRule,
    is_mass,
    mass_load_n,
    settled_plateau,
    shifts,
)
from rig.errors import DeviceError, InputError
from rig.reader import Reader
from rig.samples import COUNTS, US_PER_S, FloatArray, Samples, Status, StatusArray
from rig.units import factor

KG_PER_G = 1e-3

SILENCE_S = 5.0
"""Wall time without readings after which the scale is taken to be gone."""

WAIT_S = 0.1
LOOKS_PER_WINDOW = 4

LEAST_READINGS = 20
"""In a window: as many as a plateau needs. A slow scale gets a longer window."""

SAME_STEPS = 1.5
"""Levels that differ by less than this many steps of the display are one level."""

KEPT_DECIMALS = 9
KNOCK_STEPS = 5.0
KNOCK_NOISES = 8.0
"""A reading further off than this many steps, and than this many standard deviations, was disturbed."""

MOST_DIFFERENT = 512
"""Different values that are kept to tell how finely a scale prints."""

LOST = ("reset", "link_lost")
"""Happenings after which the zero is not known."""

BROKEN = ("gap", "overflow", "link_restored")
"""Happenings over which a window must not reach."""


@dataclass(frozen=True, slots=True)
class Pan:
    """What turns samples into grams.

    `g_per_unit`: grams for one unit of the channel: a unit of mass, of force, or newton for counts.
    `step_g`: smallest step; None to tell it from what is printed.
    `relative_u`: standard uncertainty of all masses in common, as a share.
    `calibration`: for counts; None where the channel is scaled.
    """

    source: str
    g_per_unit: float
    step_g: float | None
    relative_u: float
    calibration: Calibration | None = None

    @classmethod
    def of(
        cls,
        channels: Samples,
        calibration: Calibration,
        *,
        gravity: Gravity | None = None,
        step_g: float | None = None,
        relative_u: float = 0.0,
    ) -> Pan:
        """For a device.

        Raises InputError if counts have no calibration, or a force no gravity.

        `channels`: samples of the device, which may be none: they tell the unit.
        `gravity`: where the rig stands; a scale that prints a mass needs none.
        """
        unit = channels.force_channel.unit
        if unit != COUNTS and is_mass(unit):
            return cls("scale", factor(unit, "g"), step_g, relative_u)
        if gravity is None:
            raise InputError(
                "gravity is missing; the rig measures force, so give --gravity '9.81 m/s^2', or --latitude"
            )
        # as a scale that was set with steel masses in this air would show it
        n_per_g = mass_load_n(KG_PER_G, gravity.m_per_s2)
        relative = math.hypot(relative_u, gravity.relative_u)
        if unit != COUNTS:
            return cls("rig's cell", factor(unit, "N") / n_per_g, step_g, relative)
        if calibration.force is None:
            raise InputError("force: the rig sends counts without a calibration; calibrate it")
        if step_g is None:
            step_g = abs(calibration.force.per_count) / n_per_g
        return cls("rig's cell", 1 / n_per_g, step_g, relative, Calibration(force=calibration.force))

    def grams(self, samples: Samples) -> FloatArray:
        """Return the readings in grams, shape (n,), without any tare."""
        if self.calibration is not None:
            return self.calibration.force_n(samples) * self.g_per_unit
        return np.asarray(samples.force, np.float64) * self.g_per_unit

    def scale_u_g(self, before_g: float, after_g: float) -> float:
        """Return the standard uncertainty that the scale itself leaves in the difference of two readings."""
        shared = self.relative_u * abs(after_g - before_g)
        if self.calibration is None or self.calibration.force is None:
            return shared
        force = self.calibration.force
        counts = force.counts(np.array([before_g, after_g]) / self.g_per_unit)
        moved = [
            float(np.diff(shift.calibration.force.value(counts) - force.value(counts))[0]) * self.g_per_unit
            for shift in shifts(self.calibration)
            if shift.calibration.force is not None
        ]
        return math.hypot(shared, *moved)


@dataclass(frozen=True, slots=True)
class Level:
    """A rest in grams: its first and last settled parts, and what disturbed it."""

    first: Plateau
    first_s: float
    last: Plateau
    last_s: float
    step_g: float
    knocks: int = 0

    @property
    def g(self) -> float:
        """Newest mean."""
        return self.last.counts * self.step_g


@dataclass(frozen=True, slots=True)
class Change:
    """From one rest to the next."""

    before: Level
    after: Level

    @property
    def g(self) -> float:
        """What was put on; negative for what was taken off, or tared away."""
        return self.after.first.counts * self.after.step_g - self.before.g


class RestFinder:
    """Readings in, changes out: causal, whatever the parts in which they come.

    `rule`: what counts as settled, in steps of the scale.
    `level`: the rest that goes on, or that went on last; None before the first.
    """

    def __init__(self, rule: PlateauRule, step_g: float | None) -> None:
        self.level: Level | None = None
        self.moving = True
        self.hint = ""
        self._rule = rule
        self._step_g = step_g
        self._different: FloatArray = np.empty(0)
        self._waiting = _no_readings()
        self._told = 0
        self._looked_s = -math.inf
        self._shaken = False
        self._rested = self._waiting

    @property
    def step_g(self) -> float:
        """Smallest step, as stated, or that of the closest two values printed; 1 g while all are equal."""
        gaps = np.diff(self._different)
        return self._step_g if self._step_g is not None else float(gaps.min()) if len(gaps) else 1.0

    def restart(self, *, zero_lost: bool) -> None:
        """Begin a new window; with `zero_lost` what rests next is no change."""
        self._waiting, self._told, self._looked_s = _no_readings(), 0, -math.inf
        if zero_lost:
            self.level, self.moving, self._shaken = None, True, False

    def feed(self, time_s: FloatArray, grams: FloatArray, status: StatusArray) -> Iterator[Change]:
        """Take readings, shape (n,) each, in order; such as go back in time begin a new window."""
        self._waiting = self._waiting.followed_by(_Readings(time_s, grams, status))
        if (np.diff(self._waiting.time_s) < 0).any():
            self.restart(zero_lost=False)  # no window can be told in times that go back
            return
        while True:
            at, begin = self._next_look()
            if at >= len(self._waiting.time_s):
                break
            # the different values up to this reading, until there are enough to tell the step from
            if self._step_g is None and len(self._different) < MOST_DIFFERENT:
                new = np.round(self._waiting.grams[self._told : at + 1], KEPT_DECIMALS)
                self._different = np.union1d(self._different, new)
            self._told = at + 1
            change = self._look(self._waiting.part(begin, at + 1))
            self._looked_s = float(self._waiting.time_s[at])
            if change is not None:
                yield change
        self._let_go()

    def _next_look(self) -> tuple[int, int]:
        """Return where the next window ends and begins, by times alone, so that parts do not matter."""
        times, least_s = self._waiting.time_s, self._rule.least_s
        if not len(times):
            return 0, 0
        due_s = max(self._looked_s + least_s / LOOKS_PER_WINDOW, float(times[0]) + least_s)
        at = max(int(np.searchsorted(times, due_s)), LEAST_READINGS - 1)
        if at >= len(times):
            return at, 0
        begin = int(np.searchsorted(times, times[at] - least_s, side="right")) - 1
        return at, max(min(begin, at - LEAST_READINGS + 1), 0)

    def _let_go(self) -> None:
        """Forget what no window needs any more."""
        times = self._waiting.time_s
        if not len(times):
            return
        looked = int(np.searchsorted(times, self._looked_s, side="right"))
        since = int(np.searchsorted(times, self._looked_s - self._rule.least_s))
        begin = max(min(since - 1, looked - LEAST_READINGS), 0)
        self._waiting = self._waiting.part(begin, len(times))
        self._told = max(self._told - begin, 0)

    def _look(self, window: _Readings) -> Change | None:
        zero_g = 0.0 if self.level is None else self.level.g
        try:
            plateau = self._plateau(window, self.step_g, zero_g)
        except InputError as problem:
            self.moving, self.hint = True, str(problem).partition(";")[0]
            self._shaken = self._shaken or self._off_level(window)
            return None
        middle_s = float(window.time_s.mean())
        change = self._settled(Level(plateau, middle_s, plateau, middle_s, self.step_g))
        self._rested = window
        return change

    def _off_level(self, window: _Readings) -> bool:
        """Return whether a window was disturbed by more than its noise, which may keep it from resting by
        chance."""
        if self.level is None:
            return False
        noise_g = float(self._rested.grams.std()) if len(self._rested.grams) else 0.0
        off_g = float(np.abs(window.grams - self.level.g).max())
        return off_g > max(KNOCK_STEPS * self.step_g, KNOCK_NOISES * noise_g)

    def _plateau(self, window: _Readings, step_g: float, zero_g: float) -> Plateau:
        lasted_s = float(window.time_s[-1] - window.time_s[0])
        return settled_plateau(
            window.time_s,
            window.grams / step_g,
            window.status,
            rule=replace(self._rule, least_s=min(self._rule.least_s, lasted_s)),
            zero_counts=zero_g / step_g,
        )

    def _settled(self, found: Level) -> Change | None:
        """One more settled window: of the same rest, of the same level after a knock, or of another level."""
        before, shaken = self.level, self._shaken
        self.moving, self._shaken, self.hint = False, False, ""
        if before is None:
            self.level = found
            return None
        if before.step_g != found.step_g:
            before = self._finer(before, found.step_g)
        u_g = math.hypot(before.last.u_counts, found.first.u_counts) * found.step_g
        if abs(found.g - before.g) <= max(SAME_STEPS * found.step_g, 4 * u_g):
            knocks = before.knocks + shaken
            self.level = replace(before, last=found.last, last_s=found.last_s, knocks=knocks)
            return None
        self.level = found
        return Change(before, found)

    def _finer(self, level: Level, step_g: float) -> Level:
        """Return a rest in steps of another size, which has shown itself meanwhile."""
        first = _in_steps(level.first, level.step_g / step_g)
        try:
            last = self._plateau(self._rested, step_g, level.g)
        except InputError:  # it rested by the coarser step only
            last = _in_steps(level.last, level.step_g / step_g)
        return replace(level, first=first, last=last, step_g=step_g)


@dataclass(frozen=True, slots=True)
class _Readings:
    """Columns of equal length."""

    time_s: FloatArray
    grams: FloatArray
    status: StatusArray

    def part(self, begin: int, end: int) -> _Readings:
        return _Readings(self.time_s[begin:end], self.grams[begin:end], self.status[begin:end])

    def followed_by(self, later: _Readings) -> _Readings:
        return _Readings(
            np.concatenate([self.time_s, later.time_s]),
            np.concatenate([self.grams, later.grams]),
            np.concatenate([self.status, later.status]),
        )


def _no_readings() -> _Readings:
    return _Readings(np.empty(0), np.empty(0), np.empty(0, np.uint8))


class PanWatch:
    """Waits for changes on a pan.

    `on_progress`: receives the newest reading in grams, and why it does not rest; empty where it does.
    `on_lost`: is called when the device was reset or lost: what rests on it next is the new zero.
    """

    def __init__(
        self,
        reader: Reader,
        pan: Pan,
        *,
        rule: PlateauRule | None = None,
        stopped: threading.Event | None = None,
        on_progress: Callable[[float, str], None] | None = None,
        on_lost: Callable[[], None] | None = None,
    ) -> None:
        self._reader = reader
        self._pan = pan
        self._finder = RestFinder(rule or PlateauRule(), pan.step_g)
        self._stopped = stopped or threading.Event()
        self._on_progress = on_progress
        self._on_lost = on_lost
        self._found: deque[Change] = deque()

    @property
    def step_g(self) -> float:
        """Smallest step of the scale."""
        return self._finder.step_g

    def rest(self, patience_s: float) -> Level:
        """Wait until the reading rests.

        Raises InputError if it does not within `patience_s` of wall time; DeviceError if readings stop
        coming.
        """
        end_s = time.monotonic() + patience_s
        while self._finder.level is None or self._finder.moving:
            if self._stopped.is_set():
                raise InputError("stopped before the scale settled; nothing was weighed")
            self._take(end_s, "rest")
        return self._finder.level

    def anew(self, patience_s: float) -> Level:
        """Forget what came so far, and wait until the reading rests; see `rest`."""
        while self._reader.get(0.0) is not None:
            pass
        self._finder.restart(zero_lost=True)
        self._found.clear()
        return self.rest(patience_s)

    def change(self, patience_s: float) -> Change | None:
        """Wait for the next change that rests; None when it was stopped.

        Raises InputError if none comes within `patience_s` of wall time; DeviceError if readings stop coming.
        """
        end_s = time.monotonic() + patience_s
        while not self._found:
            if self._stopped.is_set():
                return None
            self._take(end_s, "change")
        return self._found.popleft()

    def _take(self, end_s: float, awaited: str) -> None:
        heard_s = time.monotonic()
        while True:
            delivery = self._reader.get(WAIT_S)
            now_s = time.monotonic()
            if delivery is not None:
                kinds = {event.kind for event in delivery.events}
                if kinds & {*LOST, *BROKEN}:
                    self._finder.restart(zero_lost=bool(kinds & {*LOST}))
                if kinds & {*LOST} and self._on_lost is not None:
                    self._on_lost()
                if len(delivery.samples):
                    self._feed(delivery.samples)
                    break
            if self._stopped.is_set():
                return
            if now_s - heard_s > SILENCE_S:
                raise DeviceError(
                    f"no reading came for {SILENCE_S:g} s; check the cable, and that the scale prints by "
                    "itself. Earlier masses are kept"
                )
        if time.monotonic() > end_s and not self._found:
            hint = f" ({self._finder.hint})" if self._finder.hint else ""
            raise InputError(f"scale: no {awaited} in time{hint}; earlier masses are kept")

    def _feed(self, samples: Samples) -> None:
        grams = self._pan.grams(samples)
        fresh = (samples.status & Status.FRESH_FORCE) != 0
        kept = fresh if fresh.any() else np.ones(len(samples), np.bool_)
        time_s = samples.time_us[kept] / US_PER_S
        self._found.extend(self._finder.feed(time_s, grams[kept], samples.status[kept]))
        if self._on_progress is not None and len(grams):
            self._on_progress(float(grams[-1]), self._finder.hint if self._finder.moving else "")


def _in_steps(plateau: Plateau, ratio: float) -> Plateau:
    """Return the same plateau in steps that are smaller by a ratio."""
    return replace(
        plateau,
        counts=plateau.counts * ratio,
        u_counts=plateau.u_counts * ratio,
        drift_counts=plateau.drift_counts * ratio,
    )
