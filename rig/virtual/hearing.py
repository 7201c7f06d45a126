"""What a device makes of the host's bytes: commands, and ids of commands that it does not know.

Problem: the wire's decoder counts a frame of unknown type and drops it, yet a device answers an unknown
command, and needs its request id for that. Plan: feed the decoder frame by frame; where it counts one more
unknown type, the frame was whole and its CRC right, so its id is read here. Cost: one call for each frame;
hosts send few.
"""

from __future__ import annotations

from collections.abc import Iterator

from cobs import cobs

from rig.wire import Command, FrameDecoder

FIRST_COMMAND = 0x40
"""Types below are the device's own messages."""

LONGEST_FRAME = 67
"""Bytes before the 0x00 that the protocol allows; a longer frame is no command."""


class Hearing:
    """The host's bytes in, commands and unknown request ids out, for any chopping of the stream."""

    def __init__(self) -> None:
        self._decoder = FrameDecoder()
        self._body = b""

    def feed(self, data: bytes) -> Iterator[Command | int]:
        """Yield commands in order; an id stands for a command of unknown type."""
        *whole, rest = data.split(b"\x00")
        for piece in whole:
            body, self._body = self._body + piece, b""
            unknown = self._decoder.tally.unknown_type
            for placed in self._decoder.feed(piece + b"\x00").messages:
                if isinstance(placed.message, Command):
                    yield placed.message
            if self._decoder.tally.unknown_type > unknown:
                payload = cobs.decode(body)[:-2]  # without its CRC, which the decoder has found right
                if payload[0] >= FIRST_COMMAND and len(payload) >= 3:
                    yield int.from_bytes(payload[1:3], "little")
        self._decoder.feed(rest)
        self._body = (self._body + rest)[: LONGEST_FRAME + 1]  # longer ones are no command, whatever follows
