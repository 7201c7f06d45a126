"""Take settled plateaus from a rig, one at a time, while a person changes loads in between.

Problem: while the person is busy samples pile up, a load that was just put on swings, and no one should have
to judge by eye when it rests. Plan: what piled up is thrown away; then a window as long as a plateau slides
along until it has settled. It is looked at each time a quarter of it has passed, so that the last look comes
soon after the load rests. A load that never rests is refused in the words of the last look. Cost: one window
of samples.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from rig.calibration import Plateau, PlateauRule, settled_plateau
from rig.errors import DeviceError, InputError
from rig.reader import Reader
from rig.samples import COUNTS, US_PER_S, FloatArray, Samples, Status

SILENCE_S = 5.0
"""Wall time without samples after which the rig is taken to be gone."""

WAIT_S = 0.1
"""For the next samples: soon enough that a progress line moves."""

LOOKS_PER_WINDOW = 4

STALE_S = 0.05
"""Device time left out at the beginning: what was on its way when the person said that the load rests."""

INTERRUPTIONS = ("reset", "link_lost", "link_restored", "gap", "overflow")
"""Happenings after which a plateau begins anew."""

ChannelName = Literal["force", "position"]

_FAULTS = {"force": Status.FORCE_SATURATED, "position": Status.POSITION_FAULT}


@dataclass(frozen=True, slots=True)
class Settling:
    """How far a plateau is.

    `seconds`: looked at so far, in device time.
    `counts`: mean of the newest samples.
    `hint`: why it has not settled yet; empty while there is too little to say.
    """

    seconds: float
    counts: float
    hint: str = ""


def take_plateau(
    reader: Reader,
    channel: ChannelName = "force",
    *,
    rule: PlateauRule | None = None,
    zero_counts: float | None = None,
    patience_s: float = 30.0,
    on_progress: Callable[[Settling], None] | None = None,
) -> Plateau:
    """Wait until a channel has settled, and give the plateau.

    Raises InputError if it did not settle in time, is saturated, or does not come in counts. Raises
    DeviceError if samples stop coming.

    `channel`: which one; it has to come in counts.
    `zero_counts`: reading without load; None while it is being taken.
    `patience_s`: longest wait, in device time.
    """
    rule = rule or PlateauRule()
    refuse_scaled(reader, channel)
    while reader.get(0.0) is not None:
        pass  # what piled up while it was not awaited
    window = _Window(channel, rule)
    heard_s, hint = time.monotonic(), ""
    while True:
        delivery = reader.get(WAIT_S)
        if delivery is not None and any(event.kind in INTERRUPTIONS for event in delivery.events):
            window.clear()
        if delivery is None or not len(delivery.samples):
            if time.monotonic() - heard_s > SILENCE_S:
                raise DeviceError(
                    f"no sample for {SILENCE_S:g} s; check the cable. Earlier readings are kept"
                )
            continue
        heard_s = time.monotonic()
        window.add(delivery.samples)
        if window.look_due:
            try:
                return window.plateau(zero_counts)
            except InputError as problem:
                hint = str(problem)
        if on_progress is not None:
            on_progress(Settling(window.waited_s, window.newest, hint.partition(":")[0]))
        if window.waited_s > patience_s:
            raise InputError(f"not settled within {patience_s:g} s: {hint or 'too few samples came'}")


def refuse_scaled(reader: Reader, channel: ChannelName) -> None:
    """Refuse a channel that does not come in counts.

    Raises InputError if its source had scaled it already.
    """
    kind = reader.empty()
    unit = (kind.force_channel if channel == "force" else kind.position_channel).unit
    if unit != COUNTS:
        raise InputError(
            f"the rig sends its {channel} in {unit}, already scaled; only counts can be calibrated. Print "
            "counts in the firmware, or correct the scale there"
        )


class _Window:
    """The newest samples of one channel: a little more than one plateau.

    `waited_s`: device time that has passed since the first sample, whatever became of it.
    """

    def __init__(self, channel: ChannelName, rule: PlateauRule) -> None:
        self.waited_s = 0.0
        self._channel = channel
        self._rule = rule
        self._parts: list[Samples] = []
        self._length_us = round(rule.least_s * US_PER_S)
        self._last_us: int | None = None
        self._since_us = 0
        self._looked_us = 0

    @property
    def newest(self) -> float:
        """Mean of what came last, in counts."""
        return float(np.mean(self._raw(self._parts[-1])))

    @property
    def look_due(self) -> bool:
        """Whether there is a plateau's length that was not looked at lately; asking counts as looking."""
        end_us = int(self._parts[-1].time_us[-1])
        begin_us = max(int(self._parts[0].time_us[0]), self._since_us)
        due = end_us - max(self._looked_us, begin_us) >= self._length_us / LOOKS_PER_WINDOW
        if end_us - begin_us < self._length_us or not due:
            return False
        self._looked_us = end_us
        return True

    def clear(self) -> None:
        """Begin anew with the next samples."""
        self._parts.clear()

    def add(self, samples: Samples) -> None:
        """Take samples, at least one, and let go of those that no plateau needs any more."""
        begin_us, end_us = int(samples.time_us[0]), int(samples.time_us[-1])
        if self._last_us is None:
            self._since_us = begin_us + round(STALE_S * US_PER_S)
            self._last_us = begin_us
        if begin_us < self._last_us:  # a device that was reset counts its time anew
            self._parts.clear()
            self._since_us = self._looked_us = begin_us
            self._last_us = begin_us
        self.waited_s += (end_us - self._last_us) / US_PER_S
        self._last_us = end_us
        self._parts.append(samples)
        while len(self._parts) > 1 and end_us - int(self._parts[1].time_us[0]) >= self._length_us:
            del self._parts[0]

    def plateau(self, zero_counts: float | None) -> Plateau:
        """Return the plateau that ends with the newest sample."""
        samples = Samples.concatenate(self._parts)
        # from the last sample at or before its begin, so that it is never a hair too short
        begin_us = samples.time_us[-1] - self._length_us
        samples = samples[max(int(np.searchsorted(samples.time_us, begin_us, side="right")) - 1, 0) :]
        time_s, raw, status = samples.time_us / US_PER_S, self._raw(samples), samples.status
        rule = self._rule
        fresh = (status & Status.FRESH_FORCE) != 0
        if self._channel == "force" and fresh.any():
            time_s, raw, status = time_s[fresh], raw[fresh], status[fresh]
            # the first conversion may come as much later as a conversion takes
            rule = replace(rule, least_s=min(rule.least_s, float(time_s[-1] - time_s[0])))
        return settled_plateau(
            time_s, raw, status, rule=rule, zero_counts=zero_counts, fault=_FAULTS[self._channel]
        )

    def _raw(self, samples: Samples) -> FloatArray:
        column = samples.force if self._channel == "force" else samples.position
        return np.asarray(column, np.float64)
