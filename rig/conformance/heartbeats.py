"""Heartbeats: an armed device stops by itself 500 to 550 ms after the last one.

The time is taken on the host, from sending the last heartbeat to hearing the event. Both ends make it
longer than it was on the device, so the shortest of a few tries is the fairest, and one below 500 ms is
early for certain.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from cobs import cobs

from rig.conformance.dialogue import BEAT_EVERY_S, bare_frame
from rig.conformance.exceptions import UnreadyError, require
from rig.conformance.stand import LINE_S, LONGER_S, NEAR_COUNTS, Stand
from rig.conformance.verdicts import CheckGroup
from rig.wire import (
    Arm,
    AskState,
    ClearStop,
    Command,
    Cycle,
    Event,
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

CHECKS = CheckGroup("heartbeat", arms=True)

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

ENOUGH_CYCLES = 1000
"""They go on for longer than they are looked at."""

UNKNOWN_KIND, HEARTBEAT_KIND = 0x5F, 0x42


@CHECKS.add(
    "heartbeats-keep-armed",
    "Heartbeats that come",
    "While heartbeats come it stays armed.",
    f"armed after {KEPT_S:g} s",
    "Runs end by themselves in the middle of a squeeze.",
)
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


def _shortest_in_time(stand: Stand, took_s: Callable[[Stand], float], words: str) -> str:
    """Check the shortest of a few tries, of which no more are made than are needed."""
    shortest_s = WAIT_S
    for attempt in range(TRIES):
        if attempt:
            stand.rest()
        shortest_s = min(shortest_s, took_s(stand))
        if shortest_s <= LATEST_S + LATENESS_S:
            break
    words = f"event 8 came {1000 * shortest_s:.0f} ms after {words}"
    require(shortest_s <= LATEST_S + LATENESS_S, words)
    return words


def _lost_s(stand: Stand) -> float:
    """Return when event 8 came, on the host's clock."""
    talk = stand.talk
    require(stand.comes(EventCode.HEARTBEAT_LOST, WAIT_S), f"no heartbeat for {WAIT_S:g} s, and no event 8")
    return next(
        heard.at_s
        for heard in talk.heard
        if isinstance(heard.message, Event) and heard.message.code == EventCode.HEARTBEAT_LOST
    )


def _unbeaten_s(stand: Stand) -> float:
    """Return the time from the reply to arm to event 8, in seconds, which is not early after the order."""
    stand.arm()
    talk = stand.talk
    talk.beating = False
    stand.disarm()
    talk.listen(STALE_S)
    ordered_s = talk.clock()
    stand.must(Arm(talk.next_id()), "arm")
    armed_s = talk.clock()
    lost_s = _lost_s(stand)
    # the reply may have been late: only from the order on is an early event early for certain
    early_s = lost_s - ordered_s
    words = f"event 8 came {1000 * early_s:.0f} ms after the order to arm, without a heartbeat"
    require(early_s >= EARLIEST_S - ROUNDING_S, words)
    return lost_s - armed_s


@CHECKS.add(
    "arming-starts-timer",
    "Arming without a heartbeat",
    "Arming starts the heartbeat timer.",
    "event 8 500 to 550 ms after arming, if no heartbeat comes at all",
    "A program that dies right after arming leaves it armed for good; or the first run ends at once.",
)
def _arming(stand: Stand) -> str:
    """Arm it and never beat, some time after the last heartbeat: its timer starts with the arming."""
    return _shortest_in_time(stand, _unbeaten_s, "arming, without a heartbeat")


def _one_stop(stand: Stand) -> float:
    """Return the time from the last heartbeat to the event that ends a motion, in seconds."""
    stand.ready()
    talk = stand.talk
    request = stand.begin_long()
    talk.beat()
    talk.beating = False
    took_s = _lost_s(stand) - talk.beat_s
    stand.ends(request, WAIT_S, EventCode.HEARTBEAT_LOST)
    stand.latched(EventCode.HEARTBEAT_LOST)
    # whatever the line adds: one that is early is early for certain
    early = f"event 8 came {1000 * took_s:.0f} ms after the last heartbeat"
    require(took_s >= EARLIEST_S - ROUNDING_S, early)
    return took_s


