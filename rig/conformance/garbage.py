"""Rubbish from the host: a device throws it away, does nothing, and is in step after the next 0x00."""

from __future__ import annotations

import numpy as np
from cobs import cobs

from rig.conformance.dialogue import PIECE_BYTES, REPLY_S
from rig.conformance.exceptions import require
from rig.conformance.stand import Stand
from rig.conformance.verdicts import Check
from rig.wire import Identify, Identity, StateFlag, StreamAt, encode_frame, seal

_GROUP = "garbage"

NOISE_BYTES = 4096
NOISE_SEED = 90
TAILS_BEHIND = (64, 65, 66, 67, 68, 69, 70, 128, 256)
"""Bytes of an overlong frame behind which a receiver may begin anew by mistake."""

IDENTIFY_KIND = 0x40
WRONG_AT = {3: "its payload", -2: "the low byte of its check sum", -1: "the high byte of its check sum"}


def _in_step(stand: Stand, after: str) -> None:
    require(
        stand.talk.ask(Identify(stand.talk.next_id())) is not None, f"no answer to identify after {after}"
    )


def _bad_crc(stand: Stand) -> str:
    for place, words in WRONG_AT.items():
        request = stand.talk.next_id()
        framed = seal(bytes([IDENTIFY_KIND]) + request.to_bytes(2, "little") + b"\x55\x55")
        wrong = bytearray(cobs.decode(framed[:-1]))
        wrong[place] ^= 0x01
        stand.talk.send_bytes(b"\x00" + cobs.encode(bytes(wrong)) + b"\x00")
        stand.talk.listen(REPLY_S)
        require(stand.talk.reply_to(request) is None, f"it obeyed a frame with a wrong bit in {words}")
        _in_step(stand, f"a frame with a wrong bit in {words}")
    return "not obeyed, and in step afterwards"


def _half_frame(stand: Stand) -> str:
    cut = stand.talk.next_id()
    whole = encode_frame(StreamAt(cut, stand.known.rate_mhz))
    stand.talk.send_bytes(b"\x00" + whole[: len(whole) // 2])
    stand.talk.listen(REPLY_S)
    require(stand.talk.reply_to(cut) is None, "it obeyed half a frame")
    _in_step(stand, "half a frame")
    return "not obeyed, and in step afterwards"


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
    return "in step after 300 bytes without a 0x00, and no end of such a frame obeyed"


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


CHECKS = (
    Check(
        "bad-check-sum",
        _GROUP,
        "A frame with a wrong check sum",
        "A frame whose check sum is wrong is discarded.",
        "no reply, and the next command is answered",
        "A flipped bit on the cable becomes another command, speed or position.",
        _bad_crc,
    ),
    Check(
        "half-frame",
        _GROUP,
        "Half a frame",
        "After the next 0x00 a receiver is in step again.",
        "no reply, and the next command is answered",
        "A host that is killed in the middle of a command leaves the device unable to receive.",
        _half_frame,
    ),
    Check(
        "overlong-frame",
        _GROUP,
        "Bytes without an end",
        "More than 67 bytes without a 0x00 are discarded up to the next one.",
        "the next command is answered",
        "It writes past its buffer and changes whatever follows, limits and speeds included.",
        _overlong,
    ),
    Check(
        "random-bytes",
        _GROUP,
        "Random bytes",
        "Invalid bytes are discarded and counted, and have no other effect.",
        "in step after the next 0x00, not armed, not reset",
        "Another program that opens the port by mistake resets or moves the press.",
        _noise,
    ),
)
