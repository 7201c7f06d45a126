"""Arming, and what is refused: nothing here makes the platen travel far, whatever the device accepts."""

from __future__ import annotations

from rig.conformance.abilities import told
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import LONGER_S, NEAR_COUNTS, WORK_RATE_MHZ, Stand, event_words, result_words
from rig.conformance.verdicts import Check
from rig.wire import (
    Arm,
    ClearStop,
    Cycle,
    Disarm,
    EventCode,
    Halt,
    Home,
    Limits,
    MoveTo,
    PressUntil,
    ReplyResult,
    StateFlag,
)

_GROUP = "arming"
FASTEST = 2**32 - 1
SIXTEEN_BITS = 2**16
AWAY_S = 1.5
BEYOND = 2
"""A speed this many times the largest must be beyond the drive."""


def _flag(stand: Stand) -> str:
    if not stand.protects:
        raise NotApplicableError("it does not say that it can protect; such a device is never armed")
    stand.stream(min(WORK_RATE_MHZ, stand.known.rate_mhz))
    if stand.state().stop_cause:
        stand.must(ClearStop(stand.talk.next_id()), "clear the stop")
    stand.set_limits()
    reply = stand.talk.ask(Arm(stand.talk.next_id()))
    words = "no reply" if reply is None else result_words(reply.result)
    accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(accepted, f"limits set, no stop latched, and arming was answered {words}")
    armed = StateFlag.ARMED in stand.state().flags
    stand.must(Disarm(stand.talk.next_id()), "disarm")
    disarmed = StateFlag.ARMED not in stand.state().flags
    require(armed, "armed, but flag 0 is clear")
    require(disarmed, "disarmed, but flag 0 is set")
    return "flag 0 follows"


def _unhomed(stand: Stand) -> str:
    stand.arm()
    if StateFlag.HOMED in stand.state().flags:
        raise NotApplicableError("it is homed already; reset it first")
    talk, bounds = stand.talk, stand.bounds
    found = []
    for when in ("before homing", "after a homing that was halted"):
        here = MoveTo(talk.next_id(), stand.position, bounds.speed)
        found.append(stand.refuses(here, ReplyResult.NOT_HOMED, f"a motion {when}"))
        press = PressUntil(talk.next_id(), bounds.max_force, bounds.speed, stand.position)
        stand.refuses(press, ReplyResult.NOT_HOMED, f"a press {when}")
        if _cycles(stand):
            at = stand.position
            cycle = Cycle(talk.next_id(), at, at + NEAR_COUNTS, bounds.speed, 0, 0, 1)
            stand.refuses(cycle, ReplyResult.NOT_HOMED, f"a cycle {when}")
        if len(found) == 1 and not _homing_halted(stand):
            break
    return "; ".join(found)


def _homing_halted(stand: Stand) -> bool:
    """Begin to home and halt on the way; False if there was nothing to halt."""
    talk, bounds, begun_at = stand.talk, stand.bounds, stand.position
    request = stand.begin(Home(talk.next_id(), min(bounds.speed, bounds.home_speed)))
    talk.until(lambda: bool(stand.endings(request)) or abs(stand.position - begun_at) > NEAR_COUNTS, LONGER_S)
    stand.must(Halt(talk.next_id()), "halt")
    end = stand.ending(request, LONGER_S)
    if end is None:
        raise UnreadyError("a homing was halted, and no event ended it")
    flags = stand.standstill().flags
    if end.code != EventCode.FINISHED:
        words = f"flag 1 (homed) is set behind a homing that ended with {event_words(end)}"
        require(StateFlag.HOMED not in flags, words)
    # one that a halt disarms is another check's
    return end.code == EventCode.HALTED and StateFlag.ARMED in flags


