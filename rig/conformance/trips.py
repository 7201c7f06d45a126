"""Trips: each brakes, names itself, latches and disarms; and the way back out of one.

Limits of force and position are passed without squeezing anything: they are narrowed while the platen
moves, to where it already is. The others need a hand or a bench.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial

import numpy as np

from rig.conformance.abilities import told
from rig.conformance.evidence import (
    FORCE_SLACK_COUNTS,
    LATENCY_S,
    PASSED_COUNTS,
    late_s,
    newest_us,
    seen,
    times_s,
)
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.provoking import (
    EMERGENCY_STOP,
    FROZEN_CONVERTER,
    POSITION_SENSOR,
    RESET,
    SATURATED_CONVERTER,
    SILENT_CONVERTER,
    STALL,
    TRAVEL_SWITCH,
    Provocation,
)
from rig.conformance.stand import LINE_S, LONGER_S, Motion, Stand, event_words, too_late_words
from rig.conformance.verdicts import CheckGroup
from rig.samples import FloatArray, Status
from rig.wire import (
    Arm,
    Capability,
    ClearStop,
    Cycle,
    Event,
    EventCode,
    MoveTo,
    PressUntil,
    ReplyResult,
    SampleBlock,
    StateFlag,
)

CHECKS = CheckGroup("trips", arms=True)

SECOND_END_S = 0.3
STAYS_S = 0.6

SLOWEST_CONVERSION_S = 0.1
CONVERSIONS = {SILENT_CONVERTER.name: 4, SATURATED_CONVERTER.name: 2, FROZEN_CONVERTER.name: 10}
"""After this many conversions a converter that no longer measures is found out; the slowest has 10 a
second."""

ENOUGH_CONVERSIONS, NEWEST_CONVERSIONS = 8, 40
FULL_SCALE_TOLERANCE = 0.05
FROZEN_CONVERSIONS = 10
"""One value eight times, and what may lie between a conversion and its sample."""

SILENT_PERIODS, SILENT_SLACK_S = 4.0, 0.04
"""After three periods, the clock of a converter being off by a tenth, and a sample of the stream."""

_OTHER_CAUSES = {
    SILENT_CONVERTER.name: (1, 3, 4),
    SATURATED_CONVERTER.name: (3, 4),
    FROZEN_CONVERTER.name: (1, 4),
}
"""Values of event 10 that are not true then. A converter that repeats itself may be told as such, and version
1.0 says 0."""

REACH_S = 1.5
FAULT_STROKES = 4
"""After this number of small motions a platen whose sensor failed counts as stalled."""

_SHOWN: dict[str | EventCode | int, Status] = {
    EMERGENCY_STOP.order: Status.EMERGENCY_STOP,
    TRAVEL_SWITCH.order: Status.TRAVEL_SWITCH,
    SATURATED_CONVERTER.order: Status.FORCE_SATURATED,
    EventCode.POSITION_FAULT: Status.POSITION_FAULT,
}
"""What the samples show while the cause of a trip is there."""


def _without_heartbeats(stand: Stand) -> None:
    """A stop latched at rest, without anybody's help; samples flow and nothing moves."""
    stand.arm()
    stand.talk.beating = False
    if not stand.comes(EventCode.HEARTBEAT_LOST, LONGER_S):
        raise UnreadyError("no stop could be latched: it stayed armed without heartbeats")
    stand.talk.beating = True


@CHECKS.add(
    "stop-stays",
    "A latched stop whose cause has gone",
    "A stop stays latched until it is cleared by a command.",
    "still latched",
    "The press restarts by itself as soon as the cause is removed, perhaps with a hand inside.",
)
def _stays(stand: Stand) -> str:
    _without_heartbeats(stand)
    stand.talk.listen(STAYS_S)
    cause = stand.state().stop_cause
    require(cause == EventCode.HEARTBEAT_LOST, "heartbeats came again, and the stop was gone by itself")
    others = stand.newest_status & (Status.FORCE_TRIP | Status.EMERGENCY_STOP)
    require(not others, f"heartbeats were lost, nothing else was wrong, and the status shows {others!r}")
    stand.disarm()
    cause = stand.state().stop_cause
    require(cause == EventCode.HEARTBEAT_LOST, "disarming cleared the latched stop")
    return "still latched when the cause had gone"


