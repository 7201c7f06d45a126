"""Samples and headers of an invented specimen, for the tests of captures."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from rig.capture import CaptureHeader
from rig.samples import ClockSource, RawChannel, Samples


def made_samples(
    count: int,
    *,
    first: int = 0,
    seed: int = 1,
    unit: str = "counts",
    clock: ClockSource = "device",
) -> Samples:
    """A stretch of samples; those of counts hold long runs of -1, whose bytes look like message starts."""
    rng = np.random.default_rng(seed + first)
    if unit == "counts":
        force = rng.integers(-2, 2, count).astype(np.int32)
        position = np.arange(first, first + count, dtype=np.int32)
        channels = (RawChannel(), RawChannel())
    else:
        force, position = rng.normal(size=count), rng.normal(size=count)
        channels = (RawChannel("lbf", 0.01), RawChannel("in", 0.0))
    seq = np.arange(first, first + count, dtype=np.int64)
    status = rng.integers(0, 128, count).astype(np.uint8)
    return Samples(seq, seq * 1000 + 5, force, position, status, *channels, clock)


def made_header(samples: Samples | None = None, **fields: Any) -> CaptureHeader:
    if samples is not None:
        fields |= {
            "force": samples.force_channel,
            "position": samples.position_channel,
            "clock": samples.clock,
        }
    defaults = {
        "specimen": "F-90 no. 3",
        "batch": "spring",
        "free_height_mm": 90.0,
        "started": datetime(2026, 11, 25, 7, 39, 44, tzinfo=UTC),
    }
    return CaptureHeader(**(defaults | fields))


def assert_same(found: Samples, expected: Samples) -> None:
    for name in ("seq", "time_us", "force", "position", "status"):
        a, b = getattr(found, name), getattr(expected, name)
        assert a.dtype == b.dtype, name
        np.testing.assert_array_equal(a, b, err_msg=name)
    assert (found.force_channel, found.position_channel, found.clock) == (
        expected.force_channel,
        expected.position_channel,
        expected.clock,
    )


class HandClock:
    """A clock that goes when it is told to."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s
