"""What must hold all the time, whatever is being tried: looked at behind every check.

Problem: a check looks at its own rule, and a device may move where no check looks: after a lost heartbeat, in
a homing, once an order was refused. Plan: each check leaves a record of commands, messages and samples; the
samples' own times and positions are compared with what was ordered and what the events say. Findings are
gathered, and the last group of checks tells them. Cost: a few passes over the arrays of each check.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from rig.conformance.dialogue import Heard, Taken, Told
from rig.conformance.evidence import FORCE_SLACK_COUNTS, SEQ_MODULUS, elapsed_s
from rig.conformance.exceptions import NotApplicableError, require
from rig.conformance.stand import NEAR_COUNTS, Motion, Stand, code_words
from rig.conformance.verdicts import CheckGroup
from rig.samples import FloatArray, Status
from rig.wire import (
    MOTION_ENDS,
    Cycle,
    Event,
    EventCode,
    Home,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    SampleBlock,
    StreamAt,
)

CHECKS = CheckGroup("throughout")

WINDOW_S = 0.05
"""Over which speed is taken: five samples at the rate of these checks."""

SPEED_TOLERANCE = 0.10
BRAKING_S = 0.3
"""From the event that ends a motion to rest; a trip's event comes before the braking."""

TIME_SLACK_S = 0.3
"""Between an event and the samples that are heard around it: they wait in buffers, an event does not."""

VALUE_WINDOW_S = 0.2
OFFSET_S = 0.05
"""Beside event 14 it is not known which zero a sample counts from."""

LEAP_S = 1.0
"""What the clock may leap ahead of the host's: a full buffer holds less."""

MOST_TOLD = 3

REST_S = 0.5
"""After the event that ends a motion the platen is looked at for so long."""

PACE_TOLERANCE = 0.005
LATE_S = 0.2
LEAST_PACED_S = 20.0
"""The device's clock against the host's, over all checks: crystals and ceramic resonators keep to half a
per cent, and the bytes at either end may be late by so much."""

LATE_SAMPLES = 3
"""Of bit 2 before or behind a motion: a single one may be late, a bit that is wrong stays so."""

ENOUGH_MOVING = 30
MOST_MISSING, FEW_MISSING, MOST_UNEVEN = 0.02, 5, 0.05
"""Some find no room beside the answers on a slow line."""

LONGEST_HOLE = 100
"""More samples missing at once are a line that was away, not samples left out."""

BIT_7 = 0x80
LEAST_OFFSET, ENOUGH_BEHIND = 100, 8
"""Counts by which a homing must move the zero before it shows which one a sample counts from."""
MOVING, STILL, SPEED, ONCE, TIMES, VALUES, CLOCK, TROUBLE, ENDED, PACE, NUMBERS = (
    "moving-bit",
    "still-unless-told",
    "speed-never-above",
    "events-once",
    "event-times",
    "event-values",
    "clock-goes-on",
    "trouble-bits",
    "end-at-rest",
    "clock-pace",
    "numbers-in-motion",
)
REPLIES, UNUSED, ZERO, BEYOND = "replies-once", "status-bit-7", "home-zero", "never-beyond"

_NOTHING_TO_TELL = frozenset(
    {
        EventCode.STOP_OPENED,
        EventCode.STOP_CLOSED,
        EventCode.HEARTBEAT_LOST,
        EventCode.POSITION_FAULT,
    }
)
"""Events whose value is 0."""

_ENDS_AT_REST = frozenset({EventCode.FINISHED, EventCode.HALTED, EventCode.POSITION_LIMIT})
_TROUBLE = Status.FORCE_SATURATED | Status.POSITION_FAULT | Status.EMERGENCY_STOP | Status.FORCE_TRIP


_Said = list[Told | Heard | Taken]
"""What was sent, received and sampled in one check, in its order."""


@dataclass(slots=True)
class _Findings:
    """What was looked at so far, and what was found, by check."""

    device_us: int = 0
    host_s: float = 0.0
    looked: Counter[str] = field(default_factory=Counter)
    found: dict[str, list[str]] = field(default_factory=dict)

    def require(self, name: str, holds: bool, words: str) -> None:
        self.looked[name] += 1
        if not holds:
            self.found.setdefault(name, []).append(words)


