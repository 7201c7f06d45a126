"""Rubbish from the host: a device throws it away, does nothing, and is in step after the next 0x00."""

from __future__ import annotations

import numpy as np
from cobs import cobs

from rig.conformance.dialogue import PIECE_BYTES, REPLY_S, bare_frame
from rig.conformance.exceptions import require
from rig.conformance.stand import Stand
from rig.conformance.verdicts import CheckGroup
from rig.wire import Identify, Identity, StateFlag, StreamAt, encode_frame

CHECKS = CheckGroup("garbage")

NOISE_BYTES = 4096
NOISE_SEED = 90
TAILS_BEHIND = (64, 65, 66, 67, 68, 69, 70, 128, 256)
"""Bytes of an overlong frame behind which a receiver may begin anew by mistake."""

LONGEST_PAYLOAD, LONGEST_STUFFED = 64, 67
EXTRA_BYTES = (1, 2, 40)
PIECES_APART_S = 0.1

IDENTIFY_KIND = 0x40
WRONG_AT = {3: "its payload", -2: "the low byte of its check sum", -1: "the high byte of its check sum"}


def _in_step(stand: Stand, after: str) -> None:
    stand.answers(Identify(stand.talk.next_id()), f"identify after {after}")


def _bad_stuffing(stand: Stand) -> None:
    """Send a frame whose last code reaches beyond its end: payload and check sum would be right."""
    # an id without a zero, so that the first code is the last one
    request = next(each for each in iter(stand.talk.next_id, 0) if each % 256 and each // 256)
    wrong = bytearray(encode_frame(Identify(request)))
    place = 0
    while place + wrong[place] < len(wrong) - 1:
        place += wrong[place]
    wrong[place] += 1
    stand.talk.send_bytes(b"\x00" + bytes(wrong))
    stand.talk.listen(REPLY_S)
    words = "a frame whose stuffing reaches beyond its end"
    require(stand.talk.reply_to(request) is None, f"it obeyed {words}")
    _in_step(stand, words)


@CHECKS.add(
    "bad-check-sum",
    "A frame with a wrong check sum",
    "A frame whose check sum is wrong is discarded.",
    "no reply, and the next command is answered",
    "A flipped bit on the cable becomes another command, speed or position.",
)
def _bad_crc(stand: Stand) -> str:
    for place, words in WRONG_AT.items():
        request = stand.talk.next_id()
        wrong = bytearray(cobs.decode(bare_frame(IDENTIFY_KIND, request, b"\x55\x55")[:-1]))
        wrong[place] ^= 0x01
        stand.talk.send_bytes(b"\x00" + cobs.encode(bytes(wrong)) + b"\x00")
        stand.talk.listen(REPLY_S)
        require(stand.talk.reply_to(request) is None, f"it obeyed a frame with a wrong bit in {words}")
        _in_step(stand, f"a frame with a wrong bit in {words}")
    _bad_stuffing(stand)
    return "not obeyed, and in step afterwards"


@CHECKS.add(
    "frame-in-pieces",
    "A frame with a pause in it",
    "A frame ends with its 0x00, and with nothing else: no time is set between its bytes.",
    f"a reply, with {1000 * PIECES_APART_S:g} ms between the halves of a command",
    "On a busy computer commands are lost now and then; it may be a halt.",
)
def _in_pieces(stand: Stand) -> str:
    """Send a frame with a pause in it, as a busy computer or an adapter does."""
    request = stand.talk.next_id()
    whole = encode_frame(Identify(request))
    stand.talk.send_bytes(b"\x00" + whole[: len(whole) // 2])
    stand.talk.listen(PIECES_APART_S)
    stand.talk.send_bytes(whole[len(whole) // 2 :])
    answered = stand.talk.until(lambda: stand.talk.reply_to(request) is not None, REPLY_S)
    require(answered, f"no reply to a command whose two halves came {1000 * PIECES_APART_S:g} ms apart")
    return f"answered, with {1000 * PIECES_APART_S:g} ms between its halves"


@CHECKS.add(
    "half-frame",
    "Half a frame",
    "After the next 0x00 a receiver is in step again.",
    "no reply, and the next command is answered",
    "A host that is killed in the middle of a command leaves the device unable to receive.",
)
def _half_frame(stand: Stand) -> str:
    cut = stand.talk.next_id()
    whole = encode_frame(StreamAt(cut, stand.known.rate_mhz))
    stand.talk.send_bytes(b"\x00" + whole[: len(whole) // 2])
    stand.talk.listen(REPLY_S)
    require(stand.talk.reply_to(cut) is None, "it obeyed half a frame")
    _in_step(stand, "half a frame")
    return "not obeyed, and in step afterwards"


def _cut_off(stand: Stand) -> None:
    """Send the longest frame with more behind it: cut off at its length it would be a good one."""
    for extra in EXTRA_BYTES:
        request = stand.talk.next_id()
        longest = bare_frame(IDENTIFY_KIND, request, bytes(range(1, LONGEST_PAYLOAD - 2)))[:-1]
        assert len(longest) == LONGEST_STUFFED
        stand.talk.send_bytes(b"\x00" + longest + b"\x11" * extra + b"\x00")
        stand.talk.listen(REPLY_S / 2)
        words = f"it obeyed the first {LONGEST_STUFFED} bytes of a frame of {LONGEST_STUFFED + extra}"
        require(stand.talk.reply_to(request) is None, words)
    _in_step(stand, "frames that were too long")


@CHECKS.add(
    "overlong-frame",
    "Bytes without an end",
    "More than 67 bytes without a 0x00 are discarded up to the next one.",
    "the next command is answered",
    "It writes past its buffer and changes whatever follows, limits and speeds included.",
)
def _overlong(stand: Stand) -> str:
    stand.talk.send_bytes(b"\x00" + b"\x11" * 300)
    _in_step(stand, "300 bytes without a 0x00")
    requests = []
    for ahead in TAILS_BEHIND:
        requests.append(stand.talk.next_id())
        stand.talk.send_bytes(b"\x00" + b"\x11" * ahead + encode_frame(Identify(requests[-1])))
        stand.talk.listen(REPLY_S / 4)
    stand.talk.listen(REPLY_S)
    obeyed = [ahead for ahead, each in zip(TAILS_BEHIND, requests, strict=True) if stand.talk.reply_to(each)]
    require(not obeyed, f"it obeyed what stood behind {obeyed} bytes of a frame that was too long")
    _cut_off(stand)
    return "in step after 300 bytes without a 0x00, and no end of such a frame obeyed"


@CHECKS.add(
    "random-bytes",
    "Random bytes",
    "Invalid bytes are discarded and counted, and have no other effect.",
    "in step after the next 0x00, not armed, not reset",
    "Another program that opens the port by mistake resets or moves the press.",
)
def _noise(stand: Stand) -> str:
    before = stand.known.boot_id
    noise = np.random.default_rng(NOISE_SEED).bytes(NOISE_BYTES)
    for first in range(0, len(noise), PIECE_BYTES):
        stand.talk.send_bytes(noise[first : first + PIECE_BYTES])
        stand.talk.turn()
    _in_step(stand, f"{NOISE_BYTES} random bytes")
    identity = stand.talk.newest(Identity)
    require(isinstance(identity, Identity) and identity.boot_id == before, "the device was reset by it")
    if stand.drives:
        flags = stand.state().flags
        require(not flags & (StateFlag.ARMED | StateFlag.MOVING), f"afterwards its flags are {flags!r}")
    return f"in step after {NOISE_BYTES} random bytes, nothing armed, no reset"
