"""Heartbeats that mean something: the host has just seen fresh samples.

Problem: a device halts when heartbeats stop, which protects no person if a timer goes on beating while the
host is blind, or sees what happened a while ago. Plan: no timer and no thread; whoever handles the
deliveries passes each one here, and a heartbeat goes out only behind samples that are new, were received just
now, and were taken just now. That they were received says nothing of the last: a link that buffers delivers
old ones. So the device's clock is compared with the host's: the offset between them is as small as it has
been lately, or else samples lag. A lag that grows as slowly as clocks drift shows in the round trip of a
request (exchange.py). Cost: a few comparisons for each delivery.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from rig.reader.events import Delivery
from rig.reader.exchange import Exchange
from rig.wire import Heartbeat

BEAT_EVERY_S = 0.1
"""Wall time between heartbeats: a device waits for 0.5 s, so four in a row may be lost."""

FRESH_FOR_S = 0.25
"""Samples that waited longer in the queue say nothing of now; half of what the device waits."""

LAG_LIMIT_S = 0.25
"""Samples that were taken so long before they were received are not answered. With the device's own 0.5 s,
a platen whose samples begin to lag is stopped within 0.75 s."""

LAG_OVER_S = 10.0
"""The smallest offset of so long counts: a clock may be slow by 2.5 % before it is taken for a lag."""


class Heart:
    """Sends heartbeats through a session.

    `clock`: wall time in seconds, the one of `Delivery.host_time`.
    """

    def __init__(self, session: Exchange, clock: Callable[[], float] = time.monotonic) -> None:
        self._session = session
        self._clock = clock
        self._newest_us: int | None = None
        self._beat_s: float | None = None
        self._offsets: deque[tuple[int, float]] = deque()
        self._lag_s = 0.0

    @property
    def age_s(self) -> float | None:
        """How long ago the last heartbeat was sent, in wall time; None if none was."""
        return None if self._beat_s is None else self._clock() - self._beat_s

    @property
    def lag_s(self) -> float:
        """How long after they were taken samples are received, as far as clocks and round trips tell."""
        return max(self._lag_s, self._session.round_trip_s)

    def forget(self) -> None:
        """The device's clock begins anew: it was reset, or another link was opened."""
        self._offsets.clear()
        self._lag_s = 0.0

    def take(self, delivery: Delivery) -> bool:
        """Look at a delivery; return whether its samples show how things stand now."""
        if not len(delivery.samples):
            return False
        last_us = int(delivery.samples.time_us[-1])
        if self._newest_us is not None and last_us <= self._newest_us:
            return False
        self._newest_us = last_us
        # The clocks have no common zero, so only a change of their offset tells a lag: the newest is compared
        # with the least of the last seconds, each of which keeps its minimum.
        heard_s = delivery.host_time
        offset_s = heard_s - last_us * 1e-6
        second = int(heard_s)
        if self._offsets and self._offsets[-1][0] == second:
            self._offsets[-1] = (second, min(offset_s, self._offsets[-1][1]))
        else:
            self._offsets.append((second, offset_s))
        while self._offsets[0][0] < second - LAG_OVER_S:
            self._offsets.popleft()
        self._lag_s = offset_s - min(least_s for _, least_s in self._offsets)
        return self._clock() - delivery.host_time <= FRESH_FOR_S and self.lag_s <= LAG_LIMIT_S

    def beat_after(self, delivery: Delivery) -> bool:
        """Send a heartbeat if a delivery holds fresh samples and one is due; return whether it was sent."""
        return self.take(delivery) and self.beat()

    def beat(self) -> bool:
        """Send a heartbeat if one is due, behind a delivery that `take` found fresh; true if sent."""
        now_s, age_s = self._clock(), self.age_s
        if age_s is not None and age_s < BEAT_EVERY_S:
            return False
        if not self._session.send(Heartbeat(self._session.next_id())):
            return False
        self._beat_s = now_s  # taken before it was sent: the age is never too small
        return True
