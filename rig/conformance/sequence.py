"""Sample numbers and time stamps: do they rise, fit each other and the clock on the wall, go on and wrap.

These checks only listen, so they suit devices that talk and print lines too, as far as the columns are there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.conformance.evidence import SEQ_MODULUS, watched
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.stand import Kind, Stand
from rig.conformance.verdicts import CheckGroup
from rig.samples import IntArray, Status
from rig.wire import SampleBlock

CHECKS = CheckGroup("sequence")

LISTEN_S = 2.0
LINES_LISTEN_S = 10.0
"""Lines come ten times a second, and a banner or a prompt now and then between them."""

PACE_TOLERANCE = 0.06
"""Of the device's clock against the host's: a wrong unit is far off, a late byte is not."""

FIT_TOLERANCE = 0.02
ODD_RATE, ODD_SAMPLES = 61, 20
"""A part of the highest rate, in per cent, whose period is no round number, and samples to measure it by."""

LEAP_PERIODS, LEAP_US = 1.5, 500.0
"""A sample may bear the time of the conversion in it, which is half a period away at most, on either side."""

COARSE_US, BESIDE = 250, 0.05
"""Times that rise by whole multiples of this, and a period that is none: a clock of milliseconds."""

MOST_MISSING = 0.01
PAUSE_S = 0.5
LONGEST_STEP = 200
"""Samples that may be missing across a wrap."""


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Some seconds of the stream, which several checks look at."""

    block: SampleBlock
    ends_us: IntArray | None
    ends_s: tuple[float, float]
    damaged: int
    thrown_away: str
    dropped: int


def _seq(block: SampleBlock) -> IntArray:
    if block.seq is None:
        raise NotApplicableError("it sends no sample numbers")
    return block.seq


def _steps(values: IntArray, modulus: int | None) -> IntArray:
    steps = np.diff(values)
    return steps if modulus is None else steps % modulus


def _numbers_apart(block: SampleBlock) -> IntArray:
    return _steps(_seq(block), SEQ_MODULUS)


def _run(stand: Stand) -> _Run:
    seen = stand.kept.get("run")
    if not isinstance(seen, _Run):
        before = stand.talk.damaged
        framed = stand.kind is Kind.FRAMED
        dropped = stand.state().frames_dropped if framed else 0
        block = stand.collect(LINES_LISTEN_S if stand.kind is Kind.LINES else LISTEN_S)
        first, last = stand.talk.taken[0], stand.talk.taken[-1]
        times = first.block.time_us, last.block.time_us
        ends_us = None
        if times[0] is not None and times[1] is not None:
            ends_us = np.array([int(times[0][-1]), int(times[1][-1])])
        damaged = stand.talk.damaged - before
        dropped = (stand.state().frames_dropped - dropped) % SEQ_MODULUS if framed else 0
        seen = _Run(block, ends_us, (first.at_s, last.at_s), damaged, stand.talk.thrown_away(), dropped)
        stand.kept["run"] = seen
    return seen


