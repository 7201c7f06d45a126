"""Samples to record batches of an Arrow stream and back, each batch carrying its own proof.

The problem: a disk can lose or mix up any part of a file, and the rest must still be readable and known
to be right. The plan: each batch bears the capture's id as a mark to search for, its run and number, and
a CRC-32C over run, number and column bytes (so that a batch that strayed from another place is not
taken for one of here). The cost: about 700 bytes a batch, and one pass of CRC over the data.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import fastcrc
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from rig.capture.header import CaptureHeader
from rig.samples import RawChannel, Samples, raw_type

COLUMNS = ("seq", "time_us", "force", "position", "status")

BATCH_ROWS = 4096
"""Samples in a batch: a damaged sector costs 4 s at 1 kHz, and the marks cost under 1 % of the file."""

END_OF_STREAM = b"\xff\xff\xff\xff\0\0\0\0"

_MARK = (b"capture", b"run", b"number", b"crc32c")


@dataclass(frozen=True, slots=True)
class Batch:
    """One intact batch: its number within the run, and its samples."""

    number: int
    samples: Samples


def schema_of(header: CaptureHeader, run: int, text: bytes = b"") -> pa.Schema:
    """Return the schema of a samples file; `text` is a copy of the header, in case `capture.yaml` is lost."""
    return pa.schema(
        [
            pa.field("seq", pa.int64(), nullable=False),
            pa.field("time_us", pa.int64(), nullable=False, metadata={"clock": header.clock}),
            _channel_field("force", header.force),
            _channel_field("position", header.position),
            pa.field("status", pa.uint8(), nullable=False),
        ],
        metadata={b"capture": header.id.encode(), b"run": str(run).encode(), b"header": text},
    )


def _channel_field(name: str, channel: RawChannel) -> pa.Field:
    about = {"unit": channel.unit, "resolution": repr(channel.resolution)}
    return pa.field(name, pa.from_numpy_dtype(raw_type(channel)), nullable=False, metadata=about)


def to_message(samples: Samples, header: CaptureHeader, run: int, number: int) -> bytes:
    """Return a record batch with its mark, encapsulated: what stands in a stream between schema and end."""
    schema = schema_of(header, run)
    values = [np.ascontiguousarray(getattr(samples, name)) for name in COLUMNS]
    crc = _checksum(run, number, values)
    mark = {"capture": header.id, "run": str(run), "number": str(number), "crc32c": f"{crc:08x}"}
    # Not pa.array, which imports pandas at its first use: for up to a second while a platen moves. The
    # buffers are those of the samples, not copies; None stands for the bitmap of missing values.
    columns = [
        pa.Array.from_buffers(field.type, len(samples), [None, pa.py_buffer(column)])
        for field, column in zip(schema, values, strict=True)
    ]
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, schema) as stream:
        stream.write_batch(pa.record_batch(columns, schema=schema), custom_metadata=mark)
    # Arrow writes whole streams only: the schema before the batch and the end behind it are cut off.
    return sink.getvalue()[schema.serialize().size : -len(END_OF_STREAM)]


def from_message(message: bytes | memoryview, header: CaptureHeader, run: int) -> Batch | None:
    """Read one encapsulated record batch with the fixed schema; None if anything about it is wrong."""
    head = schema_of(header, run).serialize().to_pybytes()
    try:
        found = pa.ipc.open_stream(head + message).read_next_batch_with_custom_metadata()
        # Buffers too short for their rows are found here, before any value is used.
        found.batch.validate(full=True)
        mark = found.custom_metadata
        mark_id, mark_run, number, crc = (mark[name].decode() for name in _MARK)
        columns = [_values(column) for column in found.batch.columns]
        same = (mark_id, int(mark_run)) == (header.id, run)
        if not same or int(crc, 16) != _checksum(run, int(number), columns):
            return None
        seq, time_us, force, position, status = columns
        samples = Samples(seq, time_us, force, position, status, header.force, header.position, header.clock)
        return Batch(int(number), samples)
    # Damaged bytes make Arrow raise nearly anything; whatever it is, this batch is lost and no other.
    except Exception:
        return None


def _values(column: pa.Array) -> npt.NDArray[Any]:
    """Return a column's values where they lie, without its `to_numpy`, which imports pandas."""
    if column.null_count:
        raise ValueError("a sample without a value")
    return np.frombuffer(column.buffers()[1], column.type.to_pandas_dtype(), len(column), column.offset)


def _checksum(run: int, number: int, columns: Iterable[npt.NDArray[np.generic]]) -> int:
    # CRC-32C (Castagnoli); run and number first, so that a batch from another place does not fit here.
    crc: int = fastcrc.crc32.iscsi(struct.pack("<qq", run, number))
    for column in columns:
        crc = fastcrc.crc32.iscsi(column.tobytes(), crc)
    return crc
