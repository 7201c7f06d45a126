"""The force, with something that really presses and pulls at the cell: its sign, and what it stops.

Problem: narrowing a limit to the force that is there tells that the limit acts, not that a force which grows
is seen, on the right side and soon. Plan: a bench, or a stick, presses and pulls by 3 N or so. The instant
at which a limit is passed is the first sample that shows it, so a hand can be timed too. Cost: twenty pushes.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from rig.conformance.evidence import (
    BRAKING_S,
    FORCE_SLACK_COUNTS,
    LATENCY_S,
    first_us,
    late_s,
    rest_s,
    seen,
    times_s,
    watched,
)
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.provoking import PULL, PUSH, SLIGHT_PUSH, Provocation
from rig.conformance.stand import AFTER_S, LINE_S, LONGER_S, NEAR_COUNTS, Stand, event_words, too_late_words
from rig.conformance.verdicts import CheckGroup
from rig.samples import Status
from rig.wire import (
    EventCode,
    Home,
    PressUntil,
    StreamAt,
)

CHECKS = CheckGroup("force", arms=True)

SETTLE_S = 0.3
UNBEATEN_S, SLOW_MHZ = 1.0, 500
ENOUGH_FRESH = 8
STEP_CONVERSIONS = 5
"""Of a force that jumps: converters with a filter of their own settle within four conversions."""

CREEP_S, ARMS = 1.5, 6
OLDER_PERIODS = 1.5
"""Of the stream: an event may bear a conversion that the sample behind it is the first to show."""

TOO_COARSE = "the force is too small in counts"
"""A force that does not follow at all is another check's."""

PART_BESIDE = 10
"""A limit is tried this part of the force beside it."""

COUNTED_S, MEAN_CONVERSIONS, MEAN_S = 1.2, 4, 0.05
"""A trip on single conversions comes as soon with a limit just below a force that jumps as with a low
one, but for the turns of its loop; one on a mean waits until most of its conversions have the force."""

_LATE = "each second of delay is a second of travel at full speed into the part, or a hand."


def _room(stand: Stand) -> tuple[int, int]:
    """Return the force at rest, and how far beside it a limit is out of the noise's reach."""
    mean, spread = stand.force_now()
    return mean, 2 * spread + FORCE_SLACK_COUNTS


def _beyond(stand: Stand, mean: int, room: int) -> bool:
    latest = stand.talk.latest
    return latest is not None and abs(int(latest.force[-1]) - mean) > room


@CHECKS.add(
    "force-sign",
    "The sign of the force",
    "Force counts rise when the specimen is squeezed, and fall when it is pulled.",
    "they follow push and pull",
    "No upper limit ever acts: the press goes on until something breaks, or a hand is crushed.",
    arms=False,
)
def _sign(stand: Stand) -> str:
    found = []
    for what, sign in ((PUSH, 1), (PULL, -1)):
        stand.willing(what)
        stand.at_highest_rate()
        mean, room = _room(stand)
        limit_s = stand.provoke(what)
        stand.talk.until(partial(_beyond, stand, mean, room), limit_s)
        stand.talk.listen(SETTLE_S)
        after, _ = stand.force_now()
        stand.undo()
        words = f"{what.name}: from {mean} to {after} counts"
        require(abs(after - mean) > room, f"{words}: the force does not follow")
        require((after - mean) * sign > 0, f"{words}: the sign is the wrong one")
        found.append(words)
    return "; ".join(found)


def _trip(stand: Stand, *, what: Provocation, moving: bool) -> str:
    stand.willing(what)
    stand.ready()
    # the instant of passing is known to one sample
    stand.at_highest_rate()
    talk, bounds = stand.talk, stand.bounds
    mean, room = _room(stand)
    limit = mean + room if what is PUSH else mean - room
    if not bounds.min_force < limit < bounds.max_force:
        raise UnreadyError(f"a force limit at {limit} counts lies outside the rig's own")
    stand.narrow(**({"max_force": limit} if what is PUSH else {"min_force": limit}))
    request = stand.begin_long() if moving else 0
    limit_s = stand.provoke(what)
    tripped = stand.comes(EventCode.FORCE_TRIP, limit_s)
    if not tripped and stand.provoker.slow:
        raise UnreadyError(too_late_words(limit_s))
    require(tripped, "the force was beyond its limit, and no event 4 came")
    event = next(event for event in talk.events() if event.code == EventCode.FORCE_TRIP)
    require(event.request == request, f"event 4 names request {event.request}, expected {request}")
    talk.listen(SETTLE_S)
    block = seen(stand)
    past = block.force > limit if what is PUSH else block.force < limit
    passed_us = first_us(block, past, f"no sample shows a force beyond the limit of {limit} counts")
    after_s, taken_s = late_s(stand, event, passed_us), times_s(stand, block, passed_us)
    words = f"event 4 came {after_s:.3f} s after the first sample beyond the limit"
    require(abs(after_s) <= LATENCY_S, f"{words}, expected {LATENCY_S:g} s at most")
    older = f"{words}: the samples show an older force than the one that trips"
    require(after_s >= -OLDER_PERIODS * float(np.median(np.diff(taken_s))), older)
    if moving:
        stop_s = rest_s(block, taken_s)
        words = f"{words}, at rest after {stop_s:.3f} s"
        require(stop_s <= LATENCY_S + BRAKING_S, words)
    return words


