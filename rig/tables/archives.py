"""Compressed files unpacked within bounds, with one refusal for all that is wrong with them."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from rig.errors import InputError

LARGEST_UNPACKED = 1 << 28
"""Bytes that a compressed table, or all parts of a spreadsheet, may unpack to: a million rows of a wide
table."""

_DAMAGED = (
    zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError
)  # fmt: skip


@contextmanager
def unpacking(path: Path) -> Iterator[None]:
    """Refuse what turns out to be damaged or encrypted while it is unpacked."""
    try:
        yield
    except _DAMAGED as problem:
        raise InputError(
            f"{path}: cannot be unpacked ({str(problem)[:100]}); expected a whole file without a password"
        ) from None


def read_within(packed: IO[bytes] | gzip.GzipFile, most: int, path: Path) -> bytes:
    """Return all bytes of a compressed file; InputError if they are more than `most`."""
    unpacked = packed.read(most + 1)
    if len(unpacked) > most:
        raise InputError(f"{path}: unpacks to more than {LARGEST_UNPACKED >> 20} MiB; import it in parts")
    return unpacked


def unpacked_gzip(data: bytes, path: Path) -> bytes:
    """Return what a gzip file holds."""
    with unpacking(path), gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
        return read_within(packed, LARGEST_UNPACKED, path)


def files_of(data: bytes, suffixes: tuple[str, ...]) -> list[str] | None:
    """Return the files in a zip archive, of several only the one table beside a readme; None for a
    spreadsheet, or a damaged archive, reported there."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = archive.namelist()
    except _DAMAGED:
        return None
    if not names or {"[Content_Types].xml", "content.xml", "mimetype"} & set(names):
        return None
    files = [name for name in names if not name.endswith("/") and not name.startswith("__MACOSX/")]
    tables = [name for name in files if name.lower().endswith(suffixes) and "readme" not in name.lower()]
    return tables if len(tables) == 1 else files


def member(data: bytes, path: Path, files: Sequence[str], wanted: str | None) -> tuple[str, bytes]:
    """Return the name and the bytes of the one table in a zip archive."""
    if not files:
        raise InputError(f"{path}: no file in this archive, expected a table")
    if wanted not in files and (len(files) > 1 or wanted is not None):
        found = f"{len(files)} files" if wanted is None else f"no file {wanted!r:.80}"
        choices = " or ".join(f'--sheet "{name:.80}"' for name in files[:10])
        raise InputError(f"{path}: {found} in this archive; choose one: {choices}")
    name = wanted or files[0]
    with unpacking(path), zipfile.ZipFile(io.BytesIO(data)) as archive, archive.open(name) as packed:
        return name, read_within(packed, LARGEST_UNPACKED, path)
