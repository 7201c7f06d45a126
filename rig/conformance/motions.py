"""Motions, small and slow: each does what it says and ends in one event."""

from __future__ import annotations

import numpy as np

from rig.conformance.dialogue import REPLY_S, Told
from rig.conformance.evidence import seen, since_s
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import (
    LONGER_S,
    NEAR_COUNTS,
    WORK_RATE_MHZ,
    Stand,
    event_words,
    result_words,
)
from rig.conformance.verdicts import Check
from rig.samples import Status
from rig.wire import (
    AskState,
    Capability,
    ClearStop,
    Command,
    Cycle,
    Describe,
    Disarm,
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
    encode_frame,
    seal,
)

_GROUP = "motion"
CYCLES = 2
MANY_CYCLES, FEWER_CYCLES = 2**24 + 1, 2**16 + 1
"""Numbers that are 1 in 24, 16 or 8 bits. A device may do fewer than the first: the second is a day's."""

UNDER_WAY_S = 0.3
UNKNOWN_KIND = 0x5F
HALT_S = 2.0
SECOND_END_S = 0.4
FORCE_SLACK_COUNTS = 20
SLOWEST_COUNTS_PER_S, SLOWEST_PART = 10, 10
SLOW_COUNTS, SLOW_TOLERANCE = 25, 0.15
"""The way over which a low speed is measured; whole counts hide some of it."""


def _home(stand: Stand) -> str:
    stand.arm()
    talk = stand.talk
    command = Home(talk.next_id(), stand.bounds.home_speed)
    reply, request = talk.ask(command), command.request
    accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(
        accepted, f"a homing was answered {'not at all' if reply is None else result_words(reply.result)}"
    )
    end = stand.ending(request, stand.bounds.home_s)
    require(end is not None and end.code == EventCode.FINISHED, f"it ended with {event_words(end)}")
    homed = [event for event in talk.events() if event.code == EventCode.HOMED and event.request == request]
    require(len(homed) == 1, f"{len(homed)} events 14 (homed)")
    order = [event.code for event in talk.events() if event.request == request]
    first = order.index(EventCode.HOMED) < order.index(EventCode.FINISHED)
    require(first, "event 2 (finished) came before event 14 (homed)")
    talk.listen(0.1)
    require(abs(stand.position) <= NEAR_COUNTS, f"afterwards it stands at {stand.position} counts")
    require(StateFlag.HOMED in stand.state().flags, "flag 1 (homed) is clear")
    return f"event 14, then event 2; it stands at {stand.position} counts"


