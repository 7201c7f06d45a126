"""Frames that are sealed with another checksum: the commonest slips of a new firmware, named.

Problem: checksums of sixteen bits differ in polynomial, start value, order of bits and bytes, and final XOR;
with another one every frame looks damaged, and nothing is ever answered. Plan: received frames tell which one
they bear, of all polynomials. A silent device is asked in the kinds that a slip leads to. Cost: a second
or two of arithmetic where frames came, 2 kB to a device that said nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product
from typing import cast

import numpy as np
import numpy.typing as npt
from cobs import cobs

_CRC_BYTES = 2
ENOUGH_FRAMES = 2
MOST_FRAMES = 12
"""Frames that are looked at. One fits some kind of checksum by chance; two, and half of all, do not."""

LEAST_PAYLOAD = 4
"""Of a frame that tells one polynomial from another."""

POLYNOMIAL, START = 0x1021, 0xFFFF
_STARTS = (START, 0x0000, 0x1D0F)
"""Start values in use (common practice, no source)."""

_OTHER_POLYNOMIAL = 0x8005
"""The other polynomial of sixteen bits in wide use (common practice, no source)."""

_ALL_POLYNOMIALS = np.arange(2**16, dtype=np.uint16)


@dataclass(frozen=True, slots=True)
class Seal:
    """How a checksum of sixteen bits is made; the protocol's, where nothing is given.

    Parameters
    ----------
    polynomial, start
        Without the term x^16; the value before the first byte.
    reflected
        Each byte begins with its lowest bit, and so does the sum.
    inverted
        The sum is inverted at the end.
    high_first
        It is sent high byte first.
    """

    polynomial: int = POLYNOMIAL
    start: int = START
    reflected: bool = False
    inverted: bool = False
    high_first: bool = False

    @property
    def words(self) -> str:
        """What is wrong with it."""
        slips = [
            (self.polynomial != POLYNOMIAL, f"has the polynomial 0x{self.polynomial:04X}, expected 0x1021"),
            (self.start != START, f"begins at 0x{self.start:04X}, expected 0xFFFF"),
            (self.reflected, "takes its bits in reverse, expected no reflection"),
            (self.inverted, "is inverted at the end, expected no final XOR"),
            (self.high_first, "is sent high byte first, expected low byte first"),
        ]
        return " and ".join(words for slipped, words in slips if slipped)

    def seal(self, payload: bytes) -> bytes:
        """Return a frame of a payload."""
        return cast(bytes, cobs.encode(payload + self._sum(payload))) + b"\x00"

    def fits(self, sealed: bytes) -> bool:
        """Return whether this is the checksum of what a frame holds."""
        return self._sum(sealed[:-_CRC_BYTES]) == sealed[-_CRC_BYTES:]

    def _sum(self, payload: bytes) -> bytes:
        polynomial = np.array([self.polynomial], np.uint16)
        value = int(_remainders(payload, polynomial, self.start, reflected=self.reflected)[0])
        value = (_reversed_bits(value, 16) if self.reflected else value) ^ (0xFFFF if self.inverted else 0)
        return value.to_bytes(_CRC_BYTES, "big" if self.high_first else "little")


def _reversed_bits(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _remainders(
    payload: bytes, polynomials: npt.NDArray[np.uint16], start: int, *, reflected: bool
) -> npt.NDArray[np.uint16]:
    """Divide a payload by each polynomial, bit by bit from the highest; shape (n,)."""
    remainders = np.full(len(polynomials), start, np.uint16)
    for byte in payload:
        remainders ^= np.uint16((_reversed_bits(byte, 8) if reflected else byte) << 8)
        for _ in range(8):
            remainders = (remainders << np.uint16(1)) ^ polynomials * (remainders >> np.uint16(15))
    return remainders


def _kinds_of(sealed: bytes) -> Iterator[Seal]:
    """Yield every kind whose checksum a frame bears, of all polynomials."""
    for start, reflected in product(_STARTS, (False, True)):
        remainders = _remainders(sealed[:-_CRC_BYTES], _ALL_POLYNOMIALS, start, reflected=reflected)
        for inverted, high_first in product((False, True), repeat=2):
            wanted = int.from_bytes(sealed[-_CRC_BYTES:], "big" if high_first else "little")
            wanted ^= 0xFFFF if inverted else 0
            wanted = _reversed_bits(wanted, 16) if reflected else wanted
            for polynomial in np.flatnonzero(remainders == wanted).tolist():
                yield Seal(polynomial, start, reflected, inverted, high_first)


def likely_seals() -> Iterator[Seal]:
    """Yield the kinds that are in use, and those with a slip in one or two terms of the polynomial."""
    flags = product((False, True), repeat=3)
    for (polynomial, start), how in product(product((POLYNOMIAL, _OTHER_POLYNOMIAL), _STARTS), flags):
        kind = Seal(polynomial, start, *how)
        if kind != Seal():
            yield kind
    terms = [1 << power for power in range(16)]
    for slips in [(term,) for term in terms] + list(combinations(terms, 2)):
        yield Seal(POLYNOMIAL ^ sum(slips))


def seal_found(received: bytes) -> Seal | None:
    """Return the kind that fits at least half of the frames among some bytes, the nearest to the protocol's.

    None if none does, or fewer than two frames came.
    """
    frames: list[bytes] = []
    for body in received.split(b"\x00"):
        try:
            frames.append(cobs.decode(body))
        except cobs.DecodeError:
            continue
    frames = [fromkey for fromkey in dict.fromkeys(frames) if len(fromkey) >= LEAST_PAYLOAD + _CRC_BYTES]
    frames = sorted(frames[-MOST_FRAMES:], key=len)
    needed = max(ENOUGH_FRAMES, (len(frames) + 1) // 2)
    # a kind that fits this many of them fits one of the shortest, as many as may be left out and one more
    for frame in frames[: len(frames) - needed + 1]:
        found = [kind for kind in _kinds_of(frame) if sum(map(kind.fits, frames)) >= needed]
        if found:
            return min(found, key=lambda kind: kind.words.count("expected"))
    return None
