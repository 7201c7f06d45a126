"""Numbers and times that wrap, to numbers and times that do not, leaving out samples that cannot be.

Problem: `seq` wraps every 65 536 samples and time every 71.6 minutes; boards reset, links lose and damage
samples, and a hole can be longer than both can count. Every sound sample must come out once, and no
damaged one may spoil those after it. Plan: stretches in which each sample follows the one before at the
running pace are unwrapped as arrays. Where one does not, a few more are waited for and sample_steps.py
decides. After a reset, time goes on by the host's clock.
Cost: array operations over a block, some 50 microseconds for each gap.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.reader.clock_fit import ClockFit
from rig.reader.pace import START_SAMPLES, Pace
from rig.reader.sample_steps import JUMP_PRICE, SEQ_MODULUS, WINDOW, Mark, SampleStep, StepJudge, StepKind
from rig.samples import FloatArray, IntArray

RESET_SPREAD_US = 10_000_000
"""How far a device's time since boot may exceed what the host saw pass and still be believed: a receipt
can be late by the length of a full buffer, not more."""


@dataclass(frozen=True, slots=True)
class WrappedColumns:
    """What tells the order of n samples: wrapped numbers and times, either may be absent, and receipt.

    `seq`, `time_us`: as on the wire, int64 of shape (n,), or None. Not both None.
    `heard_s`: host time of receipt in seconds, shape (n,).
    """

    seq: IntArray | None
    time_us: IntArray | None
    heard_s: FloatArray

    def mark(self, place: int) -> Mark:
        """Return one sample's place in the stream."""
        return Mark(
            None if self.seq is None else int(self.seq[place]),
            None if self.time_us is None else int(self.time_us[place]),
            float(self.heard_s[place]),
        )


@dataclass(slots=True)
class Decided:
    """What became of the first `count` samples.

    `places`, `seq`, `time_us`: those that are sound, in pieces: their places and their unwrapped number and
    time.
    `implausible`: how many were left out.
    `gaps`, `missing`, `first_gap_after`: number of gaps, samples missing in them, and the unwrapped number
    before the first gap.
    `jumps`: unwrapped number before each jump, where a reset has to be inferred.
    """

    count: int = 0
    places: list[IntArray] = field(default_factory=list)
    seq: list[IntArray] = field(default_factory=list)
    time_us: list[IntArray] = field(default_factory=list)
    implausible: int = 0
    gaps: int = 0
    missing: int = 0
    first_gap_after: int = 0
    jumps: list[int] = field(default_factory=list)


