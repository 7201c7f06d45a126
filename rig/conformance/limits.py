"""Limits on both sides, and what the samples say of stops, speeds, holds and fresh forces.

Problem: a device can name the right event and still trip on the wrong side, late, or move at another speed.
Plan: limits are narrowed around where the platen and the force already are, once with room (nothing may
trip) and once without (it must). Stops, speeds and holds are taken from the samples' own times and
positions, never from what the device says of itself. Cost: about twenty seconds of small motions.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from rig.conformance.dialogue import Heard, Taken
from rig.conformance.evidence import (
    BRAKING_S,
    FORCE_SLACK_COUNTS,
    LATENCY_S,
    PASSED_COUNTS,
    SEQ_MODULUS,
    first_us,
    folded,
    late_s,
    newest_us,
    rest_s,
    seen,
    times_s,
    watched,
)
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.provoking import EMERGENCY_STOP, HOME_SWITCH
from rig.conformance.stand import LINE_S, LONGER_S, NEAR_COUNTS, Stand
from rig.conformance.verdicts import Adding, CheckGroup
from rig.samples import BoolArray, FloatArray, IntArray, Status
from rig.wire import (
    AskState,
    Cycle,
    EventCode,
    Halt,
    Home,
    MoveTo,
    PressUntil,
    Reply,
    SampleBlock,
)

CHECKS = CheckGroup("limits", arms=True)

REACH_STROKES, REACH_S = 4, 1.5
"""Motions here are this many strokes or seconds long: long enough for a limit to be set on the way."""

SLOWNESS = 8
"""Position limits are tried at this part of the speed."""

CRAWL = 80
"""A motion at this part of the speed takes seconds for the steps in which it would have gathered speed."""

AHEAD_S = 0.5
"""A position limit is set so far ahead of the platen that it is there before the platen is."""

BENCH_S = 0.05
"""From a bench's answer until its contact is open, beside two samples."""

WATCHED_S = 1.0
SETTLE_S = 0.1
SPEED_TOLERANCE = 0.05
GATHERS_S, HOMING_S, ENOUGH_ON_ITS_WAY = 0.15, 0.5, 10
"""A homing is measured for so long, once it has its speed."""

DWELL_S, DWELL_LOW_S = 0.4, 0.7
DWELL_TOLERANCE_S = 0.1
CYCLES = 3
REST_S = 0.3
FULL_SPEED, SPEED_WINDOW_S, SPEED_WINDOW_SAMPLES = 0.9, 0.02, 2.5
BRAKING_TOLERANCE = 1.3
"""Of the way of braking: ramps of whole steps are a little longer than the formula."""

FRESH_LISTEN_S = 1.0
ENOUGH_CHANGES = 20
SLOW_CONVERTER = 3
UNEVEN_SAMPLES, MOST_EVEN = 0.2, 0.8
MOST_UNMARKED = 0.02
"""Of changed forces without bit 6: some samples before a changed one may have been lost."""
_LATE = "each second of delay is a second of travel at full speed into the part, or a hand."


