"""Frames whose checksum begins at another value than the protocol's: recognised, and named.

Problem: the usual slip of a firmware is a checksum of the right polynomial that begins at another value;
then every frame looks damaged, and nothing is ever answered. Plan: what was received is tried with the two
other values in use. Cost: a few kilobytes of what was received.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from cobs import cobs
from fastcrc import crc16

_CRC_BYTES = 2
ENOUGH_FRAMES = 2
"""A damaged frame fits one of the values three times in a hundred thousand; two do not."""

OTHER_STARTS: dict[int, Callable[[bytes], int]] = {0x0000: crc16.xmodem, 0x1D0F: crc16.spi_fujitsu}
"""Checksums with the protocol's polynomial, by the value at which they begin (read from the package)."""


def sealed_from(start: int, payload: bytes) -> bytes:
    """A frame of a payload whose checksum begins at another value."""
    crc = OTHER_STARTS[start](payload).to_bytes(_CRC_BYTES, "little")
    return cast(bytes, cobs.encode(payload + crc)) + b"\x00"


def start_found(received: bytes) -> int | None:
    """The other value that fits at least two frames among some bytes; None if none does."""
    fits = dict.fromkeys(OTHER_STARTS, 0)
    for body in received.split(b"\x00"):
        try:
            sealed = cobs.decode(body)
        except cobs.DecodeError:
            continue
        payload, crc = sealed[:-_CRC_BYTES], int.from_bytes(sealed[-_CRC_BYTES:], "little")
        for start, checksum in OTHER_STARTS.items():
            fits[start] += bool(payload) and checksum(payload) == crc
    best = max(fits, key=lambda start: fits[start])
    return best if fits[best] >= ENOUGH_FRAMES else None
