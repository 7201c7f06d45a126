"""Heartbeats that mean something: the host has just seen fresh samples.

Problem: a device halts when heartbeats stop, which protects nobody if a timer goes on beating while the
host is blind. Plan: no timer and no thread; whoever handles the deliveries passes each one here, and a
heartbeat goes out only behind samples that are new and were received just now.
Cost: two comparisons for each delivery.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from rig.reader.events import Delivery
from rig.reader.exchange import Exchange
from rig.wire import Heartbeat

BEAT_EVERY_S = 0.1
"""Wall time between heartbeats: a device waits for 0.5 s, so four in a row may be lost."""

FRESH_FOR_S = 0.25
"""Samples that waited longer in the queue say nothing of now; half of what the device waits."""


class Heart:
    """Sends heartbeats through a session.

    Parameters
    ----------
    session
        Sends them.
    clock
        Wall time in seconds, the one of `Delivery.host_time`.
    """

    def __init__(self, session: Exchange, clock: Callable[[], float] = time.monotonic) -> None:
        self._session = session
        self._clock = clock
        self._newest_us: int | None = None
        self._beat_s: float | None = None

    @property
    def age_s(self) -> float | None:
        """How long ago the last heartbeat was sent, in wall time; None if none was."""
        return None if self._beat_s is None else self._clock() - self._beat_s

    def beat_after(self, delivery: Delivery) -> bool:
        """Send a heartbeat if this delivery holds fresh samples and one is due; whether it was sent."""
        if not self._newer(delivery):
            return False
        now_s = self._clock()
        age_s = self.age_s
        if now_s - delivery.host_time > FRESH_FOR_S or (age_s is not None and age_s < BEAT_EVERY_S):
            return False
        if not self._session.send(Heartbeat(self._session.next_id())):
            return False
        self._beat_s = now_s
        return True

    def _newer(self, delivery: Delivery) -> bool:
        if not len(delivery.samples):
            return False
        last_us = int(delivery.samples.time_us[-1])
        if self._newest_us is not None and last_us <= self._newest_us:
            return False
        self._newest_us = last_us
        return True