@CHECKS.add(
    "arm-while-latched",
    "Arming with a stop latched",
    "Arming is refused with 5 while a stop is latched.",
    "result 5",
    "A program that retries continues after an accident.",
)
def _arm_refused(stand: Stand) -> str:
    _without_heartbeats(stand)
    return stand.refuses(Arm(stand.talk.next_id()), ReplyResult.STOP_LATCHED, "arm")


@CHECKS.add(
    "motion-while-latched",
    "A motion with a stop latched",
    "A motion is refused with 5 while a stop is latched.",
    "result 5",
    "The platen moves although a trip has just stopped it.",
)
def _motion_refused(stand: Stand) -> str:
    _without_heartbeats(stand)
    return stand.refuses_motions(ReplyResult.STOP_LATCHED, "while a stop is latched")


def _press_stop(stand: Stand) -> bool:
    """Have the emergency stop pressed; whether a sample shows it."""
    limit_s = stand.provoke(EMERGENCY_STOP)
    shown = stand.shows(Status.EMERGENCY_STOP, limit_s)
    if not shown and stand.provoker.slow:
        raise UnreadyError(f"no sample showed status bit 4 within {limit_s:g} s")
    return shown


@CHECKS.add(
    "second-cause",
    "The emergency stop while another stop is latched",
    "Pressing and releasing the emergency stop sends events 6 and 7; the stop cause is the first.",
    "events 6 and 7, the first cause",
    "A report names the wrong cause of a stop, and the host does not see that the button is pressed.",
)
def _second_cause(stand: Stand) -> str:
    """Press the emergency stop while another stop is latched: the event comes, the first cause stays."""
    stand.willing(EMERGENCY_STOP)
    _without_heartbeats(stand)
    shown = _press_stop(stand)
    told = stand.comes(EventCode.STOP_OPENED, LINE_S)
    cause = int(stand.state().stop_cause)
    clear = ClearStop(stand.talk.next_id())
    stand.refuses(clear, ReplyResult.STOP_LATCHED, "clear stop with the emergency stop pressed too")
    stand.undo()
    closed = stand.comes(EventCode.STOP_CLOSED, LONGER_S)
    when = "pressed while heartbeats were lost"
    require(shown, f"status bit 4 was clear while the emergency stop was {when}")
    require(told, f"no event 6 when the emergency stop was {when}")
    require(closed, f"no event 7 at its release, when the emergency stop was {when}")
    first = int(EventCode.HEARTBEAT_LOST)
    require(cause == first, f"emergency stop {when}: the stop cause became {cause}, it was {first}")
    return "events 6 and 7, and the first cause stays"


@CHECKS.add(
    "clear-stop",
    "Clear stop",
    "Clear stop unlatches, and is refused only while the emergency stop is pressed. It does not arm.",
    "no stop cause, disarmed",
    "After each trip the supply has to be switched off and on.",
)
def _clears(stand: Stand) -> str:
    _without_heartbeats(stand)
    before = stand.limits_kept()
    stand.accepts(ClearStop(stand.talk.next_id()), "clear stop")
    state, after = stand.state(), stand.limits_kept()
    require(after == before, f"clearing the stop changed the limits from {before} to {after}")
    require(StateFlag.LIMITS_SET in state.flags, "clearing the stop cleared flag 2 (limits set)")
    require(not state.stop_cause, f"the state's stop cause is still {int(state.stop_cause)}")
    require(StateFlag.ARMED not in state.flags, "clearing the stop armed it")
    return "cleared, and disarmed"


def _away_from_limits(stand: Stand) -> int:
    """Return a motion towards the far end that one narrowed limit will end; its request id."""
    bounds = stand.bounds
    away = MoveTo(stand.talk.next_id(), bounds.far, bounds.speed)
    return stand.begun(away, max(2 * PASSED_COUNTS, bounds.stroke))


def _force_trip(stand: Stand) -> tuple[int, Event]:
    """Return a force limit that is passed; the greatest force that was set, and the event."""
    stand.ready()
    mean, spread = stand.force_now()
    request = _away_from_limits(stand)
    limit = mean - spread - FORCE_SLACK_COUNTS
    stand.narrow(max_force=limit)
    return limit, stand.trips(request, LONGER_S, EventCode.FORCE_TRIP)