class Unwrapper:
    """State of one stream: the last sound sample, the pace, and the fit of the two clocks.

    `modulus_us`: where the device's time wraps; None if it does not.

    `seq`, `time_us`: unwrapped number and time of the last sound sample; None before the first.
    `fit`: host time against device time since the last reset.
    `jump_price`: what it takes to believe in a jump; the caller lowers it where a reset is known.
    """

    def __init__(self, modulus_us: int | None) -> None:
        self.seq: int | None = None
        self.time_us = 0
        self.fit = ClockFit()
        self.jump_price = JUMP_PRICE
        self._modulus_us = modulus_us
        self._pace = Pace()
        self._device_per_host = 1.0
        self._last: Mark | None = None
        self._heard_s = 0.0
        self._breaks: IntArray = np.empty(0, np.int64)

    def forget(self) -> None:
        """The device was reset: what follows does not continue its numbers and times."""
        self._device_per_host = self.fit.device_per_host(self._device_per_host)
        self.fit = ClockFit()
        self._last = None

    def decide(self, columns: WrappedColumns, *, final: bool) -> Decided:
        """Decide as many samples as can be; the caller brings the others again, with those that follow.

        `columns`: samples in wire order, repeats left out.
        `final`: nothing follows: decide them all.
        """
        decided = Decided()
        size = len(columns.heard_s)
        if self._pace.period_us is None and columns.time_us is not None:
            first = columns.time_us[:START_SAMPLES]
            if len(first) < START_SAMPLES and not final:
                return decided
            self._pace.start(self._steps_us(first))
        self._breaks = self._breaks_of(columns)
        while decided.count < size:
            end = self._end_of_run(columns, decided.count)
            if end > decided.count:
                self._accept_run(columns, decided, end)
            elif final or size - decided.count >= WINDOW:
                self._decide_one(columns, decided)
            else:
                break  # what it is shows only from the samples that follow
        if decided.places and columns.time_us is not None:
            self.fit.add(self.time_us, self._heard_s)
        return decided

    def _steps_us(self, time_us: IntArray) -> IntArray:
        steps = np.diff(time_us)
        if self._modulus_us is not None:
            # The step of that remainder that lies nearest to zero: between -modulus/2 and +modulus/2.
            half = self._modulus_us // 2
            steps = (steps + half) % self._modulus_us - half
        return steps

    def _breaks_of(self, columns: WrappedColumns) -> IntArray:
        """Return the places whose step from the sample before is not ordinary."""
        ordinary = np.ones(max(len(columns.heard_s) - 1, 0), np.bool_)
        if columns.seq is not None:
            ordinary &= np.diff(columns.seq) % SEQ_MODULUS == 1
        if columns.time_us is not None:
            period_us, slack_us = self._pace.period_us or 0.0, self._pace.slack_us
            ordinary &= np.abs(self._steps_us(columns.time_us) - period_us) <= slack_us
        return np.flatnonzero(~ordinary) + 1

    def _end_of_run(self, columns: WrappedColumns, start: int) -> int:
        """End of the run of ordinary steps that leads from the last sound sample through `start`."""
        if self._last is None:
            return start
        if self._judge().step(self._last, columns.mark(start)).kind is not StepKind.ORDINARY:
            return start
        following = int(np.searchsorted(self._breaks, start, side="right"))
        return int(self._breaks[following]) if following < len(self._breaks) else len(columns.heard_s)

    def _judge(self) -> StepJudge:
        ratio = self.fit.device_per_host(self._device_per_host)
        return StepJudge(self._pace, self._modulus_us, ratio, self.jump_price)

    def _accept_run(self, columns: WrappedColumns, decided: Decided, end: int) -> None:
        assert self._last is not None and self.seq is not None
        start = decided.count
        seq = self.seq + np.arange(1, end - start + 1)
        time_us = np.zeros(end - start, np.int64)
        if columns.time_us is not None:
            # The first step leads over the edge of the arrays and is resolved by itself; the others as one.
            first = self._judge().step(self._last, columns.mark(start)).time_us
            steps = np.concatenate([[first], self._steps_us(columns.time_us[start:end])])
            time_us = self.time_us + np.cumsum(steps)
            self._pace.ordinary(end - start, int(time_us[-1]) - self.time_us)
        self._keep(columns, decided, np.arange(start, end), seq, time_us)

    def _decide_one(self, columns: WrappedColumns, decided: Decided) -> None:
        start = decided.count
        size = len(columns.heard_s)
        window = [columns.mark(place) for place in range(start, min(start + WINDOW, size))]
        step = self._judge().sound(self._last, window)
        if step is None:
            decided.implausible += 1
            decided.count += 1
            return
        if self.seq is None:
            seq, time_us = window[0].seq or 0, window[0].time_us or 0
        elif self._last is None or step.kind is StepKind.JUMP:
            seq, time_us = self._after_reset(window[0])
        else:
            seq, time_us = self.seq + step.seq, self.time_us + step.time_us
        self._note(columns, decided, step)
        self._keep(columns, decided, np.array([start]), np.array([seq]), np.array([time_us]))

    def _after_reset(self, mark: Mark) -> tuple[int, int]:
        """Return the number and time of the first sample after a reset, as far as the host's clock tells."""
        assert self.seq is not None
        elapsed_us = max((mark.heard_s - self._heard_s) * 1e6, 0.0)
        elapsed_us *= self.fit.device_per_host(self._device_per_host)  # in the device's own seconds
        if mark.time_us is not None:
            # The device has been running for this long since its reset, and was reset after the last sample.
            elapsed_us = max(elapsed_us, min(mark.time_us, elapsed_us + RESET_SPREAD_US))
        period_us = self._pace.mean_us or max(elapsed_us, 1.0)
        return self.seq + max(round(elapsed_us / period_us), 1), self.time_us + max(
            round(elapsed_us), round(period_us)
        )

    def _note(self, columns: WrappedColumns, decided: Decided, step: SampleStep) -> None:
        if self._last is None:
            return
        if step.kind is StepKind.JUMP:
            decided.jumps.append(self.seq or 0)
            self.forget()
            return
        if step.seq > 1:
            decided.first_gap_after = decided.first_gap_after if decided.gaps else self.seq or 0
            decided.gaps += 1
            decided.missing += step.seq - 1
        if step.kind is StepKind.OFF_PACE or (step.kind is StepKind.GAP and columns.seq is None):
            # Without numbers a slower rate looks like a gap at every step.
            numbers = 1 if columns.seq is None else step.seq
            if self._pace.off(step.time_us / numbers):
                # The pace changed, and with it which of the steps to come are ordinary.
                self._breaks = self._breaks_of(columns)
        else:
            self._pace.ordinary(0, 0)

    def _keep(
        self, columns: WrappedColumns, decided: Decided, places: IntArray, seq: IntArray, time_us: IntArray
    ) -> None:
        decided.places.append(places)
        decided.seq.append(seq)
        decided.time_us.append(time_us)
        decided.count = int(places[-1]) + 1
        self._last = columns.mark(decided.count - 1)
        self._heard_s = self._last.heard_s
        self.seq, self.time_us = int(seq[-1]), int(time_us[-1])
