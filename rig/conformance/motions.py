"""Motions, small and slow: each does what it says and ends in one event."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from rig.conformance.dialogue import REPLY_S, bare_frame
from rig.conformance.evidence import FORCE_SLACK_COUNTS, folded, late_s, newest_us, seen, times_s, watched
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import NEAR_COUNTS, Motion, Stand, accepted, event_words, replied, result_words
from rig.conformance.verdicts import CheckGroup
from rig.samples import Status
from rig.wire import (
    AskState,
    Capability,
    ClearStop,
    Command,
    Cycle,
    Describe,
    Disarm,
    Event,
    EventCode,
    Halt,
    Home,
    Identify,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    State,
    StateFlag,
    StreamAt,
)

CHECKS = CheckGroup("motion", arms=True)
CYCLES = 2
MANY_CYCLES, FEWER_CYCLES = 2**24 + 1, 2**16 + 1
"""Numbers that are 1 in 24, 16 or 8 bits. A device may do fewer than the first: the second is a day's."""

UNDER_WAY_S = 0.3
UNKNOWN_KIND = 0x5F
HALT_S = 2.0
SECOND_END_S = 0.4
HIGHEST_BIT = 2**15
REACHED_PART, REACHED_S = 8, 0.2
"""At this part of the speed a force that is there is noticed within two conversions of a slow converter."""

STAYING_CYCLES, STAYING_SAMPLES = 12, 3
"""After these cycles a count that each loses or gains shows, and in a hold of these samples a turn."""

SLOWEST_COUNTS_PER_S, SLOWEST_PART = 10, 10
SLOW_COUNTS, SLOW_TOLERANCE = 25, 0.15
"""The way over which a low speed is measured; whole counts hide some of it."""


@CHECKS.add(
    "home",
    "Homing",
    "It goes down to the home switch, where position becomes zero; event 14, then event 2.",
    "both events, position 0, flag 1",
    "Every position and every travel limit is off by the same, unknown length.",
)
def _home(stand: Stand) -> str:
    stand.arm()
    stand.homes("a homing")
    stand.talk.listen(0.1)
    require(abs(stand.position) <= NEAR_COUNTS, f"afterwards it stands at {stand.position} counts")
    require(StateFlag.HOMED in stand.state().flags, "flag 1 (homed) is clear")
    return f"event 14, then event 2; it stands at {stand.position} counts"