@CHECKS.add(
    "trip-force",
    "Trip: force limit",
    "It brakes by itself when a force limit is passed, and sends event 4 with the force.",
    "event 4, stop cause in the state, status bit 5, disarmed",
    "The cell, the specimen or a hand takes the full force of the drive.",
)
def _force(stand: Stand) -> str:
    limit, end = _force_trip(stand)
    require(end.value > limit, f"event 4 says {end.value} counts, the limit is {limit}")
    require(stand.shows(Status.FORCE_TRIP), "status bit 5 (force trip) is clear")
    stand.set_limits()
    shown = bool(stand.status() & Status.FORCE_TRIP)
    require(shown, "status bit 5 is clear although the force trip is latched, the force being inside again")
    stand.clear_stop()
    shown = bool(stand.status() & Status.FORCE_TRIP)
    require(not shown, "status bit 5 (force trip) is set although the stop was cleared")
    return f"event 4 at {end.value} counts, limit {limit}"


@CHECKS.add(
    "trip-position",
    "Trip: position limit",
    "It brakes by itself when a travel limit is passed, and sends event 5.",
    "event 5, stop cause in the state, disarmed",
    "The platen runs against the other one, or off its screw.",
)
def _position(stand: Stand) -> str:
    stand.ready()
    request = _away_from_limits(stand)
    limit = stand.position - PASSED_COUNTS
    stand.narrow(max_position=limit)
    end = stand.trips(request, LONGER_S, EventCode.TRAVEL_TRIP)
    require(end.value > limit, f"event 5 says {end.value} counts, it was beyond its limit of {limit}")
    return f"event 5 at {end.value} counts, limit {limit}"


@CHECKS.add(
    "trip-ends-once",
    "The end of a motion by a trip",
    "Exactly one event with its request id ends each motion.",
    "one event",
    "The second one may be taken for the end of the next motion.",
)
def _ends_once(stand: Stand) -> str:
    _, end = _force_trip(stand)
    stand.talk.listen(SECOND_END_S)
    count = len(stand.endings(end.request))
    require(count == 1, f"{count} events ended one motion")
    return "one event"


def _armed_after_trip(stand: Stand) -> None:
    """Armed again with the force still beyond the limit."""
    _force_trip(stand)
    stand.clear_stop()
    stand.arm_again()
    stand.talk.listen(0.05)


def _no_approach(stand: Stand, when: str) -> str:
    """Whatever goes on towards the part is refused."""
    bounds, talk, here = stand.bounds, stand.talk, stand.position
    further = here + bounds.stroke // 2
    tries: tuple[tuple[Motion, str], ...] = (
        (MoveTo(talk.next_id(), further, bounds.speed), f"an approach {when}"),
        (PressUntil(talk.next_id(), bounds.min_force, bounds.speed, further), f"a press {when}"),
        (Cycle(talk.next_id(), here, further, bounds.speed, 0, 0, 1), f"a cycle {when}"),
    )
    return stand.refuses_all(ReplyResult.OUTSIDE_LIMITS, tries)


@CHECKS.add(
    "approach-after-trip",
    "Approach after a force trip",
    "While force is beyond its limit only motion away from it is accepted; others are answered 6.",
    "result 6",
    "Whoever clears the stop can press a trapped hand further.",
)
def _approach(stand: Stand) -> str:
    _armed_after_trip(stand)
    return _no_approach(stand, "with the force beyond its upper limit")


def _armed_while_pulled(stand: Stand) -> None:
    """Armed again with the force still beyond the lower limit."""
    stand.ready()
    mean, spread = stand.force_now()
    request = _away_from_limits(stand)
    stand.narrow(min_force=mean + spread + FORCE_SLACK_COUNTS)
    stand.trips(request, LONGER_S, EventCode.FORCE_TRIP)
    stand.clear_stop()
    stand.arm_again()


@CHECKS.add(
    "pull-after-trip",
    "Motion away from a part that pulls",
    "While force is below its lower limit, motion away from the part is answered 6.",
    "result 6",
    "Whoever clears the stop tears at what sticks, or at a hand that is caught.",
)
def _pull(stand: Stand) -> str:
    """Beyond the lower force limit what is pulled must not be pulled further."""
    _armed_while_pulled(stand)
    away = MoveTo(stand.talk.next_id(), stand.bounds.base, stand.bounds.speed)
    words = "a motion down with the force beyond its lower limit"
    return stand.refuses(away, ReplyResult.OUTSIDE_LIMITS, words)


