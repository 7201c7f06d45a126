"""Results that were worked out before, kept inside their captures.

Problem: measuring a capture takes a tenth of a second to minutes, and compare, sheet and page ask for the
same numbers again and again. Plan: what an analysis hands out is written to `.results` in the capture's
folder, under a name made of all that the numbers depend on: the bytes of the capture's files, how it was
asked for, and the source of the arithmetic. A changed capture, option or program finds nothing, and
measures anew. A file is written under another name and renamed; it ends with a digest over its content and
its own name, and what does not agree, or cannot be read, counts as absent. So two processes at once do no
harm, and all of it can be deleted at any time. What commands make of a result again and again, such as the
values of a piece, is kept beside it in the same way. Cost: the capture's files are read once for the name.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass
from functools import lru_cache
from json import dumps
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from rig.analyser import (
    AnalysisSettings,
    CaptureResult,
    Columns,
    Depth,
    Loop,
    MeasuringNoise,
    PronySeries,
    Softening,
)
from rig.calibration import Calibration
from rig.capture import content_files
from rig.core import LARGEST_TEXT, load_json, read_bytes
from rig.errors import InputError
from rig.results.derived import DIGEST_BYTES, FOLDER, arithmetic_version, replace_derived
from rig.segmenter import ContactChecks, ForceZero, ZeroPolicy

MOST_BYTES = 1 << 24
"""Of one result, some twenty thousand cycles; a longer table is worked out anew, as it must not be held."""

MOST_KEPT = 12
"""Files per capture, up to three for each way in which it was asked for; the oldest go first."""

CONTACT, PIECE = ".contact", ".piece"
"""Endings of names: the force that counts as contact, and what a capture says of its piece."""

CONTENTS = 20_000
"""Captures whose digests are remembered while a program runs: each is looked up several times."""

_TYPES: Mapping[str, type[Any]] = {
    kind.__name__: kind
    for kind in (
        AnalysisSettings,
        ContactChecks,
        Depth,
        ForceZero,
        Loop,
        MeasuringNoise,
        PronySeries,
        Softening,
        ZeroPolicy,
    )
}
"""The only types that are made of what a file says."""

_TYPE, _OF = "#", "of"
_LENGTH = struct.Struct("<Q")
_NUMBER = struct.Struct("<d")


class KeptResult:
    """The place of one capture's result, asked for in one way.

    Parameters
    ----------
    asked
        All that the numbers depend on beside the capture, as plain values.
    """

    def __init__(self, capture: Path, asked: Mapping[str, Any]) -> None:
        self._capture = capture
        self._seen = _seen(capture)
        digest = hashlib.blake2b(dumps(asked, sort_keys=True).encode(), digest_size=DIGEST_BYTES)
        digest.update(arithmetic_version().encode())
        digest.update(_content(capture, self._seen))
        self._key = digest.hexdigest()

    @property
    def path(self) -> Path:
        """Where it is kept."""
        return self._capture / FOLDER / f"{self._key}.arrow"

    def read(self, calibration: Calibration) -> CaptureResult | None:
        """Return what was kept, with the calibration that it was measured by; None if that is not sound."""
        try:
            head, blob = self._sealed(self.path)
            reader = pa.ipc.open_stream(pa.py_buffer(head))
            about = load_json(reader.schema.metadata[b"result"], self.path.name)
            batch = reader.read_next_batch()
            batch.validate(full=True)
            columns = {
                name: np.frombuffer(column.buffers()[1], np.float64, len(column))
                for name, column in zip(batch.schema.names, batch.columns, strict=True)
            }
            found = _typed(about, blob)
            return CaptureResult(columns=columns, calibration=calibration, **found)
        # Whatever is wrong with a file that anybody may have written, the numbers are worked out anew.
        except Exception:
            return None

    def read_piece(self) -> Mapping[str, Any] | None:
        """Return what was kept by `write_piece`; None if that is not sound."""
        try:
            head, blob = self._sealed(self.path.with_suffix(PIECE))
            found: Mapping[str, Any] = _typed(load_json(head, self.path.name), blob)
        # as above
        except Exception:
            return None
        return found

    def write_piece(self, parts: Mapping[str, Any]) -> None:
        """Keep what a capture says of its piece, if the capture is still what it was.

        Parameters
        ----------
        parts
            Texts, tuples of texts, mappings of them, and arrays.
        """
        blobs: list[bytes] = []
        head = dumps({name: _plain(value, blobs) for name, value in parts.items()}, allow_nan=False)
        if _seen(self._capture) == self._seen:
            self._seal(self.path.with_suffix(PIECE), head.encode(), blobs)

    def read_contact_force_n(self) -> float | None:
        """Return the force that counts as contact by the noise, as it was kept; None if that is not sound."""
        try:
            data = read_bytes(self.path.with_suffix(CONTACT), most=2 * DIGEST_BYTES)
            body = data[:-DIGEST_BYTES]
            return float(_NUMBER.unpack(body)[0]) if self._digest(body) == data[len(body) :] else None
        except (InputError, OSError, struct.error):
            return None

    def write_contact_force_n(self, force_n: float) -> None:
        """Keep the force that counts as contact by the noise, if the capture is still what it was."""
        if _seen(self._capture) == self._seen:
            self._put(self.path.with_suffix(CONTACT), _NUMBER.pack(force_n))

    def write(self, result: CaptureResult) -> None:
        """Keep a result, if there is room and the capture is still what it was."""
        names = list(result.columns)
        if len(names) * len(result) * 8 > MOST_BYTES or _seen(self._capture) != self._seen:
            return
        columns = result.rows(slice(0, len(result)))
        blobs: list[bytes] = []
        about = {
            field.name: _plain(getattr(result, field.name), blobs)
            for field in fields(result)
            if field.name not in ("columns", "calibration")
        }
        try:
            text = dumps(about, allow_nan=False)
        except TypeError:
            return
        # what could not be read again is not written
        if len(text) <= LARGEST_TEXT:
            self._seal(self.path, _stream(columns, text), blobs)

    def _sealed(self, path: Path) -> tuple[bytes, bytes]:
        """Return the head and the arrays of a file; ValueError if it is not what was written."""
        data = read_bytes(path, most=2 * MOST_BYTES)
        body, digest = data[:-DIGEST_BYTES], data[-DIGEST_BYTES:]
        if self._digest(body) != digest:
            raise ValueError(path)
        end = len(body) - _LENGTH.size
        begin = end - _LENGTH.unpack(body[end:])[0]
        return body[:begin], body[begin:end]

    def _seal(self, path: Path, head: bytes | memoryview, blobs: list[bytes]) -> None:
        self._put(path, head, *blobs, _LENGTH.pack(sum(map(len, blobs))))

    def _put(self, path: Path, *parts: bytes | memoryview) -> None:
        # a capture that cannot be written, or a full disk, costs the time of another analysis
        with suppress(OSError):
            replace_derived(path, *parts, self._digest(*parts))
            # what a killed process left half-written goes too
            others = [path for path in path.parent.iterdir() if path.name != ".gitignore"]
            others.sort(key=lambda path: path.stat().st_mtime_ns, reverse=True)
            for other in others[MOST_KEPT:]:
                other.unlink(missing_ok=True)

    def _digest(self, *parts: bytes | memoryview) -> bytes:
        digest = hashlib.blake2b(self._key.encode(), digest_size=DIGEST_BYTES)
        for part in parts:
            digest.update(part)
        return digest.digest()


def _seen(capture: Path) -> tuple[tuple[str, int, int, int], ...]:
    """Return size and times of change of each file: whoever goes on recording changes them."""
    stats = [(path.name, path.stat()) for path in content_files(capture)]
    return tuple((name, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns) for name, stat in stats)


@lru_cache(maxsize=CONTENTS)
def _content(capture: Path, seen: tuple[tuple[str, int, int, int], ...]) -> bytes:
    """Return a digest of all files of a capture; what was seen of them says when it has to be taken anew."""
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    for name, *_ in seen:
        with (capture / name).open("rb") as file:
            content = hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=DIGEST_BYTES))
        digest.update(name.encode(errors="surrogateescape") + content.digest())
    return digest.digest()


def _stream(columns: Columns, about: str) -> memoryview:
    """Return a table of cycles as an Arrow stream that says the rest in its metadata."""
    arrays = [
        # not pa.array, which imports pandas at its first use
        pa.Array.from_buffers(
            pa.float64(), len(values), [None, pa.py_buffer(np.ascontiguousarray(values, np.float64))]
        )
        for values in columns.values()
    ]
    batch = pa.record_batch(arrays, names=list(columns)).replace_schema_metadata({"result": about})
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as stream:
        stream.write_batch(batch)
    return memoryview(sink.getvalue())


def _plain(value: Any, blobs: list[bytes]) -> Any:
    """Return a value as JSON has it; arrays go to the blobs."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if isfinite(value) else {_TYPE: "float", _OF: repr(value)}
    if isinstance(value, str | int | None):
        return value
    if isinstance(value, np.ndarray):
        # arrays lie one after the other behind the text, which names their places
        place = sum(map(len, blobs))
        blobs.append(np.ascontiguousarray(value).tobytes())
        return {_TYPE: "array", "dtype": value.dtype.str, "place": place, "length": len(value)}
    if isinstance(value, tuple):
        return [_plain(entry, blobs) for entry in value]
    if isinstance(value, dict):
        return {name: _plain(entry, blobs) for name, entry in value.items()}
    if is_dataclass(value):
        members = {field.name: _plain(getattr(value, field.name), blobs) for field in fields(value)}
        value = {_TYPE: _TYPES[type(value).__name__].__name__, _OF: members}
    return value


def _typed(value: Any, blob: bytes) -> Any:
    """Return what `_plain` wrote."""
    if isinstance(value, list):
        return tuple(_typed(entry, blob) for entry in value)
    if not isinstance(value, dict):
        return value
    kind = value.get(_TYPE)
    if kind is None:
        return {name: _typed(entry, blob) for name, entry in value.items()}
    if kind == "float":
        return float(value[_OF])
    if kind == "array":
        dtype = np.dtype(value["dtype"])
        # numbers only: no array of objects is made of a file's bytes
        if dtype.kind not in "fiub":
            raise InputError(f"{FOLDER}: an array of {dtype}")
        return np.frombuffer(blob, dtype, value["length"], value["place"])
    return _TYPES[kind](**_typed(value[_OF], blob))