@CHECKS.add(
    "heartbeat-stop",
    "Heartbeats that stop during a motion",
    "500 to 550 ms after the last heartbeat it brakes, latches, disarms and sends event 8.",
    f"500 to 550 ms; up to {1000 * LATENESS_S:.0f} ms more are the way to the host",
    "A computer that hangs leaves the platen pressing.",
)
def _stops(stand: Stand) -> str:
    return _shortest_in_time(stand, _one_stop, "the last heartbeat")


@CHECKS.add(
    "unheard-in-short-cycles",
    "Heartbeats that stop during short cycles",
    "Only the heartbeat starts its timer again: no turn, leg or event of a motion does.",
    f"event 8 within {1000 * (LATEST_S + LINE_S):.0f} ms",
    "A computer that hangs leaves an endurance run going for days, without a watch on the force.",
)
def _short_cycles(stand: Stand) -> str:
    """Stop beating during cycles, each much shorter than the time that heartbeats may stay away."""
    stand.needs_cycles()
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + 2 * NEAR_COUNTS
    request = stand.begin(Cycle(talk.next_id(), bounds.base, high, bounds.speed, 0, 0, ENOUGH_CYCLES))
    if not stand.comes(EventCode.CYCLE_FINISHED, LONGER_S):
        raise UnreadyError("no event 13 came")
    talk.beat()
    talk.beating = False
    took_s = _lost_s(stand) - talk.beat_s
    stand.ends(request, WAIT_S, EventCode.HEARTBEAT_LOST)
    words = f"event 8 came {1000 * took_s:.0f} ms after the last heartbeat, in short cycles"
    require(took_s <= LATEST_S + LINE_S, words)
    return words


@CHECKS.add(
    "only-heartbeats-count",
    "Other commands instead of heartbeats",
    "Only the heartbeat counts, and it is sent after fresh samples.",
    "event 8 although other commands come",
    "A program that no longer receives the force keeps the press moving with other requests.",
)
def _only_beats(stand: Stand) -> str:
    talk, bounds = stand.talk, stand.bounds
    again = AskState(talk.next_id())

    def plain() -> Sequence[Command | bytes]:
        rate = StreamAt(talk.next_id(), stand.work_rate_mhz)
        return AskState(talk.next_id()), Halt(talk.next_id()), Identify(talk.next_id()), rate

    def others() -> Sequence[Command | bytes]:
        # the motion is refused, and if it is not it goes nowhere
        return (
            Limits(talk.next_id(), *bounds.edges),
            MoveTo(talk.next_id(), stand.position, 0),
            ClearStop(talk.next_id()),
            bare_frame(UNKNOWN_KIND, talk.next_id()),
        )

    def damaged() -> Sequence[Command | bytes]:
        beat = bytearray(cobs.decode(encode_frame(Heartbeat(talk.next_id()))[:-1]))
        beat[-1] ^= 0x01
        short = seal(bytes([HEARTBEAT_KIND, talk.next_id() % 256]))
        return again, cobs.encode(bytes(beat)) + b"\x00", again, short

    def motions() -> Sequence[Command | bytes]:
        # to where it stands, which is accepted and goes nowhere
        return (MoveTo(talk.next_id(), stand.position, bounds.speed),)

    tried: tuple[tuple[Callable[[], Sequence[Command | bytes]], str], ...] = (
        (plain, "state, halt, identify and stream"),
        (others, "limits, a refused motion, clear stop and an unknown command"),
        (damaged, "a repeated command and damaged heartbeats"),
        (motions, "motions"),
    )
    for bring, words in tried:
        stand.rest()
        stand.ready()
        talk.beating = False
        for turn in range(round(WAIT_S / ASK_EVERY_S)):
            told = bring()
            one = told[turn % len(told)]
            if isinstance(one, bytes):
                talk.send_bytes(b"\x00" + one)
            else:
                talk.send(one)
            if stand.comes(EventCode.HEARTBEAT_LOST, ASK_EVERY_S):
                break
        lost = stand.heard(EventCode.HEARTBEAT_LOST)
        if not lost and StateFlag.ARMED not in stand.state().flags:
            raise UnreadyError(f"it was disarmed by {words}, of which none arms or disarms anything")
        require(lost, f"{words} kept it armed without heartbeats")
    return "other commands, repeated ones and damaged heartbeats do not keep it armed"
