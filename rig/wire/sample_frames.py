"""Plain sample frames by the thousand, in columns.

Problem: samples must be packed and unpacked at millions per second, and COBS and CRC are defined byte
after byte. Plan: lay the frames side by side, one row of a matrix for each byte position, so that each
step of both algorithms is one array operation over all frames. COBS carries the place of the next code
byte in each frame; the CRC is linear, so each payload position contributes a table look-up to an XOR.
Cost: about a hundred array operations a batch, whatever its size.

References
----------
Cheshire and Baker (1999), Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from fastcrc import crc16

from rig.errors import InputError
from rig.samples import COUNTS
from rig.wire.blocks import SampleBlock
from rig.wire.messages import SAMPLE_KIND

Bytes = npt.NDArray[np.uint8]
Rows = npt.NDArray[np.void]

SAMPLE = np.dtype(
    [
        ("kind", "u1"),
        ("status", "u1"),
        ("seq", "<u2"),
        ("time_us", "<u4"),
        ("force", "<i4"),
        ("position", "<i4"),
    ]
)
"""Payload of a plain sample frame."""

CRC_BYTES = 2
PLAIN_BODY = SAMPLE.itemsize + CRC_BYTES + 1
"""Bytes of a plain sample frame before its 0x00."""

MAX_STUFFED = 254
"""COBS adds a second byte to longer data, which no payload of the protocol reaches."""


def encode_samples(block: SampleBlock) -> bytes:
    """Framed samples, ready to send.

    Parameters
    ----------
    block
        Counts with seq and time. Seq and time may be unwrapped; they are sent modulo 2^16 and 2^32.

    Raises
    ------
    InputError
        If the block lacks seq or time, or holds anything but counts.
    """
    if block.seq is None or block.time_us is None:
        missing = "seq" if block.seq is None else "time_us"
        raise InputError(f"samples to frame: no column {missing}, expected seq and time_us")
    for name, column in (("force", block.force), ("position", block.position)):
        if column.dtype != np.int32:
            raise InputError(f"samples to frame: {name} is {column.dtype}, expected int32 {COUNTS}")
    rows = np.empty(len(block), SAMPLE)
    rows["kind"] = SAMPLE_KIND
    rows["status"] = block.status
    rows["seq"] = block.seq & 0xFFFF
    rows["time_us"] = block.time_us & 0xFFFFFFFF
    rows["force"] = block.force
    rows["position"] = block.position

    payload = rows.view(np.uint8).reshape(len(block), SAMPLE.itemsize).T
    crc = crc_columns(payload)
    body = stuff_columns(np.vstack([payload, crc & 0xFF, crc >> 8]).astype(np.uint8))
    frames = np.zeros((len(block), PLAIN_BODY + 1), np.uint8)
    frames[:, :-1] = body.T
    return frames.tobytes()


def unpack_plain(stream: Bytes, starts: npt.NDArray[np.intp]) -> tuple[Rows, npt.NDArray[np.bool_]]:
    """Unpack the bodies of usual length that begin at `starts`.

    Returns
    -------
    rows
        Payloads of the good frames, of type `SAMPLE`, in order.
    good
        For each start, whether COBS and CRC hold and the frame is a sample.
    """
    if not len(starts):
        return np.empty(0, SAMPLE), np.empty(0, np.bool_)
    data, whole = unstuff_columns(stream.take(starts + np.arange(PLAIN_BODY)[:, np.newaxis]))
    payload = data[:-CRC_BYTES]
    crc = crc_columns(payload)
    good = whole & (payload[0] == SAMPLE_KIND)
    good &= (data[-2] == crc & 0xFF) & (data[-1] == crc >> 8)
    rows = np.ascontiguousarray(payload.T).view(SAMPLE).reshape(-1)
    return (rows if good.all() else rows[good]), good


def to_block(rows: Rows) -> SampleBlock:
    """Columns of sample payloads."""
    return SampleBlock(
        seq=rows["seq"].astype(np.int64),
        time_us=rows["time_us"].astype(np.int64),
        force=rows["force"].astype(np.int32),
        position=rows["position"].astype(np.int32),
        status=rows["status"].astype(np.uint8),
    )


def stuff_columns(data: Bytes) -> Bytes:
    """COBS of many byte strings of one length, one in each column.

    Parameters
    ----------
    data
        Shape (size, n), size at most 253.

    Returns
    -------
    stuffed
        Shape (size + 1, n), free of zeros and without the closing 0x00.
    """
    size, count = data.shape
    _check_size(size)
    stuffed = np.empty((size + 1, count), np.uint8)
    # From the end: how far the next zero, or the end of the data, lies ahead.
    ahead = np.ones(count, np.uint8)
    for place in range(size - 1, -1, -1):
        zero = data[place] == 0
        stuffed[place + 1] = np.where(zero, ahead, data[place])
        ahead = np.where(zero, np.uint8(1), ahead + np.uint8(1))
    stuffed[0] = ahead
    return stuffed


def unstuff_columns(stuffed: Bytes) -> tuple[Bytes, npt.NDArray[np.bool_]]:
    """Undo COBS in many byte strings of one length, one in each column.

    Parameters
    ----------
    stuffed
        Shape (size + 1, n), free of zeros, size at most 253.

    Returns
    -------
    data
        Shape (size, n); without meaning where `whole` is False.
    whole
        Shape (n,): whether the last code byte ends with the string.
    """
    size = len(stuffed) - 1
    _check_size(size)
    data = stuffed[1:].copy()
    # A code that points past the end may wrap in eight bits, but only to a place already passed,
    # so it can neither match a later place nor look like a proper end.
    next_code = stuffed[0].copy()
    is_code = np.empty(data.shape[1], np.bool_)
    code = np.empty(data.shape[1], np.uint8)
    for place in range(1, size + 1):
        byte = data[place - 1]
        np.equal(next_code, place, out=is_code)
        np.multiply(is_code, byte, out=code)
        next_code += code
        byte -= code
    return data, next_code == size + 1


def crc_columns(payload: Bytes) -> npt.NDArray[np.uint16]:
    """CRC of many payloads of one length, one in each column of an array of shape (size, n)."""
    size, count = payload.shape
    start, changes = _crc_tables(size)
    crc = np.full(count, start, np.uint16)
    for place in range(size):
        crc ^= changes[place].take(payload[place])
    return crc


@cache
def _crc_tables(size: int) -> tuple[int, npt.NDArray[np.uint16]]:
    """CRC of `size` zero bytes, and what each byte value at each place changes in it, shape (size, 256)."""
    changes = [
        [crc16.xmodem(bytes(place) + bytes([value]) + bytes(size - 1 - place)) for value in range(256)]
        for place in range(size)
    ]
    return crc16.ibm_3740(bytes(size)), np.array(changes, np.uint16)


def _check_size(size: int) -> None:
    if not 0 < size < MAX_STUFFED:
        raise ValueError(f"strings of {size} bytes, expected 1 to {MAX_STUFFED - 1}")
