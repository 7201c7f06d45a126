"""`summary.jsonl`: rows that were worked out while recording, one JSON object to a line.

Problem: where the samples of a long run are thinned, what was measured of each cycle must outlive them, and
be known to be right. Plan: a line for each row, with a CRC-32C of its own text; a damaged line costs itself
only. What the fields mean is the writer's matter. Cost: some hundred bytes for each row.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import fastcrc

from rig.capture.events import LONGEST_LINE
from rig.core import all_finite, load_json, open_file
from rig.errors import InputError

SUMMARY_FILE = "summary.jsonl"

_CRC = "crc32c"


def row_line(fields: Mapping[str, Any]) -> bytes:
    """Return a row as a line of JSON in ASCII, its checksum the last field; not-a-number becomes null."""
    plain = all_finite(fields)
    body = json.dumps(plain, separators=(",", ":"))
    crc = fastcrc.crc32.iscsi(body.encode("ascii"))
    tail = f'"{_CRC}":"{crc:08x}"}}'
    return (body[:-1] + ("," if plain else "") + tail).encode("ascii") + b"\n"


def read_rows(path: Path) -> Iterator[dict[str, Any] | None]:
    """Yield the rows of a file, one at a time and in order; None for each damaged line."""
    with open_file(path) as file:
        while line := file.readline(LONGEST_LINE):
            if not line.strip():
                continue
            try:
                row = load_json(line, SUMMARY_FILE)
                crc = row.pop(_CRC)
            except (InputError, KeyError):
                yield None
                continue
            # Written anew, checksum included, an intact row gives its own line again.
            yield row if row_line(row) == line and isinstance(crc, str) else None