def _trips(name: str, what: Provocation, *, moving: bool, cost: str) -> None:
    side = "upper" if what is PUSH else "lower"
    when = "during a motion" if moving else "while armed at rest"
    CHECKS.add(
        name,
        f"A {what.name}, {when}",
        f"A force beyond its {side} limit trips with event 4, moving or at rest.",
        f"event 4 within {LATENCY_S:g} s of the first sample beyond the limit",
        cost,
    )(partial(_trip, what=what, moving=moving))


_trips("push-moving", PUSH, moving=True, cost=f"It presses on with a force beyond its limit; {_LATE}")

_trips("pull-moving", PULL, moving=True, cost="A part that sticks is pulled until the cell is torn.")

_trips(
    "push-standing",
    PUSH,
    moving=False,
    cost="A part that swells or a drive that creeps goes beyond the limit unseen.",
)

_trips("pull-standing", PULL, moving=False, cost="A part that shrinks tears at the cell unseen.")


def _conversion_s(stand: Stand) -> float:
    """Return the time from one conversion to the next, which is measured once, at the highest rate.

    Where few are marked it is that from sample to sample.
    """
    conversion_s = stand.kept.get("conversion_s")
    if not isinstance(conversion_s, float):
        stand.at_highest_rate()
        block = watched(stand, COUNTED_S)
        taken_s = times_s(stand, block)
        fresh_s = taken_s[(block.status & Status.FRESH_FORCE) > 0]
        conversion_s = float(np.median(np.diff(fresh_s if len(fresh_s) > ENOUGH_FRESH else taken_s)))
        stand.kept["conversion_s"] = conversion_s
    return conversion_s


@CHECKS.add(
    "force-step",
    "A force that jumps",
    "With status bit 6 the force is a conversion that ended at the sample's time, not a mean over many.",
    f"there within {STEP_CONVERSIONS} conversions",
    "A filter delays the force: stiffness and hysteresis are wrong at speed, and trips come late.",
    arms=False,
)
def _step(stand: Stand) -> str:
    """Time a force that jumps, from a tenth of the way to nine tenths, in conversions."""
    stand.willing(PUSH, "no hand presses at once")
    period_s = _conversion_s(stand)
    stand.at_highest_rate()
    mean, room = _room(stand)
    limit_s = stand.provoke(PUSH)
    stand.talk.until(partial(_beyond, stand, mean, room), limit_s)
    stand.talk.listen(SETTLE_S + STEP_CONVERSIONS * period_s)
    block = seen(stand)
    after, _ = stand.force_now()
    stand.undo()
    if abs(after - mean) <= 2 * room:
        raise NotApplicableError(f"{TOO_COARSE}: the force went from {mean} to {after}")
    share, taken_s = (block.force - mean) / (after - mean), times_s(stand, block)
    took_s = float(taken_s[int(np.argmax(share >= 0.9))] - taken_s[int(np.argmax(share >= 0.1))])
    most_s = (STEP_CONVERSIONS + 0.5) * period_s
    words = f"from 10 to 90 % in {1000 * took_s:.1f} ms, {took_s / period_s:.1f} conversions"
    require(took_s <= most_s, f"{words}; at most {STEP_CONVERSIONS}")
    return words


def _rebooted(stand: Stand) -> int | None:
    """Reset it, and leave what presses on the cell as it is; the force afterwards, None if not done."""
    stand.disarm()
    try:
        stand.reset()
    except NotApplicableError:
        return None
    stand.at_highest_rate()
    return stand.force_now()[0]


