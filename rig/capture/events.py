"""`events.jsonl`: what happened beside the samples, one JSON object to a line.

A line is complete or damaged, and a damaged one costs itself only. Writing never refuses a value: an
event that cannot be recorded exactly is recorded as text.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.core import EventKind, kind_of, load_json, open_file
from rig.errors import InputError

EVENTS_FILE = "events.jsonl"

LONGEST_LINE = 1 << 20
"""Bytes; a longer line is damage, and is not parsed."""


def event_line(kind: EventKind, fields: Mapping[str, Any]) -> bytes:
    """Return an event with the wall time of now, as a line of JSON in ASCII."""
    wall = datetime.now(UTC).isoformat(timespec="milliseconds")
    event = {"wall": wall, "kind": kind} | {name: _finite(value) for name, value in fields.items()}
    return json.dumps(event, default=_plain).encode("ascii") + b"\n"


def each_event(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the readable events of a file, oldest first, one at a time."""
    with open_file(path) as file:
        while line := file.readline(LONGEST_LINE):
            event = _parsed(line)
            if event is not None:
                yield event


def damaged_lines(path: Path) -> tuple[int, int]:
    """Return how many lines of a file are no readable events, and the byte offset of the first of those."""
    damaged, first, offset = 0, 0, 0
    with open_file(path) as file:
        while line := file.readline(LONGEST_LINE):
            if line.strip() and _parsed(line) is None:
                first = first if damaged else offset
                damaged += 1
            offset += len(line)
    return damaged, first


def events_of_kind(path: Path, kind: EventKind) -> Iterator[dict[str, Any]]:
    """Yield the readable events of one kind, one at a time: memory stays flat, and other lines are not
    parsed.

    A file that cannot be opened has none; the capture's `damage` tells of it.
    """
    name = json.dumps(kind).encode("ascii")
    try:
        opened = open_file(path)
    except OSError:
        return
    with opened as file:
        while line := file.readline(LONGEST_LINE):
            event = _parsed(line) if name in line else None
            if event is not None and kind_of(event) == kind:
                yield event


def _parsed(line: bytes) -> dict[str, Any] | None:
    try:
        event = load_json(line, EVENTS_FILE)
    except InputError:
        return None
    return event if "kind" in event else None


def _finite(value: Any) -> Any:
    # JSON has no nan and no inf.
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def _plain(value: Any) -> Any:
    return _finite(value.item()) if hasattr(value, "item") else str(value)
