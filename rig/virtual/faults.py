"""Faults on the line and in the device, each by name, seeded, any of them together.

Problem: the host must lose only what was damaged, which takes a line that damages in known ways and a
record of what left it whole. Plan: `FaultyLine` passes encoded frames on and says which are intact: sent
unchanged and in full, with the end of another frame before them. Faults of the device itself (reset,
silence, unplug) are instants on the timeline. Messages other than samples are never damaged.
Cost: whole runs of untouched frames pass as slices; only the struck ones are handled one by one.

On lines of text without a checksum a flipped digit makes another number: no receiver can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.errors import InputError
from rig.samples import BoolArray

BYTE_FAULTS = ("garbage", "cut", "flips", "lost", "repeated")
"""Faults of single frames: random bytes between them, ends missing, bits turned, not sent, sent twice."""

DEVICE_FAULTS = ("reset", "silence", "unplug")
"""Faults that happen once: the device boots anew, says nothing for a while, or its port goes away."""

FAULT_NAMES = BYTE_FAULTS + DEVICE_FAULTS

_CHANCES = {"garbage": 0.004, "cut": 0.004, "flips": 0.004, "lost": 0.006, "repeated": 0.006}
"""Share of frames struck: often enough that a short run meets each fault several times."""

_LONGEST_GARBAGE = 40
_MOST_FLIPS = 3
_DURATIONS_S = {"reset": 0.0, "silence": 3.0, "unplug": 2.0}
_PLACES = {"reset": 0.35, "silence": 0.55, "unplug": 0.8}
"""Where in a script each one-time fault begins, as a share of its length."""


@dataclass(frozen=True, slots=True)
class Disruption:
    """A fault of the device, from one instant of device time to another."""

    name: str
    begin_s: float
    end_s: float


def checked_faults(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names, if all are known.

    Raises InputError if one is not; the message lists those that are.
    """
    for name in names:
        if name not in FAULT_NAMES:
            raise InputError(f"fault {name!r} is not known; choose from {', '.join(FAULT_NAMES)}")
    return tuple(names)


def disruptions(names: Sequence[str], script_s: float) -> list[Disruption]:
    """Return when the device's own faults happen in a run of a given length, in rising order."""
    found: list[Disruption] = []
    free_from_s = 0.0
    for name, place in _PLACES.items():
        if name in names:
            begin_s = max(place * script_s, free_from_s)
            free_from_s = begin_s + _DURATIONS_S[name]
            found.append(Disruption(name, begin_s, free_from_s))
    return found


class FaultyLine:
    """The way from the encoder to the port.

    `names`: which of `BYTE_FAULTS` strike; other names are ignored.
    `ends`: the bytes at which a receiver takes a frame to end; the first of them is sent.
    """

    def __init__(self, names: Sequence[str], seed: int, ends: bytes) -> None:
        self._ends = ends
        children = np.random.SeedSequence(seed).spawn(len(BYTE_FAULTS) + 1)
        streams = [np.random.default_rng(child) for child in children]
        self._damage = streams.pop()
        self._strikes = {
            name: stream for name, stream in zip(BYTE_FAULTS, streams, strict=True) if name in names
        }
        self._clean = True

    def message(self, frame: bytes) -> bytes:
        """Pass a frame that is not a sample, whole, and apart from a damaged one before it."""
        before = b"" if self._clean else self._ends[:1]
        self._clean = True
        return before + frame

    def samples(self, frames: bytes, count: int) -> tuple[bytes, BoolArray]:
        """Pass `count` frames.

        Returns
        -------
        tuple
            The bytes to send, and which frames are among them intact, shape (count,).
        """
        intact = np.ones(count, np.bool_)
        if not count:
            return b"", intact
        struck = {name: stream.random(count) < _CHANCES[name] for name, stream in self._strikes.items()}
        if not struck and self._clean:
            return frames, intact
        # A run of untouched frames is one slice; its first one is lost if the frame before it has no end.
        ends = np.flatnonzero(np.frombuffer(frames, np.uint8) == self._ends[0]) + 1
        starts = np.concatenate([[0], ends])
        any_struck = np.zeros(count, np.bool_)
        for strikes in struck.values():
            any_struck |= strikes
        pieces: list[bytes] = []
        first = 0
        for index in [*np.flatnonzero(any_struck).tolist(), count]:
            if index > first:
                pieces.append(frames[starts[first] : starts[index]])
                intact[first], self._clean = self._clean, True
            if index < count:
                hit = {name for name, strikes in struck.items() if strikes[index]}
                intact[index] = self._strike(pieces, frames[starts[index] : starts[index + 1]], hit)
            first = index + 1
        return b"".join(pieces), intact

    def _strike(self, pieces: list[bytes], frame: bytes, hit: set[str]) -> bool:
        """Damage one frame; whether a whole one still got through."""
        if "garbage" in hit:
            self._put(pieces, self._damage.bytes(int(self._damage.integers(4, _LONGEST_GARBAGE))))
        if "lost" in hit:
            return False
        sent = frame
        if "cut" in hit:
            # The end of the frame goes too, so the next one runs into it, as on a real line.
            sent = frame[: int(self._damage.integers(1, len(frame)))]
        if "flips" in hit:
            bits = np.unpackbits(np.frombuffer(sent, np.uint8))
            flips = self._damage.choice(
                len(bits), int(self._damage.integers(1, _MOST_FLIPS + 1)), replace=False
            )
            bits[flips] ^= 1
            sent = np.packbits(bits).tobytes()
        through = False
        for _ in range(2 if "repeated" in hit else 1):
            through |= self._clean and sent == frame
            self._put(pieces, sent)
        return through

    def _put(self, pieces: list[bytes], sent: bytes) -> None:
        pieces.append(sent)
        self._clean = sent[-1] in self._ends