@dataclass(frozen=True, slots=True, eq=False)
class _Record:
    """What was sent, received and sampled in one check, with the samples on one clock in seconds."""

    name: str
    said: _Said
    block: SampleBlock
    since_s: FloatArray
    modulus_us: int | None

    def at_s(self, time_us: int) -> float:
        """Return an instant of the device's clock, beside `since_s`."""
        assert self.block.time_us is not None
        return float(elapsed_s(np.array([time_us]), int(self.block.time_us[0]), self.modulus_us)[0])


@dataclass(frozen=True, slots=True)
class _Motion:
    """An accepted motion: its command, the device seconds between which it went on, its events."""

    command: Motion
    begun_s: float
    ended_s: float | None


def look(stand: Stand, name: str) -> None:
    """Look through the record of one check, and let go of it."""
    record, talk = list(stand.talk.record), stand.talk
    provoked = stand.kept.pop("provoked", False)
    talk.record.clear()
    sent = talk.sent.copy()
    talk.sent.clear()
    findings = _findings(stand)
    events = [each.message for each in record if isinstance(each, Heard) and isinstance(each.message, Event)]
    _look_at_replies(findings, record, sent, name)
    for event in events:
        if event.code in _NOTHING_TO_TELL:
            words = f"{name}: {code_words(event.code)} bears the value {event.value}, expected 0"
            findings.require(VALUES, event.value == 0, words)
    if any(event.code == EventCode.BOOT for event in events):
        return  # times and numbers begin anew
    _look_at_clock(findings, stand, record, name)
    _look_at_numbers(findings, stand, record, name)
    _look_at_repeats(findings, record, events, name)
    taken = [each for each in record if isinstance(each, Taken)]
    block = SampleBlock.concatenate([each.block for each in taken]) if taken else None
    if block is None:
        return
    seventh = int((block.status & BIT_7 > 0).sum())
    findings.require(UNUSED, not seventh, f"{name}: status bit 7 is set in {seventh} samples")
    _look_at_zero(findings, record, name)
    if block.time_us is None or len(block) < 3:
        return
    since_s = elapsed_s(block.time_us, int(block.time_us[0]), stand.time_modulus_us)
    if bool((np.diff(since_s) < 0).any()):
        return  # a clock that leaps was reported above; nothing else can be placed on it
    whole = _Record(name, record, block, since_s, stand.time_modulus_us)
    _look_at_events(findings, whole)
    if not {EventCode.STALLED, EventCode.POSITION_FAULT} & {event.code for event in events}:
        # while the position is at fault it says nothing about the platen
        _look_at_motion(findings, whole)
        _look_at_ends(findings, whole, provoked=bool(provoked))


def _findings(stand: Stand) -> _Findings:
    kept = stand.kept.setdefault("throughout", _Findings())
    assert isinstance(kept, _Findings)
    return kept


def _look_at_clock(findings: _Findings, stand: Stand, record: _Said, name: str) -> None:
    """Neither time nor number may leap while the stream goes on."""
    before: Taken | None = None
    asked = 0
    rate_hz = 0.0 if stand.identity is None else stand.identity.rate_mhz / 1000
    for said in record:
        if isinstance(said, Told) and isinstance(said.command, StreamAt):
            before, asked = None, said.command.request
        if isinstance(said, Heard) and isinstance(said.message, Reply) and said.message.request == asked:
            # in blocks it may grant more than the identity's rate, which is that of single samples
            rate_hz = max(rate_hz, said.message.value / 1000)
        if not isinstance(said, Taken):
            continue
        if before is not None and said.block.time_us is not None and before.block.time_us is not None:
            most_s = 1.1 * (said.at_s - before.at_s) + LEAP_S
            step = int(said.block.time_us[-1]) - int(before.block.time_us[-1])
            step = step if stand.time_modulus_us is None else step % stand.time_modulus_us
            step_s = step / 1e6
            if step_s <= most_s:
                findings.device_us += step
                findings.host_s += said.at_s - before.at_s
            findings.require(
                CLOCK, step_s <= most_s, f"{name}: the time jumped by {step / 1e6:.3f} s in {most_s:.3f} s"
            )
            if rate_hz and said.block.seq is not None and before.block.seq is not None:
                ahead = (int(said.block.seq[-1]) - int(before.block.seq[-1])) % SEQ_MODULUS
                words = f"{name}: the number jumped by {ahead} in {most_s:.3f} s at {rate_hz:g}/s"
                findings.require(CLOCK, ahead <= most_s * rate_hz, words)
        before = said