def _armed_at_switch(stand: Stand, above: int = 0) -> None:
    """Armed again with the travel switch at the pressing end still pressed, `above` counts from the base."""
    stand.willing(TRAVEL_SWITCH, "the plug would have to stay off while it is armed")
    stand.ready()
    if above:
        stand.go(stand.bounds.base + above)
    stand.provoke(TRAVEL_SWITCH)
    stand.talk.listen(SECOND_END_S)
    stand.disarm()
    if stand.state().stop_cause:
        stand.clear_stop()
    stand.arm_again()
    stand.talk.listen(0.05)


@CHECKS.add(
    "approach-at-switch",
    "Approach with the travel switch pressed",
    "While the switch at the pressing end is pressed only motion away from it is accepted.",
    "result 6",
    "Whoever clears the stop drives the platen further into its end.",
)
def _approach_switch(stand: Stand) -> str:
    _armed_at_switch(stand)
    return _no_approach(stand, "with the travel switch pressed")


def _carried_out(stand: Stand, move: MoveTo, what: str, on_its_way: Callable[[], None] = lambda: None) -> str:
    """Have a motion away from a limit accepted and carried out, with something done on its way."""
    from_counts = stand.position
    stand.accepts(move, what)
    on_its_way()
    stand.ends(move.request, stand.stroke_s(move.position - from_counts), when=what)
    return "accepted, and done"


@CHECKS.add(
    "approach-after-pull",
    "Motion towards a part that pulls",
    "While force is below its lower limit, motion towards the part is accepted.",
    "accepted, event 2 at its end",
    "What sticks to the platen, or a hand that is caught, cannot be let go under power.",
)
def _let_go(stand: Stand) -> str:
    """What is pulled can be let go by a motion towards it."""
    _armed_while_pulled(stand)
    bounds, talk = stand.bounds, stand.talk
    towards = MoveTo(talk.next_id(), stand.position + 2 * PASSED_COUNTS, bounds.speed)
    return _carried_out(stand, towards, "a motion up with the force beyond its lower limit")


@CHECKS.add(
    "retreat-at-switch",
    "Retreat with the travel switch pressed",
    "While the switch at the pressing end is pressed, motion away from it is accepted.",
    "accepted, event 2 at its end",
    "A platen in its end, and what it presses on, can only be freed with a spanner.",
)
def _retreat_switch(stand: Stand) -> str:
    """The switch lets go on the way, as the one that the platen stands on does."""
    bounds, talk = stand.bounds, stand.talk
    _armed_at_switch(stand, above=max(bounds.stroke, 3 * PASSED_COUNTS))
    here = stand.position
    move = MoveTo(talk.next_id(), bounds.base, bounds.speed)
    what = "a motion away from the pressed travel switch"

    def let_go() -> None:
        moved = talk.until(
            lambda: stand.position < here - PASSED_COUNTS or bool(stand.endings(move.request)), LONGER_S
        )
        require(moved and not stand.endings(move.request), f"{what} was accepted, and nothing moved")
        stand.undo()

    return _carried_out(stand, move, what, let_go)


