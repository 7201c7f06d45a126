"""What stops a motion, in every kind of motion: a homing, a press, cycles and the hold in one.

Problem: a device that obeys a halt or a limit in a plain motion may not look at it in another kind, or while
the platen rests in the middle of one. Plan: each kind is begun, and each cause comes on its way; the event,
its time on the device's clock, the latch and the flag of arming must be those of a plain motion. Cost: some
two seconds of motion for each pair.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from functools import partial

import numpy as np

from rig.conformance.evidence import FORCE_SLACK_COUNTS, LATENCY_S, newest_us
from rig.conformance.evidence import since_s as elapsed_s
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.provoking import (
    EMERGENCY_STOP,
    GROWING,
    HOME_SWITCH,
    SHOVE,
    SILENT_CONVERTER,
    STALL,
    TRAVEL_SWITCH,
)
from rig.conformance.stand import LONGER_S, NEAR_COUNTS, Stand, event_words
from rig.conformance.verdicts import Check
from rig.wire import (
    Arm,
    Capability,
    Cycle,
    Disarm,
    EventCode,
    Halt,
    Home,
    MoveTo,
    PressUntil,
    ReplyResult,
    StateFlag,
)

_GROUP = "phases"

LINE_S = 0.3
"""From an order sent by the host until the device has it."""

BEAT_S = 0.55
_NOTICED_S = {EventCode.HEARTBEAT_LOST: BEAT_S, EventCode.FORCE_SILENT: LATENCY_S + 0.4}
"""The slowest converter has ten conversions a second, and is silent after three of them."""

_OR_ELSE = {EventCode.STALLED: EventCode.POSITION_FAULT}

HOLD_MS = 8000
REACH_S = 1.0
"""Longer than heartbeats may stay away."""

_PUSHED = (EventCode.STALLED, EventCode.TRAVEL_TRIP)
STAYS, GONE = 3, 4
HOMING_REACH_S = 1.5
PASSED_COUNTS = 10
UNHEARD = "heartbeats that stop"
_UNBELIEVABLE = (
    (STAYS, "a force that stays while the platen presses on"),
    (GONE, "a force that goes while the platen presses on"),
)
LEAVING_STROKES = 8
"""A homing that begins on its switch goes towards the part: by no more than this many small motions."""


def _far(stand: Stand) -> int:
    """Return a place so far from the base that a motion there can be stopped on its way."""
    bounds = stand.bounds
    return min(bounds.base + max(4 * bounds.stroke, round(REACH_S * bounds.speed)), bounds.far)


def _started(stand: Stand, command: Home | PressUntil | Cycle) -> int:
    """Have a motion under way; its request id."""
    begun_at, request = stand.position, stand.begin(command)
    if not stand.talk.until(lambda: abs(stand.position - begun_at) > NEAR_COUNTS, LONGER_S):
        raise UnreadyError("the platen did not begin to move")
    return request


def _homing(stand: Stand) -> int:
    """Begin a homing; one that was stopped begins anew where it stopped, if its switch is far enough."""
    talk, bounds = stand.talk, stand.bounds
    stand.arm()
    enough = bounds.base + round((BEAT_S + LINE_S) * bounds.speed)
    if StateFlag.HOMED in stand.state().flags or not enough < stand.position < bounds.far:
        stand.ready()
        far = min(bounds.base + max(4 * bounds.stroke, round(HOMING_REACH_S * bounds.speed)), bounds.far)
        stand.finish(MoveTo(talk.next_id(), far, bounds.speed), stand.stroke_s(far - bounds.base))
    return _started(stand, Home(talk.next_id(), min(bounds.speed, bounds.home_speed)))


def _press(stand: Stand) -> int:
    bounds = stand.bounds
    command = PressUntil(stand.talk.next_id(), bounds.max_force, bounds.speed, _far(stand))
    return _started(stand, command)


def _cycles(stand: Stand, high: int | None = None, hold_ms: int = 0) -> int:
    if Capability.CYCLES not in stand.known.capabilities:
        raise NotApplicableError("it does not run cycles itself")
    bounds, request = stand.bounds, stand.talk.next_id()
    high = _far(stand) if high is None else high
    return _started(stand, Cycle(request, bounds.base, high, bounds.speed, 0, hold_ms, 1))


def _hold(stand: Stand) -> int:
    high = stand.bounds.base + stand.bounds.stroke
    request = _cycles(stand, high, HOLD_MS)
    if not stand.talk.until(lambda: abs(stand.position - high) <= NEAR_COUNTS, LONGER_S):
        raise UnreadyError("the platen did not come to its hold")
    stand.talk.listen(LINE_S)
    return request


def _causes(
    stand: Stand, *, moves: bool, positions: bool
) -> Iterator[tuple[str, EventCode, Callable[[], object]]]:
    """Yield what stops a motion, the event that it brings, and how it is brought about."""
    talk = stand.talk
    mean, spread = stand.force_now()
    room = spread + FORCE_SLACK_COUNTS

    def passed() -> None:
        stand.narrow(max_position=stand.position - PASSED_COUNTS)

    def unheard() -> None:
        talk.beat()
        talk.beating = False

    yield "halt", EventCode.HALTED, partial(stand.must, Halt(talk.next_id()), "halt")
    yield "disarm", EventCode.HALTED, partial(stand.must, Disarm(talk.next_id()), "disarm")
    yield "the upper force limit", EventCode.FORCE_TRIP, partial(stand.narrow, max_force=mean - room)
    yield "the lower force limit", EventCode.FORCE_TRIP, partial(stand.narrow, min_force=mean + room)
    if positions:
        yield "the upper position limit", EventCode.TRAVEL_TRIP, passed
    yield UNHEARD, EventCode.HEARTBEAT_LOST, unheard
    provoked = [(EMERGENCY_STOP, EventCode.STOP_OPENED), (SILENT_CONVERTER, EventCode.FORCE_SILENT)]
    if moves:
        provoked += [(TRAVEL_SWITCH, EventCode.TRAVEL_TRIP), (STALL, EventCode.STALLED)]
    for what, code in provoked:
        # a person's hand would be too late for motions as short as these
        if not stand.provoker.slow and not stand.provoker.willing(what):
            yield f"the {what.name}", code, partial(stand.provoke, what)


def _way_back(stand: Stand) -> int:
    """Have cycles under way, on their way back from the upper turn; their request id."""
    request = _cycles(stand)
    highest = stand.position

    def turned() -> bool:
        nonlocal highest
        highest = max(highest, stand.position)
        return stand.position < highest - 2 * NEAR_COUNTS

    if not stand.talk.until(turned, stand.stroke_s(_far(stand))):
        raise UnreadyError("the platen did not turn back")
    return request


def _stopped(stand: Stand, begin: Callable[[Stand], int], only: Collection[str] = ()) -> str:
    found = []
    stand.ready()
    moves = begin is not _hold
    # before its end a homing has no true positions
    for words, code, bring in _causes(stand, moves=moves, positions=moves and begin is not _homing):
        if only and words not in only:
            continue
        if begin is not _homing:
            stand.ready()
        request = begin(stand)
        bring()
        begun_us = newest_us(stand)
        end = stand.ending(request, LONGER_S)
        require(
            end is not None and end.code in (code, _OR_ELSE.get(code)),
            f"{words}: it ended with {event_words(end)}, not {int(code)}",
        )
        assert end is not None
        late_s = float(elapsed_s(np.array([end.time_us]), begun_us, stand.time_modulus_us)[0])
        most_s = _NOTICED_S.get(code, LATENCY_S) + LINE_S
        if code is EventCode.STALLED:
            # seen once the platen is so far behind
            most_s += stand.bounds.stroke / stand.bounds.speed
        if code is not EventCode.HALTED:
            require(
                late_s <= most_s,
                f"{words}: event {int(code)} came {late_s:.3f} s later, {most_s:g} s at most",
            )
        state = stand.standstill()
        armed = StateFlag.ARMED in state.flags
        cause, expected = int(state.stop_cause), 0 if code is EventCode.HALTED else int(end.code)
        require(cause == expected, f"{words}: the state's stop cause is {cause}")
        require(armed == (words == "halt"), f"{words}: afterwards it is {'' if armed else 'dis'}armed")
        found.append(words)
        stand.rest()
    return f"stopped by {', '.join(found)}"


def _on_the_switch(stand: Stand) -> str:
    """Home with a switch that is open from the start: pressed, or its plug is off."""
    if stand.provoker.slow:
        raise NotApplicableError("a homing cannot be halted in time by a person's words; a bench can")
    stand.willing(HOME_SWITCH)
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    stand.provoke(HOME_SWITCH)
    stand.arm()
    begun_at, most = stand.position, LEAVING_STROKES * bounds.stroke
    request = stand.begin(Home(talk.next_id(), min(bounds.speed, bounds.home_speed)))
    # the position may be set to zero at its end: only what rises before is way towards the part
    talk.until(lambda: bool(stand.endings(request)) or stand.position - begun_at > most, bounds.home_s)
    gone = stand.position - begun_at
    talk.ask(Halt(talk.next_id()))
    require(gone <= most, f"with its home switch open it went {gone} counts towards the part, at most {most}")
    _halted_leaving(stand)
    return f"it went {max(gone, 0)} counts towards the part and ended"


def _halted_leaving(stand: Stand) -> None:
    """Halt such a homing on its way from the switch."""
    talk, bounds = stand.talk, stand.bounds
    stand.standstill()
    stand.arm()
    begun_at = stand.position
    command = Home(talk.next_id(), min(bounds.speed, bounds.home_speed))
    reply, request = talk.ask(command), command.request
    if reply is None or reply.result != ReplyResult.ACCEPTED:
        return  # below its limits it homes no more
    talk.until(lambda: bool(stand.endings(request)) or stand.position - begun_at > NEAR_COUNTS, LINE_S)
    if stand.endings(request) or stand.position - begun_at <= NEAR_COUNTS:
        stand.must(Halt(talk.next_id()), "halt")
        return  # it does not leave its switch so
    stand.must(Halt(talk.next_id()), "halt")
    end = stand.ending(request, LONGER_S)
    words = "a homing was halted on its way from its open switch, and ended with"
    require(end is not None and end.code == EventCode.HALTED, f"{words} {event_words(end)}")


def _resisted(stand: Stand) -> str:
    """Home with something in its way: plugs or wires are swapped, or a hand is there."""
    if stand.provoker.slow:
        raise NotApplicableError("a person's push would be too late for a motion as short as this")
    stand.willing(GROWING)
    stand.ready()
    mean, spread = stand.force_now()
    request = _homing(stand)
    stand.provoke(GROWING)
    end = stand.ending(request, LONGER_S)
    stand.talk.listen(LINE_S)
    grown = stand.force_now()[0] - mean
    require(
        end is not None and end.code == EventCode.FORCE_TRIP,
        f"with {grown} force counts more than at its begin it ended with {event_words(end)}",
    )
    assert end is not None
    require(end.value - mean > spread, f"event 4 says {end.value} counts, before it was {mean}")
    state = stand.standstill()
    require(StateFlag.ARMED not in state.flags, "it is still armed")
    return "event 4"


def _shoved(stand: Stand) -> str:
    """Push the standing platen, as a motor that slips, a hand or a part does."""
    if stand.provoker.slow:
        raise NotApplicableError("no hand may push a platen that has current; a bench can")
    stand.willing(SHOVE)
    stand.ready()
    limit_s = stand.provoke(SHOVE)
    talk = stand.talk
    talk.until(lambda: any(event.code in _PUSHED for event in talk.events()), limit_s)
    codes = [event.code for event in talk.events() if event.code in _PUSHED]
    gone = stand.position - stand.bounds.base
    require(bool(codes), f"it was pushed away by {gone} counts, and neither event 9 nor event 5 came")
    state = stand.standstill()
    require(StateFlag.ARMED not in state.flags, "it is still armed")
    require(state.stop_cause == codes[0], f"the state's stop cause is {int(state.stop_cause)}")
    return f"event {int(codes[0])}, latched and disarmed"


def _unbelievable(stand: Stand) -> str:
    """Have a force that stays, and one that goes, while the platen presses on."""
    if stand.provoker.slow:
        raise NotApplicableError("no hand holds a force that steadily; a bench can")
    stand.willing(GROWING)
    found = []
    for value, words in _UNBELIEVABLE:
        stand.ready()
        request = stand.begin_long()
        stand.provoke(GROWING)
        if value == GONE:
            stand.talk.listen(LINE_S)
            stand.undo()
        end = stand.ending(request, stand.stroke_s(stand.bounds.far - stand.bounds.base))
        if end is None or end.code != EventCode.FORCE_SILENT:
            stand.rest()
            continue
        require(end.value == value, f"{words}: event 10 says {end.value}, expected {value}")
        state = stand.standstill()
        require(StateFlag.ARMED not in state.flags, f"{words}: event 10, and it is still armed")
        require(state.stop_cause == end.code, f"{words}: event 10, the stop cause is {int(state.stop_cause)}")
        found.append(f"{words}: event 10 with {value}")
        stand.rest()
    if not found:
        raise NotApplicableError("it does not watch for a force that stays or goes; no rule asks for it")
    return "; ".join(found)


def _beyond_force(stand: Stand) -> str:
    """See that a homing does not pull a part further that pulls already."""
    stand.ready()
    talk = stand.talk
    mean, spread = stand.force_now()
    stand.must(Disarm(talk.next_id()), "disarm")
    stand.narrow(min_force=mean + spread + FORCE_SLACK_COUNTS)
    stand.must(Arm(talk.next_id()), "arm")
    home = Home(talk.next_id(), min(stand.bounds.speed, stand.bounds.home_speed))
    return stand.refuses(home, ReplyResult.OUTSIDE_LIMITS, "a homing with the force beyond its lower limit")


def _check(
    name: str, where: str, cost: str, begin: Callable[[Stand], int], only: Collection[str] = ()
) -> Check:
    return Check(
        name,
        _GROUP,
        f"What stops it {where}",
        "Halt, disarm, limits, heartbeats, switches, a stall and a silent converter stop every motion.",
        f"event 12, 4, 8, 6, 10, 5 or 9 within {LATENCY_S + LINE_S:g} s (heartbeats {BEAT_S + LINE_S:g} s)",
        cost,
        partial(_stopped, begin=begin, only=only),
        arms=True,
    )


CHECKS = (
    _check(
        "stops-homing",
        "during a homing",
        "A homing with swapped plugs or wires continues into the part or the end stop, and nothing stops it.",
        _homing,
    ),
    _check(
        "stops-a-press",
        "during a press",
        "The one motion that is meant to meet a part cannot be stopped on its way into it.",
        _press,
    ),
    _check(
        "stops-cycles",
        "during cycles",
        "An endurance run goes on for hours after something went wrong.",
        _cycles,
    ),
    _check(
        "stops-cycles-back",
        "during the return of cycles",
        "A part that sticks is torn from the platen, or a hand pulled in, and nothing stops it.",
        _way_back,
        only=("halt", UNHEARD),
    ),
    _check(
        "stops-a-hold",
        "in the hold of a cycle",
        "A cause in a hold is missed, and the next squeeze begins anyway, perhaps onto a hand.",
        _hold,
    ),
    Check(
        "home-on-switch",
        _GROUP,
        "A homing that begins with its switch open",
        "Homing moves only a short distance to leave its switch; a switch whose plug is off never releases.",
        f"at most {LEAVING_STROKES} small motions up",
        "A home switch whose plug came off drives the platen into the part.",
        _on_the_switch,
        arms=True,
    ),
    Check(
        "home-resisted",
        _GROUP,
        "A homing that meets something",
        "A homing stops where the force grows, with event 4, inside the force limits too.",
        "event 4, disarmed",
        "With motor or plugs swapped, a homing presses the part, or a hand, up to the force limit.",
        _resisted,
        arms=True,
    ),
    Check(
        "pushed-standing",
        _GROUP,
        "A platen that is pushed away while armed at rest",
        "A platen that is pushed from where it was left, while armed, is event 9, or event 5 beyond a limit.",
        "event 9 or 5, latched and disarmed",
        "A motor that slips under load lets the platen go unseen; holds and depths are wrong.",
        _shoved,
        arms=True,
    ),
    Check(
        "force-unbelievable",
        _GROUP,
        "A force that stays, or goes, while the platen presses on",
        "A device that stops for it sends event 10 with 3 (it stays) or 4 (it goes), latches and disarms.",
        "event 10 with 3, then with 4; not tried if it does not watch for it",
        "A report names a wrong cause, and the cable of the cell is looked for at the wrong end.",
        _unbelievable,
        arms=True,
    ),
    Check(
        "home-beyond-force",
        _GROUP,
        "A homing beyond a force limit",
        "Home is refused with 6 while the force is beyond a limit.",
        "result 6",
        "A part that sticks is pulled further by the homing that a run begins with.",
        _beyond_force,
        arms=True,
    ),
)
