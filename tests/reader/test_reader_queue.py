from __future__ import annotations

import numpy as np

from rig.reader import Delivery, LinkEvent
from rig.reader.delivery_queue import KEPT_EVENTS, DeliveryQueue
from rig.samples import Samples


def delivery(first: int, count: int, *kinds: str) -> Delivery:
    number = np.arange(first, first + count)
    raw = number.astype(np.int32)
    samples = Samples(number, number * 1_000, raw, raw, np.zeros(count, np.uint8))
    return Delivery(samples, tuple(LinkEvent(kind, first) for kind in kinds), float(first))


def test_batches_come_out_in_order_and_then_none() -> None:
    queue = DeliveryQueue(limit=100)
    queue.put(delivery(0, 10))
    queue.put(delivery(10, 10))
    fetched = [queue.get(0), queue.get(0), queue.get(0)]
    assert [each.host_time if each else None for each in fetched] == [0.0, 10.0, None]


def test_what_does_not_fit_is_dropped_and_the_next_batch_says_so() -> None:
    queue = DeliveryQueue(limit=25)
    for n in range(5):
        queue.put(delivery(10 * n, 10, *(["reset"] if n == 3 else [])))
    kept = [queue.get(0), queue.get(0)]
    queue.put(delivery(50, 10, "gap"))
    after = queue.get(0)
    assert [len(each.samples) for each in kept if each] == [10, 10]
    assert after is not None
    assert [event.kind for event in after.events] == ["reset", "overflow", "gap"]
    assert after.events[1].fields == {"samples": 30, "batches": 3, "events": 0}
    assert queue.get(0) is None


def test_a_batch_larger_than_the_limit_passes_an_empty_queue() -> None:
    queue = DeliveryQueue(limit=5)
    queue.put(delivery(0, 50))
    assert queue.get(0) is not None


def test_events_of_dropped_batches_are_bounded_and_the_rest_counted() -> None:
    queue = DeliveryQueue(limit=10)
    queue.put(delivery(0, 10))
    for n in range(100):
        queue.put(delivery(n, 0, "note"))
    queue.close(delivery(200, 1))
    queue.get(0)
    last = queue.get(0)
    assert last is not None
    overflow = last.events[-1]
    assert len(last.events) == KEPT_EVENTS + 1
    assert overflow.fields["events"] == 100 - KEPT_EVENTS


def test_an_event_is_one_flat_mapping() -> None:
    event = LinkEvent("link_lost", 12.5, 1_000, {"why": "pulled"})
    assert event.as_dict() == {"kind": "link_lost", "host_time_s": 12.5, "time_us": 1_000, "why": "pulled"}