@CHECKS.add(
    "inside-limits",
    "Inside all limits",
    "Nothing trips while force and position are inside their limits.",
    "event 2 up and down",
    "Runs end without a cause, and a limit on the wrong side does not act where it must.",
)
def _inside(stand: Stand) -> str:
    stand.ready()
    mean, spread = stand.force_now()
    room, bounds = spread + FORCE_SLACK_COUNTS, stand.bounds
    beside = max(2 * NEAR_COUNTS, bounds.stroke // 10)
    near = min(mean + 2 * room, bounds.max_force)
    # one that is below the force where only 16 of its bits are compared
    far = max(folded(mean - room, bounds.max_force), near)
    for highest, target in ((near, bounds.base + bounds.stroke), (far, bounds.base)):
        stand.narrow(
            min_force=max(mean - 2 * room, bounds.min_force),
            max_force=highest,
            min_position=max(bounds.base - beside, bounds.edges[2]),
            max_position=bounds.base + bounds.stroke + beside,
        )
        move = MoveTo(stand.talk.next_id(), target, bounds.speed)
        stand.accepts(move, "a motion inside all limits")
        stand.ends(move.request, stand.stroke_s(bounds.stroke), when="inside all limits it")
    return "up and down inside all four limits, no trip"


def _far(stand: Stand) -> int:
    bounds = stand.bounds
    reach = max(REACH_STROKES * bounds.stroke, round(REACH_S * bounds.speed))
    return min(bounds.base + reach, (bounds.base + bounds.far) // 2)


def _under_way(stand: Stand, *, down: bool, slowness: int = 1) -> int:
    """Return a motion up to, or back from, the far end, that has begun; its request id."""
    stand.ready()
    bounds, target = stand.bounds, _far(stand)
    if down:
        stand.go(target)
        target = bounds.base
    speed = max(bounds.speed // slowness, 1)
    return stand.begun(MoveTo(stand.talk.next_id(), target, speed), 2 * NEAR_COUNTS)


def _homing_under_way(stand: Stand, speed: int) -> int:
    """Return a homing from the far end that has begun; its request id."""
    stand.ready()
    stand.go(_far(stand))
    return stand.begun(Home(stand.talk.next_id(), speed), 2 * NEAR_COUNTS)


def _stopped_in_time(stand: Stand, begun_us: int, beside_s: float) -> str:
    """Return how long and how far it went on by the samples, which must be in time."""
    stand.talk.listen(WATCHED_S)
    block = seen(stand)
    since_s = times_s(stand, block, begun_us)
    stop_s = rest_s(block, since_s)
    position = block.position[since_s >= 0]
    travel = int(np.abs(position - position[0]).max())
    most_s = LATENCY_S + BRAKING_S + beside_s
    words = f"at rest {stop_s:.3f} s and {travel} counts after the cause, at most {most_s:g} s"
    require(stop_s <= most_s, words)
    most_travel = round(stand.bounds.speed * most_s * (1 + SPEED_TOLERANCE)) + NEAR_COUNTS
    require(travel <= most_travel, f"{words} and {most_travel} counts")
    return words


def _force_side(stand: Stand, *, down: bool) -> str:
    stand.ready()
    mean, spread = stand.force_now()
    request = _under_way(stand, down=down)
    room = spread + FORCE_SLACK_COUNTS
    begun_us = newest_us(stand)
    stand.narrow(**({"min_force": mean + room} if down else {"max_force": mean - room}))
    stand.trips(request, LONGER_S, EventCode.FORCE_TRIP)
    return _stopped_in_time(stand, begun_us, LINE_S)


def _side(name: str, what: str, code: int, cost: str) -> Adding:
    return CHECKS.add(
        name,
        what,
        f"Beyond this limit it trips with event {code} and latches at once; it rests after braking.",
        f"event {code}; at rest within {LATENCY_S + BRAKING_S + LINE_S:g} s of the order that passed it",
        cost,
    )


_side(
    "force-limit-upper",
    "The upper force limit, timed",
    4,
    f"It presses on beyond the force that breaks cell, frame or part; {_LATE}",
)(partial(_force_side, down=False))

_side(
    "force-limit-lower",
    "The lower force limit, timed",
    4,
    f"A part that sticks is pulled without limit, and the cell torn; {_LATE}",
)(partial(_force_side, down=True))


@CHECKS.add(
    "limits-at-begin",
    "Limits that are passed as a motion begins",
    "Force and travel limits are watched from the first step of a motion on.",
    f"event 4, then event 5, within {LATENCY_S + LINE_S:g} s of a motion's first steps, which are slow",
    "Small motions, one after another, press a part or a hand with no limit at all.",
)
def _at_begin(stand: Stand) -> str:
    """Pass a limit behind the begin of a motion whose first steps take seconds."""
    stand.ready()
    mean, spread = stand.force_now()
    bounds, speed = stand.bounds, max(stand.bounds.speed // CRAWL, 1)
    for code, what in ((EventCode.FORCE_TRIP, "a force"), (EventCode.TRAVEL_TRIP, "a travel")):
        stand.ready()
        request = stand.begin_slowly(MoveTo(stand.talk.next_id(), bounds.base + bounds.stroke, speed))
        begun_us = newest_us(stand)
        if code is EventCode.FORCE_TRIP:
            stand.narrow(max_force=mean - spread - FORCE_SLACK_COUNTS)
        else:
            stand.narrow(max_position=stand.position - PASSED_COUNTS)
        end = stand.trips(request, LONGER_S, code)
        after_s = late_s(stand, end, begun_us)
        words = f"event {int(code)} came {after_s:.3f} s after the begin of a motion beyond {what} limit"
        require(after_s <= LATENCY_S + LINE_S, words)
    return "events 4 and 5 at once"


def _position_side(stand: Stand, *, down: bool) -> str:
    # slowly: a limit that is late by some counts is late by a long time then
    request = _under_way(stand, down=down, slowness=SLOWNESS)
    speed = max(stand.bounds.speed // SLOWNESS, 1)
    ahead = round(AHEAD_S * speed)
    limit = stand.position + (-ahead if down else ahead)
    begun_us = newest_us(stand)
    stand.narrow(**({"min_position": limit} if down else {"max_position": limit}))
    end = stand.trips(request, LONGER_S, EventCode.TRAVEL_TRIP)
    past_it = abs(end.value - limit)
    most = round(LATENCY_S * speed) + 2 * NEAR_COUNTS
    require(past_it <= most, f"event 5 came {past_it} counts past the limit, at most {most} at {speed}/s")
    stand.talk.listen(SETTLE_S)
    block = seen(stand)
    past = block.position < limit if down else block.position > limit
    past &= times_s(stand, block, begun_us) >= 0
    # the instant of passing is the device's own: neither the line nor this computer takes part in it
    passed_us = first_us(block, past, f"it tripped before it was past its limit of {limit} counts")
    words = _stopped_in_time(stand, passed_us, 0.0)
    return f"event 5 {past_it} counts past the limit; {words}"


_side(
    "position-limit-upper",
    "The upper position limit, timed",
    5,
    f"The platens meet; {_LATE}",
)(partial(_position_side, down=False))

_side(
    "position-limit-lower",
    "The lower position limit, timed",
    5,
    f"The platen runs down into whatever is below it; {_LATE}",
)(partial(_position_side, down=True))


@_side(
    "emergency-stop-timed",
    "The emergency stop, timed",
    6,
    f"The button does not protect the person who presses it; {_LATE}",
)
def _emergency_stop(stand: Stand) -> str:
    stand.willing(EMERGENCY_STOP, "a person's hand cannot be timed")
    stand.ready()
    request = stand.begin_long()
    stand.provoke(EMERGENCY_STOP)
    # the bench has done it: a reply that comes back since then takes the line out of the measurement
    pressed_us = _before(stand, stand.talk.ask(AskState(stand.talk.next_id())))
    end = stand.trips(request, LONGER_S, EventCode.STOP_OPENED)
    beside_s = BENCH_S + 2000 / stand.work_rate_mhz
    after_s, most_s = late_s(stand, end, pressed_us), LATENCY_S + beside_s
    require(after_s <= most_s, f"event 6 came {after_s:.3f} s after the button, at most {most_s:.3f} s")
    return _stopped_in_time(stand, pressed_us, beside_s)


@_side(
    "home-switch",
    "The home switch during a motion towards it",
    5,
    f"After one wrong homing the platen runs into its lower end; {_LATE}",
)
def _home_switch(stand: Stand) -> str:
    stand.willing(HOME_SWITCH, "a person's hand cannot be timed")
    request = _under_way(stand, down=True)
    begun_us = newest_us(stand)
    stand.provoke(HOME_SWITCH)
    stand.trips(request, LONGER_S, EventCode.TRAVEL_TRIP)
    require(stand.shows(Status.TRAVEL_SWITCH), "event 5, and status bit 3 (travel switch) is clear")
    return _stopped_in_time(stand, begun_us, LINE_S)


def _before(stand: Stand, reply: Reply | None) -> int:
    """Return the time of the last sample that came before a reply."""
    before_us = None
    for said in stand.talk.record:
        if isinstance(said, Taken) and said.block.time_us is not None:
            before_us = int(said.block.time_us[-1])
        if isinstance(said, Heard) and said.message is reply:
            break
    if before_us is None:
        raise UnreadyError("no samples with times arrived")
    return before_us


@CHECKS.add(
    "halt-timed",
    "Halt, by the samples",
    "Halt brakes at once, with the deceleration that the rig's file states.",
    f"at rest within {LATENCY_S + BRAKING_S + LINE_S:g} s, after v^2/2a and {BRAKING_TOLERANCE - 1:.0%}",
    "A halt takes effect too late; a press to a force overshoots by the longer braking distance.",
)
def _halt(stand: Stand) -> str:
    """Halt at full speed: when it rests, and how far braking goes."""
    request = _under_way(stand, down=False)
    # braking takes hundredths of a second: as many samples of it as there can be
    stand.at_highest_rate()
    stand.talk.listen(AHEAD_S)
    begun_us = newest_us(stand)
    reply = stand.talk.ask(Halt(stand.talk.next_id()))
    stand.ends(request, LONGER_S, EventCode.HALTED)
    words = _stopped_in_time(stand, begun_us, LINE_S)
    bounds = stand.bounds
    if not bounds.deceleration:
        return words
    block = seen(stand)
    since_s = times_s(stand, block, begun_us)
    # over a window, since in one step of the samples whole counts hide the speed
    enough_s = 2 * NEAR_COUNTS / (FULL_SPEED * bounds.speed)
    window_s = max(SPEED_WINDOW_S, enough_s, SPEED_WINDOW_SAMPLES * float(np.median(np.diff(since_s))))
    first = np.searchsorted(since_s, since_s - window_s, side="left")
    way = np.abs(block.position - block.position[first])
    # over the time that lies between the samples: no whole number of their periods fits into the window
    fast = np.flatnonzero(way + 1 >= FULL_SPEED * bounds.speed * np.maximum(since_s - since_s[first], 1e-3))
    fast = fast[way[fast] > NEAR_COUNTS]
    if not len(fast):
        raise UnreadyError("it did not reach its speed before it was halted")
    gone = abs(int(block.position[-1]) - int(block.position[fast[-1]]))
    should = bounds.speed**2 / (2 * bounds.deceleration)
    most = BRAKING_TOLERANCE * should + bounds.speed * float(np.median(np.diff(since_s))) + NEAR_COUNTS
    words = f"{words}; braking went on by {gone} counts, {should:.0f} by the rig's deceleration"
    require(gone <= most, f"{words}, at most {most:.0f}")
    # the device has the order when it answers it: the line takes no part any more
    replied = int(np.argmax(times_s(stand, block, _before(stand, reply)) >= 0))
    gone = abs(int(block.position[-1]) - int(block.position[replied]))
    most += LATENCY_S * bounds.speed
    words = f"{words}; it went on by {gone} counts from its reply on"
    require(gone <= most, f"{words}, at most {most:.0f}")
    return words


@CHECKS.add(
    "halt-homing",
    "Halt during a homing",
    "Halt stops every motion, homing too, with event 12.",
    f"event 12; at rest within {LATENCY_S + BRAKING_S + LINE_S:g} s",
    "A homing in the wrong direction can only be stopped by the emergency stop.",
)
def _halt_homing(stand: Stand) -> str:
    request = _homing_under_way(stand, stand.bounds.careful_speed)
    begun_us = newest_us(stand)
    stand.talk.ask(Halt(stand.talk.next_id()))
    stand.ends(request, LONGER_S, EventCode.HALTED)
    return _stopped_in_time(stand, begun_us, LINE_S)


@CHECKS.add(
    "home-again",
    "Homing a second time",
    "Positions are counted without loss: home stays where it is.",
    f"event 14 with an offset of {NEAR_COUNTS} counts at most",
    "Positions drift with every cycle; set and deflection drift with them, and limits move.",
)
def _home_again(stand: Stand) -> str:
    """After some ways up and down the home switch is where it was."""
    stand.ready()
    bounds = stand.bounds
    high = bounds.base + bounds.stroke
    for target in (high, bounds.base, high, bounds.base):
        stand.go(target)
    offset = stand.homes("a homing of what is homed already").value
    words = f"home lies {offset} counts from where it was before four ways up and down"
    require(abs(offset) <= NEAR_COUNTS, words)
    return words


@CHECKS.add(
    "status-at-rest",
    "Status bits while nothing is wrong",
    "Bits 0 to 5 are clear on an armed device at rest, away from its switches.",
    "all clear",
    "Recordings are marked as faulty; a bit that is always set cannot warn any more.",
)
def _status_at_rest(stand: Stand) -> str:
    """No bit of trouble is set while nothing is wrong."""
    stand.ready()
    wrong = Status(int(np.bitwise_or.reduce(watched(stand, REST_S).status))) & (
        Status.FORCE_SATURATED
        | Status.POSITION_FAULT
        | Status.MOVING
        | Status.TRAVEL_SWITCH
        | Status.EMERGENCY_STOP
        | Status.FORCE_TRIP
    )
    require(not wrong, f"armed and at rest, nothing wrong, and its status shows {wrong!r}")
    return "bits 0 to 5 clear"


def _speed_of(block: SampleBlock, since_s: FloatArray, base: int, way: int) -> float:
    """Return the speed of one way, up or down, in counts/s."""
    # the middle half, where it neither gathers speed nor brakes
    middle = np.abs(block.position - (base + way / 2)) <= way / 4
    count = int(middle.sum())
    if count < 3:
        require(count > 0 or len(block) == 0, f"no sample came in the middle of {way} counts: too fast")
        raise UnreadyError("too few samples came on the way")
    return abs(float(np.polyfit(since_s[middle], block.position[middle].astype(np.float64), 1)[0]))


def _speed(stand: Stand, kind: type[MoveTo | PressUntil | Cycle]) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    # a press and cycles at the speed of all motions here: what is held below it would not show at half of it
    far, asked = _far(stand), bounds.speed // 2 if kind is MoveTo else bounds.speed
    begun_us = newest_us(stand)
    stand.talk.taken.clear()
    way = far - bounds.base
    command: MoveTo | PressUntil | Cycle = MoveTo(talk.next_id(), far, asked)
    if kind is PressUntil:
        command = PressUntil(talk.next_id(), bounds.max_force, asked, far)
    elif kind is Cycle:
        stand.needs_cycles()
        command = Cycle(talk.next_id(), bounds.base, far, asked, 0, 0, 1)
    # a press ends at its position limit, which is no fault here
    stand.ending(stand.begin(command), 2 * stand.stroke_s(2 * way))
    talk.listen(SETTLE_S)
    block = seen(stand)
    since_s = times_s(stand, block, begun_us)
    highest = int(np.argmax(block.position)) + 1
    ways = [slice(0, highest)] + ([slice(highest, len(block))] if kind is Cycle else [])
    found = [_speed_of(block[part], since_s[part], bounds.base, way) for part in ways]
    words = f"{' and '.join(f'{each:.0f}' for each in found)} counts/s by the samples, {asked} asked for"
    require(all(abs(each / asked - 1.0) <= SPEED_TOLERANCE for each in found), words)
    return words


CHECKS.add(
    "speed-measured",
    "Speed by the samples",
    "A motion runs at the speed that the command names.",
    f"within {100 * SPEED_TOLERANCE:g} %",
    "The braking distance grows with the square: three times the speed, nine times the distance.",
)(partial(_speed, kind=MoveTo))

CHECKS.add(
    "speed-of-a-press",
    "Speed of a press by the samples",
    "A press runs at the speed that the command names.",
    f"within {100 * SPEED_TOLERANCE:g} %",
    "Each press overshoots its force by more, and rates of loading are wrong.",
)(partial(_speed, kind=PressUntil))

CHECKS.add(
    "speed-of-cycles",
    "Speed of cycles by the samples",
    "Cycles run at the speed that the command names.",
    f"within {100 * SPEED_TOLERANCE:g} %",
    "An endurance run takes longer than planned, or squeezes faster than the part is used.",
)(partial(_speed, kind=Cycle))


@CHECKS.add(
    "speed-of-homing",
    "Speed of a homing by the samples",
    "A homing goes at the speed that the command names; it may be careful.",
    f"at most {100 * SPEED_TOLERANCE:g} % above, and not less than half",
    "The switch is met faster than was meant: zero differs each time, and a hand is hit harder.",
)
def _homing_speed(stand: Stand) -> str:
    """Home at half the speed of motions, and halt it on its way."""
    talk, asked = stand.talk, max(stand.bounds.careful_speed // 2, 1)
    _homing_under_way(stand, asked)
    talk.listen(GATHERS_S)
    block = watched(stand, max(HOMING_S, 1000 * (ENOUGH_ON_ITS_WAY + 2) / stand.work_rate_mhz))
    talk.ask(Halt(talk.next_id()))
    if len(block) < ENOUGH_ON_ITS_WAY:
        raise UnreadyError("too few samples came on the way")
    found = abs(float(np.polyfit(times_s(stand, block), block.position.astype(np.float64), 1)[0]))
    words = f"{found:.0f} counts/s by the samples, {asked} asked for"
    require(0.5 <= found / asked <= 1.0 + SPEED_TOLERANCE, words)
    return words


def _stays_s(since_s: FloatArray, there: BoolArray) -> list[float]:
    """Return how long each run of samples in one place lasted."""
    edges = np.diff(np.concatenate([[0], there.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return [float(since_s[end] - since_s[begin]) for begin, end in zip(begins, ends, strict=True)]


@CHECKS.add(
    "hold-measured",
    "Turns and holds of cycles, by the samples",
    "A cycle stays at each turn as long as ordered, and is counted once.",
    f"{CYCLES} turns, each within {DWELL_TOLERANCE_S:g} s",
    "Hold times and relaxation are wrong, and the count differs from what the part has seen.",
)
def _dwell(stand: Stand) -> str:
    stand.needs_cycles()
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    high, low_ms, high_ms = bounds.base + bounds.stroke, round(1000 * DWELL_LOW_S), round(1000 * DWELL_S)
    talk.taken.clear()
    limit_s = CYCLES * (2 * stand.stroke_s(bounds.stroke) + 2 * DWELL_LOW_S)
    cycle = Cycle(talk.next_id(), bounds.base, high, bounds.speed, low_ms, high_ms, CYCLES)
    stand.finish(cycle, limit_s)
    block = seen(stand)
    since_s = times_s(stand, block)
    highs = _stays_s(since_s, np.abs(block.position - high) <= NEAR_COUNTS)
    words = f"it was at the upper turn {len(highs)} times, {CYCLES} cycles were asked for"
    require(len(highs) == CYCLES, words)
    lows = _stays_s(since_s, np.abs(block.position - bounds.base) <= NEAR_COUNTS)[1:CYCLES]
    for where, stays, asked_s in (("upper", highs, DWELL_S), ("lower", lows, DWELL_LOW_S)):
        for stay_s in stays:
            words = f"it stayed {stay_s:.3f} s at the {where} turn, {asked_s:g} s were asked for"
            # it is near the turn already before it rests there, and still behind it
            most_s = DWELL_TOLERANCE_S + 2 * NEAR_COUNTS / bounds.speed
            require(-DWELL_TOLERANCE_S <= stay_s - asked_s <= most_s, words)
    return f"{len(highs)} turns; it stayed {', '.join(f'{each:.3f}' for each in [*highs, *lows])} s"


@CHECKS.add(
    "fresh-force",
    "Status bit 6 (the force is new)",
    "Bit 6 is set in the samples whose force is new, and in no others.",
    "set with each change, clear in what repeats",
    "Force and position are matched at wrong times: stiffness and energy are off, more so at speed.",
    arms=False,
)
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


@CHECKS.add(
    "fresh-time",
    "The time of a new force",
    "With status bit 6 the time of a sample is that at which the conversion ended.",
    f"as even as the converter's clock, to {100 * UNEVEN_SAMPLES:g} % of a sample period",
    "Each force is up to a sample period beside its time: hysteresis that the part does not have.",
    arms=False,
)
def _fresh_times(stand: Stand) -> str:
    """Compare the times of new forces with those of a clock: a converter has its own, and keeps it."""
    block = stand.collect(FRESH_LISTEN_S)
    taken_s = times_s(stand, block)
    sample_s = float(np.median(np.diff(taken_s)))
    fresh_s = taken_s[(block.status & Status.FRESH_FORCE) > 0]
    if len(fresh_s) < ENOUGH_CHANGES or len(fresh_s) * SLOW_CONVERTER > len(taken_s):
        raise NotApplicableError("the converter is about as fast as the stream, or bit 6 is never set")
    apart_s = np.diff(fresh_s)
    number = np.concatenate([[0.0], np.cumsum(np.rint(apart_s / np.median(apart_s)))])
    beside_s = fresh_s - np.polyval(np.polyfit(number, fresh_s, 1), number)
    most_s = UNEVEN_SAMPLES * sample_s
    # a few may have been noticed late; those that bear the time of the sample lie anywhere between two
    off_s = float(np.quantile(np.abs(beside_s), MOST_EVEN))
    period_ms = 1000 * float(fresh_s[-1] - fresh_s[0]) / float(number[-1])
    words = (
        f"new forces come each {period_ms:.3f} ms, their times lie up to {1000 * off_s:.3f} ms beside that"
    )
    require(off_s <= most_s, f"{words}; at most {1000 * most_s:.3f} ms")
    return words
