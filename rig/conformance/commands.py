"""Every command that moves nothing, and the answers to wrong ones."""

from __future__ import annotations

import numpy as np
from cobs import cobs

from rig.conformance.dialogue import ATTEMPTS, REPLY_S, bare_frame, payload_of
from rig.conformance.evidence import SEQ_MODULUS, seen, times_s
from rig.conformance.exceptions import BrokenRuleError, NotApplicableError, UnreadyError, require
from rig.conformance.stand import Stand, accepted, replied, result_words
from rig.conformance.verdicts import CheckGroup
from rig.wire import (
    AskState,
    ClearStop,
    Command,
    Disarm,
    Halt,
    Heartbeat,
    Identify,
    Limits,
    MoveTo,
    ReplyResult,
    State,
    StateFlag,
    StreamAt,
    encode_frame,
    seal,
)

CHECKS = CheckGroup("commands")

UNKNOWN_KINDS = (0x5F, 0x7F, 0xC0, 0xFF)
"""The third is identify with its highest bit set."""

LOWEST, HIGHEST = -(2**31), 2**31 - 1
STREAM_KIND, IDENTIFY_KIND, STATE_KIND = 0x41, 0x40, 0x4C
LAST_ID = 2**16
EXTRA = b"\x01\x02\x03"
"""Bytes behind a body; the first, behind a stream, says that blocks are read, as a later host may."""

LONGEST_PAYLOAD = 64
LIKE_IDS = (0x0180, 0x0280, 0x8180, 0x8100, 0x7FFF, 0xFFFF)
"""Request ids of which each has a byte, or all bits but the highest, of another."""

BURST = 48
"""State requests sent at once: their answers fill a transmit buffer faster than a slow line empties it."""

BURST_S = 1.0
BURSTS, APART_S, MOST_ROUNDS, EIGHT_BITS = 12, 0.12, 3, 255
"""More bursts follow, while frames are dropped, until these are more than a byte counts."""

FEW, SOME = 2, 10
"""Samples that may go unnoticed; frames that may be dropped for another reason."""

ALMOST_A_PERIOD = 0.2
"""A step that is longer than its numbers by a period less this holds a sample without a number."""


@CHECKS.add(
    "commands-whole",
    "Commands with zeros in them, and the longest one",
    "Consistent overhead byte stuffing carries every byte value at every place.",
    "each is answered",
    "One command in a hundred is lost without a visible reason; it may be a halt.",
)
def _whole(stand: Stand) -> str:
    """Zeros wherever a frame can have them: in the request id, in either byte of the checksum, at the end."""
    asked = 0
    zeros: set[str] = set()
    for request in range(1, LAST_ID):
        sealed = cobs.decode(bare_frame(STATE_KIND, request)[:-1])
        kinds = {f"byte {place}" for place, byte in enumerate(sealed) if not byte}
        if len(kinds) > 1:
            kinds.add("two at once")
        if kinds <= zeros:
            continue
        zeros |= kinds
        asked += 1
        # twice, since a byte may be lost on a real line
        reply = stand.talk.ask(AskState(request), attempts=2)
        require(reply is not None, f"a command with a zero in {' and '.join(sorted(kinds))} was not answered")
    request = stand.talk.next_id()
    longest = bare_frame(STATE_KIND, request, bytes(range(1, LONGEST_PAYLOAD - 2)))
    words = f"a command of {LONGEST_PAYLOAD} bytes, the most that there are"
    replied(stand.talk.ask_bytes(longest, request), words)
    return f"{asked} commands with zeros at all places, and one of {LONGEST_PAYLOAD} bytes: answered"


@CHECKS.add(
    "unknown-command",
    "Unknown commands",
    "An unknown command is answered with result 1.",
    "result 1",
    "A host newer than the firmware waits a second at each new command, then reports a dead device.",
)
def _unknown(stand: Stand) -> str:
    found = []
    for kind in UNKNOWN_KINDS:
        request = stand.talk.next_id()
        reply = replied(stand.talk.ask_bytes(bare_frame(kind, request), request), f"command {kind:#04x}")
        words = f"command {kind:#04x}: {result_words(reply.result)}"
        require(reply.result == ReplyResult.UNKNOWN_COMMAND, words)
        found.append(words)
    return "; ".join(found)