def _back_inside(stand: Stand, *, upper: bool) -> str:
    """The platen stands outside the limits of position that the device is given; the way back is open."""
    bounds = stand.bounds
    stand.ready()
    low, middle, high = (bounds.base + share * bounds.stroke // 2 for share in (0, 1, 2))
    if upper:
        stand.go(high)
    stand.disarm()
    stand.set_limits(**{"max_position" if upper else "min_position": middle})
    stand.arm_again()
    inside = MoveTo(stand.talk.next_id(), low if upper else high, bounds.speed)
    side = "above the upper" if upper else "below the lower"
    return _carried_out(stand, inside, f"a motion back inside from {side} position limit")


for _side, _where in (("upper", "beyond the upper"), ("lower", "below the lower")):
    CHECKS.add(
        f"back-inside-{_side}",
        f"The way back from {_where} position limit",
        "While the position is outside its limits, motion back inside is accepted.",
        "accepted, event 2 at its end",
        "A platen outside its limits, and what it presses on, can only be freed with a spanner.",
    )(partial(_back_inside, upper=_side == "upper"))


@CHECKS.add(
    "switch-standing",
    "The travel switch, pressed while armed at rest",
    "Both ends of the travel are watched, moving and standing while armed.",
    "event 5, latched and disarmed",
    "A platen that is pushed or creeps into its end stays under power there.",
)
def _switch_standing(stand: Stand) -> str:
    """Press the travel switch at the pressing end while it stands armed."""
    stand.willing(TRAVEL_SWITCH, "no hand or plug while it is armed at rest")
    stand.ready()
    stand.provoke(TRAVEL_SWITCH)
    tripped = stand.comes(EventCode.TRAVEL_TRIP, LATENCY_S + LINE_S)
    require(tripped, "the travel switch was pressed while it stood armed, and no event 5 came")
    stand.latched(EventCode.TRAVEL_TRIP)
    return "event 5, latched and disarmed"


@CHECKS.add(
    "sensor-standing",
    "The position sensor, failing while armed at rest",
    "A fault of the position sensor at rest trips at once, or at the latest in the next motion.",
    "event 15 or 9, latched and disarmed",
    "Counts are lost at rest unseen: every position and travel limit afterwards is wrong.",
)
def _sensor_standing(stand: Stand) -> str:
    """Have the position sensor fail at rest; a line that came off may show only when it should change."""
    stand.willing(POSITION_SENSOR, "no hand or plug while it is armed at rest")
    stand.ready()
    bounds, talk, codes = stand.bounds, stand.talk, (EventCode.POSITION_FAULT, EventCode.STALLED)

    def tripped() -> bool:
        return any(event.code in codes for event in talk.events())

    stand.provoke(POSITION_SENSOR)
    when = "at rest"
    if not talk.until(tripped, LATENCY_S + LINE_S):
        when = "in the next motion"
        way = min(FAULT_STROKES * bounds.stroke, bounds.far - bounds.base)
        stand.answers(MoveTo(talk.next_id(), bounds.base + way, bounds.speed), "a motion")
        talk.until(tripped, way / bounds.speed + LATENCY_S + LINE_S)
    require(
        tripped(), "the position sensor failed at rest, and neither event 15 nor 9 came in the next motion"
    )
    code = next(event.code for event in talk.events() if event.code in codes)
    stand.latched(code)
    return f"event {int(code)} {when}, latched and disarmed"


@CHECKS.add(
    "converter-away",
    "A converter that fails at rest, or on the way down",
    "A converter that is saturated, silent or gives one value eight times trips in every motion and at rest.",
    "event 10, or 4 where it is saturated, each time",
    "What sticks to the platen is pulled, or a part left under load, with an unknown force.",
)
def _converter_away(stand: Stand) -> str:
    """Have the converter fail where it does not press on: armed at rest, and in a slow motion down."""
    stand.willing(FROZEN_CONVERTER, "a person cannot freeze a converter")
    bounds, talk, codes = stand.bounds, stand.talk, (EventCode.FORCE_SILENT, EventCode.FORCE_TRIP)
    high = bounds.base + 2 * bounds.stroke
    for what in (FROZEN_CONVERTER, SATURATED_CONVERTER, SILENT_CONVERTER):
        most_s = LATENCY_S + LINE_S + CONVERSIONS[what.name] * SLOWEST_CONVERSION_S
        for where in ("at rest", "on the way down"):
            stand.rest()
            stand.ready()
            if where != "at rest":
                stand.go(high)
                # so slow that it is under way for longer than the slowest converter is waited for
                speed = max(min(round(2 * bounds.stroke / (2 * most_s)), bounds.speed), 1)
                stand.begin_slowly(MoveTo(talk.next_id(), bounds.base, speed))
                talk.listen(LINE_S)
            stand.provoke(what)
            tripped = talk.until(lambda: any(event.code in codes for event in talk.events()), most_s)
            require(tripped, f"{what.name}, {where}: neither event 10 nor event 4 came in {most_s:g} s")
            stand.latched(next(event.code for event in talk.events() if event.code in codes))
    return "event 10 or 4 each time, latched and disarmed"


@CHECKS.add(
    "stop-before-arming",
    "An emergency stop that is pressed before arming",
    "Arming is refused with 5 while the emergency stop is pressed; status bit 4 shows it.",
    "bit 4, result 5",
    "The button does not act while somebody lays in a specimen, and the press can be started.",
)
def _stop_before_arming(stand: Stand) -> str:
    """Press the emergency stop while nothing is armed."""
    stand.willing(EMERGENCY_STOP)
    stand.unlatched()
    require(_press_stop(stand), "status bit 4 (emergency stop) is clear while it is pressed")
    words = stand.refuses(Arm(stand.talk.next_id()), ReplyResult.STOP_LATCHED, "arm while it is pressed")
    require(StateFlag.ARMED not in stand.state().flags, "it is armed")
    return words


@CHECKS.add(
    "stop-at-boot",
    "An emergency stop that is pressed while it boots",
    "Arming is refused with 5 while the emergency stop is pressed, however long ago; status bit 4 shows it.",
    "bit 4, result 5",
    "Power comes back with the button pressed, and the press can be started.",
)
def _stop_at_boot(stand: Stand) -> str:
    """Reset it with the emergency stop pressed: no edge tells it so."""
    stand.willing(EMERGENCY_STOP, "a person would have to hold one button and press another")
    stand.willing(RESET)
    stand.unlatched()
    _press_stop(stand)
    stand.reset()
    stand.stream(stand.work_rate_mhz)
    stand.set_limits()
    require(stand.shows(Status.EMERGENCY_STOP), "status bit 4 (emergency stop) is clear while it is pressed")
    return stand.refuses(Arm(stand.talk.next_id()), ReplyResult.STOP_LATCHED, "arm while it is pressed")


@CHECKS.add(
    "retreat-after-trip",
    "Retreat after a force trip",
    "After clear stop and arm, motion away from the passed limit is accepted.",
    "accepted, event 2 at its end",
    "A trapped part or hand can only be freed with a spanner.",
)
def _retreat(stand: Stand) -> str:
    _armed_after_trip(stand)
    away = MoveTo(stand.talk.next_id(), stand.bounds.base, stand.bounds.speed)
    return _carried_out(stand, away, "a motion away from the limit")


def _conversions(stand: Stand, end: Event) -> tuple[FloatArray, SampleBlock]:
    """Return when each conversion ended, in seconds after the trip, and the samples that bear one."""
    block = seen(stand)
    fresh = (block.status & Status.FRESH_FORCE) > 0
    return times_s(stand, block, end.time_us)[fresh], block[fresh]


def _silent(stand: Stand, end: Event) -> str:
    """Return how long after the last conversion a silent converter was found out, which must be in time."""
    ended_s, _ = _conversions(stand, end)
    if len(ended_s) < ENOUGH_CONVERSIONS:
        raise UnreadyError("too few samples with status bit 6 came to know the period of the converter")
    ended_s = ended_s[ended_s <= 0][-NEWEST_CONVERSIONS:]
    # the median: some samples may have been lost, and the stream began anew in between
    period_s = float(np.median(np.diff(ended_s)))
    return _found_out(-float(ended_s[-1]), SILENT_PERIODS * period_s, "the last conversion")


def _frozen(stand: Stand, end: Event) -> str:
    """Return how long a converter gave one value before it was found out, which must be in time."""
    ended_s, block = _conversions(stand, end)
    changed = np.flatnonzero(np.diff(block.force) != 0) + 1
    changed = changed[ended_s[changed] <= 0]
    if len(changed) < ENOUGH_CONVERSIONS:
        return "with hardly any noise before it, so that its last change does not tell when it froze"
    period_s = float(np.median(np.diff(ended_s)))
    return _found_out(-float(ended_s[changed[-1]]), FROZEN_CONVERSIONS * period_s, "the force was another")


def _found_out(after_s: float, most_s: float, what: str) -> str:
    most_s += SILENT_SLACK_S
    require(after_s <= most_s, f"event 10 came {after_s:.3f} s after {what}; at most {most_s:.3f} s")
    return f"{after_s:.3f} s after {what}"


def _full_scale(stand: Stand) -> None:
    """See that a saturated converter shows the count that is stated for it."""
    abilities, block = told(stand), seen(stand)
    said = abilities.full_scale
    shown = block.force[(block.status & Status.FORCE_SATURATED) > 0]
    largest = int(np.abs(shown).max(initial=0))
    # some show the last force that they believe
    if said and largest > max(abs(abilities.min_force), abs(abilities.max_force)):
        words = f"saturated it shows {largest} counts, and says that it saturates at {said}"
        require(abs(largest / said - 1) <= FULL_SCALE_TOLERANCE, words)


def _trips_again(stand: Stand, what: Provocation, codes: tuple[EventCode, ...]) -> None:
    """A force that cannot be read is no force beyond a limit, which may be let go."""
    talk = stand.talk
    stand.clear_stop()
    before = len(talk.events())
    if stand.answers(Arm(talk.next_id()), "arm").result == ReplyResult.ACCEPTED:
        talk.beat()
        again = talk.until(lambda: any(event.code in codes for event in talk.events()[before:]), LONGER_S)
        require(again, f"with the {what.name} still there it was armed again, and nothing tripped")


def _repeated(stand: Stand, code: EventCode | int) -> int:
    """Return how often an event came again; event 10 bears its cause, and may come once for each."""
    events = [event for event in stand.talk.events() if event.code == code]
    causes = Counter(event.value if code == EventCode.FORCE_SILENT else 0 for event in events)
    return max(causes.values()) - 1


def _enough_conversions(stand: Stand) -> bool:
    fresh = sum(int((taken.block.status & Status.FRESH_FORCE > 0).sum()) for taken in stand.talk.taken)
    return fresh > ENOUGH_CONVERSIONS


def _provoked(stand: Stand, what: Provocation, codes: tuple[EventCode, ...]) -> str:
    if stand.provoker.slow and not what.words:
        raise NotApplicableError(f"{what.name}: a bench can do it, a person cannot")
    stand.willing(what)
    stand.ready()
    if what.name in CONVERSIONS:
        # its period is needed, and the motion may be over in a few samples of a slow stream
        stand.talk.until(partial(_enough_conversions, stand), ENOUGH_CONVERSIONS * SLOWEST_CONVERSION_S)
    request = stand.begin_long()
    begun_us = newest_us(stand)
    limit_s = stand.provoke(what)
    if stand.provoker.slow:
        # a person may be slower than the motion is long
        end = stand.ending(request, limit_s)
        if end is None or end.code == EventCode.FINISHED:
            raise UnreadyError(too_late_words(limit_s))
    end = stand.trips(request, limit_s, *codes)
    words = event_words(end)
    if not stand.provoker.slow:
        after_s = late_s(stand, end, begun_us)
        # how late the event may come, beside the way of an order to a bench
        most_s = LATENCY_S + LINE_S + CONVERSIONS.get(what.name, 0) * SLOWEST_CONVERSION_S
        if what is STALL:
            most_s += stand.bounds.stroke / stand.bounds.speed
        words = f"{words} {after_s:.3f} s after the cause"
        require(after_s <= most_s, f"{words}, at most {most_s:g} s")
        stand.talk.listen(SECOND_END_S)
        again = _repeated(stand, end.code)
        # a button that bounces is pressed again
        once = what is EMERGENCY_STOP or not again
        require(once, f"{event_words(end)} latched a stop, and came {again} more times")
    bit = _SHOWN.get(end.code if end.code == EventCode.POSITION_FAULT else what.order)
    require(bit is None or stand.shows(bit), f"{event_words(end)}, and no sample shows status {bit!r}")
    if end.code == EventCode.POSITION_FAULT:
        homed = StateFlag.HOMED in stand.state().flags
        require(not homed, "event 15 (position fault), and flag 1 (homed) is still set")
    wrong = _OTHER_CAUSES.get(what.name, ())
    told_right = end.code != EventCode.FORCE_SILENT or end.value not in wrong
    require(told_right, f"{what.name}: event 10 says {end.value}, which is another cause")
    if what is SILENT_CONVERTER:
        words = f"{words}, {_silent(stand, end)}"
    if what is FROZEN_CONVERTER:
        words = f"{words}, {_frozen(stand, end)}"
    if what is SATURATED_CONVERTER and Capability.DESCRIBES in stand.known.capabilities:
        _full_scale(stand)
    if what.name in CONVERSIONS:
        _trips_again(stand, what, codes)
    return f"{words}, latched and disarmed"


def _add_trip(name: str, what: Provocation, *codes: EventCode, cost: str) -> None:
    numbers = " or ".join(str(int(code)) for code in codes)
    CHECKS.add(
        name,
        f"Trip: {what.name}",
        f"It brakes by itself, latches a stop, disarms and sends event {numbers} with the motion's request "
        "id.",
        f"event {numbers} in time, stop cause in the state, its status bit, disarmed",
        cost,
    )(partial(_provoked, what=what, codes=codes))


_add_trip(
    "trip-emergency-stop",
    EMERGENCY_STOP,
    EventCode.STOP_OPENED,
    cost="The host goes on as if nothing had happened, and moves as soon as power is back.",
)


@CHECKS.add(
    "emergency-stop-open",
    "While the emergency stop is pressed, and after",
    "Clear stop and arm are refused with 5 while it is pressed; releasing it clears nothing.",
    "5 and 5, event 7, still latched",
    "Releasing the button is enough to start the press.",
)
def _open_stop(stand: Stand) -> str:
    stand.willing(EMERGENCY_STOP)
    stand.arm()
    limit_s = stand.provoke(EMERGENCY_STOP)
    talk = stand.talk
    if not stand.comes(EventCode.STOP_OPENED, limit_s):
        raise UnreadyError("no event 6 came when the emergency stop was pressed")
    stand.refuses(ClearStop(talk.next_id()), ReplyResult.STOP_LATCHED, "clear stop while it is open")
    stand.refuses(Arm(talk.next_id()), ReplyResult.STOP_LATCHED, "arm while it is open")
    require(stand.shows(Status.EMERGENCY_STOP), "status bit 4 (emergency stop) is clear while it is pressed")
    stand.undo()
    require(stand.comes(EventCode.STOP_CLOSED, LONGER_S), "no event 7 at its release")
    cause = stand.state().stop_cause
    require(cause == EventCode.STOP_OPENED, "releasing the emergency stop cleared the latched stop")
    latched = Status.EMERGENCY_STOP in stand.newest_status
    require(latched, "status bit 4 is clear although the emergency stop is latched")
    stand.accepts(ClearStop(talk.next_id()), "clear stop once it was released")
    shown = bool(stand.status() & Status.EMERGENCY_STOP)
    require(not shown, "status bit 4 is set although the emergency stop was released and the stop cleared")
    return "refused while pressed, latched when released, cleared on command"


_add_trip(
    "trip-travel-switch",
    TRAVEL_SWITCH,
    EventCode.TRAVEL_TRIP,
    cost="After one wrong homing the platen runs into its end stop.",
)

_add_trip(
    "trip-stall",
    STALL,
    EventCode.STALLED,
    EventCode.POSITION_FAULT,
    cost="Lost steps go unnoticed; all positions afterwards are wrong.",
)


@CHECKS.add(
    "trip-stall-down",
    "Trip: stall on the way down",
    "A platen that does not follow is event 9 in either direction.",
    "event 9, stop cause in the state, disarmed",
    "A platen that stays behind on its way back is pressed further by the next squeeze.",
)
def _stall_down(stand: Stand) -> str:
    """Stall on the way down, too: what follows only in one direction is half a trip."""
    stand.willing(STALL, "a person's hand would be too late for a motion as short as this")
    stand.ready()
    bounds = stand.bounds
    stand.go(min(bounds.base + max(round(REACH_S * bounds.speed), 2 * bounds.stroke), bounds.far))
    request = stand.begun(MoveTo(stand.talk.next_id(), bounds.base, bounds.speed), PASSED_COUNTS)
    stand.provoke(STALL)
    stand.trips(request, LONGER_S, EventCode.STALLED)
    return "event 9, latched and disarmed"


_add_trip(
    "trip-silent-converter",
    SILENT_CONVERTER,
    EventCode.FORCE_SILENT,
    cost="It presses on without knowing the force.",
)

_add_trip(
    "trip-saturated-converter",
    SATURATED_CONVERTER,
    EventCode.FORCE_SILENT,
    EventCode.FORCE_TRIP,
    cost="It presses on with a force that it cannot read.",
)

_add_trip(
    "trip-frozen-converter",
    FROZEN_CONVERTER,
    EventCode.FORCE_SILENT,
    cost="It presses on with an outdated force: whatever it meets is pressed without limit.",
)

_add_trip(
    "trip-position-sensor",
    POSITION_SENSOR,
    EventCode.POSITION_FAULT,
    EventCode.STALLED,
    cost="It continues to an unknown position.",
)
