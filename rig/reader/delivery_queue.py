"""The queue between the thread that reads and the one that consumes.

Problem: a disk can stall for seconds, and the reader must not wait for it nor fill the memory. Plan: a
queue bounded by samples; a batch that does not fit is dropped and counted, and the next that fits
carries the count, so that it stands in the capture where the hole is. The events of a dropped batch are
kept, up to a limit. Cost: about 30 bytes for each sample that waits.
"""

from __future__ import annotations

import threading
from collections import deque

from rig.reader.events import Delivery, LinkEvent

QUEUE_LIMIT = 262_144
"""Samples that may wait: four minutes at 1000 samples/s, 8 MB."""

KEPT_EVENTS = 64
"""Events kept from dropped batches; a stalled consumer must not make them grow without bound."""


class DeliveryQueue:
    """Bounded, for one producer that never waits and one consumer that does.

    `limit`: samples and events that may wait.
    """

    def __init__(self, limit: int = QUEUE_LIMIT) -> None:
        self._limit = limit
        self._waiting: deque[Delivery] = deque()
        self._size = 0
        self._changed = threading.Condition()
        self._closed = False
        self._lost_batches = 0
        self._lost_samples = 0
        self._lost_events = 0
        self._saved: list[LinkEvent] = []

    def put(self, delivery: Delivery) -> None:
        """Add a batch, or drop and count it. Never waits."""
        with self._changed:
            if self._size and self._size + _size(delivery) > self._limit:
                self._lost_batches += 1
                self._lost_samples += len(delivery.samples)
                room = max(KEPT_EVENTS - len(self._saved), 0)
                self._saved += delivery.events[:room]
                self._lost_events += len(delivery.events[room:])
                return
            self._append(self._with_losses(delivery))

    def get(self, timeout_s: float) -> Delivery | None:
        """Return the oldest batch; None if none came in time, or if the queue is closed and empty."""
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._closed, timeout_s)
            if not self._waiting:
                return None
            delivery = self._waiting.popleft()
            self._size -= _size(delivery)
            return delivery

    def close(self, last: Delivery) -> None:
        """End the queue with a last batch, added whatever the limit, that tells of the losses before it."""
        with self._changed:
            self._append(self._with_losses(last))
            self._closed = True
            self._changed.notify_all()

    def _append(self, delivery: Delivery) -> None:
        self._waiting.append(delivery)
        self._size += _size(delivery)
        self._changed.notify_all()

    def _with_losses(self, delivery: Delivery) -> Delivery:
        if not self._lost_batches:
            return delivery
        loss = LinkEvent(
            "overflow",
            delivery.host_time,
            fields={
                "samples": self._lost_samples,
                "batches": self._lost_batches,
                "events": self._lost_events,
            },
        )
        events = (*self._saved, loss, *delivery.events)
        self._lost_batches = self._lost_samples = self._lost_events = 0
        self._saved = []
        return Delivery(delivery.samples, events, delivery.host_time)


def _size(delivery: Delivery) -> int:
    return len(delivery.samples) + len(delivery.events)
