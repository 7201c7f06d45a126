"""Heartbeats: an armed device stops by itself 500 to 550 ms after the last one.

The time is taken on the host, from sending the last heartbeat to hearing the event. Both ends make it
longer than it was on the device, so the shortest of a few tries is the fairest, and one below 500 ms is
early for certain.
"""

from __future__ import annotations

from rig.conformance.exceptions import UnreadyError, require
from rig.conformance.stand import WORK_RATE_MHZ, Stand, event_words
from rig.conformance.verdicts import Check
from rig.wire import AskState, EventCode, Halt, Identify, StateFlag, StreamAt

_GROUP = "heartbeat"

EARLIEST_S, LATEST_S = 0.500, 0.550
LATENESS_S = 0.030
"""Of the bytes' way to the host and back: a USB adapter alone holds them for 16 ms."""

ROUNDING_S = 0.002
TRIES = 3
WAIT_S = 2.0
KEPT_S = 1.0
ASK_EVERY_S = 0.05


def _one_stop(stand: Stand) -> float:
    """Return the time from the last heartbeat to the event that ends a motion, in seconds."""
    stand.ready()
    talk = stand.talk
    request = stand.begin_long()
    talk.beat()
    talk.beating = False
    end = stand.ending(request, WAIT_S)
    require(end is not None, f"it went on for {WAIT_S:g} s without heartbeats")
    assert end is not None
    require(end.code == EventCode.HEARTBEAT_LOST, f"it ended with {event_words(end)}")
    heard_s = next(each.at_s for each in talk.heard if each.message is end)
    state = stand.standstill()
    require(StateFlag.ARMED not in state.flags, "it is still armed")
    require(state.stop_cause == EventCode.HEARTBEAT_LOST, f"its stop cause is {int(state.stop_cause)}")
    return heard_s - talk.beat_s


def _stops(stand: Stand) -> str:
    shortest_s = WAIT_S
    for attempt in range(TRIES):
        if attempt:
            stand.rest()
        shortest_s = min(shortest_s, _one_stop(stand))
        if shortest_s <= LATEST_S + LATENESS_S:
            break
    words = f"it stopped {1000 * shortest_s:.0f} ms after the last heartbeat"
    require(shortest_s >= EARLIEST_S - ROUNDING_S, words)
    require(shortest_s <= LATEST_S + LATENESS_S, words)
    return words


def _only_beats(stand: Stand) -> str:
    stand.arm()
    talk = stand.talk
    talk.beating = False
    end_s = talk.clock() + WAIT_S
    rate_mhz = min(WORK_RATE_MHZ, stand.known.rate_mhz)
    turn = 0
    while talk.clock() < end_s and not _lost(stand):
        others = (
            AskState(talk.next_id()),
            Halt(talk.next_id()),
            Identify(talk.next_id()),
            StreamAt(talk.next_id(), rate_mhz),
        )
        talk.send(others[turn % len(others)])
        turn += 1
        talk.listen(ASK_EVERY_S)
    if not _lost(stand) and StateFlag.ARMED not in stand.state().flags:
        raise UnreadyError("it was disarmed by a command that arms or disarms nothing")
    require(_lost(stand), "state, halt, identify and stream kept it armed without heartbeats")
    return "other commands do not keep it armed"


def _lost(stand: Stand) -> bool:
    return any(event.code == EventCode.HEARTBEAT_LOST for event in stand.talk.events())


def _keeps(stand: Stand) -> str:
    stand.arm()
    stand.talk.listen(KEPT_S)
    flags = stand.state().flags
    require(StateFlag.ARMED in flags, f"with a heartbeat each 100 ms it did not stay armed for {KEPT_S:g} s")
    return f"armed for {KEPT_S:g} s"


CHECKS = (
    Check(
        "heartbeats-keep-armed",
        _GROUP,
        "Heartbeats that come",
        "While heartbeats come it stays armed.",
        f"armed after {KEPT_S:g} s",
        "Runs end by themselves in the middle of a squeeze.",
        _keeps,
        arms=True,
    ),
    Check(
        "heartbeat-stop",
        _GROUP,
        "Heartbeats that stop during a motion",
        "500 to 550 ms after the last heartbeat it brakes, latches, disarms and sends event 8.",
        f"500 to 550 ms; up to {1000 * LATENESS_S:.0f} ms more are the way to the host",
        "A computer that hangs leaves the platen pressing.",
        _stops,
        arms=True,
    ),
    Check(
        "only-heartbeats-count",
        _GROUP,
        "Other commands instead of heartbeats",
        "Only the heartbeat counts, and it is sent after fresh samples.",
        "event 8 although other commands come",
        "A program that no longer receives the force keeps the press moving with other requests.",
        _only_beats,
        arms=True,
    ),
)
