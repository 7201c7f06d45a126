"""The stream: rates asked for, granted and measured.

The rate is measured on the host's clock, since the device's is under test too. Bytes reach the host some
milliseconds late, on a busy machine tens of them; the tolerance allows for that.
"""

from __future__ import annotations

import numpy as np

from rig.conformance.evidence import SEQ_MODULUS, seen
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import Stand
from rig.conformance.verdicts import CheckGroup
from rig.wire import Accepts, Capability, StateFlag, StreamAt

CHECKS = CheckGroup("rates")

RATE_TOLERANCE = 0.10
MEASURED_S = 1.2
ENOUGH_SAMPLES = 15
QUIET_S = 0.3
SETTLE_S = 0.2
BEYOND_MHZ = 2**31 - 1
SLOW_MHZ, SLOW_SAMPLES, SLOW_TOLERANCE = 6_000, 6, 0.2
"""Few samples, each perhaps some hundredths of a second late on the host."""

MOST_WAIT_S = 0.011
"""The protocol's 10 ms for which a sample may wait for its block, and what the clocks round."""


@CHECKS.add(
    "rate-granted",
    "The rate in the reply to stream",
    "The reply's value is the rate granted, in thousandths of a hertz, never above the identity's.",
    "more than 0, at most the highest rate",
    "The host takes a stream for silent or for broken, and opens the port again and again.",
)
def _granted(stand: Stand) -> str:
    highest = stand.known.rate_mhz
    found = []
    for asked in (highest, highest, max(highest // 2, 1000)):
        granted = stand.must(StreamAt(stand.talk.next_id(), asked), "stream").value
        require(0 < granted <= highest, f"asked for {asked} mHz, granted {granted} mHz")
        found.append(f"{asked / 1000:g}/s asked, {granted / 1000:g}/s granted")
    return "; ".join(found)


@CHECKS.add(
    "rate-above-highest",
    "A rate that it cannot send",
    "Asked for more than its highest rate, it grants what it can.",
    "at most the highest rate",
    "It promises samples that the line cannot carry; frames are dropped.",
)
def _beyond(stand: Stand) -> str:
    granted = stand.must(StreamAt(stand.talk.next_id(), BEYOND_MHZ), "stream").value
    highest = stand.known.rate_mhz
    require(0 < granted <= highest, f"granted {granted} mHz, above its highest of {highest} mHz")
    return f"{granted / 1000:g}/s"


def taken_per_s(stand: Stand) -> float:
    """Return the samples taken in a second of the host's clock, sent or not, while the stream goes on."""
    blocks = stand.talk.taken
    if len(blocks) < 2 or blocks[0].block.seq is None:
        raise UnreadyError("too few samples came to measure a rate")
    ends = [int(block.block.seq[-1]) for block in blocks if block.block.seq is not None]
    taken = int((np.diff(ends) % SEQ_MODULUS).sum())
    return taken / (blocks[-1].at_s - blocks[0].at_s)


def _slow(stand: Stand) -> str:
    """Have a stream so slow that the time of a sample does not fit into 16 bits of a timer."""
    talk = stand.talk
    granted_mhz = stand.must(StreamAt(talk.next_id(), SLOW_MHZ), "stream").value
    if not 0 < granted_mhz <= 2 * SLOW_MHZ:
        return f"no stream as slow as {SLOW_MHZ / 1000:g}/s"
    came = talk.count(SLOW_SAMPLES * 1000 / granted_mhz)
    words = f"{granted_mhz / 1000:g}/s granted, and {came} samples came in {SLOW_SAMPLES} periods"
    require(came >= SLOW_SAMPLES - 2, words)
    measured_hz = taken_per_s(stand)
    words = f"{granted_mhz / 1000:g}/s granted, {measured_hz:.4g}/s measured"
    require(abs(measured_hz * 1000 / granted_mhz - 1.0) <= SLOW_TOLERANCE, words)
    return words


@CHECKS.add(
    "rate-measured",
    "The rate at which samples really come",
    "Samples are taken at the rate granted.",
    f"within {100 * RATE_TOLERANCE:g} % of it on the host's clock",
    "Filters and the detection of contact are tuned to a rate that is not there: cycles are missed.",
)
def _measured(stand: Stand) -> str:
    highest = stand.known.rate_mhz
    found = []
    for asked in (highest, max(highest // 4, 1000)):
        granted_hz = stand.must(StreamAt(stand.talk.next_id(), asked), "stream").value / 1000
        require(granted_hz > 0, f"asked for {asked / 1000:g}/s, granted no rate")
        stand.talk.listen(SETTLE_S)
        came = stand.talk.count(max(MEASURED_S, ENOUGH_SAMPLES / granted_hz))
        require(came > 0, f"{granted_hz:g}/s granted, and no sample came")
        measured_hz = taken_per_s(stand)
        words = f"{granted_hz:g}/s granted, {measured_hz:.4g}/s measured"
        require(abs(measured_hz / granted_hz - 1.0) <= RATE_TOLERANCE, words)
        found.append(words)
    return f"{'; '.join(found)}; {_slow(stand)}"


@CHECKS.add(
    "blocks",
    "Samples in blocks",
    "A device with capability 5 sends blocks to a host that asks for them, and single samples to others.",
    "every number once, at the rate granted; a sample waits 10 ms at most",
    "Fast recordings have holes, trips come late, and older programs lose every sample.",
)
def _blocks(stand: Stand) -> str:
    if Capability.BLOCKS not in stand.known.capabilities:
        raise NotApplicableError("it sends no blocks (capability 5 is not set)")
    found = []
    for accepts in (Accepts.BLOCKS, Accepts.SAMPLES):
        granted_hz = stand.must(StreamAt(stand.talk.next_id(), BEYOND_MHZ, accepts), "stream").value / 1000
        require(granted_hz > 0, "granted no rate")
        stand.talk.listen(SETTLE_S)
        frames = stand.talk.tally.accepted - len(stand.talk.heard)
        stand.talk.count(max(MEASURED_S, ENOUGH_SAMPLES / granted_hz))
        frames = stand.talk.tally.accepted - len(stand.talk.heard) - frames
        measured_hz = taken_per_s(stand)
        block = seen(stand)
        assert block.seq is not None
        lost = int((np.diff(block.seq) % SEQ_MODULUS - 1).sum())
        words = (
            f"{granted_hz:g}/s granted, {measured_hz:.4g}/s measured, {len(block) / frames:.3g} in each frame"
        )
        require(lost == 0, f"{words}: {lost} samples are missing")
        require(abs(measured_hz / granted_hz - 1.0) <= RATE_TOLERANCE, words)
        if accepts is Accepts.SAMPLES:
            require(len(block) == frames, f"{words}, to a host that does not read blocks")
        else:
            # a sample waits for as long as the rest of its block takes
            require(
                len(block) / frames <= 1 + MOST_WAIT_S * granted_hz, f"{words}: they wait for more than 10 ms"
            )
        found.append(words)
    return "; ".join(found)


@CHECKS.add(
    "stream-stops",
    "The end of the stream",
    "Rate 0 stops the stream, and the reply's value is 0.",
    "no sample afterwards",
    "It sends to whatever program opens the port next.",
)
def _stops(stand: Stand) -> str:
    stand.stream(stand.known.rate_mhz)
    value = stand.must(StreamAt(stand.talk.next_id(), 0), "stop the stream").value
    stand.talk.listen(SETTLE_S)
    late = stand.talk.count(QUIET_S)
    require(late == 0, f"{late} samples came in {QUIET_S:g} s after it was stopped")
    require(value == 0, f"the reply's value is {value}")
    return "no more samples"


@CHECKS.add(
    "streaming-flag",
    "The state's flag of the stream",
    "Flag 4 of the state says whether samples are sent.",
    "set while streaming, clear afterwards",
    "Programs that look at the state are misled.",
)
def _flag(stand: Stand) -> str:
    stand.stream(stand.known.rate_mhz)
    on = StateFlag.STREAMING in stand.state().flags
    stand.stop_stream()
    off = StateFlag.STREAMING not in stand.state().flags
    require(on, "streaming, but flag 4 is not set")
    require(off, "stopped, but flag 4 is set")
    return "flag 4 follows the stream"
