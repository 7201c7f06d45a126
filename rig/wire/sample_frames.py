"""Frames of samples by the thousand, in columns: one sample each, or a block of them.

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
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from fastcrc import crc16

from rig.errors import InputError
from rig.samples import COUNTS, BoolArray
from rig.wire.messages import BLOCK_KIND, MAX_PAYLOAD, SAMPLE_KIND
from rig.wire.sample_block import SampleBlock

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

BLOCK_HEAD = np.dtype(
    [
        ("kind", "u1"),
        ("status", "u1"),
        ("seq", "<u2"),
        ("time_us", "<u4"),
        ("span_us", "<u2"),
        ("position", "<i4"),
    ]
)
"""What the samples of a block share: status; number, time and position of the first; time to the last."""

BLOCK_STEP = np.dtype([("force_low", "<u2"), ("force_high", "i1"), ("position", "<i2")])
"""What each sample of a block has of its own: force in 24 bits, and position relative to the first."""

BLOCK_SAMPLES = (MAX_PAYLOAD - BLOCK_HEAD.itemsize) // BLOCK_STEP.itemsize
"""Samples of a full block."""

MOST_BLOCK_UNEVEN_US = 1
"""The clock's resolution: so far may a sample of a block lie beside an even pace."""

FRAMED_SIZES = (SAMPLE.itemsize, BLOCK_HEAD.itemsize + BLOCK_SAMPLES * BLOCK_STEP.itemsize)
"""Payloads of samples that come by the thousand: plain, and full blocks."""

CRC_BYTES = 2
FRAME_BYTES = CRC_BYTES + 2
"""What a frame adds to its payload: the CRC, COBS's first code byte and the closing 0x00."""

MAX_STUFFED = 254
"""COBS adds a second byte to longer data, which no payload of the protocol reaches."""


def encode_samples(block: SampleBlock) -> bytes:
    """Return framed samples, ready to send.

    Parameters
    ----------
    block
        Counts with seq and time. Seq and time may be unwrapped; they are sent modulo 2^16 and 2^32.

    Raises
    ------
    InputError
        If the block lacks seq or time, or holds anything but counts.
    """
    return _sealed(_bytes_of(_rows_of(block))).tobytes()


def encode_blocks(block: SampleBlock) -> tuple[bytes, npt.NDArray[np.intp]]:
    """Return framed samples, in full blocks where they fit into one and in plain frames elsewhere.

    Parameters
    ----------
    block
        As for `encode_samples`.

    Returns
    -------
    frames
        Ready to send, in the order of the samples.
    counts
        Samples in each frame.

    Raises
    ------
    InputError
        As for `encode_samples`.
    """
    rows = _rows_of(block)
    whole = len(rows) // BLOCK_SAMPLES
    groups = rows[: whole * BLOCK_SAMPLES].reshape(whole, BLOCK_SAMPLES)
    first = groups[:, 0]
    payloads = np.empty((whole, FRAMED_SIZES[1]), np.uint8)
    head = payloads[:, : BLOCK_HEAD.itemsize].view(BLOCK_HEAD)[:, 0]
    steps = payloads[:, BLOCK_HEAD.itemsize :].view(BLOCK_STEP)
    head["kind"] = BLOCK_KIND
    for shared in ("status", "seq", "time_us", "position"):
        head[shared] = first[shared]
    # What does not fit its place is cut here, comes back as something else, and is sent plain.
    head["span_us"] = groups[:, -1]["time_us"] - first["time_us"]
    steps["force_low"], steps["force_high"] = groups["force"] & 0xFFFF, groups["force"] >> 16
    steps["position"] = groups["position"].astype(np.int64) - first["position"][:, np.newaxis]

    back = rows_of(payloads).reshape(groups.shape)
    uneven_us = (back["time_us"] - groups["time_us"]).astype(np.int32)
    fits = (np.abs(uneven_us) <= MOST_BLOCK_UNEVEN_US).all(axis=1)
    for kept in ("status", "seq", "force", "position"):
        fits &= (back[kept] == groups[kept]).all(axis=1)

    frames, counts = [], []
    # One pass for each run of groups of one kind, then the samples behind the last whole group.
    edges = [0, *(np.flatnonzero(np.diff(fits)) + 1).tolist(), whole]
    for start, end in pairwise(edges):
        if end > start and fits[start]:
            frames.append(_sealed(payloads[start:end]))
            counts.append(np.full(end - start, BLOCK_SAMPLES))
        else:
            frames.append(_sealed(_bytes_of(groups[start:end].reshape(-1))))
            counts.append(np.ones((end - start) * BLOCK_SAMPLES, np.intp))
    rest = rows[whole * BLOCK_SAMPLES :]
    frames.append(_sealed(_bytes_of(rest)))
    counts.append(np.ones(len(rest), np.intp))
    return b"".join(part.tobytes() for part in frames), np.concatenate(counts)


def _rows_of(block: SampleBlock) -> Rows:
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
    return rows


