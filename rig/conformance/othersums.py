"""Frames that are sealed with another checksum: the commonest slips of a new firmware, named.

Problem: checksums of sixteen bits come in families with the same polynomial, and in two byte orders; with
another one every frame looks damaged, and nothing is ever answered. Plan: what was received is tried with the
other kinds in use. Cost: a few kilobytes of what was received.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, cast

from cobs import cobs
from fastcrc import crc16

_CRC_BYTES = 2
ENOUGH_FRAMES = 2
"""A damaged frame fits one of the kinds once in ten thousand; two do not."""


@dataclass(frozen=True, slots=True)
class OtherSeal:
    """A checksum that is not the protocol's: what is wrong with it, and how it is made."""

    words: str
    checksum: Callable[[bytes], int]
    order: Literal["little", "big"] = "little"

    def seal(self, payload: bytes) -> bytes:
        """Return a frame of a payload."""
        return cast(bytes, cobs.encode(payload + self._bytes(payload))) + b"\x00"

    def fits(self, sealed: bytes) -> bool:
        """Return whether this is the checksum of what a frame holds."""
        payload = sealed[:-_CRC_BYTES]
        return bool(payload) and self._bytes(payload) == sealed[-_CRC_BYTES:]

    def _bytes(self, payload: bytes) -> bytes:
        return self.checksum(payload).to_bytes(_CRC_BYTES, self.order)


OTHER_SEALS = (
    OtherSeal("begins at 0x0000, expected 0xFFFF", crc16.xmodem),
    OtherSeal("begins at 0x1D0F, expected 0xFFFF", crc16.spi_fujitsu),
    OtherSeal("is sent high byte first, expected low byte first", crc16.ibm_3740, "big"),
    OtherSeal(
        "begins at 0x0000 and is sent high byte first, expected 0xFFFF and low byte first",
        crc16.xmodem,
        "big",
    ),
    OtherSeal("is inverted at the end, expected no final XOR", crc16.genibus),
    OtherSeal("takes its bits in reverse, expected no reflection", crc16.mcrf4xx),
    OtherSeal(
        "takes its bits in reverse and begins at 0x0000, expected no reflection and 0xFFFF", crc16.kermit
    ),
    OtherSeal("has the polynomial 0x8005, expected 0x1021", crc16.modbus),
    OtherSeal("has the polynomial 0x8005 and begins at 0x0000, expected 0x1021 and 0xFFFF", crc16.arc),
)
"""Kinds in use, from the package's table (read from the package)."""


def seal_found(received: bytes) -> OtherSeal | None:
    """Return the other kind that fits at least two frames among some bytes; None if none does."""
    fits = [0] * len(OTHER_SEALS)
    for body in received.split(b"\x00"):
        try:
            sealed = cobs.decode(body)
        except cobs.DecodeError:
            continue
        for number, kind in enumerate(OTHER_SEALS):
            fits[number] += kind.fits(sealed)
    best = max(range(len(fits)), key=fits.__getitem__)
    return OTHER_SEALS[best] if fits[best] >= ENOUGH_FRAMES else None
