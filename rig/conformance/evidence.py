"""What samples say of a stop, on the device's own clock: neither line nor computer takes part in it."""

from __future__ import annotations

import numpy as np

from rig.conformance.exceptions import UnreadyError, require
from rig.conformance.stand import NEAR_COUNTS, Stand
from rig.samples import BoolArray, FloatArray, IntArray
from rig.wire import Event, SampleBlock

BRAKING_S = 0.2
LATENCY_S = 0.1
"""From the sample that passes a limit: what the device may take to notice it, beside braking."""

FORCE_SLACK_COUNTS = 20
PASSED_COUNTS = 10
"""Behind the platen a position limit is set by so much, to have been passed."""

SEQ_MODULUS = 2**16


def newest_us(stand: Stand) -> int:
    """Return the time of the newest sample."""
    latest = stand.talk.latest
    if latest is None or latest.time_us is None:
        raise UnreadyError("no samples with times arrived")
    return int(latest.time_us[-1])


def seen(stand: Stand) -> SampleBlock:
    """Return all samples that were kept, in order."""
    if not stand.talk.taken:
        raise UnreadyError("no samples came")
    return SampleBlock.concatenate([taken.block for taken in stand.talk.taken])


def watched(stand: Stand, duration_s: float) -> SampleBlock:
    """Return all samples of a while from now on, in order."""
    stand.talk.count(duration_s)
    return seen(stand)


def elapsed_s(time_us: IntArray | None, begun_us: int, modulus_us: int | None) -> FloatArray:
    """Return device seconds since an instant; what came before it is negative, across a wrap too."""
    if time_us is None:
        raise UnreadyError("the samples have no times")
    since = time_us - begun_us
    if modulus_us is not None:
        since = (since + modulus_us // 2) % modulus_us - modulus_us // 2
    seconds: FloatArray = since / 1e6
    return seconds


def times_s(stand: Stand, block: SampleBlock, begun_us: int | None = None) -> FloatArray:
    """Return the device seconds of samples since an instant, since the first of them if none is given."""
    if block.time_us is None:
        raise UnreadyError("the samples have no times")
    begun_us = int(block.time_us[0]) if begun_us is None else begun_us
    return elapsed_s(block.time_us, begun_us, stand.time_modulus_us)


def late_s(stand: Stand, event: Event, begun_us: int) -> float:
    """Return how long after an instant an event came, in device seconds."""
    return float(elapsed_s(np.array([event.time_us]), begun_us, stand.time_modulus_us)[0])


def first_us(block: SampleBlock, shown: BoolArray, words: str) -> int:
    """Return the time of the first sample that shows something, which one must."""
    require(bool(shown.any()), words)
    if block.time_us is None:
        raise UnreadyError("the samples have no times")
    return int(block.time_us[int(np.argmax(shown))])


def folded(value: int, most: int) -> int:
    """Return the largest number up to `most` that is `value` in 16 bits."""
    return value + (most - value) // 2**16 * 2**16


def rest_s(block: SampleBlock, elapsed_s: FloatArray) -> float:
    """Return when the platen is where it stays, in the seconds of `elapsed_s`; 0 if it never moves."""
    after = elapsed_s >= 0
    position, elapsed_s = block.position[after], elapsed_s[after]
    if not len(position):
        raise UnreadyError("no samples came after that instant")
    moving = np.flatnonzero(np.abs(position - position[-1]) > NEAR_COUNTS)
    return float(elapsed_s[moving[-1] + 1]) if len(moving) else 0.0