def _look_at_numbers(findings: _Findings, stand: Stand, record: _Said, name: str) -> None:
    """While the platen moves no sample is left out, and their pace is the rate granted."""
    asked, rate_hz = 0, 0.0
    blocks: list[SampleBlock] = []

    def finish() -> None:
        whole = SampleBlock.concatenate(blocks) if blocks else None
        blocks.clear()
        if whole is None or whole.seq is None or whole.time_us is None or not rate_hz:
            return
        moving = (whole.status & Status.MOVING) > 0
        both = moving[1:] & moving[:-1]
        steps = (np.diff(whole.seq) % SEQ_MODULUS)[both]
        times_s = elapsed_s(whole.time_us, int(whole.time_us[0]), stand.time_modulus_us)
        taken_s = np.diff(times_s)[both]
        if len(steps) < ENOUGH_MOVING or bool((steps > LONGEST_HOLE).any()) or bool((taken_s <= 0).any()):
            return  # too few, or a leap, which is reported elsewhere
        missing, dropped = int((steps - 1).sum()), stand.talk.tally.rejected
        words = f"{name}: {missing} of {int(steps.sum())} sample numbers are missing while it moves"
        findings.require(NUMBERS, missing <= MOST_MISSING * steps.sum() + FEW_MISSING + dropped, words)
        took_s, should_s = float(taken_s.sum()), float(steps.sum()) / rate_hz
        # a sample may bear the time of a conversion half a period beside it: both ends of each stretch
        stretches = int(np.count_nonzero(np.diff(both.astype(np.int8)) == 1)) + int(both[0])
        most_s = MOST_UNEVEN * should_s + stretches / rate_hz
        words = f"{name}: samples for {took_s:.3f} s while it moves, {should_s:.3f} s by their numbers"
        findings.require(NUMBERS, abs(took_s - should_s) <= most_s, words)

    for said in record:
        if isinstance(said, Told) and isinstance(said.command, StreamAt):
            finish()
            asked, rate_hz = said.command.request, 0.0
        elif isinstance(said, Heard) and isinstance(said.message, Reply) and said.message.request == asked:
            rate_hz = said.message.value / 1000
            blocks.clear()
        elif isinstance(said, Taken):
            blocks.append(said.block)
    finish()


def _look_at_replies(findings: _Findings, record: _Said, sent: Counter[int], name: str) -> None:
    """No command has more replies than it was sent; what was sent as bare bytes is not looked at."""
    replies = Counter(
        said.message.request
        for said in record
        if isinstance(said, Heard) and isinstance(said.message, Reply) and sent[said.message.request]
    )
    for request, count in replies.items():
        words = f"{name}: {count} replies to a command that was sent {sent[request]} times"
        findings.require(REPLIES, count <= sent[request], words)


