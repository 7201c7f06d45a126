"""What a folder of captures already holds of a file, so that an import can be repeated."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rig.capture.ending import END_FILE
from rig.capture.header import HEADER_FILE
from rig.core import LARGEST_TEXT, open_file

_KEY = re.compile(rb"^  key: ([0-9a-f]{64})\r?$", re.MULTILINE)


def import_key(sha256: str, settings: Mapping[str, Any]) -> str:
    """Return a mark of a file's content and of everything that decides what becomes of it."""
    text = json.dumps([sha256, settings], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def imported_before(folder: Path) -> dict[str, Path]:
    """Return the whole captures of a folder that were imported, by the key of their import.

    One that was cut short has no end, and is imported again.
    """
    found: dict[str, Path] = {}
    if not folder.is_dir():
        return found
    for path in sorted(folder.iterdir()):
        if not (path / END_FILE).is_file():
            continue
        try:
            with open_file(path / HEADER_FILE) as file:
                keys = _KEY.findall(file.read(LARGEST_TEXT))
        except OSError:
            continue
        if len(keys) == 1:
            found[keys[0].decode()] = path
    return found