def _bytes_of(rows: Rows) -> Bytes:
    return rows.view(np.uint8).reshape(len(rows), SAMPLE.itemsize)


def _sealed(payloads: Bytes) -> Bytes:
    """Return the frames of payloads of one length, shape (n, size), as rows."""
    count, size = payloads.shape
    crc = crc_columns(payloads.T)
    # The last column stays zero: it is the 0x00 that closes each frame. The CRC goes low byte first.
    frames = np.zeros((count, size + FRAME_BYTES), np.uint8)
    frames[:, :-1] = stuff_columns(np.vstack([payloads.T, crc & 0xFF, crc >> 8]).astype(np.uint8)).T
    return frames


def unpack_frames(stream: Bytes, starts: npt.NDArray[np.intp], size: int) -> tuple[Rows, BoolArray]:
    """Unpack the bodies that begin at `starts`, with payloads of one of `FRAMED_SIZES`.

    Returns
    -------
    rows
        Samples of the good frames, of type `SAMPLE`, in order; as many from each frame.
    good
        For each start, whether COBS and CRC hold and the frame holds samples of that size.
    """
    if not len(starts):
        return np.empty(0, SAMPLE), np.empty(0, np.bool_)
    data, whole = unstuff_columns(stream.take(starts + np.arange(size + CRC_BYTES + 1)[:, np.newaxis]))
    payload = data[:-CRC_BYTES]
    crc = crc_columns(payload)
    good = whole & (payload[0] == (SAMPLE_KIND if size == SAMPLE.itemsize else BLOCK_KIND))
    good &= (data[-2] == crc & 0xFF) & (data[-1] == crc >> 8)
    payloads = np.ascontiguousarray(payload.T)
    return rows_of(payloads if good.all() else payloads[good]), good


def rows_of(payloads: Bytes) -> Rows:
    """Return the samples of payloads of one kind and one length, shape (n, size), in order."""
    if payloads.shape[1] == SAMPLE.itemsize:
        return payloads.view(SAMPLE).reshape(-1)
    count = (payloads.shape[1] - BLOCK_HEAD.itemsize) // BLOCK_STEP.itemsize
    end = BLOCK_HEAD.itemsize + count * BLOCK_STEP.itemsize
    head = np.ascontiguousarray(payloads[:, : BLOCK_HEAD.itemsize]).view(BLOCK_HEAD)
    steps = np.ascontiguousarray(payloads[:, BLOCK_HEAD.itemsize : end]).view(BLOCK_STEP)
    place = np.arange(count, dtype=np.int64)
    rows = np.empty(steps.shape, SAMPLE)
    rows["kind"] = SAMPLE_KIND
    rows["status"] = head["status"]
    rows["seq"] = (head["seq"] + place) & 0xFFFF
    # Evenly from first to last, to the nearest microsecond; a block of one has no span.
    intervals = max(count - 1, 1)
    since_us = (2 * place * head["span_us"] + intervals) // (2 * intervals)
    rows["time_us"] = (head["time_us"] + since_us) & 0xFFFFFFFF
    rows["force"] = steps["force_low"] + (steps["force_high"].astype(np.int32) << 16)
    # A damaged block may point beyond 32 bits, which wraps like the counter itself.
    rows["position"] = (head["position"].astype(np.int64) + steps["position"]).astype(np.int32)
    return rows.reshape(-1)


def to_block(rows: Rows) -> SampleBlock:
    """Return the columns of sample payloads."""
    return SampleBlock(
        seq=rows["seq"].astype(np.int64),
        time_us=rows["time_us"].astype(np.int64),
        force=rows["force"].astype(np.int32),
        position=rows["position"].astype(np.int32),
        status=rows["status"].astype(np.uint8),
    )


def stuff_columns(data: Bytes) -> Bytes:
    """Return the COBS coding of many byte strings of one length, one in each column.

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


def unstuff_columns(stuffed: Bytes) -> tuple[Bytes, BoolArray]:
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
    """Return the CRCs of many payloads of one length, the columns of an array of shape (size, n)."""
    size, count = payload.shape
    # The CRC is linear over XOR: that of a payload is that of zeros, changed by each of its bytes alone.
    start, changes = _crc_tables(size)
    crc = np.full(count, start, np.uint16)
    for place in range(size):
        crc ^= changes[place].take(payload[place])
    return crc


@cache
def _crc_tables(size: int) -> tuple[int, npt.NDArray[np.uint16]]:
    """Return the CRC of `size` zero bytes, and what each byte at each place changes, shape (size, 256)."""
    # Initial value 0 (the variant called xmodem) for the changes: the initial value is in the start alone.
    changes = [
        [crc16.xmodem(bytes(place) + bytes([value]) + bytes(size - 1 - place)) for value in range(256)]
        for place in range(size)
    ]
    return crc16.ibm_3740(bytes(size)), np.array(changes, np.uint16)


def _check_size(size: int) -> None:
    if not 0 < size < MAX_STUFFED:
        raise ValueError(f"strings of {size} bytes, expected 1 to {MAX_STUFFED - 1}")