@CHECKS.add(
    "move",
    "A motion to a position",
    "Move to goes there and ends with event 2; status bit 2 is set while it moves.",
    f"within {NEAR_COUNTS} counts",
    "Depths, holds and the free height are wrong; programs do not see that it moves.",
)
def _move(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    target = bounds.base + bounds.stroke
    talk.taken.clear()
    request = stand.begin(MoveTo(talk.next_id(), target, bounds.speed))
    end = stand.ends(request, stand.stroke_s(bounds.stroke))
    talk.listen(0.1)
    require(abs(stand.position - target) <= NEAR_COUNTS, f"sent to {target}, it stands at {stand.position}")
    moved = bool((seen(stand).status & Status.MOVING).any())
    require(moved, "status bit 2 (moving) was never set")
    require(not stand.moving, "status bit 2 (moving) is set at rest")
    require(abs(end.value - target) <= NEAR_COUNTS, f"event 2 says {end.value}, sent to {target}")
    return f"it stands at {stand.position}, sent to {target}"


@CHECKS.add(
    "move-nowhere",
    "A motion to where it stands",
    "Each accepted motion ends with one event, however short it is.",
    "event 2 at once",
    "A run whose platen is there already waits for ever.",
)
def _nowhere(stand: Stand) -> str:
    """Order it to where it stands, and a count beside it: motions as any other, which end at once."""
    stand.ready()
    stand.talk.listen(0.1)
    here = stand.position
    fresh = stand.talk.next_id()
    # an event has all 16 bits of the id
    ids = stand.talk.next_id(), fresh | HIGHEST_BIT, fresh & ~HIGHEST_BIT or 1
    for target, request in zip((here, here + 1, here), ids, strict=True):
        stand.begin(MoveTo(request, target, stand.bounds.speed))
        stand.ends(request, HALT_S, when=f"a motion from about {here} to {target}")
        gone = abs(stand.position - here)
        require(gone <= NEAR_COUNTS, f"it went {gone} counts away from where it stood")
    return "event 2 at once"


@CHECKS.add(
    "move-slowly",
    "A motion at a very low speed",
    "A motion goes at the speed that it was given.",
    f"within {100 * SLOW_TOLERANCE:g} %, or result 2",
    "A slow compression runs many times too fast.",
)
def _slowly(stand: Stand) -> str:
    """A speed so low that the time of a step does not fit into 16 bits."""
    stand.ready()
    bounds, talk = stand.bounds, stand.talk
    speed = max(min(bounds.speed // SLOWEST_PART, SLOWEST_COUNTS_PER_S), 1)
    begun_at = stand.position
    way = max(bounds.stroke // 2, 2 * SLOW_COUNTS)
    if begun_at + way > bounds.far:
        raise NotApplicableError(f"its travel is too short: {way} counts are needed at such a speed")
    # close by, since a speed that is wrong may be a high one; never wider than the rig's own
    stand.set_limits(max_position=min(begun_at + 2 * way, bounds.max_position))
    stand.begin_slowly(MoveTo(talk.next_id(), begun_at + way, speed))
    block = watched(stand, SLOW_COUNTS / speed)
    talk.ask(Halt(talk.next_id()))
    if len(block) < SLOW_COUNTS:
        raise UnreadyError("too few samples came")
    found = float(np.polyfit(times_s(stand, block), block.position.astype(np.float64), 1)[0])
    words = f"{found:.1f} counts/s by the samples, {speed} asked for"
    require(abs(found / speed - 1.0) <= SLOW_TOLERANCE, words)
    return words


@CHECKS.add(
    "motion-ends-once",
    "The end of a motion",
    "Exactly one event with its request id ends each motion.",
    "one event",
    "A second one may be taken for the end of the next motion, which is then still under way.",
)
def _one_end(stand: Stand) -> str:
    stand.ready()
    request = stand.go(stand.bounds.base + stand.bounds.stroke).request
    stand.talk.listen(SECOND_END_S)
    count = len(stand.endings(request))
    require(count == 1, f"{count} events ended one motion")
    return "one event"


def _limit_behind(stand: Stand) -> None:
    """Order a press up to a limit that lies behind the platen, which goes nowhere, however it is answered."""
    talk, bounds, here = stand.talk, stand.bounds, stand.position
    # close by: what compares the limit for equality never meets it, and would press on
    stand.set_limits(max_position=here + bounds.stroke // 2 + NEAR_COUNTS)
    press = PressUntil(talk.next_id(), bounds.max_force, bounds.speed, bounds.base)
    if stand.answers(press, "a press").result == ReplyResult.ACCEPTED:
        stand.ending(press.request, stand.stroke_s(bounds.stroke))
    talk.listen(0.1)
    gone = stand.position - here
    where = "towards" if gone > 0 else "away from"
    words = f"a press whose limit lies behind it went {abs(gone)} counts {where} the part"
    require(abs(gone) <= NEAR_COUNTS, words)


@CHECKS.add(
    "position-limit-first",
    "A press whose force is not reached",
    "Press until stops at its position limit and ends with event 11.",
    "event 11",
    "A missing specimen looks like one that was pressed.",
)
def _limit_before_force(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    mean, spread = stand.force_now()
    farthest = bounds.base + bounds.stroke
    # one that is there already where only 16 of its bits are compared
    goal = folded(mean - spread - FORCE_SLACK_COUNTS, bounds.max_force)
    goal = goal if goal > mean + spread + FORCE_SLACK_COUNTS else bounds.max_force
    press = PressUntil(talk.next_id(), goal, bounds.speed, farthest)
    stand.accepts(press, "a press to a force inside the limits")
    stand.ends(press.request, stand.stroke_s(bounds.stroke), EventCode.POSITION_LIMIT)
    talk.listen(0.1)
    require(abs(stand.position - farthest) <= NEAR_COUNTS, f"it stands at {stand.position}, limit {farthest}")
    _limit_behind(stand)
    return "event 11 at the position limit"


@CHECKS.add(
    "force-reached",
    "A press whose force is already reached",
    "Press until stops when the force is reached and ends with event 2.",
    "event 2 at once",
    "It presses on, past the force that was asked for.",
)
def _force_reached(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    mean, spread = stand.force_now()
    goal, speed = mean - spread - FORCE_SLACK_COUNTS, max(bounds.speed // REACHED_PART, 1)
    # slowly, so that two conversions of a slow converter are no way to speak of
    command = PressUntil(talk.next_id(), goal, speed, bounds.base + bounds.stroke)
    stand.accepts(command, "a press whose force is there already")
    stand.ends(command.request, stand.stroke_s(REACHED_PART * bounds.stroke))
    talk.listen(0.1)
    gone, most = stand.position - bounds.base, round(REACHED_S * speed) + 2 * NEAR_COUNTS
    require(
        gone <= most, f"the force was there, and it went on by {gone} counts, at most {most} at {speed}/s"
    )
    return f"event 2 after {gone} counts"


def _stopped_by(stand: Stand, order: type[Halt | Disarm], word: str) -> State:
    """Begin a long motion, and end it by an order; the state at rest."""
    stand.ready()
    request = stand.begin_long()
    stand.accepts(order(stand.talk.next_id()), word)
    stand.ends(request, HALT_S, EventCode.HALTED)
    state = stand.standstill()
    stand.status()  # the newest sample may have been taken while it still braked
    here = stand.position
    # a second order at rest is no order to go on
    stand.accepts(order(stand.talk.next_id()), f"a second {word}")
    stand.talk.listen(UNDER_WAY_S)
    gone = abs(stand.position - here)
    require(gone <= NEAR_COUNTS, f"a second {word}, at rest, made it go {gone} counts")
    return state


@CHECKS.add(
    "halt",
    "Halt",
    "Halt stops now, ends the motion with event 12, and leaves it armed.",
    "event 12, armed",
    "Ctrl-C and the page's button do not do what they say.",
)
def _halt(stand: Stand) -> str:
    state = _stopped_by(stand, Halt, "halt")
    require(StateFlag.ARMED in state.flags, "it is disarmed afterwards")
    return "event 12, still armed"


@CHECKS.add(
    "disarm-halts",
    "Disarm during a motion",
    "Disarm halts and forbids motion; the motion ends with event 12.",
    "event 12, disarmed",
    "A program that ends badly leaves the platen moving.",
)
def _disarm(stand: Stand) -> str:
    state = _stopped_by(stand, Disarm, "disarm")
    require(StateFlag.ARMED not in state.flags, "it is armed afterwards")
    return "event 12, disarmed"


def _many(stand: Stand) -> None:
    """Order tiny cycles, in a number that would be 1 in fewer bits."""
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + 2 * NEAR_COUNTS
    for count in (MANY_CYCLES, FEWER_CYCLES):
        command = Cycle(talk.next_id(), bounds.base, high, bounds.speed, 0, 0, count)
        reply = stand.answers(command, f"{count} cycles")
        if reply.result == ReplyResult.ACCEPTED:
            break
    accepted(reply, f"{count} cycles, whose number has 32 bits,")

    def counted() -> list[int]:
        return [event.value for event in _counts(stand, command.request)]

    def two_done() -> bool:
        return len(counted()) >= CYCLES or bool(stand.endings(command.request))

    talk.until(two_done, 2 * stand.stroke_s(4 * NEAR_COUNTS))
    end = next(iter(stand.endings(command.request)), None)
    require(end is None, f"{count} cycles were ordered, and {event_words(end)} ended them at once")
    stand.halt()
    done = stand.standstill().cycles_done
    require(counted()[:1] == [1], f"of new cycles the first events 13 counted {counted()}")
    require(done == counted()[-1], f"halted, its state says {done} cycles, events 13 counted {counted()}")


def _counts(stand: Stand, request: int) -> list[Event]:
    """Return the events 13 of some cycles that were heard."""
    return [
        event
        for event in stand.talk.events()
        if event.code == EventCode.CYCLE_FINISHED and event.request == request
    ]


@CHECKS.add(
    "cycles",
    "Cycles that the device runs itself",
    "Event 13 counts each cycle, event 2 ends them, the state holds the count.",
    "1, 2, then event 2",
    "Endurance runs lose count.",
)
def _cycle(stand: Stand) -> str:
    stand.needs_cycles()
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + bounds.stroke
    # from somewhere else, so that the way to its low turn is one
    stand.go(high)
    request = stand.begin(Cycle(talk.next_id(), bounds.base, high, bounds.speed, 50, 50, CYCLES))
    stand.ends(request, 2 * CYCLES * stand.stroke_s(bounds.stroke))
    counted = [event.value for event in _counts(stand, request)]
    require(counted == [*range(1, CYCLES + 1)], f"events 13 counted {counted}")
    block = seen(stand)
    for event in _counts(stand, request):
        at = int(block.position[np.abs(times_s(stand, block, event.time_us)).argmin()])
        words = f"event 13 came at {at} counts, a cycle ends at its low turn of {bounds.base}"
        require(at - bounds.base <= bounds.stroke // 2, words)
    done = stand.state().cycles_done
    require(done == CYCLES, f"its state says {done} cycles")
    _many(stand)
    return f"events 13 counted {counted}, then event 2"


@CHECKS.add(
    "cycles-stay",
    "The turns of many cycles",
    "Cycles go between the two positions of their order, the last like the first.",
    f"{STAYING_CYCLES} cycles whose turns stay within {NEAR_COUNTS} counts",
    "An endurance run squeezes the part less and less, or deeper and deeper, and its set is wrong.",
)
def _staying(stand: Stand) -> str:
    """Run more cycles than other checks do: what each adds to a turn adds up."""
    stand.needs_cycles()
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + max(bounds.stroke // 2, 4 * NEAR_COUNTS)
    # what creeps stays close by, and within the limits that it has
    stand.set_limits(max_position=min(high + bounds.stroke, bounds.max_position))
    hold_ms = STAYING_SAMPLES * 1_000_000 // stand.work_rate_mhz
    order = (bounds.base, high, bounds.speed, hold_ms, hold_ms, STAYING_CYCLES)
    cycle = Cycle(talk.next_id(), *order)
    talk.taken.clear()
    stand.finish(cycle, STAYING_CYCLES * 2 * stand.stroke_s(high - bounds.base))
    block = seen(stand)
    since_s = times_s(stand, block)
    newest_s = float(since_s[-1])
    counted_s = [late_s(stand, event, newest_us(stand)) for event in _counts(stand, cycle.request)]
    ends_s = [0.0, *(newest_s + counted for counted in counted_s)]
    turns = [block.position[(begin_s < since_s) & (since_s <= end_s)] for begin_s, end_s in pairwise(ends_s)]
    if len(turns) != STAYING_CYCLES or not all(len(turn) for turn in turns):
        raise UnreadyError("too few events 13 or samples came")
    apart = max(np.ptp([turn.max() for turn in turns]), np.ptp([turn.min() for turn in turns]))
    require(apart <= NEAR_COUNTS, f"within {STAYING_CYCLES} cycles a turn moved by {apart} counts")
    return f"within {STAYING_CYCLES} cycles no turn moved by more than {apart} counts"


@CHECKS.add(
    "asked-in-motion",
    "Other commands during a motion",
    "Identify, state, stream, describe, clear stop and unknown commands have no part in a motion.",
    "each is answered, and the motion ends with event 2",
    "A program that only looks at the press breaks its run off.",
)
def _asked_in_motion(stand: Stand) -> str:
    """Ask for all that moves nothing while the platen moves: the motion goes on to its end."""
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    target = bounds.base + 2 * bounds.stroke
    rate_mhz = stand.work_rate_mhz
    request = stand.begun(MoveTo(talk.next_id(), target, max(bounds.speed // 2, 1)))
    commands: list[Command] = [
        Identify(talk.next_id()),
        AskState(talk.next_id()),
        StreamAt(talk.next_id(), max(rate_mhz // 2, 1)),
        StreamAt(talk.next_id(), 0),
        StreamAt(talk.next_id(), rate_mhz),
        ClearStop(talk.next_id()),
    ]
    if Capability.DESCRIBES in stand.known.capabilities:
        commands.append(Describe(talk.next_id()))
    for command in commands:
        talk.beat()  # no sample asks for one while the stream is off
        stand.answers(command, f"{type(command).__name__.lower()} while it moves")
    talk.send_bytes(b"\x00" + bare_frame(UNKNOWN_KIND, talk.next_id()))
    talk.send_bytes(b"\x00" + bytes(range(1, 41)) + b"\x00")
    stand.ends(request, 2 * stand.stroke_s(2 * bounds.stroke))
    flags = stand.state().flags
    require(StateFlag.ARMED in flags, "commands that arm or disarm nothing disarmed it")
    return f"{len(commands) + 1} commands and some rubbish: event 2 at its end all the same"


@CHECKS.add(
    "halted-at-once",
    "A halt right behind a motion, and a motion right behind a halt",
    "Halt stops now; until the motion has ended, another one is answered 4.",
    "event 12; result 4 while it brakes",
    "A halt is lost, or the end of a motion is: the program waits for it.",
)
def _halted_at_once(stand: Stand) -> str:
    """Send a motion and a halt at once, and a motion while it still brakes."""
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    move = MoveTo(talk.next_id(), bounds.base + 2 * bounds.stroke, bounds.speed)
    halts = Halt(talk.next_id()), Halt(talk.next_id())
    talk.send_together(move, *halts)
    words = "a motion and two halts were sent at once"
    stand.ends(move.request, HALT_S, EventCode.HALTED, when=f"{words}, and it")
    for halt in halts:
        talk.until(lambda request=halt.request: talk.reply_to(request) is not None, REPLY_S)  # type: ignore[misc]
        accepted(talk.reply_to(halt.request), f"{words}, and a halt")
    stand.standstill()
    first = stand.begin(MoveTo(talk.next_id(), bounds.base + 4 * bounds.stroke, bounds.speed))
    talk.listen(UNDER_WAY_S)
    halt = Halt(talk.next_id())
    second = MoveTo(talk.next_id(), bounds.base, bounds.speed)
    talk.send_together(halt, second)
    talk.until(lambda: talk.reply_to(second.request) is not None, HALT_S)
    end = stand.ending(first, HALT_S)
    reply = replied(talk.reply_to(second.request), "a motion right behind a halt")
    if reply.result == ReplyResult.ACCEPTED:
        stand.halt()
    # whoever looks at the line seldom finds the motion ended, and accepts
    words = "a motion right behind a halt was accepted, and no event ended the one before"
    require(reply.result == ReplyResult.BUSY or end is not None, words)
    return f"event 12, and a motion while it brakes: {result_words(reply.result)}"


@CHECKS.add(
    "motion-repeated",
    "A repeated request for a motion",
    "A command with the last request id gets the same reply and is not carried out twice.",
    "the same reply, no second motion",
    "A reply lost on the line presses the specimen twice.",
)
def _repeated(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    command = MoveTo(talk.next_id(), bounds.base + bounds.stroke, bounds.speed)
    request = stand.finish(command, stand.stroke_s(bounds.stroke)).request
    before = len(stand.endings(request))
    talk.send(command)
    came = talk.until(lambda: len(talk.replies_to(request)) >= 2, 1.0)
    require(came, "no second reply")
    talk.listen(SECOND_END_S)
    replies: list[Reply] = talk.replies_to(request)
    require(replies[1].result == ReplyResult.ACCEPTED, f"the second reply has result {replies[1].result}")
    require(len(stand.endings(request)) == before, "the motion was begun a second time")
    return "the same reply, and no second motion"


@CHECKS.add(
    "last-motion",
    "The last motion in the state",
    "The state holds the request id of the last motion.",
    "its request id",
    "After a lost link the host cannot tell whether its motion was begun.",
)
def _last_request(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    mean, spread = stand.force_now()
    middle, goal = bounds.base + bounds.stroke // 2, mean - spread - FORCE_SLACK_COUNTS
    motions: list[Motion] = [
        Home(talk.next_id(), bounds.home_speed),
        MoveTo(talk.next_id(), middle, bounds.speed),
        PressUntil(talk.next_id(), goal, bounds.speed, bounds.base + bounds.stroke),
    ]
    if stand.cycles:
        motions.append(Cycle(talk.next_id(), bounds.base, middle, bounds.speed, 0, 0, 1))
    for motion in motions:
        request = stand.finish(motion, bounds.home_s).request
        last = stand.state().last_request
        kind = type(motion).__name__.lower()
        require(last == request, f"the state names request {last}, the {kind} was {request}")
    beyond = MoveTo(talk.next_id(), bounds.max_position + bounds.stroke, bounds.speed)
    stand.refuses(beyond, ReplyResult.OUTSIDE_LIMITS, "a target above the limits")
    after = stand.state().last_request
    words = f"the state names request {after}, a motion that was refused; the last that began was {request}"
    require(after == request, words)
    return "the state names the last motion"