def _speeds(stand: Stand) -> str:
    stand.ready()
    found = []
    # in 16 bits the last one is a speed like any other
    folded = (FASTEST // SIXTEEN_BITS) * SIXTEEN_BITS + stand.bounds.speed % SIXTEEN_BITS
    speeds = ((0, "a speed of zero"), (FASTEST, "a speed beyond any drive"), (folded, f"a speed of {folded}"))
    for speed, words in speeds:
        here = MoveTo(stand.talk.next_id(), stand.position, speed)
        found.append(stand.refuses(here, ReplyResult.BAD_ARGUMENT, words))
    talk, at = stand.talk, stand.position
    press = PressUntil(talk.next_id(), stand.bounds.max_force, 0, at)
    stand.refuses(press, ReplyResult.BAD_ARGUMENT, "a press with a speed of zero")
    stand.refuses(Home(talk.next_id(), 0), ReplyResult.BAD_ARGUMENT, "a homing with a speed of zero")
    if _cycles(stand):
        for speed, words in speeds:
            cycle = Cycle(talk.next_id(), at, at + NEAR_COUNTS, speed, 0, 0, 1)
            stand.refuses(cycle, ReplyResult.BAD_ARGUMENT, f"cycles with {words}")
    return "; ".join(found)


def _largest_speed(stand: Stand) -> str:
    """Order the largest speed, and one beyond it, to where it stands: it goes nowhere."""
    said = told(stand)
    if not said.speed:
        raise NotApplicableError("it does not say how fast it can go")
    stand.ready()
    talk, here = stand.talk, stand.position
    largest = MoveTo(talk.next_id(), here, said.speed)
    reply = talk.ask(largest)
    words = "no reply" if reply is None else result_words(reply.result)
    accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(accepted, f"its largest speed of {said.speed} counts/s: {words}")
    if stand.ending(largest.request, LONGER_S) is None:
        raise UnreadyError("a motion to where it stands did not end")
    beyond = min(BEYOND * said.speed, 2**32 - 1)
    what = f"{beyond} counts/s, {BEYOND} times its largest speed"
    return stand.refuses(MoveTo(talk.next_id(), here, beyond), ReplyResult.BAD_ARGUMENT, what)


def _outside(stand: Stand) -> str:
    stand.ready()
    bounds, talk = stand.bounds, stand.talk
    near = bounds.base + 2 * bounds.stroke
    # narrowed, so that a device which wrongly accepts still moves by very little
    stand.set_limits(max_position=near, min_position=min(bounds.base, stand.position) - bounds.stroke // 2)
    above, far_below = near + bounds.stroke // 2, bounds.base - bounds.stroke
    speed = bounds.speed
    here = stand.position
    tries = (
        (MoveTo(talk.next_id(), above, speed), "a target above the limits"),
        (MoveTo(talk.next_id(), far_below, speed), "a target below the limits"),
        (PressUntil(talk.next_id(), bounds.max_force + 1, speed, here), "a force above the limits"),
        (PressUntil(talk.next_id(), bounds.max_force, speed, above), "a press beyond the limits"),
        (Cycle(talk.next_id(), here, above, speed, 0, 0, 1), "cycles beyond the limits"),
        (Cycle(talk.next_id(), far_below, here, speed, 0, 0, 1), "cycles below the limits"),
    )
    for command, words in tries:
        if isinstance(command, Cycle) and not _cycles(stand):
            continue
        stand.refuses(command, ReplyResult.OUTSIDE_LIMITS, words)
    for target, side in ((near, "upper"), (min(bounds.base, here) - bounds.stroke // 2, "lower")):
        stand.must(Arm(talk.next_id()), "arm")
        talk.beat()
        reply = talk.ask(MoveTo(talk.next_id(), target, speed))
        stand.must(Halt(talk.next_id()), "halt")
        stand.standstill()
        words = "no reply" if reply is None else result_words(reply.result)
        accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
        require(accepted, f"a target at the {side} position limit itself was answered {words}")
    orders: list[PressUntil | Cycle] = [PressUntil(talk.next_id(), bounds.max_force, speed, near)]
    if _cycles(stand):
        orders.append(Cycle(talk.next_id(), bounds.base, near, speed, 0, 0, 1))
    for order in orders:
        stand.must(Arm(talk.next_id()), "arm")
        reply = talk.ask(order)
        stand.must(Halt(talk.next_id()), "halt")
        stand.standstill()
        words = "no reply" if reply is None else result_words(reply.result)
        accepted = reply is not None and reply.result == ReplyResult.ACCEPTED
        what = "cycles" if isinstance(order, Cycle) else "a press to the force limit itself and"
        require(accepted, f"{what} up to the position limit itself: {words}")
    return "targets, force and cycles beyond the limits: 6 (outside limits); at the limits: accepted"


def _cycles(stand: Stand) -> bool:
    return bool(stand.known.capabilities & stand.known.capabilities.CYCLES)


def _senseless_cycles(stand: Stand) -> str:
    if not _cycles(stand):
        raise NotApplicableError("it does not run cycles itself")
    stand.ready()
    talk, bounds, here = stand.talk, stand.bounds, stand.position
    turned = Cycle(talk.next_id(), here + 1, here, bounds.speed, 0, 0, 1)
    found = stand.refuses(turned, ReplyResult.BAD_ARGUMENT, "cycles with low above high")
    none = Cycle(talk.next_id(), here, here + bounds.stroke, bounds.speed, 0, 0, 0)
    return f"{found}; {stand.refuses(none, ReplyResult.BAD_ARGUMENT, 'no cycles at all')}"


def _busy(stand: Stand) -> str:
    stand.ready()
    stand.begin_long()
    moving = StateFlag.MOVING in stand.state().flags
    require(moving or not stand.moving, "it moves, and flag 3 (moving) of the state is clear")
    back = MoveTo(stand.talk.next_id(), stand.bounds.base, stand.bounds.speed)
    found = stand.refuses(back, ReplyResult.BUSY, "a motion during a motion")
    talk, bounds = stand.talk, stand.bounds
    press = PressUntil(talk.next_id(), bounds.max_force, bounds.speed, bounds.far)
    stand.refuses(press, ReplyResult.BUSY, "a press during a motion")
    homing = Home(talk.next_id(), min(bounds.speed, bounds.home_speed))
    stand.refuses(homing, ReplyResult.BUSY, "a homing during a motion")
    if _cycles(stand):
        high = bounds.base + bounds.stroke
        cycle = Cycle(talk.next_id(), bounds.base, high, bounds.speed, 0, 0, 1)
        stand.refuses(cycle, ReplyResult.BUSY, "cycles during a motion")
    if not stand.provoker.slow:
        _refused_again(stand)
        found = f"{found}, and again when it stood"
    return found


def _refused_again(stand: Stand) -> None:
    """Repeat a refused motion when nothing would hinder it any more: the answer stays what it was."""
    stand.must(Halt(stand.talk.next_id()), "halt")
    stand.standstill()
    bounds, talk, here = stand.bounds, stand.talk, stand.position
    request = stand.begin(MoveTo(talk.next_id(), here + bounds.stroke, bounds.speed))
    refused = MoveTo(talk.next_id(), here, bounds.speed)
    first = talk.ask(refused)
    if first is None or first.result != ReplyResult.BUSY or stand.ending(request, AWAY_S + LONGER_S) is None:
        raise UnreadyError("the motion of this check did not go on for long enough")
    talk.send(refused)
    came = talk.until(lambda: len(talk.replies_to(refused.request)) >= 2, 1.0)
    require(came, "no second reply to a repeated motion that was refused")
    again = talk.replies_to(refused.request)[-1].result
    words = f"a refused motion was answered 4 (busy), and its repetition {result_words(again)}"
    require(again == ReplyResult.BUSY, words)


def _limits_armed(stand: Stand) -> str:
    """Narrow the limits while it is armed, and at rest."""
    stand.ready()
    bounds, talk = stand.bounds, stand.talk
    narrow = bounds.max_position - 1
    low = min(bounds.min_position, bounds.base)
    reply = talk.ask(Limits(talk.next_id(), bounds.min_force, bounds.max_force, low, narrow))
    words = "no reply" if reply is None else result_words(reply.result)
    taken = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(taken, f"narrower limits, while it is armed and at rest: {words}")
    state = stand.state()
    require(state.max_position == narrow, f"sent {narrow}, the state says {state.max_position}")
    require(StateFlag.ARMED in state.flags, "limits disarmed it")
    return "accepted, still armed"


def _again(stand: Stand) -> str:
    stand.arm()
    reply = stand.talk.ask(Arm(stand.talk.next_id()))
    require(reply is not None and reply.result == ReplyResult.ACCEPTED, "arming twice was refused")
    return "accepted"


CHECKS = (
    Check(
        "armed-flag",
        _GROUP,
        "The state's flag of arming",
        "Flag 0 of the state says whether it is armed; disarm clears it.",
        "set while armed, clear afterwards",
        "You cannot see whether a command can move the platen.",
        _flag,
        arms=True,
    ),
    Check(
        "arm-twice",
        _GROUP,
        "Arming what is armed",
        "Arming is refused only while a stop is latched.",
        "result 0",
        "A program that takes over after another one was killed cannot begin.",
        _again,
        arms=True,
    ),
    Check(
        "motion-before-homing",
        _GROUP,
        "A motion before homing",
        "Before it is homed, only homing is accepted; the answer is 8. A homing that was halted does not "
        "count.",
        "result 8",
        "Position is undefined before homing: it moves to an unintended place.",
        _unhomed,
        arms=True,
    ),
    Check(
        "limits-while-armed",
        _GROUP,
        "Limits while it is armed",
        "Limits are taken at any time; they are refused only as bad or as too wide.",
        "result 0, and the state shows them",
        "A run cannot narrow the limits for the part that lies in, and goes on with wider ones.",
        _limits_armed,
        arms=True,
    ),
    Check(
        "senseless-speed",
        _GROUP,
        "Speeds of zero and beyond the drive",
        "A bad argument is answered 2.",
        "result 2",
        "A motion that never ends, or steps that the motor loses.",
        _speeds,
        arms=True,
    ),
    Check(
        "abilities-speed",
        _GROUP,
        "The largest speed that it states",
        "It goes at the largest speed that it states, and refuses with 2 what is beyond the drive.",
        f"result 0, and result 2 for {BEYOND} times as much",
        "The host refuses a rig that could go as fast, or orders speeds that are refused in the run.",
        _largest_speed,
        arms=True,
    ),
    Check(
        "beyond-limits",
        _GROUP,
        "Targets beyond the limits",
        "A motion beyond the limits is answered 6 before it begins.",
        "result 6",
        "It starts and trips on the way, with the specimen squeezed.",
        _outside,
        arms=True,
    ),
    Check(
        "senseless-cycles",
        _GROUP,
        "Invalid cycles",
        "Low must lie below high, and the count above 0; the answer is 2.",
        "result 2",
        "Its counter is wrong before the first squeeze.",
        _senseless_cycles,
        arms=True,
    ),
    Check(
        "busy",
        _GROUP,
        "A motion during a motion",
        "While moving, another motion is answered 4, and flag 3 of the state is set.",
        "result 4, flag 3",
        "The end of the first motion is never reported, and the program waits for it.",
        _busy,
        arms=True,
    ),
)