@CHECKS.add(
    "numbers-rise",
    "Sample numbers",
    "The number counts every sample taken, sent or not.",
    "one more each time, at most 1 % missing",
    "The host cannot tell a loss from a pause; gaps in the curve go unnoticed.",
)
def _numbers(stand: Stand) -> str:
    steps = _numbers_apart(_run(stand).block)
    require(bool((steps > 0).all()), "a number came twice")
    back = int((steps > SEQ_MODULUS // 2).sum())
    require(back == 0, f"numbers went back {back} times")
    missing = int((steps - 1).sum())
    share = missing / int(steps.sum())
    require(share <= MOST_MISSING, f"{100 * share:.1f} % of the numbers are missing")
    return f"{len(steps) + 1} samples, {missing} missing"


def _time(block: SampleBlock) -> IntArray:
    if block.time_us is None:
        raise NotApplicableError("it sends no times; the host's time of receipt is used, and rates are rough")
    return block.time_us


@CHECKS.add(
    "time-rises",
    "Time stamps",
    "The time is a free-running clock in microseconds.",
    "each time later than the one before",
    "Speeds and rates come out wrong, and the host takes samples out as damaged.",
)
def _rises(stand: Stand) -> str:
    steps = _steps(_time(_run(stand).block), stand.time_modulus_us)
    half = 2**62 if stand.time_modulus_us is None else stand.time_modulus_us // 2
    wrong = int(((steps <= 0) | (steps > half)).sum())
    require(wrong == 0, f"{wrong} of {len(steps)} steps do not go forward")
    return f"{len(steps)} steps, {int(steps.min())} to {int(steps.max())} us"


@CHECKS.add(
    "time-pace",
    "The device's clock against the host's",
    "The time counts microseconds.",
    f"within {100 * PACE_TOLERANCE:g} % of the host's clock over {LISTEN_S:g} s",
    "Speed, hold and recovery are wrong by the same factor.",
)
def _pace(stand: Stand) -> str:
    run = _run(stand)
    _time(run.block)
    assert run.ends_us is not None
    host_s = run.ends_s[1] - run.ends_s[0]
    if host_s <= 0:
        raise UnreadyError("all samples came at once")
    device_s = float(_steps(run.ends_us, stand.time_modulus_us)[0]) / 1e6
    words = f"{device_s:.3f} s on its clock in {host_s:.3f} s"
    require(abs(device_s / host_s - 1.0) <= PACE_TOLERANCE, words)
    return words


def _fits(stand: Stand, block: SampleBlock, granted_mhz: int) -> str:
    taken = int(_numbers_apart(block).sum())
    device_us = int(_steps(_time(block), stand.time_modulus_us).sum())
    if not taken:
        raise UnreadyError("the sample numbers do not rise")
    should_us = 1e9 / granted_mhz
    found_us = device_us / taken
    words = f"{found_us:.2f} us from number to number, {should_us:.2f} us by the rate granted"
    require(abs(found_us / should_us - 1.0) <= FIT_TOLERANCE, words)
    apart_us = _steps(_time(block), stand.time_modulus_us) - should_us * _numbers_apart(block)
    most_us = float(np.abs(apart_us).max())
    require(
        most_us <= LEAP_PERIODS * should_us + LEAP_US,
        f"from one sample to the next the time jumped by {most_us:.0f} us beside the rate granted",
    )
    # samples with a new force bear the time of its conversion, and a converter may keep a pace of its own
    between = block[(block.status & Status.FRESH_FORCE) == 0]
    if len(between) < 2:
        return words
    coarse_us = int(np.gcd.reduce(_steps(_time(between), stand.time_modulus_us)))
    periods = should_us * int(_numbers_apart(between).min()) / max(coarse_us, 1)
    require(
        coarse_us < COARSE_US or abs(periods - round(periods)) <= BESIDE,
        f"the time rises by multiples of {coarse_us} us, the rate granted has a period of {should_us:.2f} us",
    )
    return words


@CHECKS.add(
    "time-fits-rate",
    "Time from number to number",
    "Numbers and times belong to the rate granted.",
    f"within {100 * FIT_TOLERANCE:g} %, no leap of {LEAP_PERIODS:g} periods, steps of microseconds",
    "The host cannot find damaged samples by comparing number and time.",
)
def _fit(stand: Stand) -> str:
    if stand.kind is not Kind.FRAMED:
        raise NotApplicableError("no rate was granted")
    found = []
    highest = stand.known.rate_mhz
    for asked in (highest, max(ODD_RATE * highest // 100, 1)):
        granted_mhz = stand.stream(asked)
        if asked == highest:
            block = _run(stand).block
        else:
            stand.talk.listen(0.1)
            block = watched(stand, max(1.0, ODD_SAMPLES * 1000 / granted_mhz))
        found.append(_fits(stand, block, granted_mhz))
    return "; ".join(found)


@CHECKS.add(
    "frames-whole",
    "Damaged frames or lines",
    "A sender drops whole frames when its buffer is full, never parts of one.",
    "none damaged at the highest rate",
    "Samples are lost; one damaged frame in 70 000 is taken for a good one.",
)
def _whole(stand: Stand) -> str:
    run = _run(stand)
    require(run.damaged == 0, f"{run.damaged} frames or lines were damaged; in all {run.thrown_away}")
    if run.dropped:
        missing = int((_numbers_apart(run.block) - 1).sum())
        words = f"its state counts {run.dropped} frames dropped, {missing} numbers are missing"
        # some may have been dropped before the first sample that was kept
        require(run.dropped <= missing + LONGEST_STEP, words)
    return "none damaged"


@CHECKS.add(
    "stream-resets-nothing",
    "Numbers and time after a pause of the stream",
    "Starting or stopping the stream resets neither number nor time.",
    "both go on",
    "Each pause looks like a reset: a motion is given up and limits have to be set again.",
)
def _goes_on(stand: Stand) -> str:
    before = stand.collect(PAUSE_S)
    stopped_s = stand.talk.clock()
    stand.stop_stream()
    stand.talk.listen(PAUSE_S)
    stand.talk.taken.clear()
    stand.stream(stand.known.rate_mhz)
    first = stand.talk.taken[0].block
    away_s = stand.talk.clock() - stopped_s + 1.0
    ahead = (int(_seq(first)[0]) - int(_seq(before)[-1])) % SEQ_MODULUS
    most = round(away_s * stand.known.rate_mhz / 1000 * 1.1) + LONGEST_STEP
    require(ahead <= most, f"after a pause the numbers went on {ahead} further, or restarted")
    later_us = (int(_time(first)[0]) - int(_time(before)[-1])) % (stand.time_modulus_us or 2**62)
    require(later_us <= 1.1e6 * away_s, f"after a pause the time went on {later_us} us further, or restarted")
    return f"after a pause the number is {ahead} further, the time {later_us / 1e6:.3f} s"


def _across(stand: Stand, to_wrap_s: float) -> SampleBlock:
    """Return the stream from now until after a wrap."""
    stand.at_highest_rate()
    return watched(stand, 1.1 * to_wrap_s + 1.0)


def _newest(stand: Stand) -> SampleBlock:
    run = _run(stand).block
    return run if stand.talk.latest is None else stand.talk.latest


def _wrapped(values: IntArray, modulus: int, longest: float) -> str:
    """Return where a counter wrapped, which must be at its modulus."""
    drops = np.flatnonzero(np.diff(values) < 0)
    require(len(drops) > 0, f"it did not wrap at {modulus}; it went on to {int(values.max())}")
    before, after = int(values[drops[0]]), int(values[drops[0] + 1])
    require((after - before) % modulus <= longest, f"from {before} to {after}")
    return f"from {before} to {after}"


@CHECKS.add(
    "number-wraps",
    "The wrap of the sample number",
    "The number wraps at 65 536.",
    "after 65 535 comes 0",
    "After some minutes of recording the host sees a jump and cuts the capture's clock in two.",
)
def _wraps(stand: Stand) -> str:
    run = _run(stand)
    rate_hz = int(_numbers_apart(run.block).sum()) / (run.ends_s[1] - run.ends_s[0])
    to_wrap_s = (SEQ_MODULUS - int(_seq(_newest(stand))[-1])) / max(rate_hz, 1.0)
    if to_wrap_s > stand.wrap_patience_s:
        raise NotApplicableError(f"the sample number wraps in {to_wrap_s:.0f} s only; --patient waits for it")
    seq = _seq(_across(stand, to_wrap_s))
    return _wrapped(seq, SEQ_MODULUS, LONGEST_STEP)


@CHECKS.add(
    "time-wraps",
    "The wrap of the time",
    "The time wraps at 2^32 microseconds, after 71.6 minutes.",
    "it begins again near 0 without a gap",
    "A recording over an hour breaks in two.",
)
def _time_wraps(stand: Stand) -> str:
    modulus = stand.time_modulus_us
    if modulus is None:
        raise NotApplicableError("its time does not wrap")
    to_wrap_s = (modulus - int(_time(_newest(stand))[-1])) / 1e6
    if to_wrap_s > stand.wrap_patience_s:
        raise NotApplicableError(f"the time wraps in {to_wrap_s / 60:.0f} min only")
    time_us = _time(_across(stand, to_wrap_s))
    return _wrapped(time_us, modulus, LONGEST_STEP * float(np.median(np.diff(time_us))))
