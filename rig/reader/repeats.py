"""Samples that came twice are kept once.

Problem: a link may deliver a frame or a line again. Plan: with numbers, a sample that equals one of the
last few in number and time came again. Without numbers only a line that equals its predecessor, time
included, did; unless the device's clock is so coarse that samples share a time, which the first pair that
shares it and differs shows. Cost: one sort of a block's keys; memory of a few samples.
"""

from __future__ import annotations

import numpy as np

from rig.reader.sample_steps import SEQ_MODULUS
from rig.samples import BoolArray, IntArray
from rig.wire import SampleBlock

REACH = 32
"""A sample is compared with this many before it: a link repeats at once or not at all."""


class RepeatFilter:
    """Memory of the last samples of one stream."""

    def __init__(self) -> None:
        self._keys: IntArray = np.empty(0, np.int64)
        self._before: tuple[float, float, float] | None = None
        self._times_are_shared = False

    def forget(self) -> None:
        """A reset starts numbers and times again: equal ones are no repeats."""
        self._keys = np.empty(0, np.int64)
        self._before = None

    def again(self, block: SampleBlock) -> BoolArray:
        """Return which samples of a block of n came before, bool of shape (n,)."""
        if len(block) == 0 or (block.seq is None and block.time_us is None):
            return np.zeros(len(block), np.bool_)
        if block.seq is None:
            return self._same_as_previous(block)
        keys = block.seq if block.time_us is None else block.time_us * SEQ_MODULUS + block.seq
        # Sorted, equal keys stand side by side; stable, so that the later one in the stream is the repeat.
        known = len(self._keys)
        stream = np.concatenate([self._keys, keys])
        order = np.argsort(stream, kind="stable")
        again = np.zeros(len(stream), np.bool_)
        again[order[1:]] = (np.diff(stream[order]) == 0) & (np.diff(order) <= REACH)
        self._keys = stream[-REACH:]
        return again[known:]

    def _same_as_previous(self, block: SampleBlock) -> BoolArray:
        assert block.time_us is not None
        # Times of 2^53 us at most and 32-bit counts: a float holds each exactly.
        content = np.column_stack([block.time_us, block.force, block.position]).astype(np.float64)
        first = content[0] if self._before is None else np.array(self._before)
        steps = np.diff(content, axis=0, prepend=first[np.newaxis])
        same_time = steps[:, 0] == 0
        same = same_time & np.all(steps == 0, axis=1)
        if self._before is None:
            same_time[0] = same[0] = False
        # From the first pair that shares a time and differs, equal lines may be two samples: both are kept.
        shared = np.logical_or.accumulate(same_time & ~same) | self._times_are_shared
        self._times_are_shared = bool(shared[-1])
        self._before = (float(content[-1, 0]), float(content[-1, 1]), float(content[-1, 2]))
        again: BoolArray = same & ~shared
        return again
