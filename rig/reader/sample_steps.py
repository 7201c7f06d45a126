"""Is a sample what it claims to be? Steps from one sample to the next, and which samples fit together.

Problem: one frame in 70 000 damaged ones passes its CRC. Its number and time are then wrong, and trusted
they would turn every sound sample after it into a jump back. Plan: a step is ordinary, a gap, off the
pace, or a jump; each has a price, and so has leaving a sample out. Over a window of a few samples the
cheapest explanation is taken, and only the fate of the first sample is decided. The prices make the rules:
a sample in order is never left out, one that breaks the order of those around it is, and a jump that the
following samples confirm is believed.
Cost: ten comparisons for each sample that does not follow its predecessor in the ordinary way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from rig.reader.pace import Pace

SEQ_MODULUS = 2**16

WINDOW = 4
"""Samples looked at before one is decided: two bad ones in a row are still outvoted."""

DROP_PRICE = 3.0
JUMP_PRICE = 5.0
"""Below two drops, so that two samples after a reset are kept; above one, so that one bad sample is not."""

KNOWN_RESET_PRICE = 0.25

GAP_TOLERANCE = 0.01
"""Share of a gap by which its time may differ from its numbers: a ceramic resonator is within 0.5 %."""

HOST_SLACK_US = 60_000_000
HOST_SLACK_SHARE = 0.1
"""How far a step may outrun the host's clock: far beyond any delay of a receipt and any drift."""


class StepKind(Enum):
    """How a sample follows another."""

    ORDINARY = "ordinary"
    GAP = "gap"
    OFF_PACE = "off pace"
    JUMP = "jump"


_PRICES = {StepKind.ORDINARY: 0.0, StepKind.GAP: 0.5, StepKind.OFF_PACE: 1.5}
"""Two steps off the pace cost no more than one drop: a late sample between sound ones stays."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Where one sample stands: number and time as on the wire, and when the host received it."""

    seq: int | None
    time_us: int | None
    heard_s: float


@dataclass(frozen=True, slots=True)
class SampleStep:
    """From one sample to the next: `seq` numbers and `time_us` microseconds on, as far as can be told."""

    kind: StepKind
    seq: int
    time_us: int


@dataclass(frozen=True, slots=True)
class StepJudge:
    """Judges steps of one stream.

    `modulus_us`: where the device's time wraps; None if it does not.
    `device_per_host`: device seconds in a host second, to resolve outages longer than the clock can count.
    `jump_price`: what a jump costs; less where a reset is known to have happened.
    """

    pace: Pace
    modulus_us: int | None
    device_per_host: float = 1.0
    jump_price: float = JUMP_PRICE

    def step(self, before: Mark, after: Mark) -> SampleStep:
        """Return the step between two samples."""
        if before.time_us is None or after.time_us is None:
            return self._by_number(_nearest(after.seq or 0, before.seq or 0, SEQ_MODULUS, 0.0))
        elapsed_us = (after.heard_s - before.heard_s) * 1e6 * self.device_per_host
        time_us = after.time_us - before.time_us
        if self.modulus_us is not None:
            time_us = _nearest(after.time_us, before.time_us, self.modulus_us, elapsed_us)
        outruns = time_us > elapsed_us * (1 + HOST_SLACK_SHARE) + HOST_SLACK_US
        if before.seq is None or after.seq is None:
            return self._by_time(time_us, outruns=outruns)
        return self._by_both(after.seq, before.seq, time_us, outruns=outruns)

    def sound(self, last: Mark | None, window: Sequence[Mark]) -> SampleStep | None:
        """Return the step to the first sample of a window if it is sound, None if it is to be left out.

        `last`: the last sound sample; None if there is none, or none that still counts.
        `window`: the samples that follow it on the wire, at most `WINDOW`.
        """
        # Shortest path over the window. prices[n]: the least that explains the samples up to n if n is
        # sound; holds_first[n]: whether the first sample is sound in that explanation.
        start = SampleStep(StepKind.ORDINARY, 0, 0)
        first = start if last is None else self.step(last, window[0])
        prices = [self._price(first)]
        holds_first = [True]
        for end in range(1, len(window)):
            # Either all before it are left out, or the last sound one before it is `begin`.
            direct = start if last is None else self.step(last, window[end])
            best, keeps = end * DROP_PRICE + self._price(direct), False
            for begin in range(end):
                between = self._price(self.step(window[begin], window[end]))
                price = prices[begin] + between + (end - begin - 1) * DROP_PRICE
                if price < best:
                    best, keeps = price, holds_first[begin]
            prices.append(best)
            holds_first.append(keeps)
        # The last sound one may stand anywhere; those behind it are left out. A tie speaks for the first.
        totals = [price + (len(window) - 1 - end) * DROP_PRICE for end, price in enumerate(prices)]
        cheapest = min(totals)
        keeps_first = any(
            keeps and total == cheapest for keeps, total in zip(holds_first, totals, strict=True)
        )
        return first if keeps_first and cheapest < len(window) * DROP_PRICE else None

    def _price(self, step: SampleStep) -> float:
        return _PRICES.get(step.kind, self.jump_price)

    def _by_both(self, seq: int, seq_before: int, time_us: int, *, outruns: bool) -> SampleStep:
        period_us = self.pace.mean_us
        if period_us is None:
            return self._by_number(_nearest(seq, seq_before, SEQ_MODULUS, 0.0), time_us)
        expected = time_us / period_us
        number = _nearest(seq, seq_before, SEQ_MODULUS, expected)
        # Numbers fit to time within the jitter of one step, and a share for a clock that is off.
        fits = abs(number - expected) <= self.pace.slack_us / period_us + GAP_TOLERANCE * abs(number)
        if not fits:
            number = _nearest(seq, seq_before, SEQ_MODULUS, 0.0)
        # Against a clock that outruns the host's, the numbers decide.
        if number < 1 or time_us < 0 or (outruns and not fits):
            return SampleStep(StepKind.JUMP, number, time_us)
        if number == 1:
            return SampleStep(StepKind.ORDINARY if self._ordinary(time_us) else StepKind.OFF_PACE, 1, time_us)
        return SampleStep(StepKind.GAP if fits else StepKind.OFF_PACE, number, time_us)

    def _by_time(self, time_us: int, *, outruns: bool) -> SampleStep:
        period_us = self.pace.mean_us
        if time_us < 0 or outruns:
            return SampleStep(StepKind.JUMP, 0, time_us)
        if period_us is None or self._ordinary(time_us):
            return SampleStep(StepKind.ORDINARY, 1, time_us)
        number = max(round(time_us / period_us), 1)
        return SampleStep(StepKind.GAP if number > 1 else StepKind.OFF_PACE, number, time_us)

    def _by_number(self, number: int, time_us: int = 0) -> SampleStep:
        if number < 1 or time_us < 0:
            return SampleStep(StepKind.JUMP, number, time_us)
        return SampleStep(StepKind.ORDINARY if number == 1 else StepKind.GAP, number, time_us)

    def _ordinary(self, time_us: int) -> bool:
        period_us = self.pace.period_us
        return period_us is not None and abs(time_us - period_us) <= self.pace.slack_us


def _nearest(after: int, before: int, modulus: int, expected: float) -> int:
    """Return the step from `before` to `after`, both modulo `modulus`, nearest to an expected one."""
    step = (after - before) % modulus  # the least that is not negative; a whole number of turns is added
    return step + modulus * round((expected - step) / modulus)