@CHECKS.add(
    "state-answer",
    "The answer to state",
    "State is answered with a state message, then with the reply.",
    "a state message, then a reply with result 0",
    "Limits cannot be read back, so it is never armed.",
)
def _state(stand: Stand) -> str:
    stand.answers_with(AskState(stand.talk.next_id()), State, "state")
    return "a state message, then the reply"


@CHECKS.add(
    "drive-commands",
    "Disarm, halt and clear stop at rest",
    "Every command but the heartbeat is answered; at rest these three are accepted.",
    "result 0; without a drive, a refusal",
    "A program cannot make sure on exit that the press is safe.",
)
def _drive_commands(stand: Stand) -> str:
    talk = stand.talk
    if not stand.drives:
        refused = stand.answers(Halt(talk.next_id()), "halt")
        require(refused.result != ReplyResult.ACCEPTED, "halt was accepted by a device without a drive")
        return f"no drive; halt: {result_words(refused.result)}"
    commands: tuple[Command, ...] = (Disarm(talk.next_id()), Halt(talk.next_id()), ClearStop(talk.next_id()))
    for command in commands:
        stand.accepts(command, type(command).__name__.lower())
    return "disarm, halt and clear stop: accepted"


@CHECKS.add(
    "heartbeat-unanswered",
    "Heartbeats",
    "A heartbeat has no reply.",
    "no reply",
    "Ten replies a second take bandwidth from the samples.",
)
def _beats(stand: Stand) -> str:
    request = stand.talk.next_id()
    stand.talk.send(Heartbeat(request))
    stand.talk.listen(REPLY_S)
    require(stand.talk.reply_to(request) is None, "it replied to a heartbeat")
    return "no reply"


@CHECKS.add(
    "one-reply",
    "Number of replies",
    "Each command is answered once.",
    "one reply",
    "A second reply may be taken for the answer to the next command.",
)
def _once(stand: Stand) -> str:
    for _ in range(2):
        request = stand.talk.next_id()
        stand.talk.send(Identify(request))
        stand.talk.listen(REPLY_S)
        count = len(stand.talk.replies_to(request))
        require(count <= 1, f"{count} replies to one command")
    return "one reply to each command"


def needs_drive(stand: Stand) -> None:
    """Refuse a check that only makes sense with a drive."""
    if not stand.drives:
        raise NotApplicableError("it has no drive")


@CHECKS.add(
    "repeated-request",
    "A repeated request id",
    "A command with the last request id gets the same reply again and is not carried out twice.",
    "the same reply, carried out once",
    "On a noisy line a motion is begun twice, or a cycle is counted twice.",
)
def _repeated(stand: Stand) -> str:
    needs_drive(stand)
    talk, bounds = stand.talk, stand.bounds
    edges = bounds.min_force, bounds.max_force, bounds.min_position
    # heartbeats go on while a lost reply is asked for again: they are not the command before
    for between in ("", " with a heartbeat in between"):
        request = talk.next_id()
        stand.must(Limits(request, *edges, bounds.max_position), "set the limits")
        if between:
            talk.send(Heartbeat(talk.next_id()))
        talk.send(Limits(request, *edges, bounds.max_position - 1))
        talk.listen(REPLY_S)
        replies = talk.replies_to(request)
        require(len(replies) >= 2, f"no second reply under the same request id{between}")
        require(replies[0] == replies[1], f"first {replies[0]}, then {replies[1]}{between}")
        kept = stand.state().max_position
        require(kept == bounds.max_position, f"the command was carried out a second time{between}")
    request = talk.next_id()
    for _ in range(2):
        talk.send(StreamAt(request, stand.known.rate_mhz))
        talk.listen(REPLY_S)
    values = [reply.value for reply in talk.replies_to(request)]
    stand.stop_stream()
    require(len(values) >= 2, "no second reply to stream under the same request id")
    require(values[0] == values[1], f"stream granted {values[0]} mHz, its repetition says {values[1]} mHz")
    return "the same reply, carried out once, behind a heartbeat too"