def _look_at_zero(findings: _Findings, record: _Said, name: str) -> None:
    """What comes behind event 14 counts from the new zero, even what was taken before it."""
    for place, said in enumerate(record):
        if not (isinstance(said, Heard) and isinstance(said.message, Event)):
            continue
        event = said.message
        if event.code != EventCode.HOMED:
            continue
        findings.looked[ZERO] += 1
        if abs(event.value) < LEAST_OFFSET:
            continue
        # up to the next motion the platen stands: the last of these samples shows the new zero
        behind: list[Taken] = []
        for each in record[place + 1 :]:
            moves = isinstance(each, Told) and isinstance(each.command, Motion)
            if moves or len(behind) == ENOUGH_BEHIND:
                break
            if isinstance(each, Taken):
                behind.append(each)
        if len(behind) < 2:
            continue
        shown, stays = int(behind[0].block.position[0]), int(behind[-1].block.position[-1])
        words = f"{name}: behind event 14 with {event.value} a sample shows {shown}, a later one {stays}"
        findings.require(ZERO, abs(shown - stays) <= abs(event.value) // 2, words)


def _look_at_repeats(findings: _Findings, record: _Said, events: list[Event], name: str) -> None:
    """Each event once, and one end for each accepted motion."""
    for event, count in Counter(events).items():
        findings.require(ONCE, count == 1, f"{name}: {code_words(event.code)} came {count} times")
    accepted = _accepted(record)
    own = {command.request for command in accepted}
    for event in events:
        least = event.code in _ENDS_AT_REST
        words = f"{name}: {code_words(event.code)} names request {event.request}, of which no motion began"
        findings.require(ONCE, event.request in own or not (event.request or least), words)
    for command in accepted:
        ends = [event for event in events if event.request == command.request and event.code in MOTION_ENDS]
        words = " and ".join(code_words(event.code) for event in ends) or "no event"
        findings.require(ONCE, len(ends) == 1, f"{name}: {words} ended a motion")


def _accepted(record: _Said) -> list[Motion]:
    """Motions that the device accepted, each once."""
    accepted = {
        said.message.request
        for said in record
        if isinstance(said, Heard)
        and isinstance(said.message, Reply)
        and said.message.result == ReplyResult.ACCEPTED
    }
    told = {
        said.command.request: said.command
        for said in record
        if isinstance(said, Told) and isinstance(said.command, Motion)
    }
    return [command for request, command in told.items() if request in accepted]


def _look_at_events(findings: _Findings, record: _Record) -> None:
    """Times of events lie among those of the samples around them, and their values are what these show."""
    block, since_s = record.block, record.since_s
    seen_s: float | None = None
    at_s = -np.inf
    for said in record.said:
        if isinstance(said, Taken) and said.block.time_us is not None:
            seen_s = record.at_s(int(said.block.time_us[-1]))
            at_s = said.at_s
        if not (isinstance(said, Heard) and isinstance(said.message, Event)):
            continue
        event = said.message
        event_s = record.at_s(event.time_us)
        if seen_s is not None and said.at_s - at_s < TIME_SLACK_S:
            words = f"{record.name}: {code_words(event.code)} is {event_s - seen_s:+.3f} s off the samples"
            findings.require(TIMES, abs(event_s - seen_s) <= 2 * TIME_SLACK_S, words)
        if event.code == EventCode.HOMED:
            _look_at_offset(findings, record, event, event_s)
        around = np.abs(since_s - event_s) <= VALUE_WINDOW_S
        column = {
            EventCode.FINISHED: block.position,
            EventCode.HALTED: block.position,
            EventCode.TRAVEL_TRIP: block.position,
            EventCode.STALLED: block.position,
            EventCode.FORCE_TRIP: block.force,
            EventCode.POSITION_LIMIT: block.force,
        }.get(EventCode(event.code) if event.code in list(EventCode) else EventCode.BOOT)
        # without a sample behind the event its place is unknown, and so it is where the stream was off or
        # has too few samples around the event
        if column is None or int(around.sum()) < 3 or since_s[-1] < event_s:
            continue
        behind = int(np.argmax(since_s >= event_s))
        if since_s[behind] - since_s[max(behind - 1, 0)] > VALUE_WINDOW_S / 4:
            continue
        least, most = int(column[around].min()), int(column[around].max())
        # between two samples the turn of a motion may lie a step further out
        step = int(np.abs(np.diff(column[around])).max())
        slack = FORCE_SLACK_COUNTS + most - least if column is block.force else NEAR_COUNTS + step
        words = f"{record.name}: {code_words(event.code)} says {event.value}, the samples {least} to {most}"
        findings.require(VALUES, least - slack <= event.value <= most + slack, words)


def _look_at_offset(findings: _Findings, record: _Record, event: Event, event_s: float) -> None:
    """The position jumps by what event 14 says was subtracted."""
    homing = next((m.command for m in _motions(record) if m.command.request == event.request), None)
    position, since_s = record.block.position, record.since_s
    before = np.flatnonzero(since_s < event_s - OFFSET_S)
    after = np.flatnonzero(since_s > event_s + OFFSET_S)
    if homing is None or not len(before) or not len(after):
        return
    if since_s[after[0]] - since_s[before[-1]] > 4 * OFFSET_S:
        return
    jump = int(position[before[-1]]) - int(position[after[0]])
    # what it may have gone in between
    slack = NEAR_COUNTS + round(4 * OFFSET_S * homing.speed)
    words = f"{record.name}: event 14 says {event.value}, the position fell by {jump} counts"
    findings.require(VALUES, abs(jump - event.value) <= slack, words)


def _motions(record: _Record) -> list[_Motion]:
    """Return the accepted motions in their order, with the device seconds of their begin and end."""
    accepted = {command.request for command in _accepted(record.said)}
    ends_s = {
        said.message.request: record.at_s(said.message.time_us)
        for said in record.said
        if isinstance(said, Heard) and isinstance(said.message, Event) and said.message.code in MOTION_ENDS
    }
    found: dict[int, _Motion] = {}
    seen_s = -np.inf
    for said in record.said:
        if isinstance(said, Taken) and said.block.time_us is not None:
            seen_s = record.at_s(int(said.block.time_us[-1]))
        elif isinstance(said, Told) and isinstance(said.command, Motion):
            request = said.command.request
            if request in accepted and request not in found:
                # what was sent behind the end of the motion before began behind it too
                begun_s = max([seen_s, *(motion.ended_s or -np.inf for motion in found.values())])
                found[request] = _Motion(said.command, begun_s, ends_s.get(request))
    return list(found.values())


def _look_at_motion(findings: _Findings, record: _Record) -> None:
    """It moves only while it was ordered to, no faster than ordered, and says so in bit 2."""
    motions = _motions(record)
    block, since_s = record.block, record.since_s
    position = block.position.astype(np.float64)
    moving = (block.status & Status.MOVING) > 0
    # the pairs that lie a window apart, whatever the rate
    first = np.searchsorted(since_s, since_s - WINDOW_S, side="left")
    last = np.arange(len(position))
    apart = (first < last) & (since_s - since_s[first] <= 2 * WINDOW_S)
    # homing gives other numbers to the same place: no way at all
    for homed in (said.message for said in record.said if isinstance(said, Heard)):
        if isinstance(homed, Event) and homed.code == EventCode.HOMED:
            homed_s = record.at_s(homed.time_us)
            apart &= ~((since_s[first] - WINDOW_S <= homed_s) & (homed_s <= since_s + WINDOW_S))
    first, last = first[apart], last[apart]
    if not len(last):
        return
    way = np.abs(position[last] - position[first])
    # the bit is looked for in the whole window: a device may show a motion one sample early or late
    shown = np.concatenate([[0], np.cumsum(moving)])
    went = way > NEAR_COUNTS
    unsaid = int((went & (shown[last + 1] == shown[first])).sum())
    if went.any():
        # as at rest: the status of a sample may be a little younger than its position
        words = f"{record.name}: it moved in {unsaid} samples with bit 2 clear"
        findings.require(MOVING, unsaid < LATE_SAMPLES, words)

    told = np.zeros(len(last), dtype=bool)
    next_s = [*(motion.begun_s for motion in motions[1:]), np.inf]
    for motion, following_s in zip(motions, next_s, strict=False):
        ended_s = np.inf if motion.ended_s is None else min(motion.ended_s + BRAKING_S, following_s)
        told |= (since_s[last] >= motion.begun_s) & (since_s[first] <= ended_s)
        within = (since_s[first] >= motion.begun_s) & (since_s[last] <= ended_s)
        most = (1 + SPEED_TOLERANCE) * motion.command.speed * (since_s[last] - since_s[first]) + NEAR_COUNTS
        over = within & (way > most)
        if within.any():
            worst = int(way[over].max() / WINDOW_S) if over.any() else 0
            words = f"{record.name}: about {worst} counts/s, {motion.command.speed} ordered"
            findings.require(SPEED, not over.any(), words)
    if (~told).any():
        strayed = ~told & went
        words = f"{record.name}: it moved by {int(way[strayed].max(initial=0))} counts without an order"
        findings.require(STILL, not strayed.any(), words)
        idle = ~told & moving[last] & ~went
        # a single sample may be late; a bit that stays set is not
        findings.require(
            MOVING,
            int(idle.sum()) < LATE_SAMPLES,
            f"{record.name}: bit 2 is set in {int(idle.sum())} samples at rest",
        )


def _look_at_ends(findings: _Findings, record: _Record, *, provoked: bool) -> None:
    """What ended without a trip stands, and showed no trouble on its way."""
    block, since_s = record.block, record.since_s
    motions = {motion.command.request: motion for motion in _motions(record)}
    begins_s = np.array([motion.begun_s for motion in motions.values()])
    for said in record.said:
        event = said.message if isinstance(said, Heard) else None
        if not isinstance(event, Event) or event.code not in _ENDS_AT_REST:
            continue
        motion = motions.get(event.request)
        if motion is None:
            continue
        ended_s = record.at_s(event.time_us)
        later_s = begins_s[begins_s > motion.begun_s]
        until_s = min(ended_s + REST_S, *later_s) if len(later_s) else ended_s + REST_S
        after = (since_s > ended_s) & (since_s < until_s)
        words = f"{record.name}: {code_words(event.code)}"
        if after.any():
            gone = int(np.abs(block.position[after] - block.position[after][0]).max())
            findings.require(ENDED, gone <= 2 * NEAR_COUNTS, f"{words}, and it went on by {gone} counts")
            if event.code != EventCode.POSITION_LIMIT and not isinstance(motion.command, Home):
                # the event tells where it stood
                beside = int(np.abs(block.position[after] - event.value).max())
                words = f"{words} at {event.value}, and it went on by {beside} counts"
                findings.require(ENDED, beside <= 3 * NEAR_COUNTS // 2, words)
        within = (since_s >= motion.begun_s) & (since_s <= ended_s)
        if within.any() and not provoked:
            beyond = _beyond(motion.command, block[within])
            words = f"{record.name}: it went {beyond} counts beyond what was ordered, and came back"
            findings.require(BEYOND, beyond <= 2 * NEAR_COUNTS, words)
            words = f"{record.name}: {code_words(event.code)}"
            shown = Status(int(np.bitwise_or.reduce(block.status[within]))) & _TROUBLE
            findings.require(TROUBLE, not shown, f"{words}, and on its way the status showed {shown!r}")


def _beyond(command: Motion, block: SampleBlock) -> int:
    """Return how far a motion went beyond both where it began and where it was sent, in counts."""
    match command:
        case MoveTo():
            low = high = command.position
        case PressUntil():
            low = high = command.position_limit
        case Cycle():
            low, high = command.low, command.high
        case Home():
            return 0  # it does not know its way
    begun_at = int(block.position[0])
    lowest, highest = min(low, begun_at), max(high, begun_at)
    return max(int(block.position.max()) - highest, lowest - int(block.position.min()))


def _pace(stand: Stand) -> str:
    findings = _findings(stand)
    if findings.host_s < LEAST_PACED_S:
        raise NotApplicableError(f"samples came for {findings.host_s:.0f} s only")
    device_s, host_s = findings.device_us / 1e6, findings.host_s
    words = f"{device_s:.3f} s on its clock in {host_s:.3f} s, {100 * (device_s / host_s - 1):+.2f} %"
    require(abs(device_s - host_s) <= PACE_TOLERANCE * host_s + LATE_S, words)
    return words


def _told(stand: Stand, name: str) -> str:
    findings = _findings(stand)
    if not findings.looked[name]:
        raise NotApplicableError("no other check of this run gave data for it")
    found = findings.found.get(name, [])
    require(not found, "; ".join(found[:MOST_TOLD]) + (f"; {len(found)} in all" if found else ""))
    return f"looked at {findings.looked[name]} times"


def _check(name: str, what: str, rule: str, expected: str, cost: str) -> None:
    CHECKS.add(name, what, rule, expected, cost)(partial(_told, name=name))


_check(
    CLOCK,
    "Time and sample number throughout",
    "Time and number go on while the stream does; they wrap at 2^32 us and 65 536.",
    "no leap",
    "The host takes each jump for a reset or a loss, aborts the motion and splits the capture.",
)
CHECKS.add(
    PACE,
    "The device's clock over all checks",
    "The time counts microseconds.",
    f"within {100 * PACE_TOLERANCE:g} % of the host's clock",
    "Speeds, holds and rates of relaxation are wrong by the same factor.",
)(_pace)
_check(
    REPLIES,
    "Replies all along",
    "Every command but the heartbeat is answered once.",
    "no more replies than commands",
    "A second reply may be taken for the answer to the next command.",
)
_check(
    UNUSED,
    "Status bit 7",
    "Bit 7 of the status is always 0.",
    "clear in every sample",
    "A later version cannot give it a meaning: hosts would see it in every sample.",
)
_check(
    ZERO,
    "The zero of samples behind event 14",
    "Samples that are sent behind event 14 count from the new zero, those too that were taken before it.",
    "the position has fallen by what the event says",
    "Right after a homing the host sees a leap of the platen, and a trip or a count is wrong.",
)
_check(
    NUMBERS,
    "Sample numbers and their pace in motion",
    "Samples are taken at the rate granted, moving or not; the number counts each.",
    f"at most {100 * MOST_MISSING:g} % and {FEW_MISSING} missing, the period to {100 * MOST_UNEVEN:g} %",
    "Where it matters, in the squeeze, the curve has holes.",
)
_check(
    TROUBLE,
    "Status bits 0, 1, 4 and 5 in motions that end well",
    "Bits of trouble are clear while nothing is wrong, moving too.",
    "all clear",
    "Recordings are marked as faulty, and hosts stop their runs for nothing.",
)
_check(
    ENDED,
    "Rest behind the end of a motion",
    "Event 2, 11 or 12 ends a motion when the platen stands.",
    f"{2 * NEAR_COUNTS} counts at most in the {REST_S:g} s after it",
    "A program measures, or lets a hand in, while the platen still moves.",
)
_check(
    BEYOND,
    "The path of a motion",
    "A motion goes no further than its target, its position limit or its turning points.",
    f"at most {2 * NEAR_COUNTS} counts beyond, at any time",
    "The part is pressed deeper than ordered, and nothing shows it at the end.",
)
_check(
    ONCE,
    "Events all along",
    "Each event is sent once, and exactly one ends each motion.",
    "one of each",
    "The host waits for an end that never comes, or takes a second one for that of the next motion.",
)
_check(
    TIMES,
    "Times of events",
    "An event bears the time of the same clock as the samples.",
    f"within {2 * TIME_SLACK_S:g} s of the samples around it",
    "A trip is assigned to the wrong place on the curve.",
)
_check(
    VALUES,
    "Values of events",
    "Events 2, 5, 9 and 12 bear the position, events 4 and 11 the force, event 14 what was subtracted.",
    "what the samples around it show",
    "Reports show a position or a force that never occurred.",
)
_check(
    MOVING,
    "Status bit 2 (moving) throughout",
    "Bit 2 is set while the platen moves, and clear at rest.",
    "set in every window of motion, clear after its end",
    "Programs take a zero, or let a hand in, while the platen moves.",
)
_check(
    STILL,
    "Rest all along",
    "The platen moves only between an accepted motion command and its end.",
    "no movement without an order",
    "The press moves by itself, perhaps with a hand inside.",
)
_check(
    SPEED,
    "Speed all along",
    "No motion is faster than its command says: homing, cycles, presses and retreats too.",
    f"at most {100 * SPEED_TOLERANCE:g} % above",
    "The braking distance grows with the square: three times the speed, nine times the distance.",
)