def _move(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    target = bounds.base + bounds.stroke
    talk.taken.clear()
    request = stand.begin(MoveTo(talk.next_id(), target, bounds.speed))
    end = stand.ending(request, stand.stroke_s(bounds.stroke))
    require(end is not None and end.code == EventCode.FINISHED, f"it ended with {event_words(end)}")
    talk.listen(0.1)
    require(abs(stand.position - target) <= NEAR_COUNTS, f"sent to {target}, it stands at {stand.position}")
    moved = any(bool((each.block.status & Status.MOVING).any()) for each in talk.taken)
    require(moved, "status bit 2 (moving) was never set")
    require(not stand.moving, "status bit 2 (moving) is set at rest")
    assert end is not None
    require(abs(end.value - target) <= NEAR_COUNTS, f"event 2 says {end.value}, sent to {target}")
    return f"it stands at {stand.position}, sent to {target}"


def _nowhere(stand: Stand) -> str:
    """Order it to where it stands: a motion as any other, which ends at once."""
    stand.ready()
    stand.talk.listen(0.1)
    here = stand.position
    request = stand.begin(MoveTo(stand.talk.next_id(), here, stand.bounds.speed))
    end = stand.ending(request, HALT_S)
    require(end is not None and end.code == EventCode.FINISHED, f"it ended with {event_words(end)}")
    gone = abs(stand.position - here)
    require(gone <= NEAR_COUNTS, f"it went {gone} counts away from where it stood")
    return "event 2 at once"


def _slowly(stand: Stand) -> str:
    """A speed so low that the time of a step does not fit into 16 bits."""
    stand.ready()
    bounds, talk = stand.bounds, stand.talk
    speed = max(min(bounds.speed // SLOWEST_PART, SLOWEST_COUNTS_PER_S), 1)
    begun_at = stand.position
    # close by, since a speed that is wrong may be a high one
    stand.set_limits(max_position=begun_at + bounds.stroke)
    command = MoveTo(talk.next_id(), begun_at + bounds.stroke // 2, speed)
    reply = talk.ask(command)
    if reply is not None and reply.result == ReplyResult.BAD_ARGUMENT:
        raise NotApplicableError(f"it does not go as slowly as {speed} counts/s")
    require(reply is not None and reply.result == ReplyResult.ACCEPTED, f"{speed} counts/s was not accepted")
    talk.taken.clear()
    talk.listen(SLOW_COUNTS / speed)
    block = seen(stand)
    talk.ask(Halt(talk.next_id()))
    if block.time_us is None or len(block) < SLOW_COUNTS:
        raise UnreadyError("too few samples came")
    since = since_s(block.time_us, int(block.time_us[0]), stand.time_modulus_us)
    found = float(np.polyfit(since, block.position.astype(np.float64), 1)[0])
    words = f"{found:.1f} counts/s by the samples, {speed} asked for"
    require(abs(found / speed - 1.0) <= SLOW_TOLERANCE, words)
    return words


def _one_end(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    request = stand.begin(MoveTo(talk.next_id(), bounds.base + bounds.stroke, bounds.speed))
    if stand.ending(request, stand.stroke_s(bounds.stroke)) is None:
        raise UnreadyError("the first motion of this check did not end")
    talk.listen(SECOND_END_S)
    count = len(stand.endings(request))
    require(count == 1, f"{count} events ended one motion")
    return "one event"


def _limit_before_force(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    farthest = bounds.base + bounds.stroke
    command = PressUntil(talk.next_id(), bounds.max_force, bounds.speed, farthest)
    reply, request = talk.ask(command), command.request
    accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(accepted, "a press to the force limit itself was not accepted")
    end = stand.ending(request, stand.stroke_s(bounds.stroke))
    require(end is not None and end.code == EventCode.POSITION_LIMIT, f"it ended with {event_words(end)}")
    talk.listen(0.1)
    require(abs(stand.position - farthest) <= NEAR_COUNTS, f"it stands at {stand.position}, limit {farthest}")
    return "event 11 at the position limit"


def _force_reached(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    mean, spread = stand.force_now()
    goal = mean - spread - FORCE_SLACK_COUNTS
    command = PressUntil(talk.next_id(), goal, bounds.speed, bounds.base + bounds.stroke)
    reply, request = talk.ask(command), command.request
    accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(accepted, "a press whose force is there already was not accepted")
    end = stand.ending(request, stand.stroke_s(bounds.stroke))
    require(end is not None and end.code == EventCode.FINISHED, f"it ended with {event_words(end)}")
    talk.listen(0.1)
    gone = stand.position - bounds.base
    require(gone < bounds.stroke // 2, f"the force was there, and it went on by {gone} counts")
    return f"event 2 after {gone} counts"


def _halt(stand: Stand) -> str:
    state = _stopped_by(stand, Halt, "halt")
    require(StateFlag.ARMED in state.flags, "it is disarmed afterwards")
    return "event 12, still armed"


def _disarm(stand: Stand) -> str:
    state = _stopped_by(stand, Disarm, "disarm")
    require(StateFlag.ARMED not in state.flags, "it is armed afterwards")
    return "event 12, disarmed"


def _stopped_by(stand: Stand, order: type[Halt | Disarm], word: str) -> State:
    """Begin a long motion, and end it by an order; the state at rest."""
    stand.ready()
    talk = stand.talk
    request = stand.begin_long()
    reply = talk.ask(order(talk.next_id()))
    require(reply is not None and reply.result == ReplyResult.ACCEPTED, f"{word} was not accepted")
    end = stand.ending(request, HALT_S)
    require(end is not None and end.code == EventCode.HALTED, f"it ended with {event_words(end)}")
    return stand.standstill()


def _cycle(stand: Stand) -> str:
    if Capability.CYCLES not in stand.known.capabilities:
        raise NotApplicableError("it does not run cycles itself")
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + bounds.stroke
    # from somewhere else, so that the way to its low turn is one
    stand.finish(MoveTo(talk.next_id(), high, bounds.speed), stand.stroke_s(bounds.stroke))
    request = stand.begin(Cycle(talk.next_id(), bounds.base, high, bounds.speed, 50, 50, CYCLES))
    end = stand.ending(request, 2 * CYCLES * stand.stroke_s(bounds.stroke))
    require(end is not None and end.code == EventCode.FINISHED, f"it ended with {event_words(end)}")
    counted = [
        event.value
        for event in talk.events()
        if event.code == EventCode.CYCLE_FINISHED and event.request == request
    ]
    require(counted == [*range(1, CYCLES + 1)], f"events 13 counted {counted}")
    block = seen(stand)
    for event in talk.events():
        if event.code != EventCode.CYCLE_FINISHED or event.request != request or block.time_us is None:
            continue
        nearest = np.abs(since_s(block.time_us, event.time_us, stand.time_modulus_us)).argmin()
        at = int(block.position[nearest])
        words = f"event 13 came at {at} counts, a cycle ends at its low turn of {bounds.base}"
        require(at - bounds.base <= bounds.stroke // 2, words)
    done = stand.state().cycles_done
    require(done == CYCLES, f"its state says {done} cycles")
    _many(stand)
    return f"events 13 counted {counted}, then event 2"


def _many(stand: Stand) -> None:
    """Order tiny cycles, in a number that would be 1 in fewer bits."""
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + 2 * NEAR_COUNTS
    accepted = False
    for count in (MANY_CYCLES, FEWER_CYCLES):
        command = Cycle(talk.next_id(), bounds.base, high, bounds.speed, 0, 0, count)
        reply = talk.ask(command)
        accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
        if accepted:
            break
    require(accepted, f"{count} cycles were not accepted; their number has 32 bits")

    def two_done() -> bool:
        codes = [event.code for event in talk.events() if event.request == command.request]
        return codes.count(EventCode.CYCLE_FINISHED) >= CYCLES or bool(stand.endings(command.request))

    talk.until(two_done, 2 * stand.stroke_s(4 * NEAR_COUNTS))
    end = next(iter(stand.endings(command.request)), None)
    require(end is None, f"{count} cycles were ordered, and {event_words(end)} ended them at once")
    stand.must(Halt(talk.next_id()), "halt")
    stand.standstill()


def _asked_in_motion(stand: Stand) -> str:
    """Ask for all that moves nothing while the platen moves: the motion goes on to its end."""
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    target = bounds.base + 2 * bounds.stroke
    rate_mhz = min(WORK_RATE_MHZ, stand.known.rate_mhz)
    request = stand.begin(MoveTo(talk.next_id(), target, max(bounds.speed // 2, 1)))
    begun_at = stand.position
    if not talk.until(lambda: abs(stand.position - begun_at) > NEAR_COUNTS, LONGER_S):
        raise UnreadyError("the platen did not begin to move")
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
        name = type(command).__name__.lower()
        talk.beat()  # no sample asks for one while the stream is off
        require(talk.ask(command) is not None, f"no reply to {name} while it moves")
    talk.send_bytes(b"\x00" + seal(bytes([UNKNOWN_KIND]) + talk.next_id().to_bytes(2, "little")))
    talk.send_bytes(b"\x00" + bytes(range(1, 41)) + b"\x00")
    end = stand.ending(request, 2 * stand.stroke_s(2 * bounds.stroke))
    require(end is not None and end.code == EventCode.FINISHED, f"it ended with {event_words(end)}")
    flags = stand.state().flags
    require(StateFlag.ARMED in flags, "commands that arm or disarm nothing disarmed it")
    return f"{len(commands) + 1} commands and some rubbish: event 2 at its end all the same"


def _halted_at_once(stand: Stand) -> str:
    """Send a motion and a halt at once, and a motion while it still brakes."""
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    move = MoveTo(talk.next_id(), bounds.base + 2 * bounds.stroke, bounds.speed)
    halt = Halt(talk.next_id())
    talk.record += [Told(move, talk.clock()), Told(halt, talk.clock())]
    talk.send_bytes(b"".join(b"\x00" + encode_frame(command) for command in (move, halt)))
    end = stand.ending(move.request, HALT_S)
    words = "a motion and a halt were sent at once"
    require(
        end is not None and end.code == EventCode.HALTED, f"{words}, and it ended with {event_words(end)}"
    )
    answered = talk.until(lambda: talk.reply_to(halt.request) is not None, REPLY_S)
    require(answered, f"{words}, and the halt was not answered")
    stand.standstill()
    first = stand.begin(MoveTo(talk.next_id(), bounds.base + 4 * bounds.stroke, bounds.speed))
    talk.listen(UNDER_WAY_S)
    halt = Halt(talk.next_id())
    second = MoveTo(talk.next_id(), bounds.base, bounds.speed)
    talk.record += [Told(halt, talk.clock()), Told(second, talk.clock())]
    talk.send_bytes(b"".join(b"\x00" + encode_frame(command) for command in (halt, second)))
    talk.until(lambda: talk.reply_to(second.request) is not None, HALT_S)
    end, reply = stand.ending(first, HALT_S), talk.reply_to(second.request)
    require(reply is not None, "no reply to a motion right behind a halt")
    assert reply is not None
    if reply.result == ReplyResult.ACCEPTED:
        stand.must(Halt(talk.next_id()), "halt")
    # whoever looks at the line seldom finds the motion ended, and accepts
    words = "a motion right behind a halt was accepted, and no event ended the one before"
    require(reply.result == ReplyResult.BUSY or end is not None, words)
    return f"event 12, and a motion while it brakes: {result_words(reply.result)}"


def _repeated(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    command = MoveTo(talk.next_id(), bounds.base + bounds.stroke, bounds.speed)
    request = stand.begin(command)
    if stand.ending(request, stand.stroke_s(bounds.stroke)) is None:
        raise UnreadyError("the first motion of this check did not end")
    before = len(stand.endings(request))
    talk.send(command)
    came = talk.until(lambda: len(talk.replies_to(request)) >= 2, 1.0)
    require(came, "no second reply")
    talk.listen(SECOND_END_S)
    replies: list[Reply] = talk.replies_to(request)
    require(replies[1].result == ReplyResult.ACCEPTED, f"the second reply has result {replies[1].result}")
    require(len(stand.endings(request)) == before, "the motion was begun a second time")
    return "the same reply, and no second motion"


def _last_request(stand: Stand) -> str:
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    target = bounds.base + bounds.stroke // 2
    request = stand.finish(
        MoveTo(talk.next_id(), target, bounds.speed), stand.stroke_s(bounds.stroke)
    ).request
    state: State = stand.state()
    require(state.last_request == request, f"the state names request {state.last_request}, it was {request}")
    beyond = MoveTo(talk.next_id(), bounds.max_position + bounds.stroke, bounds.speed)
    stand.refuses(beyond, ReplyResult.OUTSIDE_LIMITS, "a target above the limits")
    after = stand.state().last_request
    words = f"the state names request {after}, a motion that was refused; the last that began was {request}"
    require(after == request, words)
    return "the state names the last motion"


CHECKS = (
    Check(
        "home",
        _GROUP,
        "Homing",
        "It goes down to the home switch, where position becomes zero; event 14, then event 2.",
        "both events, position 0, flag 1",
        "Every position and every travel limit is off by the same, unknown length.",
        _home,
        arms=True,
    ),
    Check(
        "move",
        _GROUP,
        "A motion to a position",
        "Move to goes there and ends with event 2; status bit 2 is set while it moves.",
        f"within {NEAR_COUNTS} counts",
        "Depths, holds and the free height are wrong; programs do not see that it moves.",
        _move,
        arms=True,
    ),
    Check(
        "move-nowhere",
        _GROUP,
        "A motion to where it stands",
        "Each accepted motion ends with one event, however short it is.",
        "event 2 at once",
        "A run whose platen is there already waits for ever.",
        _nowhere,
        arms=True,
    ),
    Check(
        "move-slowly",
        _GROUP,
        "A motion at a very low speed",
        "A motion goes at the speed that it was given.",
        f"within {100 * SLOW_TOLERANCE:g} %, or result 2",
        "A slow compression runs many times too fast.",
        _slowly,
        arms=True,
    ),
    Check(
        "motion-ends-once",
        _GROUP,
        "The end of a motion",
        "Exactly one event with its request id ends each motion.",
        "one event",
        "A second one may be taken for the end of the next motion, which is then still under way.",
        _one_end,
        arms=True,
    ),
    Check(
        "position-limit-first",
        _GROUP,
        "A press whose force is not reached",
        "Press until stops at its position limit and ends with event 11.",
        "event 11",
        "A missing specimen looks like one that was pressed.",
        _limit_before_force,
        arms=True,
    ),
    Check(
        "force-reached",
        _GROUP,
        "A press whose force is already reached",
        "Press until stops when the force is reached and ends with event 2.",
        "event 2 at once",
        "It presses on, past the force that was asked for.",
        _force_reached,
        arms=True,
    ),
    Check(
        "halt",
        _GROUP,
        "Halt",
        "Halt stops now, ends the motion with event 12, and leaves it armed.",
        "event 12, armed",
        "Ctrl-C and the page's button do not do what they say.",
        _halt,
        arms=True,
    ),
    Check(
        "disarm-halts",
        _GROUP,
        "Disarm during a motion",
        "Disarm halts and forbids motion; the motion ends with event 12.",
        "event 12, disarmed",
        "A program that ends badly leaves the platen moving.",
        _disarm,
        arms=True,
    ),
    Check(
        "cycles",
        _GROUP,
        "Cycles that the device runs itself",
        "Event 13 counts each cycle, event 2 ends them, the state holds the count.",
        "1, 2, then event 2",
        "Endurance runs lose count.",
        _cycle,
        arms=True,
    ),
    Check(
        "asked-in-motion",
        _GROUP,
        "Other commands during a motion",
        "Identify, state, stream, describe, clear stop and unknown commands have no part in a motion.",
        "each is answered, and the motion ends with event 2",
        "A program that only looks at the press breaks its run off.",
        _asked_in_motion,
        arms=True,
    ),
    Check(
        "halted-at-once",
        _GROUP,
        "A halt right behind a motion, and a motion right behind a halt",
        "Halt stops now; until the motion has ended, another one is answered 4.",
        "event 12; result 4 while it brakes",
        "A halt is lost, or the end of a motion is: the program waits for it.",
        _halted_at_once,
        arms=True,
    ),
    Check(
        "motion-repeated",
        _GROUP,
        "A repeated request for a motion",
        "A command with the last request id gets the same reply and is not carried out twice.",
        "the same reply, no second motion",
        "A reply lost on the line presses the specimen twice.",
        _repeated,
        arms=True,
    ),
    Check(
        "last-motion",
        _GROUP,
        "The last motion in the state",
        "The state holds the request id of the last motion.",
        "its request id",
        "After a lost link the host cannot tell whether its motion was begun.",
        _last_request,
        arms=True,
    ),
)