@CHECKS.add(
    "commands-at-once",
    "Commands without a pause between them",
    "Every command but the heartbeat is answered, once.",
    "a reply to each of three that come at once",
    "A halt right behind a heartbeat or another command is lost.",
)
def _at_once(stand: Stand) -> str:
    """Send commands without a pause between them, as a heartbeat and an order are."""
    talk = stand.talk
    stand.stop_stream()
    talk.drain()
    for attempt in range(ATTEMPTS):
        first, second, beat, last = (talk.next_id() for _ in range(4))
        talk.send_together(AskState(first), Identify(second), Heartbeat(beat), AskState(last))
        answered = [first, second, last]
        came = talk.until(lambda: all(talk.reply_to(each) for each in answered), REPLY_S)  # noqa: B023
        if came or attempt == ATTEMPTS - 1:
            break
    missing = sum(talk.reply_to(each) is None for each in answered)
    require(missing == 0, f"{missing} of 3 commands that were sent at once were not answered")
    return "three commands and a heartbeat at once: answered"


@CHECKS.add(
    "request-ids",
    "Request ids that agree in part",
    "Request ids have 16 bits, 1 to 65535; only the same id as the last one is a repetition.",
    "each is carried out",
    "A command, perhaps a halt, is taken for a repetition and answered without being carried out.",
)
def _like_ids(stand: Stand) -> str:
    """See that two ids which differ in any bit are two commands."""
    talk = stand.talk
    for request in LIKE_IDS:
        before = len(talk.heard)
        stand.accepts(AskState(request), f"state with request id {request} ({request:#06x})")
        carried_out = any(isinstance(each.message, State) for each in talk.heard[before:])
        require(carried_out, f"request id {request} ({request:#06x}) was taken for a repetition")
    one, other = talk.next_id(), talk.next_id()
    for request in (one, other, one):
        before = len(talk.heard)
        talk.send(AskState(request))
        talk.listen(REPLY_S)
        carried_out = any(isinstance(each.message, State) for each in talk.heard[before:])
        require(carried_out, f"request {request} was taken for a repetition of the last but one")
    return f"{len(LIKE_IDS)} ids that agree in part, and the last but one: each carried out"


@CHECKS.add(
    "losses-counted",
    "Answers beside the fastest stream",
    "Samples are taken on time whatever is asked for; a frame that finds no room is dropped whole, "
    "numbered and counted.",
    "the numbers that are missing are the frames dropped",
    "Samples and trips wait behind an answer, or a loss goes unnoticed.",
)
def _answers_beside_samples(stand: Stand) -> str:
    """Ask for much while samples come as fast as they can: what is lost is numbered and counted."""
    stand.at_highest_rate()
    words, _, calm = _asked_for(stand, "identity and state", 3)
    found = [words]
    for bursts in (1, *[BURSTS] * MOST_ROUNDS):
        what = f"{bursts} times {BURST} states at once"
        words, dropped, damaged = _asked_for(stand, what, bursts * BURST)
        found.append(words)
        spoilt = f"{words}, and {damaged} frames came damaged, {calm} when it was asked for less"
        require(damaged <= 2 * calm + SOME, spoilt)
        if not dropped or stand.state().frames_dropped > EIGHT_BITS:
            break
    return "; ".join(found)


