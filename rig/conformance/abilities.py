"""What a device of version 1.1 says that it can do, and whether it keeps to it. Nothing moves."""

from __future__ import annotations

import numpy as np

from rig.conformance.evidence import times_s
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import Stand
from rig.conformance.verdicts import CheckGroup
from rig.reader import complaint_about
from rig.samples import Status
from rig.wire import (
    Abilities,
    Accepts,
    Capability,
    Describe,
    Limits,
    ReplyResult,
    StreamAt,
)

CHECKS = CheckGroup("abilities")

ODD_MHZ = (700, 4_300)
"""Rates that no whole number of hertz is near to."""

LISTEN_S, MOST_LISTEN_S, ENOUGH_FRESH = 1.0, 20.0, 10
CONVERSIONS_TOLERANCE = 0.2
"""Of the converter's clock, which is often off by a tenth."""

CONVERTER_SLOWER = 0.7
"""Than the stream: each conversion must have a sample of its own."""


def told(stand: Stand) -> Abilities:
    """Return what the device says that it can do."""
    if Capability.DESCRIBES not in stand.known.capabilities:
        raise NotApplicableError("it does not say what it can do (capability 6 is not set)")
    before = len(stand.talk.heard)
    stand.must(Describe(stand.talk.next_id()), "say what it can do")
    found = [each.message for each in stand.talk.heard[before:] if isinstance(each.message, Abilities)]
    if not found:
        raise UnreadyError("no abilities message came with the reply")
    return found[-1]


def refuses_channel(stand: Stand, absent: int) -> None:
    """Check that a channel which is not there is a bad argument."""
    absent_one = Describe(stand.talk.next_id(), absent)
    stand.refuses(absent_one, ReplyResult.BAD_ARGUMENT, f"channel {absent}, which it does not have")


@CHECKS.add(
    "abilities-answer",
    "The answer to describe",
    "A device with capability 6 answers describe with an abilities message, then with the reply.",
    "an abilities message, then a reply with result 0",
    "A host that wants to compare it with the rig file asks five times and gives up.",
)
def _answers(stand: Stand) -> str:
    if Capability.DESCRIBES not in stand.known.capabilities:
        raise NotApplicableError("it does not say what it can do (capability 6 is not set)")
    stand.answers_with(Describe(stand.talk.next_id()), Abilities, "describe")
    refuses_channel(stand, told(stand).channels + 1)
    return "an abilities message, then the reply"


@CHECKS.add(
    "abilities-possible",
    "What it says it can do",
    "Ranges begin with their lower end, limits lie within the full scale, a drive has a speed.",
    "numbers that a press can have, and that fit the identity",
    "The host refuses the device, or computes stops from numbers that are not true.",
)
def _possible(stand: Stand) -> str:
    said = told(stand)
    complaint = complaint_about(said, stand.known.capabilities)
    require(complaint is None, complaint or "")
    plain_mhz = stand.known.rate_mhz
    require(
        said.slowest_mhz <= plain_mhz <= said.fastest_mhz,
        f"streams of {said.slowest_mhz / 1000:g} to {said.fastest_mhz / 1000:g}/s, but the identity's rate "
        f"is {plain_mhz / 1000:g}/s",
    )
    return (
        f"{said.min_position} to {said.max_position} counts of {said.position_pm / 1e6:g} um, "
        f"{said.slowest_mhz / 1000:g} to {said.fastest_mhz / 1000:g} samples/s"
    )


@CHECKS.add(
    "abilities-rates",
    "The slowest and the fastest stream",
    "It grants the streams that it says it can send, and grants the slowest where it is asked for less.",
    "the rate asked for, to 1 %",
    "A recording over days fills the disk, or a fast one is slower than its file says.",
)
def _rates(stand: Stand) -> str:
    said = told(stand)
    accepts = Accepts.BLOCKS if Capability.BLOCKS in stand.known.capabilities else Accepts.SAMPLES
    found = []
    between = [each for each in ODD_MHZ if said.slowest_mhz <= each <= said.fastest_mhz]
    for asked in (said.slowest_mhz, max(said.slowest_mhz // 2, 1), said.fastest_mhz, *between):
        granted = stand.must(StreamAt(stand.talk.next_id(), asked, accepts), "stream").value
        wanted = max(asked, said.slowest_mhz)
        words = f"{asked / 1000:g}/s asked, {granted / 1000:g}/s granted"
        # to the nearest tick of its timer, and to a whole number of mHz
        require(abs(granted - wanted) <= max(1, wanted // 100), words)
        found.append(words)
    stand.stop_stream()
    return "; ".join(found)


@CHECKS.add(
    "abilities-conversions",
    "How often the force is new",
    "It states how often the force is new.",
    f"within {100 * CONVERSIONS_TOLERANCE:g} % of the samples with status bit 6",
    "The host computes how late a force trip may be from a wrong number.",
)
def _conversions(stand: Stand) -> str:
    said = told(stand)
    if not said.conversions_mhz:
        raise NotApplicableError("it does not say how often the force is new")
    told_hz = said.conversions_mhz / 1000
    if told_hz > CONVERTER_SLOWER * stand.known.rate_mhz / 1000:
        raise NotApplicableError("the converter is about as fast as the stream")
    listen_s = max(LISTEN_S, ENOUGH_FRESH / told_hz)
    if listen_s > MOST_LISTEN_S:
        raise NotApplicableError(f"it states that the force is new only {told_hz:g} times a second")
    block = stand.collect(listen_s)
    fresh = (block.status & Status.FRESH_FORCE) > 0
    if fresh.sum() < ENOUGH_FRESH / 2:
        raise UnreadyError(f"{int(fresh.sum())} new forces came in {listen_s:g} s")
    # the median: some may have been lost on the line
    found_hz = 1 / float(np.median(np.diff(times_s(stand, block)[fresh])))
    words = f"{found_hz:.4g} new forces a second, {told_hz:g} stated"
    require(abs(found_hz / told_hz - 1) <= CONVERSIONS_TOLERANCE, words)
    return words


@CHECKS.add(
    "abilities-limits",
    "The limits that it says are built in",
    "It takes the limits that it says are built in, and refuses each that is a count wider.",
    "result 0, and result 6 one count beyond",
    "A rig file that was checked against it is refused all the same, or goes farther than was meant.",
)
def _limits(stand: Stand) -> str:
    said = told(stand)
    if not stand.drives:
        raise NotApplicableError("it has no drive")
    whole = (said.min_force, said.max_force, said.min_position, said.max_position)
    try:
        for place, name in enumerate(("min force", "max force", "min position", "max position")):
            wider = list(whole)
            wider[place] += 1 if place % 2 else -1
            if abs(wider[place]) >= 2**31:
                continue
            beyond = f"a {name} of {wider[place]}, one count beyond what it says"
            stand.refuses(Limits(stand.talk.next_id(), *wider), ReplyResult.OUTSIDE_LIMITS, beyond)
        stand.accepts(Limits(stand.talk.next_id(), *whole), "the limits that it says")
    finally:
        stand.set_limits()
    return f"force {whole[0]} to {whole[1]}, position {whole[2]} to {whole[3]}; one count more is refused"