@CHECKS.add(
    "force-kept",
    "A small force that is held",
    "A count is the sensor's own: neither time, arming, homing nor a reset sets the force to zero.",
    "the same force after a while, after arming, homing and a reset",
    "A light contact, or a part that still presses, is taken for zero; limits act later than they say.",
)
def _kept(stand: Stand) -> str:
    """See that neither time, arming, homing nor a reset takes a small force back to zero."""
    stand.willing(SLIGHT_PUSH, "no hand holds a force for so long")
    stand.at_highest_rate()
    mean, _ = stand.force_now()
    stand.provoke(SLIGHT_PUSH)
    stand.talk.listen(SETTLE_S)
    there, _ = stand.force_now()
    stand.talk.listen(CREEP_S)
    later, spread = stand.force_now()
    came = there - mean
    most = max(abs(came) // 4, spread // 2)
    if abs(came) <= 2 * most:
        raise NotApplicableError(f"{SLIGHT_PUSH.name}: {came} counts came, in {spread} counts of noise")
    held = f"a force of {came} counts was held"
    require(abs(later - there) <= most, f"{held}, and after {CREEP_S:g} s {later - mean} were left")
    stood = stand.position
    for _ in range(ARMS):
        stand.arm()
        stand.disarm()
    armed, _ = stand.force_now()
    gone = stand.position - stood
    stand.ready()
    stand.finish(Home(stand.talk.next_id(), stand.bounds.home_speed), stand.bounds.home_s)
    homed, _ = stand.force_now()
    booted = _rebooted(stand)
    stand.undo()
    require(abs(homed - later) <= most, f"{held}, and after homing {homed - mean} were left")
    if booted is not None:
        require(abs(booted - later) <= most, f"{held}, and after a reset {booted - mean} were left")
    require(abs(armed - later) <= most, f"{held}, and after arming {armed - mean} were left")
    require(abs(gone) < NEAR_COUNTS, f"arming {ARMS} times moved the position by {gone} counts at rest")
    return (
        f"{came} counts, after {CREEP_S:g} s {later - mean}, after arming {armed - mean}, "
        f"homing {homed - mean}, a reset {'not tried' if booted is None else booted - mean}"
    )


def _beside(stand: Stand, what: Provocation) -> str:
    """See that a limit just beyond the force that comes trips nothing, and one just within it trips."""
    stand.willing(what, "no hand presses four times with the same force")
    stand.ready()
    mean, room = _room(stand)
    conversion_s = _conversion_s(stand)
    # a slow converter with a filter of its own takes some conversions to follow
    settles_s = SETTLE_S + STEP_CONVERSIONS * conversion_s
    stand.provoke(what)
    stand.talk.listen(settles_s)
    there, spread = stand.force_now()
    beside = max(room, 2 * spread, abs(there - mean) // PART_BESIDE)
    if abs(there - mean) <= 2 * beside:
        raise NotApplicableError(f"{TOO_COARSE}: {what.name}, from {mean} to {there}")
    side, sign = ("max_force", 1) if what is PUSH else ("min_force", -1)
    trip_s = []
    for limit in (there + sign * beside, mean + sign * beside, there - sign * beside):
        # a force that is there already when a limit is set may be let go
        stand.rest()
        stand.ready()
        stand.at_highest_rate()
        stand.narrow(**{side: limit})
        stand.talk.taken.clear()
        stand.provoke(what)
        tripped = stand.comes(EventCode.FORCE_TRIP, settles_s)
        words = f"{there} counts came, the limit was {limit}"
        trips = sign * limit < sign * there
        require(tripped == trips, f"{words}, and {'an' if tripped else 'no'} event 4 came")
        if trips:
            trip_s.append(_trip_s(stand, sign, limit))
    later_s, most_s = trip_s[1] - trip_s[0], max(MEAN_CONVERSIONS * conversion_s, MEAN_S)
    words = f"it trips {later_s:.3f} s later with the limit {beside} below the force than above its noise"
    require(later_s <= most_s, f"{words}, at most {most_s:.3f} s: it looks at a mean over many conversions")
    return f"{there} counts: no trip with the limit {beside} beyond them, event 4 with it {beside} within"


def _trip_s(stand: Stand, sign: int, limit: int) -> float:
    """Return how long after the first sample beyond a force limit event 4 came."""
    stand.talk.listen(AFTER_S)
    block = seen(stand)
    event = next(event for event in stand.talk.events() if event.code == EventCode.FORCE_TRIP)
    beyond = sign * block.force > sign * limit
    return late_s(stand, event, first_us(block, beyond, f"no sample shows a force beyond {limit} counts"))


for _name, _what in (("force-limit-pushed", PUSH), ("force-limit-pulled", PULL)):
    CHECKS.add(
        _name,
        f"Limits beside a {_what.name}",
        "A force limit is compared with the force in its own counts, whatever these are.",
        f"no trip a {PART_BESIDE}th of the force within the limit, event 4 as far beyond it",
        "The cell is loaded beyond its limit by the factor that is wrong, or runs end for nothing.",
    )(partial(_beside, what=_what))


@CHECKS.add(
    "force-passed-again",
    "A force that passes its limit a second time",
    "A force that was beyond its limit when armed may be let go; once inside, the limit acts again.",
    "event 4",
    "After one release of a part the force limit is off for the rest of the run.",
)
def _again(stand: Stand) -> str:
    """See that a force which was beyond its limit when armed, and came back, trips when it comes again."""
    stand.willing(PUSH, "no hand presses twice in time")
    stand.ready()
    talk = stand.talk
    mean, room = _room(stand)
    stand.disarm()
    stand.provoke(PUSH)
    talk.until(partial(_beyond, stand, mean, 2 * room), LONGER_S)
    stand.narrow(max_force=mean + room)
    stand.arm_again()
    talk.listen(SETTLE_S)
    if stand.heard(EventCode.FORCE_TRIP):
        raise NotApplicableError("armed with the force beyond its limit it trips at once")
    stand.undo()
    talk.listen(SETTLE_S)
    stand.provoke(PUSH)
    tripped = stand.comes(EventCode.FORCE_TRIP, LONGER_S)
    require(tripped, "the force had come back inside its limit, passed it again, and no event 4 came")
    return "event 4 when it is passed again"


@CHECKS.add(
    "trips-unstreamed",
    "Trips while the stream is off",
    "Trips and limits never wait for the stream.",
    f"event 4 within {2 * (LATENCY_S + LINE_S):g} s, event 8 without heartbeats",
    "With a slow stream or none the press goes on beyond its limits for seconds.",
)
def _unstreamed(stand: Stand) -> str:
    """Trip it with a stream that is off, and with heartbeats that do not wait for samples."""
    stand.willing(PUSH, "a person is not asked to press while no sample shows the force")
    talk = stand.talk
    for asked_mhz in (0, SLOW_MHZ):
        stand.ready()
        mean, room = _room(stand)
        stand.narrow(max_force=mean + room)
        granted_mhz = stand.must(StreamAt(talk.next_id(), asked_mhz), "stream slowly or not at all").value
        if granted_mhz > 2 * SLOW_MHZ:
            continue
        talk.beat()
        stand.provoke(PUSH)
        tripped = stand.comes(EventCode.FORCE_TRIP, LATENCY_S + LINE_S)
        if not tripped:
            # a slow converter with a filter of its own takes some conversions to follow
            talk.beat()
            tripped = stand.comes(EventCode.FORCE_TRIP, LATENCY_S + LINE_S)
        streamed = f"the stream was {granted_mhz / 1000:g}/s" if granted_mhz else "the stream was off"
        require(tripped, f"{streamed}, the force beyond its limit, and no event 4 came")
        stand.rest()
    stand.arm()
    stand.stop_stream()
    talk.beat()
    lost = stand.comes(EventCode.HEARTBEAT_LOST, UNBEATEN_S)
    require(lost, f"the stream was off, no heartbeat came for {UNBEATEN_S:g} s, and no event 8")
    return "event 4 and event 8 without a stream"


@CHECKS.add(
    "force-reached-on-its-way",
    "A press that meets its force",
    "Press until stops as soon as the force is reached, and ends with event 2.",
    f"event 2, at rest within {LATENCY_S + BRAKING_S:g} s of the first sample with the force",
    f"Every press ends deeper than ordered; {_LATE}",
)
def _reached(stand: Stand) -> str:
    """See that a press that is under way stops when the force comes."""
    stand.willing(PUSH, "a press ends before a person can push")
    stand.ready()
    talk, bounds = stand.talk, stand.bounds
    mean, room = _room(stand)
    goal = mean + room
    request = stand.begun(PressUntil(talk.next_id(), goal, bounds.speed, bounds.far), bounds.stroke // 4)
    if not stand.provoker.willing(PULL):
        stand.provoke(PULL)
        end = stand.ending(request, SETTLE_S)
        if end is not None and end.code == EventCode.FORCE_TRIP and end.value < bounds.min_force:
            raise NotApplicableError("the force that pulls passes the rig's own lower limit")
        words = f"a force that pulls came, of the other sign, and it ended with {event_words(end)}"
        require(end is None, words)
        stand.undo()
    stand.provoke(PUSH)
    stand.ends(request, LONGER_S)
    talk.listen(SETTLE_S)
    block = seen(stand)
    ended = f"no sample shows the force of {goal} counts, and it ended"
    passed_us = first_us(block, block.force >= goal, ended)
    stop_s = rest_s(block, times_s(stand, block, passed_us))
    words = f"at rest {stop_s:.3f} s after the first sample with the force"
    require(stop_s <= LATENCY_S + BRAKING_S, words)
    return words
