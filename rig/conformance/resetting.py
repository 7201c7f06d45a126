"""What a reset leaves behind: one reset, watched, and every rule looked at in what came of it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from rig.conformance.evidence import watched
from rig.conformance.exceptions import NotApplicableError, UnreadyError, require
from rig.conformance.provoking import RESET
from rig.conformance.stand import BOOT_S, NEAR_COUNTS, Stand, result_words
from rig.conformance.verdicts import CheckGroup
from rig.wire import (
    AskState,
    Cycle,
    Event,
    EventCode,
    Home,
    Identify,
    Identity,
    Limits,
    MoveTo,
    PressUntil,
    Reply,
    ReplyResult,
    SampleBlock,
    State,
    StateFlag,
)

CHECKS = CheckGroup("reset")

RUNS_BEFORE_S = 3.0
"""Numbers and times have to be well away from zero, or a reset would not show in them."""

QUIET_S = 0.5
SLACK_S = 1.0
SLOWEST_BOOT_S = 2.5
STILL_S = 1.0
FIRST_ID = 1
"""A device that keeps the last request id may take this one for it, before there is a last one."""

_FORGOTTEN = StateFlag.ARMED | StateFlag.HOMED | StateFlag.LIMITS_SET


@dataclass(frozen=True, slots=True, eq=False)
class _Reboot:
    """What was seen of a reset."""

    before: Identity
    after: Identity
    again: Identity | None
    delimited: bool
    told: bool
    identity_by_itself: bool
    unasked_samples: int
    since_s: float
    first: SampleBlock
    state: State
    motion: Reply | None
    others: dict[str, Reply | None]
    in_order: bool
    obeyed: bool
    gone: int


def _unlimited(stand: Stand) -> dict[str, Reply | None]:
    """Return the replies to motions of each kind, which go nowhere: it is disarmed. The last follows limits
    that were refused."""
    talk = stand.talk
    found = {
        "a press": talk.ask(PressUntil(talk.next_id(), 1, 1, 0)),
        "a homing": talk.ask(Home(talk.next_id(), 1)),
    }
    if stand.cycles:
        found["a cycle"] = talk.ask(Cycle(talk.next_id(), 0, 1, 1, 0, 0, 1))
    refused = talk.ask(Limits(talk.next_id(), 1, -1, 1, -1))
    if refused is not None and refused.result != ReplyResult.ACCEPTED:
        found["a motion behind limits that were refused"] = talk.ask(MoveTo(talk.next_id(), 0, 1))
    return found


def _is_boot(message: object) -> bool:
    return isinstance(message, Event) and message.code == EventCode.BOOT


def _greets(message: object) -> bool:
    return _is_boot(message) or isinstance(message, Identity)


def _cut_off(stand: Stand) -> int:
    """Return how often a 0x00 came that ended nothing, or rubbish."""
    return stand.talk.tally.empty + stand.talk.tally.rejected


def _still(stand: Stand) -> int:
    """Return how far it goes by itself in some time from now on, in counts."""
    stand.stream(stand.work_rate_mhz)
    return int(np.ptp(watched(stand, STILL_S).position))


def _watched(stand: Stand) -> _Reboot:
    before = stand.known
    stand.stream(stand.known.rate_mhz)
    times = stand.talk.latest
    if times is None or times.time_us is None or times.time_us[-1] < RUNS_BEFORE_S * 1e6:
        stand.talk.listen(RUNS_BEFORE_S)
    stand.stop_stream()
    stand.talk.drain()
    stand.talk.forget()
    cut = _cut_off(stand)
    begun_s = stand.talk.clock()
    told = stand.comes(EventCode.BOOT, stand.provoke(RESET) + BOOT_S)
    if told and stand.provoker.slow:
        # it is not known when a person's hand was there
        begun_s = next(each.at_s for each in stand.talk.heard if _is_boot(each.message)) - SLOWEST_BOOT_S
    unasked = stand.talk.count(QUIET_S)
    delimited = _cut_off(stand) > cut
    by_itself = stand.talk.newest(Identity) is not None
    kinds = [_is_boot(message) for message in stand.talk.messages() if _greets(message)]
    in_order = kinds[:1] != [False]
    before_first = len(stand.talk.heard)
    stand.must(AskState(FIRST_ID), "send the state")
    obeyed = any(isinstance(heard.message, State) for heard in stand.talk.heard[before_first:])
    stand.undo()
    stand.must(Identify(stand.talk.next_id()), "identify")
    identity = stand.talk.newest(Identity)
    if not isinstance(identity, Identity):
        raise UnreadyError("no identity came after the reset")
    state = stand.state()
    motion, others = None, {}
    if stand.drives:
        motion = stand.talk.ask(MoveTo(stand.talk.next_id(), 0, 1))
        others = _unlimited(stand)
    stand.talk.taken.clear()
    stand.stream(stand.known.rate_mhz)
    since_s = stand.talk.clock() - begun_s
    first = stand.talk.taken[0].block
    stand.identity = identity
    # once more: a counter may be kept each second time only, and what moves by itself does so at once
    again = None if stand.provoker.slow else stand.reset()
    return _Reboot(
        before=before,
        after=identity,
        again=again,
        delimited=delimited,
        told=told,
        identity_by_itself=by_itself,
        unasked_samples=unasked,
        since_s=since_s,
        first=first,
        state=state,
        motion=motion,
        others=others,
        in_order=in_order,
        obeyed=obeyed,
        gone=_still(stand),
    )


def _reboot(stand: Stand) -> _Reboot:
    """Reset it once; later checks look at the same reset, or hear why there was none."""
    if "reboot" not in stand.kept:
        try:
            stand.willing(RESET)
            stand.kept["reboot"] = _watched(stand)
        except (UnreadyError, NotApplicableError) as why:
            stand.kept["reboot"] = why
    seen = stand.kept["reboot"]
    if isinstance(seen, Exception):
        raise seen
    assert isinstance(seen, _Reboot)
    return seen


@CHECKS.add(
    "boot-told",
    "What it says after a reset",
    "After a boot it sends its boot event and its identity.",
    "both, unasked",
    "A reset is noticed late, and the host may wait for a motion that never ends.",
)
def _told(stand: Stand) -> str:
    seen = _reboot(stand)
    require(seen.told, "no boot event")
    require(seen.identity_by_itself, "a boot event, but no identity behind it")
    require(seen.in_order, "the identity came before the boot event")
    return "boot event and identity"


@CHECKS.add(
    "boot-id",
    "The boot id",
    "The boot id differs from that of the boot before.",
    "another number",
    "A host that missed the boot event takes the reset for a clock that wrapped, and times are wrong "
    "by an hour.",
)
def _boot_id(stand: Stand) -> str:
    seen = _reboot(stand)
    boots = [each.boot_id for each in (seen.before, seen.after, seen.again) if each is not None]
    for one, next_one in itertools.pairwise(boots):
        require(one != next_one, f"boot id {one} before and after a reset")
    state = seen.state.boot_id
    words = f"the identity's boot id is {seen.after.boot_id}, the state's is {state}"
    require(state == seen.after.boot_id, words)
    return f"boot id {', then '.join(map(str, boots))}"


@CHECKS.add(
    "boot-unit",
    "Unit id and name after a reset",
    "The unit id is that of one board for good.",
    "the same as before",
    "After each reset the host finds another press at the port, and refuses to go on with it.",
)
def _same(stand: Stand) -> str:
    seen = _reboot(stand)
    for one, other in ((seen.before, seen.after), (seen.after, seen.again or seen.after)):
        told = [f"{identity.unit_id.hex()} {identity.name!r}" for identity in (one, other)]
        require(told[0] == told[1], f"{told[0]} before a reset, {told[1]} after it")
    return f"unit id {seen.after.unit_id.hex()} before and after"


@CHECKS.add(
    "boot-delimited",
    "The 0x00 before the first frame",
    "One 0x00 before the first frame after a boot cuts off what came before it.",
    "a 0x00 first",
    "The boot event is lost with the half frame that the reset left, and the reset is noticed late.",
)
def _delimited(stand: Stand) -> str:
    seen = _reboot(stand)
    require(seen.told, "no boot event came at all")
    require(seen.delimited, "its first frame came without a 0x00 before it")
    return "a 0x00, then the first frame"


@CHECKS.add(
    "boot-quiet",
    "Silence after a reset",
    "A device that listens is silent until a stream is asked for.",
    "no samples",
    "Bytes pile up before a program reads them, and the first seconds of a capture are old.",
)
def _quiet(stand: Stand) -> str:
    seen = _reboot(stand)
    require(seen.unasked_samples == 0, f"{seen.unasked_samples} samples in {QUIET_S:g} s, unasked")
    return "no sample before a stream was asked for"


@CHECKS.add(
    "boot-counts-anew",
    "Numbers and time after a reset",
    "A reset sets sample number and time to zero.",
    "both near zero",
    "The host cannot place the samples after a reset.",
)
def _anew(stand: Stand) -> str:
    seen = _reboot(stand)
    if seen.first.seq is None or seen.first.time_us is None:
        raise UnreadyError("no samples came")
    seq, time_us = int(seen.first.seq[0]), int(seen.first.time_us[0])
    words = f"first number {seq}, first time {time_us / 1e6:.3f} s, {seen.since_s:.3f} s after the reset"
    require(time_us <= (seen.since_s + SLACK_S) * 1e6, words)
    require(seq <= (seen.since_s + SLACK_S) * stand.known.rate_mhz / 1000, words)
    return words


@CHECKS.add(
    "boot-forgets",
    "State after a reset",
    "After a boot: disarmed, no limits set, not homed, no stop latched.",
    "none of these flags",
    "It can move with limits that were not set for this specimen, or to wrong positions.",
)
def _forgets(stand: Stand) -> str:
    seen = _reboot(stand)
    left = seen.state.flags & _FORGOTTEN
    require(not left, f"flags {left!r} are still set")
    require(not seen.state.stop_cause, f"stop cause {int(seen.state.stop_cause)}")
    repetition = f"the first command, with request id {FIRST_ID}, was taken for a repetition"
    require(seen.obeyed, repetition)
    return "disarmed, not homed, no limits"


@CHECKS.add(
    "boot-still",
    "Rest after a reset",
    "After a boot it is disarmed: nothing moves before it is armed and ordered to.",
    f"at rest for {STILL_S:g} s after the boot event",
    "The platen moves as soon as power comes back, perhaps with a hand inside.",
)
def _rests(stand: Stand) -> str:
    if not stand.drives:
        raise NotApplicableError("it has no drive")
    seen = _reboot(stand)
    require(seen.gone <= NEAR_COUNTS, f"it moved by {seen.gone} counts without an order")
    moving = StateFlag.MOVING in seen.state.flags
    require(not moving, "flag 3 (moving) of the state is set")
    return "at rest"


@CHECKS.add(
    "motion-without-limits",
    "A motion before limits are set",
    "A motion without limits is answered 7.",
    "result 7",
    "After a reset in the middle of a run, nothing but the built-in limits protects the specimen and "
    "the cell.",
)
def _no_limits(stand: Stand) -> str:
    seen = _reboot(stand)
    require(seen.motion is not None, "no reply to a motion")
    assert seen.motion is not None
    found = result_words(seen.motion.result)
    require(seen.motion.result == ReplyResult.LIMITS_NOT_SET, f"a motion was answered {found}")
    for what, reply in seen.others.items():
        words = "not at all" if reply is None else result_words(reply.result)
        unset = reply is not None and reply.result == ReplyResult.LIMITS_NOT_SET
        require(unset, f"{what} was answered {words}")
    return f"a motion: {found}"
