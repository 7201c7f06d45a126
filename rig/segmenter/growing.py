"""Signals that grow at their end and are forgotten at their front.

Problem: a cycle at 50 000 samples/s arrives in hundreds of parts, and joining all that came so far at each
part took most of the time of counting while recording. Plan: arrays with room behind their end; only what is
new is copied, and all that is still needed once the room is used up. Cost: a quarter more memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rig.calibration import Signals

_COLUMNS = ("time_s", "force_n", "position_mm", "status", "lost")


class GrowingSignals:
    """Room for the signals of one recording that are still needed."""

    def __init__(self) -> None:
        self._arrays: dict[str, Any] = {}
        self._end = self._capacity = 0

    def appended(self, before: Signals | None, new: Signals) -> Signals:
        """Return signals with new ones behind them.

        Parameters
        ----------
        before
            What was returned last, perhaps without some of its first samples; None for nothing.
        new
            What is copied. Signals that were returned before stay as they are.
        """
        known = 0 if before is None else len(before)
        if not known:
            self._end = self._capacity = 0  # a single part needs no room: it is copied when more comes
            return new
        if self._end + len(new) > self._capacity:
            self._capacity, self._end = (known + len(new)) * 5 // 4, known
            for name in _COLUMNS:
                room = np.empty(self._capacity, getattr(new, name).dtype)
                room[:known] = getattr(before, name)
                self._arrays[name] = room
        here = slice(self._end, self._end + len(new))
        for name, room in self._arrays.items():
            room[here] = getattr(new, name)
        self._end = here.stop
        whole = slice(self._end - known - len(new), self._end)
        return replace(new, **{name: room[whole] for name, room in self._arrays.items()})
