"""The device's clock: from decoded samples to samples whose numbers and times never wrap.

Problem: what the wire gives wraps, repeats, has holes and is now and then false, and resets and outages
fall in between. Plan: repeats are left out (repeats.py), the rest unwrapped (unwrap.py), firmware without
a clock gets the host's (host_times.py), and what was noticed becomes events.
Samples that cannot be judged yet wait for those that follow; after an outage all wait until the device
has said whether it was reset.
Cost: what waits is a few samples, or at most `WAITING_LIMIT` after an outage.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from rig.core import LinkKind
from rig.reader.clock_fit import ClockLine
from rig.reader.events import LinkEvent, Scalar
from rig.reader.host_times import HostTimes
from rig.reader.repeats import RepeatFilter
from rig.reader.sample_steps import JUMP_PRICE, KNOWN_RESET_PRICE
from rig.reader.unwrap import Decided, Unwrapper, WrappedColumns
from rig.samples import ClockSource, FloatArray, IntArray, RawChannel, Samples
from rig.wire import SampleBlock

FRAME_MODULUS_US = 2**32

WAITING_LIMIT = 65_536
"""Samples that may wait after an outage: more than 2.5 s of them, at any rate a serial port carries."""


@dataclass(frozen=True, slots=True)
class ClockedSamples:
    """Samples that are decided, what was noticed among them, and their auxiliary values by channel."""

    samples: Samples
    events: tuple[LinkEvent, ...] = ()
    auxiliary: Mapping[str, FloatArray] = field(default_factory=dict)


class DeviceClock:
    """Unwraps one device's samples over gaps, resets and outages.

    Each sound sample that is taken comes out once. The samples that come out do not depend on how
    they were chopped into blocks.

    Parameters
    ----------
    modulus_us
        Where the device's time wraps, in microseconds; None if it does not.
    has_time
        False if the device sends no time: the host's is then spread over what was received together.
    force_channel, position_channel
        What the raw channels hold.

    Attributes
    ----------
    waiting
        True between `wait` and `settle`: samples are kept back until it is known whose they are.
    """

    def __init__(
        self,
        modulus_us: int | None = FRAME_MODULUS_US,
        *,
        has_time: bool = True,
        force_channel: RawChannel | None = None,
        position_channel: RawChannel | None = None,
    ) -> None:
        self.waiting = False
        self._source: ClockSource = "device" if has_time else "host"
        self._force_channel = force_channel or RawChannel()
        self._position_channel = position_channel or RawChannel()
        self._repeats = RepeatFilter()
        self._unwrapper = Unwrapper(modulus_us)
        self._host_times = HostTimes()
        self._pending: SampleBlock | None = None
        self._heard_s: FloatArray = np.empty(0)
        self._last_time_us: int | None = None
        self._reset_seen = False

    @property
    def line(self) -> ClockLine | None:
        """Fit of host time to device time since the last reset; None until there is enough."""
        return self._unwrapper.fit.line()

    @property
    def last_time_us(self) -> int | None:
        """Unwrapped time of the last sample that came out; None before the first."""
        return self._last_time_us

    @property
    def pending(self) -> int:
        """Samples that wait."""
        return len(self._heard_s)

    def take(self, block: SampleBlock, host_time: float) -> ClockedSamples:
        """Take in samples received at `host_time` (monotonic, seconds); give out those that are decided."""
        again = self._repeats.again(block)
        repeated = int(np.count_nonzero(again))
        if repeated:
            block = block[~again]
        parts = [block] if self._pending is None else [self._pending, block]
        self._pending = SampleBlock.concatenate(parts)
        self._heard_s = np.concatenate([self._heard_s, np.full(len(block), host_time)])
        if self.pending > WAITING_LIMIT:
            self.waiting = False  # the device does not say who it is: what came is judged by itself
        reading = self._decide(host_time, final=False)
        if repeated:
            event = self._event("repeated", host_time, samples=repeated)
            reading = replace(reading, events=(event, *reading.events))
        return reading

    def flush(self, host_time: float) -> ClockedSamples:
        """Decide what still waits with what is known: the stream ended or fell silent."""
        self.waiting = False
        return self._decide(host_time, final=True)

    def wait(self) -> None:
        """The link is back, and the device may have been reset meanwhile: keep samples until `settle`."""
        self.waiting = True

    def settle(self, host_time: float, *, new_boot_id: int | None) -> ClockedSamples:
        """End `wait`. `new_boot_id` is None if the device was not reset while the link was gone."""
        self.waiting = False
        told: tuple[LinkEvent, ...] = ()
        if new_boot_id is not None:
            told = self._forget(host_time, "boot id changed while the link was gone", new_boot_id)
        reading = self._decide(host_time, final=False)
        return replace(reading, events=told + reading.events)

    def reset(self, host_time: float, cause: str) -> ClockedSamples:
        """Begin anew: the device said that it was reset, at this place of the stream."""
        done = self.flush(host_time)
        self._reset_seen = True
        return replace(done, events=done.events + self._forget(host_time, cause, None))

    def identified(self, host_time: float, *, new_boot_id: int | None) -> ClockedSamples:
        """Take in who the device is. With a new boot id it was reset here, or a little before."""
        seen, self._reset_seen = self._reset_seen, False
        if new_boot_id is None or seen:
            return ClockedSamples(self.empty())
        self._unwrapper.jump_price = KNOWN_RESET_PRICE
        done = self.flush(host_time)
        self._unwrapper.jump_price = JUMP_PRICE
        if self._reset_seen:  # found among the samples: it has had its event
            self._reset_seen = False
            return done
        return replace(done, events=done.events + self._forget(host_time, "boot id changed", new_boot_id))

    def empty(self) -> Samples:
        """Return no samples, of this stream's kind."""
        return Samples.empty(self._force_channel, self._position_channel, self._source)

    def _decide(self, host_time: float, *, final: bool) -> ClockedSamples:
        block, heard_s = self._pending, self._heard_s
        if block is None or len(block) == 0 or self.waiting:
            return ClockedSamples(self.empty())
        if block.time_us is None and not final and not self._host_times.ready(heard_s):
            return ClockedSamples(self.empty())
        if block.seq is None and block.time_us is None:
            # Nothing tells that one is missing: all are taken, and numbered as they came.
            first = 0 if self._unwrapper.seq is None else self._unwrapper.seq + 1
            self._unwrapper.seq = first + len(block) - 1
            decided = Decided(len(block), [np.arange(len(block))], [np.arange(first, first + len(block))])
        else:
            decided = self._unwrapper.decide(WrappedColumns(block.seq, block.time_us, heard_s), final=final)
        places, seq = _joined(decided.places), _joined(decided.seq)
        if block.time_us is None:
            time_us = self._host_times.spread(heard_s[places])
        else:
            time_us = _joined(decided.time_us)
        # Events bear the time of the last sample before them, so they are made before it moves on.
        events = self._noticed(decided, host_time)
        if len(time_us):
            self._last_time_us = int(time_us[-1])
        self._pending, self._heard_s = block[decided.count :], heard_s[decided.count :]
        part = block[places]
        raw = (part.force, part.position, part.status)
        channels = (self._force_channel, self._position_channel, self._source)
        return ClockedSamples(Samples(seq, time_us, *raw, *channels), events, part.auxiliary)

    def _noticed(self, decided: Decided, host_time: float) -> tuple[LinkEvent, ...]:
        events = []
        if decided.implausible:
            events.append(self._event("implausible", host_time, samples=decided.implausible))
        if decided.gaps:
            after, gaps, missing = decided.first_gap_after, decided.gaps, decided.missing
            events.append(self._event("gap", host_time, after_seq=after, gaps=gaps, missing=missing))
        for after in decided.jumps:
            self._reset_seen = True
            cause = "seq and time went on from elsewhere"
            events.append(self._event("reset", host_time, cause=cause, boot_id=None, after_seq=after))
        return tuple(events)

    def _forget(self, host_time: float, cause: str, boot_id: int | None) -> tuple[LinkEvent, ...]:
        self._repeats.forget()
        self._unwrapper.forget()
        after = self._unwrapper.seq
        if after is None:
            return ()  # the boot before the first sample interrupts nothing
        return (self._event("reset", host_time, cause=cause, boot_id=boot_id, after_seq=after),)

    def _event(self, kind: LinkKind, host_time: float, **fields: Scalar) -> LinkEvent:
        return LinkEvent(kind, host_time, self._last_time_us, fields)


def _joined(pieces: list[IntArray]) -> IntArray:
    return np.concatenate([np.empty(0, np.int64), *pieces])
