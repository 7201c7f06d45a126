"""Bytes that must reach the disk whole, and small YAML files that may not be what they say.

A plain write can stop half-way, and a rename can reach the disk before the data it names. The plan:
loop over short writes, sync a file before it is renamed, sync the folder after. The cost: a few
milliseconds at the start and at the end of a capture.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import fastcrc
from pydantic import TypeAdapter, ValidationError

from rig.core import load_yaml, open_file, read_bytes, write_all
from rig.errors import CaptureError, InputError

_BLOCK = 1 << 20

Record = TypeVar("Record")


def write_new(path: Path, data: bytes) -> None:
    """Write a file that must not exist yet, down to the disk."""
    with path.open("xb", buffering=0) as file:
        write_all(file, data)
        os.fsync(file.fileno())


def write_in_place(path: Path, data: bytes) -> None:
    """Make `path` hold `data`, so that at no moment it holds a part of it."""
    temporary = path.with_name(path.name + ".tmp")
    temporary.unlink(missing_ok=True)
    write_new(temporary, data)
    temporary.replace(path)
    sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Bring new and renamed names in a folder down to the disk, where the system can do that."""
    if os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def file_checksum(path: Path) -> str:
    """Return the CRC-32C of a file, eight hexadecimal digits."""
    crc: int | None = None
    with open_file(path) as file:
        while block := file.read(_BLOCK):
            crc = fastcrc.crc32.iscsi(block, crc)
    return f"{crc or 0:08x}"


def read_yaml(path: Path) -> dict[str, Any]:
    """Read a small YAML mapping.

    Raises CaptureError if it is missing, too large, not YAML or not a mapping.
    """
    try:
        return load_yaml(read_bytes(path, what="YAML file of a capture"), str(path))
    except InputError as refusal:
        raise CaptureError(str(refusal)) from None


def parse_yaml(data: bytes, where: str) -> dict[str, Any]:
    """Parse bytes as a YAML mapping, or raise CaptureError."""
    try:
        return load_yaml(data, where)
    except InputError as refusal:
        raise CaptureError(str(refusal)) from None


def validated(kind: type[Record], fields: Mapping[str, Any], where: str) -> Record:
    """Return fields that were read as a record; unknown ones are left aside: a later version may add some.

    Raises CaptureError, naming the first wrong field, what was found and what would be right.
    """
    try:
        record: Record = _adapter(kind).validate_python(dict(fields))  # type: ignore[arg-type]
        return record
    except ValidationError as refusal:
        first = refusal.errors(include_url=False)[0]
        name = ".".join(str(part) for part in first["loc"])
        found = "nothing" if first["type"] == "missing" else repr(first["input"])[:80]
        raise CaptureError(f"{where}: field '{name}': found {found}; {first['msg']}") from refusal


@cache
def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    return TypeAdapter(kind)  # built at its first use: it takes milliseconds
