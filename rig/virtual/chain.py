"""The measuring chain: what the sensors, the converter and the clock make of a true force and position.

Problem: real rigs add noise, drift, steps, backlash, delay and uneven timing, and the analysis must see
each one alone and all together. Plan: `Chain` says how bad each is (nothing but a little noise unless
asked); `ChainReader` turns the press's fine grid of time into counts. Each disturbance has a random
stream of its own and carries its state from stretch to stretch, so the counts do not depend on how a
run is cut into stretches. Cost: some ten array passes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from rig.errors import InputError
from rig.samples import BoolArray, FloatArray, IntArray

LONGEST_LOOK_BACK_S = 1.0
"""Most delay and conversion time together; keeps the remembered past short."""


@dataclass(frozen=True, slots=True)
class Chain:
    """How the rig measures.

    `force_zero_counts`, `position_zero_counts`: counts without load, and at the platen's own zero. A random
    fraction of a count comes on top.
    `force_noise_n`, `position_noise_mm`: standard deviation of white noise.
    `force_drift_n_per_s`, `force_wander_n`: steady drift of the force zero, and the standard deviation of its
    random walk over one second.
    `backlash_mm`: backlash of the position reading: falling, it lags by this much; rising, it is right.
    `timing_jitter_us`: a sample is taken up to this much before its due time. Its time says when it was
    taken.
    `force_delay_s`: age of a force when it is reported.
    `conversions_per_s`: rate of a slow converter: each value is the mean over one conversion, which ends with
    the sample that first shows it, and repeats until the next. None for a converter that is read at an
    instant, anew in each sample.
    `force_range_counts`: the converter saturates at this many counts either way.
    """

    force_n_per_count: float = 0.001
    position_mm_per_count: float = 0.005
    force_zero_counts: float = 0.0
    position_zero_counts: float = 0.0
    force_noise_n: float = 0.005
    position_noise_mm: float = 0.001
    force_drift_n_per_s: float = 0.0
    force_wander_n: float = 0.0
    backlash_mm: float = 0.0
    compliance_mm_per_n: float = 0.0
    timing_jitter_us: float = 0.0
    force_delay_s: float = 0.0
    conversions_per_s: float | None = None
    force_range_counts: int = 2**23

    def __post_init__(self) -> None:
        signed = ("force_zero_counts", "position_zero_counts", "force_drift_n_per_s")
        for field in fields(self):
            value = getattr(self, field.name)
            if value is None or (field.name in signed and math.isfinite(value)):
                continue
            above = field.name.endswith("_per_count") or field.name in (
                "conversions_per_s",
                "force_range_counts",
            )
            if not (math.isfinite(value) and (value > 0 if above else value >= 0)):
                wanted = "a number above 0" if above else "a finite number, 0 or more"
                raise InputError(f"chain.{field.name}: found {value!r}, expected {wanted}")
        if self.force_delay_s + self.conversion_s > LONGEST_LOOK_BACK_S:
            raise InputError(
                f"chain.force_delay_s: found {self.force_delay_s} and a conversion of {self.conversion_s} s, "
                f"expected at most {LONGEST_LOOK_BACK_S} s together"
            )

    @property
    def conversion_s(self) -> float:
        """How long a slow converter takes; 0 for one that is read at an instant."""
        return 0.0 if self.conversions_per_s is None else 1.0 / self.conversions_per_s


@dataclass(frozen=True, slots=True)
class ChainOutput:
    """What the firmware gets of a stretch, arrays of shape (samples,).

    `taken_s` is when each sample was taken; `fresh` marks new conversions.
    """

    taken_s: FloatArray
    force: IntArray
    position: IntArray
    fresh: BoolArray
    saturated: BoolArray


class ChainReader:
    """Turns consecutive stretches of the press's grid into counts.

    `position_mm`: where the platen stands at time zero, without load.
    """

    def __init__(self, chain: Chain, seed: int, position_mm: float) -> None:
        self.chain = chain
        streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(5)]
        self._phases, self._force_noise, self._position_noise, self._wander, self._jitter = streams
        self._force_zero = chain.force_zero_counts + float(self._phases.uniform(-0.5, 0.5))
        self.position_zero_counts = chain.position_zero_counts + float(self._phases.uniform(-0.5, 0.5))
        """Counts at the platen's own zero, the random fraction included."""
        self._time_s = np.zeros(1)
        self._shown_mm = np.full(1, position_mm)
        self._force_n = np.zeros(1)
        self._impulse_n_s = np.zeros(1)
        self._wandered_n = 0.0
        self._conversions_done = 0
        self._held_force = round(self._force_zero)
        self._held_saturated = False

    def read(
        self,
        grid_s: FloatArray,
        position_mm: FloatArray,
        force_n: FloatArray,
        due_s: FloatArray,
        period_s: float,
    ) -> ChainOutput:
        """Read the samples of one stretch.

        `grid_s`, `position_mm`, `force_n`: the press on its fine grid, following the stretch before, shape
        (m,).
        `due_s`: when samples are due, within the grid, shape (n,).
        """
        self._remember(grid_s, position_mm, force_n)
        count = len(due_s)
        jitter_s = min(self.chain.timing_jitter_us * 1e-6, 0.9 * period_s)
        taken_s = due_s - jitter_s * self._jitter.random(count)
        shown_mm = np.interp(taken_s, self._time_s, self._shown_mm)
        shown_mm += self.chain.position_noise_mm * self._position_noise.standard_normal(count)
        position = np.rint(shown_mm / self.chain.position_mm_per_count + self.position_zero_counts)
        fresh = self._new_conversions(due_s)
        force, saturated = self._force_counts(taken_s, period_s)
        force, saturated = self._held(fresh, force, saturated)
        self._forget(grid_s[-1] if len(grid_s) else 0.0, period_s)
        return ChainOutput(taken_s, force, position.astype(np.int64), fresh, saturated)

    def _remember(self, grid_s: FloatArray, position_mm: FloatArray, force_n: FloatArray) -> None:
        shown_mm = _with_backlash(position_mm, self.chain.backlash_mm, float(self._shown_mm[-1]))
        self._time_s = np.concatenate([self._time_s, grid_s])
        self._shown_mm = np.concatenate([self._shown_mm, shown_mm])
        known = np.concatenate([self._force_n[-1:], force_n])
        steps_s = np.diff(self._time_s[-len(known) :])
        slices = 0.5 * (known[1:] + known[:-1]) * steps_s
        # Summed onto the last total in order, so that the rounding does not depend on the stretches.
        totals = np.cumsum(np.concatenate([self._impulse_n_s[-1:], slices]))
        self._impulse_n_s = np.concatenate([self._impulse_n_s, totals[1:]])
        self._force_n = np.concatenate([self._force_n, force_n])

    def _forget(self, now_s: float, period_s: float) -> None:
        oldest_s = now_s - self.chain.force_delay_s - self.chain.conversion_s - 2 * period_s
        first = max(int(np.searchsorted(self._time_s, oldest_s)) - 1, 0)
        self._time_s = self._time_s[first:].copy()
        self._shown_mm = self._shown_mm[first:].copy()
        self._force_n = self._force_n[first:].copy()
        self._impulse_n_s = self._impulse_n_s[first:].copy()

    def _force_counts(self, taken_s: FloatArray, period_s: float) -> tuple[IntArray, BoolArray]:
        chain = self.chain
        # A conversion shows the mean over its time: the impulse that came meanwhile over that time.
        felt_s = taken_s - chain.force_delay_s
        if chain.conversion_s:
            ends = self._impulse_at(felt_s) - self._impulse_at(felt_s - chain.conversion_s)
            felt_n = ends / chain.conversion_s
        else:
            felt_n = np.interp(felt_s, self._time_s, self._force_n)
        # A random walk whose variance grows by force_wander_n^2 in each second.
        steps_n = chain.force_wander_n * math.sqrt(period_s) * self._wander.standard_normal(len(taken_s))
        walk_n = np.cumsum(np.concatenate([[self._wandered_n], steps_n]))[1:]
        self._wandered_n = float(walk_n[-1]) if len(walk_n) else self._wandered_n
        felt_n = felt_n + walk_n + chain.force_drift_n_per_s * taken_s
        felt_n += chain.force_noise_n * self._force_noise.standard_normal(len(taken_s))
        counts = np.rint(felt_n / chain.force_n_per_count + self._force_zero)
        top, bottom = chain.force_range_counts - 1, -chain.force_range_counts
        return np.clip(counts, bottom, top).astype(np.int64), (counts > top) | (counts < bottom)

    def _impulse_at(self, time_s: FloatArray) -> FloatArray:
        """Return the impulse in N s up to each time, exact for a force that is straight on the grid."""
        left = np.clip(np.searchsorted(self._time_s, time_s, side="right") - 1, 0, len(self._time_s) - 1)
        since_s = np.maximum(time_s - self._time_s[left], 0.0)
        begin_n = self._force_n[left]
        end_n = np.interp(time_s, self._time_s, self._force_n)
        return self._impulse_n_s[left] + 0.5 * (begin_n + end_n) * since_s

    def _new_conversions(self, due_s: FloatArray) -> BoolArray:
        if self.chain.conversions_per_s is None:
            return np.ones(len(due_s), np.bool_)
        # Conversions that are over when a sample is due; the first sample behind an end shows it.
        done = np.floor(due_s * self.chain.conversions_per_s + 1e-9).astype(np.int64)
        fresh = np.diff(done, prepend=self._conversions_done) > 0
        if len(done):
            self._conversions_done = int(done[-1])
        return fresh

    def _held(self, fresh: BoolArray, force: IntArray, saturated: BoolArray) -> tuple[IntArray, BoolArray]:
        """Repeat the last conversion until there is a new one."""
        known = np.concatenate([[self._held_force], force])
        known_saturated = np.concatenate([[self._held_saturated], saturated])
        last = np.maximum.accumulate(np.where(fresh, np.arange(1, len(fresh) + 1), 0))
        held, held_saturated = known[last], known_saturated[last]
        if len(held):
            self._held_force, self._held_saturated = int(held[-1]), bool(held_saturated[-1])
        return held, held_saturated


def _with_backlash(position_mm: FloatArray, backlash_mm: float, shown_mm: float) -> FloatArray:
    """Return the reading behind a backlash: never below the position, and at most the backlash above it."""
    if backlash_mm == 0.0 or not len(position_mm):
        return position_mm
    # Between two turns the position goes one way, so that the last reading alone bounds the whole run.
    turns = np.flatnonzero(np.diff(np.sign(np.diff(position_mm, prepend=position_mm[0])))) + 1
    shown = np.empty(len(position_mm))
    for begin, end in zip([0, *turns], [*turns, len(position_mm)], strict=True):
        run = position_mm[begin:end]
        shown[begin:end] = np.clip(shown_mm, run, run + backlash_mm)
        shown_mm = float(shown[end - 1])
    return shown
