"""Limits on both sides, and what the samples say of stops, speeds, dwells and fresh forces.

Problem: a device can name the right event and still trip on the wrong side, late, or move at another speed.
Plan: limits are narrowed around where the platen and the force already are, once with room (nothing may
trip) and once without (it must). Stops, speeds and dwells are taken from the samples' own times and
positions, never from what the device says of itself. Cost: about twenty seconds of small motions.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.outcome import Check
from rig.conformance.provoking import EMERGENCY_STOP
from rig.conformance.stand import LONGER_S, NEAR_COUNTS, Stand, event_words
from rig.samples import FloatArray, IntArray, Status
from rig.wire import Capability, Cycle, EventCode, Limits, MoveTo, ReplyResult, SampleBlock

_GROUP = "limits"

REACH_STROKES = 4
"""Motions here are this many strokes long: long enough for a limit to be set on the way."""

FORCE_SLACK_COUNTS = 20
BRAKING_S = 0.2
LATENCY_S = 0.1
"""From the sample that passes a limit: what the device may take to notice it, beside braking."""

LINE_S = 0.3
"""From an order sent by the host until the device has it: a slow line and a busy machine."""

WATCHED_S = 1.0
SPEED_TOLERANCE = 0.10
DWELL_S = 0.4
DWELL_TOLERANCE_S = 0.1
CYCLES = 2
FRESH_LISTEN_S = 1.0
ENOUGH_CHANGES = 20
SEQ_MODULUS = 2**16
MOST_UNMARKED = 0.02
"""Of changed forces without bit 6: some samples before a changed one may have been lost."""


def _far(stand: Stand) -> int:
    bounds = stand.bounds
    return min(bounds.base + REACH_STROKES * bounds.stroke, (bounds.base + bounds.far) // 2)


def _narrow(stand: Stand, **narrowed: int) -> None:
    bounds = stand.bounds
    limits = {
        "min_force": bounds.min_force,
        "max_force": bounds.max_force,
        "min_position": min(bounds.min_position, bounds.base),
        "max_position": bounds.max_position,
    }
    reply = stand.talk.ask(Limits(stand.talk.next_id(), **limits | narrowed))
    if reply is None or reply.result != ReplyResult.ACCEPTED:
        raise NotApplicableError("it does not take these limits now")


def _inside(stand: Stand) -> str:
    stand.ready()
    mean, spread = stand.force_now()
    room, bounds = spread + FORCE_SLACK_COUNTS, stand.bounds
    beside = max(2 * NEAR_COUNTS, bounds.stroke // 10)
    _narrow(
        stand,
        min_force=max(mean - 2 * room, bounds.min_force),
        max_force=min(mean + 2 * room, bounds.max_force),
        min_position=max(bounds.base - beside, min(bounds.min_position, bounds.base)),
        max_position=bounds.base + bounds.stroke + beside,
    )
    for target in (bounds.base + bounds.stroke, bounds.base):
        request = stand.begin(MoveTo(stand.talk.next_id(), target, bounds.speed))
        end = stand.ending(request, stand.stroke_s(bounds.stroke))
        require(
            end is not None and end.code == EventCode.FINISHED,
            f"force and position stayed inside their limits, and it ended with {event_words(end)}",
        )
    return "up and down inside all four limits, no trip"


def _under_way(stand: Stand, *, down: bool) -> int:
    """A motion up to, or back from, the far end, that has begun; its request id."""
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    target = _far(stand)
    if down:
        stand.finish(MoveTo(talk.next_id(), target, bounds.speed), stand.stroke_s(target - bounds.base))
        target = bounds.base
    begun_at = stand.position
    request = stand.begin(MoveTo(talk.next_id(), target, bounds.speed))
    if not talk.until(lambda: abs(stand.position - begun_at) > 2 * NEAR_COUNTS, LONGER_S):
        raise UnreadyError("the platen did not begin to move")
    return request


def _force_side(stand: Stand, *, down: bool) -> str:
    stand.ready()
    mean, spread = stand.force_now()
    request = _under_way(stand, down=down)
    room = spread + FORCE_SLACK_COUNTS
    begun_us = _newest_us(stand)
    _narrow(stand, **({"min_force": mean + room} if down else {"max_force": mean - room}))
    _tripped(stand, request, EventCode.FORCE_TRIP)
    return _stopped_in_time(stand, begun_us, LINE_S)


def _position_side(stand: Stand, *, down: bool) -> str:
    request = _under_way(stand, down=down)
    limit = stand.position
    begun_us = _newest_us(stand)
    _narrow(stand, **({"min_position": limit} if down else {"max_position": limit}))
    _tripped(stand, request, EventCode.TRAVEL_TRIP)
    return _stopped_in_time(stand, begun_us, LINE_S)


def _emergency_stop(stand: Stand) -> str:
    if stand.provoker.slow:
        raise NotApplicableError("a person's hand cannot be timed; a bench can")
    stand.willing(EMERGENCY_STOP)
    stand.ready()
    request = stand.begin_long()
    begun_us = _newest_us(stand)
    stand.provoke(EMERGENCY_STOP)
    _tripped(stand, request, EventCode.STOP_OPENED)
    return _stopped_in_time(stand, begun_us, LINE_S)


def _tripped(stand: Stand, request: int, code: EventCode) -> None:
    end = stand.ending(request, LONGER_S)
    require(end is not None and end.code == code, f"beyond the limit it ended with {event_words(end)}")
    cause = int(stand.state().stop_cause)
    require(cause == code, f"event {int(code)} came, and the state's stop cause is {cause}")


def _newest_us(stand: Stand) -> int:
    latest = stand.talk.latest
    if latest is None or latest.time_us is None:
        raise UnreadyError("no samples with times have come")
    return int(latest.time_us[-1])


def _seen(stand: Stand) -> SampleBlock:
    return SampleBlock.concatenate([each.block for each in stand.talk.taken])


def _since_s(block: SampleBlock, begun_us: int, modulus_us: int | None) -> FloatArray:
    """Device seconds since an instant; what came before it is negative, across a wrap too."""
    if block.time_us is None:
        raise UnreadyError("the samples have no times")
    since = block.time_us - begun_us
    if modulus_us is not None:
        since = (since + modulus_us // 2) % modulus_us - modulus_us // 2
    seconds: FloatArray = since / 1e6
    return seconds


def _stopped_in_time(stand: Stand, begun_us: int, beside_s: float) -> str:
    """How long and how far it went on by the samples, which must be in time."""
    stand.talk.listen(WATCHED_S)
    block = _seen(stand)
    since_s = _since_s(block, begun_us, stand.time_modulus_us)
    after = since_s >= 0
    position, since_s = block.position[after], since_s[after]
    still = np.abs(position - position[-1]) <= NEAR_COUNTS
    moving = np.flatnonzero(~still)
    stop_s = float(since_s[moving[-1] + 1]) if len(moving) else 0.0
    travel = int(np.abs(position - position[0]).max())
    most_s = LATENCY_S + BRAKING_S + beside_s
    words = f"at rest {stop_s:.3f} s and {travel} counts after the cause, at most {most_s:g} s"
    require(stop_s <= most_s, words)
    most_travel = round(stand.bounds.speed * most_s * (1 + SPEED_TOLERANCE)) + NEAR_COUNTS
    require(travel <= most_travel, f"{words} and {most_travel} counts")
    return words


def _speed(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    far, asked = _far(stand), bounds.speed // 2
    begun_us = _newest_us(stand)
    stand.talk.taken.clear()
    stand.finish(MoveTo(talk.next_id(), far, asked), 2 * stand.stroke_s(far - bounds.base))
    talk.listen(0.1)
    block = _seen(stand)
    since_s = _since_s(block, begun_us, stand.time_modulus_us)
    way = far - bounds.base
    # the middle half, where it neither gathers speed nor brakes
    middle = np.abs(block.position - (bounds.base + way / 2)) <= way / 4
    if int(middle.sum()) < 3:
        count = int(middle.sum())
        require(count > 0 or len(block) == 0, f"no sample came in the middle of {way} counts: too fast")
        raise UnreadyError("too few samples came on the way")
    found = float(np.polyfit(since_s[middle], block.position[middle].astype(np.float64), 1)[0])
    words = f"{found:.0f} counts/s by the samples, {asked} asked for"
    require(abs(found / asked - 1.0) <= SPEED_TOLERANCE, words)
    return words


def _dwell(stand: Stand) -> str:
    if Capability.CYCLES not in stand.known.capabilities:
        raise NotApplicableError("it does not cycle by itself")
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    high, dwell_ms = bounds.base + bounds.stroke, round(1000 * DWELL_S)
    begun_us = _newest_us(stand)
    talk.taken.clear()
    request = talk.next_id()
    limit_s = CYCLES * (2 * stand.stroke_s(bounds.stroke) + 2 * DWELL_S)
    stand.finish(Cycle(request, bounds.base, high, bounds.speed, dwell_ms, dwell_ms, CYCLES), limit_s)
    block = _seen(stand)
    since_s = _since_s(block, begun_us, stand.time_modulus_us)
    highs = _stays_s(since_s, np.abs(block.position - high) <= NEAR_COUNTS)
    require(
        len(highs) == CYCLES, f"it was at the upper turn {len(highs)} times, {CYCLES} cycles were asked for"
    )
    lows = _stays_s(since_s, np.abs(block.position - bounds.base) <= NEAR_COUNTS)[1:CYCLES]
    for where, stays in (("upper", highs), ("lower", lows)):
        for stay_s in stays:
            words = f"it stayed {stay_s:.3f} s at the {where} turn, {DWELL_S:g} s were asked for"
            require(abs(stay_s - DWELL_S) <= DWELL_TOLERANCE_S, words)
    return f"{len(highs)} turns; it stayed {', '.join(f'{each:.3f}' for each in [*highs, *lows])} s"


def _stays_s(since_s: FloatArray, there: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> list[float]:
    """How long each run of samples in one place lasted."""
    edges = np.diff(np.concatenate([[0], there.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return [float(since_s[end] - since_s[begin]) for begin, end in zip(begins, ends, strict=True)]


def _fresh(stand: Stand) -> str:
    block = stand.collect(FRESH_LISTEN_S)
    fresh = (block.status[1:] & Status.FRESH_FORCE) > 0
    changed = np.diff(block.force) != 0
    if block.seq is not None:
        # behind a lost sample a change may have been marked in the one that is missing
        changed &= np.diff(block.seq) % SEQ_MODULUS == 1
    changes: IntArray = np.flatnonzero(changed).astype(np.int64)
    if len(changes) < ENOUGH_CHANGES:
        raise NotApplicableError(
            f"the force changed {len(changes)} times in {FRESH_LISTEN_S:g} s only; if the amplifier is "
            "strapped to 10/s, set it to 80/s (firmware_notes/wiring.md, the rate strap)"
        )
    unmarked = int((changed & ~fresh).sum())
    require(
        unmarked <= MOST_UNMARKED * len(changes),
        f"bit 6 was clear in {unmarked} of {len(changes)} samples whose force was new",
    )
    # a converter as fast as the stream sometimes changes twice running; one that never does repeats itself
    repeats = int((fresh & ~changed).sum())
    slow = int(np.diff(changes).min()) > 1
    require(
        not (slow and repeats >= len(changes)),
        f"bit 6 was set in {repeats} samples whose force was the old one, and the converter is slower",
    )
    return f"{len(changes)} changes, {unmarked} of them without bit 6, {repeats} marks without a change"


def _side(name: str, what: str, code: int, cost: str, perform: Callable[[Stand], str]) -> Check:
    return Check(
        name,
        _GROUP,
        what,
        f"Beyond this limit it trips with event {code} and latches at once; it rests after braking.",
        f"event {code}; at rest within {LATENCY_S + BRAKING_S + LINE_S:g} s of the order that passed it",
        cost,
        perform,
        arms=True,
    )


_LATE = "each second that it is late is a second of travel at full speed into the part, or a hand."

CHECKS = (
    Check(
        "inside-limits",
        _GROUP,
        "Inside all limits",
        "Nothing trips while force and position are inside their limits.",
        "event 2 up and down",
        "Runs end for nothing; and a limit on the wrong side does not act where it must.",
        _inside,
        arms=True,
    ),
    _side(
        "force-limit-upper",
        "The upper force limit, timed",
        4,
        f"It presses on beyond the force that breaks cell, frame or part; {_LATE}",
        partial(_force_side, down=False),
    ),
    _side(
        "force-limit-lower",
        "The lower force limit, timed",
        4,
        f"A part that sticks is pulled without limit, and the cell torn; {_LATE}",
        partial(_force_side, down=True),
    ),
    _side(
        "position-limit-upper",
        "The upper position limit, timed",
        5,
        f"The platens meet; {_LATE}",
        partial(_position_side, down=False),
    ),
    _side(
        "position-limit-lower",
        "The lower position limit, timed",
        5,
        f"The platen runs down into whatever is below it; {_LATE}",
        partial(_position_side, down=True),
    ),
    _side(
        "emergency-stop-timed",
        "The emergency stop, timed",
        6,
        f"Whoever presses the button is not helped; {_LATE}",
        _emergency_stop,
    ),
    Check(
        "speed-measured",
        _GROUP,
        "Speed by the samples",
        "A motion runs at the speed that the command names.",
        f"within {100 * SPEED_TOLERANCE:g} %",
        "Braking takes the square of the factor: three times the speed, nine times the way.",
        _speed,
        arms=True,
    ),
    Check(
        "dwell-measured",
        _GROUP,
        "Turns and dwells of cycles, by the samples",
        "A cycle stays at each turn as long as it was told, and is counted once.",
        f"{CYCLES} turns, each within {DWELL_TOLERANCE_S:g} s",
        "Hold times and relaxation are wrong, and a count says more or less than the part has seen.",
        _dwell,
        arms=True,
    ),
    Check(
        "fresh-force",
        _GROUP,
        "Status bit 6 (the force is new)",
        "Bit 6 is set in the samples whose force is new, and in no others.",
        "set with each change, clear in what repeats",
        "Force and position are matched at wrong times: stiffness and energy are off, more so at speed.",
        _fresh,
    ),
)
