"""Arming, and what is refused: nothing here makes the platen travel far, whatever the device accepts."""

from __future__ import annotations

from rig.conformance.abilities import told
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import LONGER_S, NEAR_COUNTS, Motion, Stand, accepted, event_words, result_words
from rig.conformance.verdicts import CheckGroup
from rig.wire import (
    Arm,
    Cycle,
    EventCode,
    Home,
    Limits,
    MoveTo,
    PressUntil,
    ReplyResult,
    StateFlag,
)

CHECKS = CheckGroup("arming", arms=True)
FASTEST = 2**32 - 1
SIXTEEN_BITS = 2**16
AWAY_S = 1.5
BEYOND = 2
"""A speed this many times the largest must be beyond the drive."""


@CHECKS.add(
    "armed-flag",
    "The state's flag of arming",
    "Flag 0 of the state says whether it is armed; disarm clears it.",
    "set while armed, clear afterwards",
    "You cannot see whether a command can move the platen.",
)
def _flag(stand: Stand) -> str:
    stand.unlatched()
    stand.accepts(Arm(stand.talk.next_id()), "arming with limits set and no stop latched")
    armed = StateFlag.ARMED in stand.state().flags
    stand.disarm()
    disarmed = StateFlag.ARMED not in stand.state().flags
    require(armed, "armed, but flag 0 is clear")
    require(disarmed, "disarmed, but flag 0 is set")
    return "flag 0 follows"


@CHECKS.add(
    "arm-twice",
    "Arming what is armed",
    "Arming is refused only while a stop is latched, and only disarm or a trip ends it.",
    "result 0, still armed",
    "A program that takes over after another one was killed cannot begin.",
)
def _again(stand: Stand) -> str:
    stand.arm()
    stand.accepts(Arm(stand.talk.next_id()), "arming a second time")
    require(StateFlag.ARMED in stand.state().flags, "arming what is armed disarmed it")
    return "accepted, still armed"


def _homing_halted(stand: Stand) -> bool:
    """Begin to home and halt on the way; False if there was nothing to halt."""
    talk, bounds, begun_at = stand.talk, stand.bounds, stand.position
    request = stand.begin(Home(talk.next_id(), bounds.careful_speed))
    talk.until(lambda: bool(stand.endings(request)) or abs(stand.position - begun_at) > NEAR_COUNTS, LONGER_S)
    stand.halt()
    end = stand.ending(request, LONGER_S)
    if end is None:
        raise UnreadyError("a homing was halted, and no event ended it")
    flags = stand.standstill().flags
    if end.code != EventCode.FINISHED:
        words = f"flag 1 (homed) is set behind a homing that ended with {event_words(end)}"
        require(StateFlag.HOMED not in flags, words)
    # one that a halt disarms is another check's
    return end.code == EventCode.HALTED and StateFlag.ARMED in flags


@CHECKS.add(
    "motion-before-homing",
    "A motion before homing",
    "Before it is homed, only homing is accepted; the answer is 8. A homing that was halted does not count.",
    "result 8",
    "Position is undefined before homing: it moves to an unintended place.",
)
def _unhomed(stand: Stand) -> str:
    stand.arm()
    if StateFlag.HOMED in stand.state().flags:
        raise NotApplicableError("it is homed already; reset it first")
    found = stand.refuses_motions(ReplyResult.NOT_HOMED, "before homing", homing=False)
    if _homing_halted(stand):
        stand.refuses_motions(ReplyResult.NOT_HOMED, "after a homing that was halted", homing=False)
        found = f"{found}; after a homing that was halted too"
    return found


@CHECKS.add(
    "limits-while-armed",
    "Limits while it is armed",
    "Limits are taken at any time; they are refused only as bad or as too wide.",
    "result 0, and the state shows them",
    "A run cannot narrow the limits for the part that lies in, and goes on with wider ones.",
)
def _limits_armed(stand: Stand) -> str:
    """Narrow the limits while it is armed, and at rest."""
    stand.ready()
    bounds, talk = stand.bounds, stand.talk
    narrow = bounds.max_position - 1
    limits = Limits(talk.next_id(), *bounds.edges[:3], narrow)
    stand.accepts(limits, "narrower limits, while it is armed and at rest")
    state = stand.state()
    require(state.max_position == narrow, f"sent {narrow}, the state says {state.max_position}")
    require(StateFlag.ARMED in state.flags, "limits disarmed it")
    return "accepted, still armed"


