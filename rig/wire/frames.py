"""Framed format: bytes to samples and messages, and messages to bytes.

Problem: frames come chopped, damaged and mixed, and most are samples at a high rate. Plan: cut the
stream at its zeros with one array operation; hand all frames of the length of a plain sample or of a full
block to the columns of sample_frames.py, which accept or decline; everything else goes one by one through
`_open`, the only judge of causes. Cost: a decoder holds one unfinished frame, never more than `MAX_BODY`
bytes.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import numpy.typing as npt
from cobs import cobs
from fastcrc import crc16

from rig.wire.decoded import Decoded, Placed, Tally
from rig.wire.messages import BLOCK_KIND, LAYOUT_BY_CLASS, LAYOUT_BY_KIND, MAX_PAYLOAD, SAMPLE_KIND, Message
from rig.wire.sample_frames import (
    BLOCK_HEAD,
    BLOCK_STEP,
    CRC_BYTES,
    FRAMED_SIZES,
    SAMPLE,
    Rows,
    rows_of,
    to_block,
    unpack_frames,
)

DELIMITER = b"\x00"
MAX_BODY = MAX_PAYLOAD + CRC_BYTES + 1
"""Bytes of the longest frame before its 0x00."""

_SHORTEST = {SAMPLE_KIND: SAMPLE.itemsize, BLOCK_KIND: BLOCK_HEAD.itemsize + BLOCK_STEP.itemsize}
"""Bytes of the shortest payload that holds a sample, by its type byte."""

Places = npt.NDArray[np.intp]


def encode_frame(message: Message) -> bytes:
    """Return one message as a frame, its closing 0x00 included.

    Raises InputError if a field does not fit its place on the wire.
    """
    return seal(LAYOUT_BY_CLASS[type(message)].write(message))


def seal(payload: bytes) -> bytes:
    """Return the frame of any payload: its CRC added, stuffed, and closed with 0x00."""
    crc = crc16.ibm_3740(payload).to_bytes(CRC_BYTES, "little")
    return cast(bytes, cobs.encode(payload + crc)) + DELIMITER


class FrameDecoder:
    """Framed bytes in, samples and messages out.

    It takes the messages of both directions, so that a host and a device can each use it. It never
    raises on any bytes, and any chopping of a stream gives the same messages and the same tally.

    Attributes
    ----------
    tally
        Counts since the start, of accepted frames and of those thrown away, by cause.
    """

    def __init__(self) -> None:
        self.tally = Tally()
        self._pending = b""
        self._skipping = False  # inside an overlong frame that has been counted already

    @property
    def pending_bytes(self) -> int:
        """Bytes of the frame that is not finished yet."""
        return len(self._pending)

    def restart(self) -> None:
        """Drop an unfinished frame: the bytes to come do not continue those before."""
        if self._pending:
            self.tally.reject("cut", len(self._pending))
        self._pending = b""
        self._skipping = False

    def feed(self, data: bytes) -> Decoded:
        """Decode what `data` completes."""
        buffer = self._pending + data
        stream = np.frombuffer(buffer, np.uint8)
        ends = np.flatnonzero(stream == 0)
        starts = np.empty_like(ends)
        starts[:1] = 0
        starts[1:] = ends[:-1] + 1
        if self._skipping and len(ends):
            self.tally.bytes_discarded += int(ends[0]) + 1
            starts, ends = starts[1:], ends[1:]
            self._skipping = False
        # Behind the last zero a frame is unfinished; one that is too long already is counted now, and what
        # is still to come of it is thrown away, so that noise without zeros cannot fill the memory.
        rest = buffer[buffer.rfind(DELIMITER) + 1 :]
        if self._skipping:
            self.tally.bytes_discarded += len(rest)
        elif len(rest) > MAX_BODY:
            self.tally.reject("too_long", len(rest))
            self._skipping = True
        self._pending = b"" if self._skipping else rest
        return self._decode(buffer, stream, starts, ends - starts)

    def _decode(self, buffer: bytes, stream: npt.NDArray[np.uint8], starts: Places, sizes: Places) -> Decoded:
        empty = int(np.count_nonzero(sizes == 0))
        self.tally.empty += empty
        self.tally.bytes_accepted += empty

        # First all frames of the two usual lengths at once; what is declined there, and every other length,
        # stays odd and is opened one by one.
        odd = sizes > 0
        parts: list[tuple[Rows, Places]] = []
        for payload_bytes in FRAMED_SIZES:
            likely = np.flatnonzero(sizes == payload_bytes + CRC_BYTES + 1)
            rows, good = unpack_frames(stream, starts[likely], payload_bytes)
            framed = likely[good]
            odd[framed] = False
            self.tally.accepted += len(framed)
            self.tally.bytes_accepted += int(sizes[framed].sum()) + len(framed)
            parts.append((rows, np.repeat(framed, len(rows) // max(len(framed), 1))))

        messages: list[tuple[int, Message]] = []
        for place in np.flatnonzero(odd).tolist():
            start, size = int(starts[place]), int(sizes[place])
            cause, found = _open(buffer[start : start + size])
            if found is None:
                self.tally.reject(cause, size + 1)
                continue
            self.tally.accepted += 1
            self.tally.bytes_accepted += size + 1
            if isinstance(found, np.ndarray):
                parts.append((found, np.full(len(found), place)))
            else:
                messages.append((place, found))

        rows = np.concatenate([rows for rows, _ in parts])
        places = np.concatenate([places for _, places in parts])
        # Back to wire order; stable, since the samples of one block share a place and keep their order.
        order = np.argsort(places, kind="stable")
        before = np.searchsorted(places[order], [place for place, _ in messages])
        placed = (Placed(int(n), message) for n, (_, message) in zip(before, messages, strict=True))
        return Decoded(to_block(rows[order]), tuple(placed))


def _open(body: bytes) -> tuple[str, Message | Rows | None]:
    """Return the message of a frame, or its samples, or the cause against it: a field of `Tally`."""
    if len(body) > MAX_BODY:
        return "too_long", None
    try:
        sealed: bytes = cobs.decode(body)
    except cobs.DecodeError:
        return "bad_cobs", None
    payload, crc = sealed[:-CRC_BYTES], sealed[-CRC_BYTES:]
    if not payload:
        return "short", None
    if crc16.ibm_3740(payload).to_bytes(CRC_BYTES, "little") != crc:
        return "bad_crc", None
    return _read(payload)


def _read(payload: bytes) -> tuple[str, Message | Rows | None]:
    if payload[0] in _SHORTEST:
        if len(payload) < _SHORTEST[payload[0]]:
            return "short", None
        # Bytes beyond a plain sample are ignored; the length of a block says how many samples it holds.
        samples = payload[: SAMPLE.itemsize] if payload[0] == SAMPLE_KIND else payload
        return "", rows_of(np.frombuffer(samples, np.uint8)[np.newaxis])
    layout = LAYOUT_BY_KIND.get(payload[0])
    if layout is None:
        return "unknown_type", None
    return ("", layout.read(payload)) if len(payload) >= layout.min_payload else ("short", None)
