"""What samples say of a stop, on the device's own clock: neither line nor computer takes part in it."""

from __future__ import annotations

import numpy as np

from rig.conformance.exceptions import UnreadyError
from rig.conformance.stand import NEAR_COUNTS, Stand
from rig.samples import FloatArray, IntArray
from rig.wire import SampleBlock

BRAKING_S = 0.2
LATENCY_S = 0.1
"""From the sample that passes a limit: what the device may take to notice it, beside braking."""

FORCE_SLACK_COUNTS = 20


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


def since_s(time_us: IntArray | None, begun_us: int, modulus_us: int | None) -> FloatArray:
    """Return device seconds since an instant; what came before it is negative, across a wrap too."""
    if time_us is None:
        raise UnreadyError("the samples have no times")
    since = time_us - begun_us
    if modulus_us is not None:
        since = (since + modulus_us // 2) % modulus_us - modulus_us // 2
    seconds: FloatArray = since / 1e6
    return seconds


def rest_s(block: SampleBlock, elapsed_s: FloatArray) -> float:
    """Return when the platen is where it stays, in the seconds of `elapsed_s`; 0 if it never moves."""
    after = elapsed_s >= 0
    position, elapsed_s = block.position[after], elapsed_s[after]
    if not len(position):
        raise UnreadyError("no samples came after that instant")
    moving = np.flatnonzero(np.abs(position - position[-1]) > NEAR_COUNTS)
    return float(elapsed_s[moving[-1] + 1]) if len(moving) else 0.0