@CHECKS.add(
    "senseless-speed",
    "Speeds of zero and beyond the drive",
    "A bad argument is answered 2.",
    "result 2",
    "A motion that never ends, or steps that the motor loses.",
)
def _speeds(stand: Stand) -> str:
    stand.ready()
    talk, at, force = stand.talk, stand.position, stand.bounds.max_force
    # in 16 bits the last one is a speed like any other
    folded = (FASTEST // SIXTEEN_BITS) * SIXTEEN_BITS + stand.bounds.speed % SIXTEEN_BITS
    speeds = ((0, "a speed of zero"), (FASTEST, "a speed beyond any drive"), (folded, f"a speed of {folded}"))
    tries: list[tuple[Motion, str]] = [
        (PressUntil(talk.next_id(), force, 0, at), "a press with a speed of zero"),
        (Home(talk.next_id(), 0), "a homing with a speed of zero"),
    ]
    for speed, words in speeds:
        tries.append((MoveTo(talk.next_id(), at, speed), words))
        tries.append((Cycle(talk.next_id(), at, at + NEAR_COUNTS, speed, 0, 0, 1), f"cycles with {words}"))
    return stand.refuses_all(ReplyResult.BAD_ARGUMENT, tries)


@CHECKS.add(
    "abilities-speed",
    "The largest speed that it states",
    "It goes at the largest speed that it states, and refuses with 2 what is beyond the drive.",
    f"result 0, and result 2 for {BEYOND} times as much",
    "The host refuses a rig that could go as fast, or orders speeds that are refused in the run.",
)
def _largest_speed(stand: Stand) -> str:
    """Order the largest speed, and one beyond it, to where it stands: it goes nowhere."""
    said = told(stand)
    if not said.speed:
        raise NotApplicableError("it does not say how fast it can go")
    stand.ready()
    talk, here = stand.talk, stand.position
    largest = MoveTo(talk.next_id(), here, said.speed)
    stand.accepts(largest, f"its largest speed of {said.speed} counts/s")
    if stand.ending(largest.request, LONGER_S) is None:
        raise UnreadyError("a motion to where it stands did not end")
    beyond = min(BEYOND * said.speed, 2**32 - 1)
    what = f"{beyond} counts/s, {BEYOND} times its largest speed"
    return stand.refuses(MoveTo(talk.next_id(), here, beyond), ReplyResult.BAD_ARGUMENT, what)


@CHECKS.add(
    "beyond-limits",
    "Targets beyond the limits",
    "A motion beyond the limits is answered 6 before it begins.",
    "result 6",
    "It starts and trips on the way, with the specimen squeezed.",
)
def _outside(stand: Stand) -> str:
    stand.ready()
    bounds, talk = stand.bounds, stand.talk
    near = bounds.base + 2 * bounds.stroke
    # narrowed, so that a device which wrongly accepts still moves by very little
    stand.set_limits(max_position=near, min_position=min(bounds.base, stand.position) - bounds.stroke // 2)
    above, far_below = near + bounds.stroke // 2, bounds.base - bounds.stroke
    # in 16 bits it is where the platen stands
    folded = stand.position + SIXTEEN_BITS
    speed = bounds.speed
    here = stand.position
    beyond: tuple[tuple[Motion, str], ...] = (
        (MoveTo(talk.next_id(), above, speed), "a target above the limits"),
        (MoveTo(talk.next_id(), far_below, speed), "a target below the limits"),
        (MoveTo(talk.next_id(), folded, speed), f"a target of {folded}"),
        (PressUntil(talk.next_id(), bounds.max_force + 1, speed, here), "a force above the limits"),
        (PressUntil(talk.next_id(), bounds.max_force, speed, above), "a press beyond the limits"),
        (Cycle(talk.next_id(), here, above, speed, 0, 0, 1), "cycles beyond the limits"),
        (Cycle(talk.next_id(), far_below, here, speed, 0, 0, 1), "cycles below the limits"),
    )
    stand.refuses_all(ReplyResult.OUTSIDE_LIMITS, beyond)
    low = min(bounds.base, here) - bounds.stroke // 2
    at_limits: tuple[tuple[Motion, str], ...] = (
        (MoveTo(talk.next_id(), near, speed), "a target at the upper position limit itself"),
        (MoveTo(talk.next_id(), low, speed), "a target at the lower position limit itself"),
        (PressUntil(talk.next_id(), bounds.max_force, speed, near), "a press up to both limits themselves"),
        (Cycle(talk.next_id(), bounds.base, near, speed, 0, 0, 1), "cycles up to the position limit itself"),
    )
    for command, words in at_limits:
        if stand.cycles or not isinstance(command, Cycle):
            stand.arm_again()
            reply = talk.ask(command)
            stand.halt()
            stand.standstill()
            accepted(reply, words)
    return "targets, force and cycles beyond the limits: 6 (outside limits); at the limits: accepted"


@CHECKS.add(
    "senseless-cycles",
    "Invalid cycles",
    "Low must lie below high, and the count above 0; the answer is 2.",
    "result 2",
    "Its counter is wrong before the first squeeze.",
)
def _senseless_cycles(stand: Stand) -> str:
    stand.needs_cycles()
    stand.ready()
    talk, bounds, here = stand.talk, stand.bounds, stand.position
    turned = Cycle(talk.next_id(), here + 1, here, bounds.speed, 0, 0, 1)
    found = stand.refuses(turned, ReplyResult.BAD_ARGUMENT, "cycles with low above high")
    none = Cycle(talk.next_id(), here, here + bounds.stroke, bounds.speed, 0, 0, 0)
    return f"{found}; {stand.refuses(none, ReplyResult.BAD_ARGUMENT, 'no cycles at all')}"


def _refused_again(stand: Stand) -> None:
    """Repeat a refused motion when nothing would hinder it any more: the answer stays what it was."""
    stand.halt()
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


@CHECKS.add(
    "busy",
    "A motion during a motion",
    "While moving, another motion is answered 4, and flag 3 of the state is set.",
    "result 4, flag 3",
    "The end of the first motion is never reported, and the program waits for it.",
)
def _busy(stand: Stand) -> str:
    stand.ready()
    stand.begin_long()
    moving = StateFlag.MOVING in stand.state().flags
    require(moving or not stand.moving, "it moves, and flag 3 (moving) of the state is clear")
    talk, bounds = stand.talk, stand.bounds
    high = bounds.base + bounds.stroke
    tries: tuple[tuple[Motion, str], ...] = (
        (MoveTo(talk.next_id(), bounds.base, bounds.speed), "a motion during a motion"),
        (PressUntil(talk.next_id(), bounds.max_force, bounds.speed, bounds.far), "a press during a motion"),
        (Home(talk.next_id(), bounds.careful_speed), "a homing during a motion"),
        (Cycle(talk.next_id(), bounds.base, high, bounds.speed, 0, 0, 1), "cycles during a motion"),
    )
    found = stand.refuses_all(ReplyResult.BUSY, tries)
    if not stand.provoker.slow:
        _refused_again(stand)
        found = f"{found}, and again when it stood"
    return found
