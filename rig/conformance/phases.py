"""What stops a motion, in every kind of motion: a homing, a press, cycles and the hold in one.

Problem: a device that obeys a halt or a limit in a plain motion may not look at it in another kind, or while
the platen rests in the middle of one. Plan: each kind is begun, and each cause comes on its way; the event,
its time on the device's clock, the latch and the flag of arming must be those of a plain motion. Cost: some
two seconds of motion for each pair.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from functools import partial

from rig.conformance.evidence import FORCE_SLACK_COUNTS, LATENCY_S, PASSED_COUNTS, late_s, newest_us
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.provoking import (
    EMERGENCY_STOP,
    GROWING,
    HOME_SWITCH,
    POSITION_SENSOR,
    SHOVE,
    SHOVE_BACK,
    SILENT_CONVERTER,
    STALL,
    TRAVEL_SWITCH,
)
from rig.conformance.stand import LINE_S, LONGER_S, NEAR_COUNTS, Stand
from rig.conformance.verdicts import CheckGroup
from rig.wire import (
    Cycle,
    EventCode,
    Halt,
    Home,
    MoveTo,
    PressUntil,
    ReplyResult,
    StateFlag,
)

CHECKS = CheckGroup("phases", arms=True)

BEAT_S = 0.55
_NOTICED_S = {EventCode.HEARTBEAT_LOST: BEAT_S, EventCode.FORCE_SILENT: LATENCY_S + 0.4}
"""The slowest converter has ten conversions a second, and is silent after three of them."""

HOLD_MS = 60_000
"""Never waited for; it is no positive number in 16 bits with a sign."""

REACH_S = 1.0
"""Longer than heartbeats may stay away."""

_PUSHED = (EventCode.STALLED, EventCode.TRAVEL_TRIP)
STAYS, GONE = 3, 4
HOMING_REACH_S = 1.5
HALT, UPPER_FORCE, LOWER_FORCE = "halt", "the upper force limit", "the lower force limit"
UPPER_POSITION = "the upper position limit"
_PROVOKED = (
    (EMERGENCY_STOP, EventCode.STOP_OPENED),
    (SILENT_CONVERTER, EventCode.FORCE_SILENT),
    (TRAVEL_SWITCH, EventCode.TRAVEL_TRIP),
    (HOME_SWITCH, EventCode.TRAVEL_TRIP),
    (STALL, EventCode.STALLED),
    (POSITION_SENSOR, EventCode.POSITION_FAULT),
)
_LOST = frozenset({STALL.name, POSITION_SENSOR.name})
"""The platen is not where it should be: event 9, or 15 where the sensor is seen to fail."""

_UP = frozenset({HOME_SWITCH.name})
_DOWN = frozenset({UPPER_FORCE, UPPER_POSITION, TRAVEL_SWITCH.name})
_AT_REST = frozenset({UPPER_POSITION, TRAVEL_SWITCH.name}) | _UP | _LOST
"""What need not stop a motion up, one down, or the hold between them."""

_UNBELIEVABLE = (
    (STAYS, "a force that stays while the platen presses on"),
    (GONE, "a force that goes while the platen presses on"),
)
LEAVING_STROKES = 8
"""A homing that begins on its switch goes towards the part: by no more than this many small motions."""


def _homing(stand: Stand) -> int:
    """Begin a homing; one that was stopped begins anew where it stopped, if its switch is far enough."""
    bounds = stand.bounds
    stand.arm()
    enough = bounds.base + round((BEAT_S + LINE_S) * bounds.speed)
    if StateFlag.HOMED in stand.state().flags or not enough < stand.position < bounds.far:
        stand.ready()
        far = min(bounds.base + max(4 * bounds.stroke, round(HOMING_REACH_S * bounds.speed)), bounds.far)
        stand.go(far)
    return stand.begun(Home(stand.talk.next_id(), bounds.careful_speed))


def _far(stand: Stand) -> int:
    """Return a place so far from the base that a motion there can be stopped on its way."""
    bounds = stand.bounds
    return min(bounds.base + max(4 * bounds.stroke, round(REACH_S * bounds.speed)), bounds.far)


def _cycles(stand: Stand, high: int | None = None, hold_ms: int = 0) -> int:
    stand.needs_cycles()
    bounds, request = stand.bounds, stand.talk.next_id()
    high = _far(stand) if high is None else high
    return stand.begun(Cycle(request, bounds.base, high, bounds.speed, 0, hold_ms, 1))


def _hold(stand: Stand) -> int:
    high = stand.bounds.base + stand.bounds.stroke
    request = _cycles(stand, high, HOLD_MS)
    if not stand.talk.until(lambda: abs(stand.position - high) <= NEAR_COUNTS, LONGER_S):
        raise UnreadyError("the platen did not come to its hold")
    stand.talk.listen(LINE_S)
    return request


def _causes(stand: Stand) -> Iterator[tuple[str, EventCode, Callable[[], object]]]:
    """Yield what stops a motion, the event that it brings, and how it is brought about."""
    talk = stand.talk
    mean, spread = stand.force_now()
    room = spread + FORCE_SLACK_COUNTS

    def passed() -> None:
        stand.narrow(max_position=stand.position - PASSED_COUNTS)

    def unheard() -> None:
        talk.beat()
        talk.beating = False

    yield HALT, EventCode.HALTED, stand.halt
    yield "disarm", EventCode.HALTED, stand.disarm
    yield UPPER_FORCE, EventCode.FORCE_TRIP, partial(stand.narrow, max_force=mean - room)
    yield LOWER_FORCE, EventCode.FORCE_TRIP, partial(stand.narrow, min_force=mean + room)
    yield UPPER_POSITION, EventCode.TRAVEL_TRIP, passed
    yield "heartbeats that stop", EventCode.HEARTBEAT_LOST, unheard
    for what, code in _PROVOKED:
        # a person's hand would be too late for motions as short as these
        if not stand.provoker.slow and not stand.provoker.willing(what):
            yield what.name, code, partial(stand.provoke, what)


def _stopped(stand: Stand, begin: Callable[[Stand], int], without: Collection[str]) -> str:
    found = []
    stand.ready()
    for words, code, bring in _causes(stand):
        if words in without:
            continue
        if begin is not _homing:
            stand.ready()
        request = begin(stand)
        try:
            bring()
        except NotApplicableError:  # it takes no narrower limits now, or its bench does not know the order
            stand.rest()
            continue
        begun_us = newest_us(stand)
        codes = (code, EventCode.POSITION_FAULT, EventCode.STALLED) if words in _LOST else (code,)
        end = stand.ends(request, LONGER_S, *codes, when=f"{words}: it")
        after_s, most_s = late_s(stand, end, begun_us), _NOTICED_S.get(code, LATENCY_S) + LINE_S
        if words in _LOST:
            # seen once the platen is so far behind
            most_s += stand.bounds.stroke / stand.bounds.speed
        late = f"{words}: event {int(end.code)} came {after_s:.3f} s later, {most_s:g} s at most"
        require(code is EventCode.HALTED or after_s <= most_s, late)
        state = stand.standstill()
        armed = StateFlag.ARMED in state.flags
        cause, expected = int(state.stop_cause), 0 if code is EventCode.HALTED else int(end.code)
        require(cause == expected, f"{words}: the state's stop cause is {cause}")
        require(armed == (words == HALT), f"{words}: afterwards it is {'' if armed else 'dis'}armed")
        found.append(words)
        stand.rest()
    if not found:
        raise NotApplicableError("nothing that stops it can be brought about")
    return f"stopped by {', '.join(found)}"


def _stops(name: str, where: str, cost: str, begin: Callable[[Stand], int], without: Collection[str]) -> None:
    CHECKS.add(
        name,
        f"What stops it {where}",
        "Halt, disarm, limits, heartbeats, switches, a stall and failing sensors stop every motion.",
        f"a trip's event or 12 within {LATENCY_S + LINE_S:g} s (heartbeats {BEAT_S + LINE_S:g} s)",
        cost,
    )(partial(_stopped, begin=begin, without=without))


_stops(
    "stops-homing",
    "during a homing",
    "A homing with swapped plugs or wires continues into the part or the end stop, and nothing stops it.",
    _homing,
    _UP | {UPPER_POSITION},
)


def _press(stand: Stand) -> int:
    bounds = stand.bounds
    return stand.begun(PressUntil(stand.talk.next_id(), bounds.max_force, bounds.speed, _far(stand)))


_stops(
    "stops-a-press",
    "during a press",
    "The one motion that is meant to meet a part cannot be stopped on its way into it.",
    _press,
    _UP,
)

_stops(
    "stops-cycles",
    "during cycles",
    "An endurance run goes on for hours after something went wrong.",
    _cycles,
    _UP,
)


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


_stops(
    "stops-cycles-back",
    "during the return of cycles",
    "A part that sticks is torn from the platen, or a hand pulled in, and nothing stops it.",
    _way_back,
    _DOWN,
)

_stops(
    "stops-a-hold",
    "in the hold of a cycle",
    "A cause in a hold is missed, and the next squeeze begins anyway, perhaps onto a hand.",
    _hold,
    _AT_REST,
)


def _retreat(stand: Stand) -> int:
    """Begin a motion away from a force limit that was passed; its request id."""
    bounds, start = stand.bounds, _far(stand)
    # the limit has to be there before the motion that passes it is over
    if bounds.far - start < round((LINE_S + 2 * LATENCY_S) * bounds.speed):
        raise NotApplicableError("its travel is too short, at this speed, to pass a limit and to retreat")
    stand.go(start)
    mean, spread = stand.force_now()
    request = stand.begun(MoveTo(stand.talk.next_id(), bounds.far, bounds.speed))
    stand.narrow(max_force=mean - spread - FORCE_SLACK_COUNTS)
    stand.trips(request, LONGER_S, EventCode.FORCE_TRIP)
    stand.clear_stop()
    stand.arm_again()
    return stand.begun(MoveTo(stand.talk.next_id(), bounds.base, bounds.speed))


_stops(
    "stops-a-retreat",
    "during a retreat from a force limit that was passed",
    "While a trapped part or hand is freed, no command and no trip stops the platen.",
    _retreat,
    # at a speed of its own: a stall is seen when it is
    _DOWN | _LOST | {LOWER_FORCE},
)


def _halted_leaving(stand: Stand) -> None:
    """Halt such a homing on its way from the switch."""
    talk, bounds = stand.talk, stand.bounds
    stand.standstill()
    stand.arm()
    begun_at = stand.position
    command = Home(talk.next_id(), bounds.careful_speed)
    reply, request = talk.ask(command), command.request
    if reply is None or reply.result != ReplyResult.ACCEPTED:
        return  # below its limits it homes no more
    talk.until(lambda: bool(stand.endings(request)) or stand.position - begun_at > NEAR_COUNTS, LINE_S)
    leaves = not stand.endings(request) and stand.position - begun_at > NEAR_COUNTS
    stand.halt()
    if not leaves:
        return  # it does not leave its switch so
    words = "a homing was halted on its way from its open switch, and"
    stand.ends(request, LONGER_S, EventCode.HALTED, when=words)


@CHECKS.add(
    "home-on-switch",
    "A homing that begins with its switch open",
    "Homing moves only a short distance to leave its switch; a switch whose plug is off never releases.",
    f"at most {LEAVING_STROKES} small motions up",
    "A home switch whose plug came off drives the platen into the part.",
)
def _on_the_switch(stand: Stand) -> str:
    """Home with a switch that is open from the start: pressed, or its plug is off."""
    stand.willing(HOME_SWITCH, "a homing cannot be halted in time by a person's words")
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    stand.provoke(HOME_SWITCH)
    stand.arm()
    begun_at, most = stand.position, LEAVING_STROKES * bounds.stroke
    request = stand.begin(Home(talk.next_id(), bounds.careful_speed))
    # the position may be set to zero at its end: only what rises before is way towards the part
    talk.until(lambda: bool(stand.endings(request)) or stand.position - begun_at > most, bounds.home_s)
    gone = stand.position - begun_at
    talk.ask(Halt(talk.next_id()))
    require(gone <= most, f"with its home switch open it went {gone} counts towards the part, at most {most}")
    _halted_leaving(stand)
    return f"it went {max(gone, 0)} counts towards the part and ended"


@CHECKS.add(
    "home-resisted",
    "A homing that meets something",
    "A homing stops where the force grows, with event 4, inside the force limits too.",
    "event 4, disarmed",
    "With motor or plugs swapped, a homing presses the part, or a hand, up to the force limit.",
)
def _resisted(stand: Stand) -> str:
    """Home with something in its way: plugs or wires are swapped, or a hand is there."""
    stand.willing(GROWING, "a person's push would be too late for a motion as short as this")
    stand.ready()
    mean, spread = stand.force_now()
    request = _homing(stand)
    stand.provoke(GROWING)
    end = stand.trips(request, LONGER_S, EventCode.FORCE_TRIP)
    require(end.value - mean > spread, f"event 4 says {end.value} counts, before it was {mean}")
    return "event 4"


@CHECKS.add(
    "pushed-standing",
    "A platen that is pushed away while armed at rest",
    "A platen that is pushed from where it was left, while armed, is event 9, or event 5 beyond a limit.",
    "event 9 or 5, latched and disarmed",
    "A motor that slips under load lets the platen go unseen; holds and depths are wrong.",
)
def _shoved(stand: Stand) -> str:
    """Push the standing platen up and down, as a motor that slips, a hand or a part does."""
    stand.willing(SHOVE, "no hand may push a platen that has current")
    talk = stand.talk
    found: list[str] = []
    for what, where in ((SHOVE, "up"), (SHOVE_BACK, "down")):
        stand.rest()
        stand.ready()
        begun_at = stand.position
        try:
            limit_s = stand.provoke(what)
        except NotApplicableError:
            if found:  # an older bench pushes it one way only
                break
            raise
        talk.until(lambda: any(event.code in _PUSHED for event in talk.events()), limit_s)
        codes = [event.code for event in talk.events() if event.code in _PUSHED]
        gone = stand.position - begun_at
        require(bool(codes), f"it was pushed {where} by {abs(gone)} counts, and neither event 9 nor 5 came")
        stand.latched(codes[0])
        found.append(f"{where}: event {int(codes[0])}")
    return f"{', '.join(found)}, latched and disarmed"


@CHECKS.add(
    "force-unbelievable",
    "A force that stays, or goes, while the platen presses on",
    "A device that stops for it sends event 10 with 3 (it stays) or 4 (it goes), latches and disarms.",
    "event 10 with 3, then with 4; not tried if it does not watch for it",
    "A report names a wrong cause, and the cable of the cell is looked for at the wrong end.",
)
def _unbelievable(stand: Stand) -> str:
    """Have a force that stays, and one that goes, while the platen presses on."""
    stand.willing(GROWING, "no hand holds a force that steadily")
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
        stand.latched(end.code)
        found.append(f"{words}: event 10 with {value}")
        stand.rest()
    if not found:
        raise NotApplicableError("it does not watch for a force that stays or goes; no rule asks for it")
    return "; ".join(found)


@CHECKS.add(
    "home-beyond-force",
    "A homing beyond a force limit",
    "Home is refused with 6 while the force is beyond a limit.",
    "result 6",
    "A part that sticks is pulled further by the homing that a run begins with.",
)
def _beyond_force(stand: Stand) -> str:
    """See that a homing does not pull a part further that pulls already."""
    stand.ready()
    mean, spread = stand.force_now()
    stand.disarm()
    stand.narrow(min_force=mean + spread + FORCE_SLACK_COUNTS)
    stand.arm_again()
    home = Home(stand.talk.next_id(), stand.bounds.careful_speed)
    return stand.refuses(home, ReplyResult.OUTSIDE_LIMITS, "a homing with the force beyond its lower limit")