def _asked_for(stand: Stand, what: str, count: int) -> tuple[str, int, int]:
    """Ask for something `count` times; what was lost, in words, and the frames dropped and damaged."""
    talk = stand.talk
    talk.listen(0.2)
    dropped = stand.state().frames_dropped
    damaged = talk.tally.rejected
    talk.listen(0.2)
    talk.taken.clear()
    talk.listen(0.1)
    begun = len(talk.heard)
    if count >= BURST:
        for _ in range(count // BURST):
            talk.send_together(*(AskState(talk.next_id()) for _ in range(BURST)))
            talk.listen(APART_S)
    else:
        for _ in range(count):
            stand.must(Identify(talk.next_id()), "identify")
            stand.state()
    talk.listen(BURST_S)
    # each state, or each identity and state, with its reply
    unheard = (2 if count >= BURST else 4) * count - len(talk.heard[begun:])
    block = seen(stand)
    if block.seq is None or len(block) < 2:
        raise UnreadyError("too few samples came")
    steps = np.diff(block.seq) % SEQ_MODULUS
    missing = int((steps - 1).sum())
    took_s = np.diff(times_s(stand, block))
    # by its own clock, so that neither the line nor a clock that is off counts; in single steps, since
    # a sample may bear the time of a conversion half a period beside it
    over = took_s * (steps.sum() / took_s.sum()) - steps
    unnumbered = int(np.floor(over + ALMOST_A_PERIOD).clip(0).sum())
    dropped = (stand.state().frames_dropped - dropped) % SEQ_MODULUS
    damaged = talk.tally.rejected - damaged
    words = f"{what}: {missing} sample numbers missing, {dropped} frames dropped by the state"
    require(missing <= dropped + damaged + FEW, words)
    # answers may find no room either
    require(dropped <= 2 * missing + max(unheard, 0) + damaged + SOME, words)
    numbered = f"{what}: time for {unnumbered} more samples went by than were numbered"
    require(unnumbered <= FEW, numbered)
    return words, dropped, damaged


@CHECKS.add(
    "longer-body",
    "A command with extra bytes",
    "A body longer than listed is accepted, its extra bytes ignored.",
    "result 0",
    "It cannot be used with later versions of the host.",
)
def _longer(stand: Stand) -> str:
    """Send each command that moves nothing with three bytes more than there are."""
    talk, bounds = stand.talk, stand.bounds if stand.drives and stand.may_move else None
    commands: list[Command] = [
        Identify(talk.next_id()),
        AskState(talk.next_id()),
        StreamAt(talk.next_id(), 0),
    ]
    if bounds is not None:
        commands += [Limits(talk.next_id(), *bounds.edges), Disarm(talk.next_id()), Halt(talk.next_id())]
    for command in commands:
        what = f"{type(command).__name__.lower()} with {len(EXTRA)} bytes more"
        reply = replied(talk.ask_bytes(seal(payload_of(command) + EXTRA), command.request), what)
        # some answer a halt of what is not armed so
        if not (isinstance(command, Halt) and reply.result == ReplyResult.NOT_ARMED):
            accepted(reply, what)
    if bounds is not None:
        move = MoveTo(talk.next_id(), bounds.base, bounds.speed)
        what = f"a motion with {len(EXTRA)} bytes more, while disarmed,"
        reply = replied(talk.ask_bytes(seal(payload_of(move) + EXTRA), move.request, attempts=1), what)
        misread = ReplyResult.UNKNOWN_COMMAND, ReplyResult.BAD_ARGUMENT, ReplyResult.ACCEPTED
        require(reply.result not in misread, f"{what} was answered {result_words(reply.result)}")
    return "the extra bytes were ignored"


def _still_kept(stand: Stand, refused: str) -> None:
    """See that limits which were refused have changed nothing of those of the rig."""
    sent, kept = stand.bounds.edges, stand.limits_kept()
    require(kept == sent, f"{refused} were refused, and changed the limits from {sent} to {kept}")


@CHECKS.add(
    "shorter-body",
    "A command that is too short",
    "A body shorter than listed is damage.",
    "not obeyed",
    "It acts on bytes that were not sent.",
)
def _shorter(stand: Stand) -> str:
    stand.stop_stream()
    talk, request = stand.talk, stand.talk.next_id()
    talk.drain()
    talk.send_bytes(b"\x00" + bare_frame(STREAM_KIND, request, b"\x01"))
    talk.listen(REPLY_S)
    reply = talk.reply_to(request)
    obeyed = reply is not None and reply.result == ReplyResult.ACCEPTED
    require(not obeyed, "a stream command of half its length was obeyed")
    if stand.drives and stand.may_move:
        stand.set_limits()
        edges = stand.bounds.edges
        command = Limits(talk.next_id(), *edges[:3], edges[3] - 1)
        talk.send_bytes(b"\x00" + seal(payload_of(command)[:-1]))
        talk.listen(REPLY_S)
        _still_kept(stand, "limits that lack their last byte")
    return "not obeyed"


@CHECKS.add(
    "empty-frames",
    "Empty frames",
    "Two 0x00 in a row are an empty frame, which is ignored.",
    "the command after them is answered",
    "Hosts send one 0x00 before each command; every command is lost.",
)
def _after_zero(stand: Stand) -> str:
    """A receiver is in step after a 0x00, and empty frames mean nothing."""
    request = stand.talk.next_id()
    behind = b"\x00" * 20 + encode_frame(Identify(request))
    replied(stand.talk.ask_bytes(behind, request), "a command behind empty frames")
    return "answered behind 21 empty frames"


@CHECKS.add(
    "limits-kept",
    "Limits, read back",
    "The device keeps the trip limits that it is sent, and its state shows them.",
    "the same four numbers, and flag 2",
    "It is never armed, because its limits are unknown.",
)
def _limits_kept(stand: Stand) -> str:
    needs_drive(stand)
    bounds = stand.bounds
    sent = (bounds.min_force + 1, bounds.max_force - 1, bounds.min_position + 1, bounds.max_position - 1)
    stand.must(Limits(stand.talk.next_id(), *sent), "set the limits")
    for when in ("", ", after disarm"):
        kept = stand.limits_kept()
        require(kept == sent, f"sent {sent}, kept {kept}{when}")
        require(StateFlag.LIMITS_SET in stand.state().flags, f"kept, but flag 2 (limits set) is clear{when}")
        stand.disarm()
    wider = Limits(stand.talk.next_id(), *bounds.edges)
    stand.accepts(wider, "widening narrow limits again, within those built in,")
    return f"{sent[0]} to {sent[1]} force counts, {sent[2]} to {sent[3]} position counts"


@CHECKS.add(
    "limits-mixed-up",
    "Limits in the wrong order",
    "A lower limit above the upper one is a bad argument, result 2.",
    "result 2",
    "It trips at once or never, depending on the firmware.",
)
def _limits_mixed(stand: Stand) -> str:
    needs_drive(stand)
    least, greatest, low, high = stand.bounds.edges
    stand.set_limits()
    found = []
    for what, edges in (("force", (greatest, least, low, high)), ("position", (least, greatest, high, low))):
        turned = Limits(stand.talk.next_id(), *edges)
        words = f"a lower {what} limit above the upper one"
        found.append(stand.refuses(turned, ReplyResult.BAD_ARGUMENT, words))
        _still_kept(stand, "limits in the wrong order")
    return "; ".join(found)


@CHECKS.add(
    "limits-too-wide",
    "Limits beyond those built in",
    "The host's limits may only narrow those that are built in; wider ones are answered 6.",
    "result 6",
    "A mistake in a rig file removes the last limit that protects frame and cell.",
)
def _limits_wide(stand: Stand) -> str:
    needs_drive(stand)
    found = []
    for place, what in enumerate(("lower force", "upper force", "lower position", "upper position")):
        edges = list(stand.bounds.edges)
        edges[place] = HIGHEST if place % 2 else LOWEST
        stand.set_limits()
        wide, words = Limits(stand.talk.next_id(), *edges), f"a {what} limit wider than any"
        try:
            found.append(stand.refuses(wide, ReplyResult.OUTSIDE_LIMITS, words))
        except BrokenRuleError:
            stand.set_limits()
            raise
        _still_kept(stand, words)
    return "; ".join(found)


@CHECKS.add(
    "motion-while-disarmed",
    "A motion while it is disarmed",
    "Nothing moves unless armed; the answer is 3.",
    "result 3",
    "The platen can move while somebody inserts a specimen.",
)
def _unarmed(stand: Stand) -> str:
    needs_drive(stand)
    stand.disarm()
    stand.stream(stand.known.rate_mhz)
    stand.set_limits()
    if StateFlag.ARMED in stand.state().flags:
        raise UnreadyError("it reports that it is armed")
    return stand.refuses_motions(ReplyResult.NOT_ARMED, "while disarmed")
