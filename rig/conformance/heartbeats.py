"""Heartbeats: an armed device stops by itself 500 to 550 ms after the last one.

The time is taken on the host, from sending the last heartbeat to hearing the event. Both ends make it
longer than it was on the device, so the shortest of a few tries is the fairest, and one below 500 ms is
early for certain.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from cobs import cobs

from rig.conformance.dialogue import BEAT_EVERY_S
from rig.conformance.exceptions import UnreadyError, require
from rig.conformance.stand import WORK_RATE_MHZ, Stand, event_words
from rig.conformance.verdicts import Check
from rig.wire import (
    Arm,
    AskState,
    ClearStop,
    Command,
    Disarm,
    EventCode,
    Halt,
    Heartbeat,
    Identify,
    Limits,
    MoveTo,
    StateFlag,
    StreamAt,
    encode_frame,
    seal,
)

_GROUP = "heartbeat"

EARLIEST_S, LATEST_S = 0.500, 0.550
LATENESS_S = 0.030
"""Of the bytes' way to the host and back: a USB adapter alone holds them for 16 ms."""

ROUNDING_S = 0.002
TRIES = 3
WAIT_S = 2.0
KEPT_S = 1.0
ASK_EVERY_S = 0.05
STALE_S = 0.8
"""A heartbeat timer that went on since the arming before has run out by then."""

UNKNOWN_KIND, HEARTBEAT_KIND = 0x5F, 0x42


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


def _shortest_s(stand: Stand, took_s: Callable[[Stand], float]) -> float:
    """Return the shortest of a few tries, of which no more are made than are needed."""
    shortest_s = WAIT_S
    for attempt in range(TRIES):
        if attempt:
            stand.rest()
        shortest_s = min(shortest_s, took_s(stand))
        if shortest_s <= LATEST_S + LATENESS_S:
            break
    return shortest_s


def _stops(stand: Stand) -> str:
    shortest_s = _shortest_s(stand, _one_stop)
    words = f"it stopped {1000 * shortest_s:.0f} ms after the last heartbeat"
    require(shortest_s >= EARLIEST_S - ROUNDING_S, words)
    require(shortest_s <= LATEST_S + LATENESS_S, words)
    return words


def _arming(stand: Stand) -> str:
    """Arm it and never beat, some time after the last heartbeat: its timer starts with the arming."""
    shortest_s = _shortest_s(stand, _unbeaten_s)
    words = f"event 8 came {1000 * shortest_s:.0f} ms after arming, without a heartbeat"
    require(shortest_s <= LATEST_S + LATENESS_S, words)
    return words


def _unbeaten_s(stand: Stand) -> float:
    """Return the time from the reply to arm to event 8, in seconds, which is not early after the order."""
    stand.arm()
    talk = stand.talk
    talk.beating = False
    stand.must(Disarm(talk.next_id()), "disarm")
    talk.listen(STALE_S)
    ordered_s = talk.clock()
    stand.must(Arm(talk.next_id()), "arm")
    armed_s = talk.clock()
    talk.until(lambda: _lost(stand), WAIT_S)
    require(_lost(stand), f"armed, and no heartbeat came for {WAIT_S:g} s: no event 8")
    event = next(each for each in talk.heard if getattr(each.message, "code", 0) == EventCode.HEARTBEAT_LOST)
    # the reply may have been late: only from the order on is an early event early for certain
    early_s = event.at_s - ordered_s
    words = f"event 8 came {1000 * early_s:.0f} ms after the order to arm, without a heartbeat"
    require(early_s >= EARLIEST_S - ROUNDING_S, words)
    return event.at_s - armed_s


def _only_beats(stand: Stand) -> str:
    talk = stand.talk
    again = AskState(talk.next_id())
    tried: tuple[tuple[Callable[[], tuple[Command | bytes, ...]], str], ...] = (
        (partial(_plain, stand), "state, halt, identify and stream"),
        (partial(_others, stand), "limits, a refused motion, clear stop and an unknown command"),
        (partial(_damaged, stand, again), "a repeated command and damaged heartbeats"),
        (partial(_motions, stand), "motions"),
    )
    for bring, words in tried:
        stand.rest()
        stand.ready()
        talk.beating = False
        end_s = talk.clock() + WAIT_S
        turn = 0
        while talk.clock() < end_s and not _lost(stand):
            told = bring()
            one = told[turn % len(told)]
            if isinstance(one, bytes):
                talk.send_bytes(b"\x00" + one)
            else:
                talk.send(one)
            turn += 1
            talk.listen(ASK_EVERY_S)
        if not _lost(stand) and StateFlag.ARMED not in stand.state().flags:
            raise UnreadyError(f"it was disarmed by {words}, of which none arms or disarms anything")
        require(_lost(stand), f"{words} kept it armed without heartbeats")
    return "other commands, repeated ones and damaged heartbeats do not keep it armed"


def _plain(stand: Stand) -> tuple[Command | bytes, ...]:
    talk = stand.talk
    rate_mhz = min(WORK_RATE_MHZ, stand.known.rate_mhz)
    return (
        AskState(talk.next_id()),
        Halt(talk.next_id()),
        Identify(talk.next_id()),
        StreamAt(talk.next_id(), rate_mhz),
    )


def _others(stand: Stand) -> tuple[Command | bytes, ...]:
    bounds, talk = stand.bounds, stand.talk
    low = min(bounds.min_position, bounds.base)
    return (
        Limits(talk.next_id(), bounds.min_force, bounds.max_force, low, bounds.max_position),
        # refused, and if it is not it goes nowhere
        MoveTo(talk.next_id(), stand.position, 0),
        ClearStop(talk.next_id()),
        seal(bytes([UNKNOWN_KIND]) + talk.next_id().to_bytes(2, "little")),
    )


def _motions(stand: Stand) -> tuple[Command | bytes, ...]:
    """Return a motion to where it stands, which is accepted and goes nowhere."""
    return (MoveTo(stand.talk.next_id(), stand.position, stand.bounds.speed),)


def _damaged(stand: Stand, again: AskState) -> tuple[Command | bytes, ...]:
    talk = stand.talk
    beat = bytearray(cobs.decode(encode_frame(Heartbeat(talk.next_id()))[:-1]))
    beat[-1] ^= 0x01
    return (
        again,
        cobs.encode(bytes(beat)) + b"\x00",
        again,
        seal(bytes([HEARTBEAT_KIND, talk.next_id() % 256])),
    )


def _lost(stand: Stand) -> bool:
    return any(event.code == EventCode.HEARTBEAT_LOST for event in stand.talk.events())


def _keeps(stand: Stand) -> str:
    stand.arm()
    stand.talk.listen(KEPT_S)
    flags = stand.state().flags
    require(StateFlag.ARMED in flags, f"with a heartbeat each 100 ms it did not stay armed for {KEPT_S:g} s")
    # the ids of heartbeats mean nothing: a host begins where it likes
    stand.talk.beating = False
    for request in range(round(KEPT_S / BEAT_EVERY_S), 0, -1):
        stand.talk.send(Heartbeat(request))
        stand.talk.listen(BEAT_EVERY_S)
    kept = StateFlag.ARMED in stand.state().flags
    require(kept, "with heartbeats whose request ids fall it did not stay armed")
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
        "arming-starts-timer",
        _GROUP,
        "Arming without a heartbeat",
        "Arming starts the heartbeat timer.",
        "event 8 500 to 550 ms after arming, if no heartbeat comes at all",
        "A program that dies right after arming leaves it armed for good; or the first run ends at once.",
        _arming,
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
