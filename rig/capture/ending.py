"""`end.yaml`: that a capture ended properly, why, and with what.

It is the last thing written, renamed into place, so that it is whole or not there at all. Its tallies
and checksums tell a file that was cut short later from one that was complete.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import yaml
from pydantic import AwareDatetime, Field

from rig.capture.disk import read_yaml, validated

END_FILE = "end.yaml"

Count = Annotated[int, Field(ge=0)]


@dataclass(frozen=True, slots=True)
class FileTally:
    """What one file of a capture held at its end; `batches` and `samples` are zero for text files."""

    bytes: Count
    crc32c: str
    batches: Count = 0
    samples: Count = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How a capture ended.

    `duration_s`: last time less first time; None without samples or without a clock.
    `unwritten_samples`: samples that had arrived when the disk refused them.
    `tallies`: whatever the recorder counted: losses, faults, frames.
    `files`: size and checksum of each file.
    """

    reason: str
    samples: Count
    duration_s: float | None = None
    unwritten_samples: Count = 0
    tallies: Mapping[str, Any] = field(default_factory=dict)
    files: Mapping[str, FileTally] = field(default_factory=dict)
    ended: AwareDatetime = field(default_factory=lambda: datetime.now(UTC).replace(microsecond=0))


def ending_text(ending: Ending) -> bytes:
    """Write an ending as YAML. Tallies of a kind that YAML lacks are written as text, never refused."""
    fields = asdict(ending) | {"ended": ending.ended.isoformat()}
    fields["tallies"] = {str(name): _plain(value) for name, value in ending.tallies.items()}
    text: bytes = yaml.safe_dump(fields, sort_keys=False, allow_unicode=True, encoding="utf-8")
    return text


def read_ending(path: Path) -> Ending:
    """Read and validate an `end.yaml`, or raise CaptureError."""
    return validated(Ending, read_yaml(path), str(path))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(name): _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if value is None or type(value) in (bool, int, float, str):
        return value
    return value.item() if hasattr(value, "item") else str(value)
