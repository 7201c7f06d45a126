"""What captures a folder holds, told from their headers and ends alone, so that a thousand take a second."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rig.capture.header import HEADER_FILE
from rig.capture.opened import open_capture
from rig.errors import CaptureError, InputError

_LONG_AGO = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """One line of a list of captures.

    `path`, `id`, `started`, `specimen`, `batch`: as in the header; None where it cannot be read.
    `samples`, `duration_s`: as in the end; None for a capture that was killed.
    `problem`: why it cannot be opened; None if it can.
    """

    path: Path
    id: str | None = None
    started: datetime | None = None
    specimen: str | None = None
    batch: str | None = None
    samples: int | None = None
    duration_s: float | None = None
    how_it_ended: str = ""
    problem: str | None = None


def list_captures(folder: Path | str) -> list[CaptureSummary]:
    """List the captures in a folder by the time they were started; unreadable ones come first.

    Raises CaptureError if the folder does not exist.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise CaptureError(f"{folder}: no such folder; expected one that holds captures")
    found = [capture_summary(path) for path in sorted(folder.iterdir()) if looks_like_capture(path)]
    return sorted(found, key=lambda summary: summary.started or _LONG_AGO)


def looks_like_capture(path: Path) -> bool:
    """Return whether a path is a folder that holds what a capture holds."""
    return path.is_dir() and ((path / HEADER_FILE).exists() or any(path.glob("samples-*.arrow")))


def capture_summary(path: Path) -> CaptureSummary:
    """Return what the header and the end of a capture say, or why it cannot be opened."""
    try:
        capture = open_capture(path)
    except (InputError, OSError) as refusal:
        return CaptureSummary(path, problem=str(refusal))
    header, ending, left_out = capture.header, capture.ending, capture.exclusions.capture
    return CaptureSummary(
        path,
        header.id,
        header.started,
        header.specimen,
        header.batch,
        ending.samples if ending else None,
        ending.duration_s if ending else None,
        capture.how_it_ended if left_out is None else f"{capture.how_it_ended}; left out: {left_out.reason}",
    )
